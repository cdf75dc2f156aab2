"""Panels show what the assessment says, in words and shapes, and never let input become markup."""

from __future__ import annotations

from html.parser import HTMLParser

import pytest

from advisor.unit import Unit, frame
from advisor.views.findings import findings
from advisor.views.laps import Lap, Watches
from advisor.views.panels import closing, devices, facts, ladder, parts, phases, queue, stopwatch, verdict
from advisor.views.wording import FIRST, LABELS, MORE, field_words

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'"
WATCHES = Watches(
    (Lap(HOSTILE, "copy", HOSTILE), Lap(HOSTILE, HOSTILE, "", 3.0)), (Lap(HOSTILE, HOSTILE, HOSTILE),), 3.0
)


class Reader(HTMLParser):
    """Collects elements, attributes and text of a piece of HTML, as a browser would see them."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.attributes, self.words = [], [], []
        self.feed(str(page))

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture
def found(assessment):
    return findings(assessment, 0)


def panels_of(found):
    kept = found.unit
    return [
        verdict.verdict(found),
        facts.facts(kept, {"ram_slots": HOSTILE}, {"cpu": (HOSTILE, HOSTILE)}),
        ladder.ladder(found),
        devices.devices(found),
        phases.phases(found),
        parts.parts(found),
        closing.actions(found, made=False),
        closing.log_form(found, ["Xfce"], HOSTILE, WATCHES, 1),
        stopwatch.stopwatch(WATCHES, HOSTILE, found),
        stopwatch.running(WATCHES, "B-1"),
        closing.sheet_view(HOSTILE, HOSTILE),
        queue.queue([queue.Place(1, HOSTILE, HOSTILE, HOSTILE, HOSTILE, HOSTILE, 5)], 1),
    ]


def test_hostile_text_stays_text(assess, laptop):
    unit = laptop.model_copy(update={"maker": HOSTILE, "model": HOSTILE, "notes": HOSTILE, "wireless": HOSTILE})
    found = findings(assess(frame([unit]), hostile=HOSTILE), 0)
    for page in panels_of(found):
        seen = Reader(page)
        assert "script" not in seen.tags and "img" not in seen.tags
        assert not [name for _, attributes in seen.attributes for name in attributes if name.startswith("on")]


def test_every_field_of_a_unit_can_be_corrected():
    shown = [name for groups in (FIRST, MORE) for _, names in groups for name in names]
    assert sorted(shown) == sorted(Unit.model_fields)
    assert set(LABELS) == set(Unit.model_fields)
    seen = Reader(facts.facts(Unit(), {}, {}))
    boxes = {a["name"]: a for tag, a in seen.attributes if tag in ("input", "select", "textarea")}
    assert set(boxes) == set(Unit.model_fields)
    labels = {a["for"] for tag, a in seen.attributes if tag == "label"}
    assert {box["id"] for box in boxes.values()} <= labels


def test_an_unknown_fact_is_shown_as_unknown_and_says_why():
    seen = Reader(facts.field_box("ram_slots", None, "needs root"))
    assert "Not read: needs root" in seen.text and "?" in seen.text
    box = next(a for tag, a in seen.attributes if tag == "input")
    assert box["placeholder"] == "unknown" and box["value"] == ""
    assert "?" not in Reader(facts.field_box("ram_gib", 8.0)).text


def test_closed_sets_are_offered_as_choices():
    assert field_words("storage_kind").choices[0] == "nvme"
    assert field_words("secure_boot").choices == ("yes", "no")
    assert field_words("ram_gib").unit == "GiB" and not field_words("ram_gib").choices


def test_verdict_says_advice_edition_minutes_and_reasons(found):
    words = Reader(verdict.verdict(found)).text
    for part in (
        "firmware first",
        "Xfce",
        "debian-13",
        "12 min",
        "41 min",
        "33 min to 55 min (80 %)",
        "the Wi-Fi chip needs firmware",
        "Do",
        "Wireless: needs firmware",
        "Put the package file on the stick",
        "firmware-iwlwifi",
    ):
        assert part in words


def test_a_unit_on_hold_shows_no_minutes(assessment):
    found = findings(assessment, 1)
    assert "No minutes" in Reader(phases.phases(found)).text
    assert "until the missing fact is filled in" in Reader(verdict.verdict(found)).text


def test_time_bar_is_as_long_as_its_phases(found):
    seen = Reader(phases.time_bar(found))
    bars = [a for tag, a in seen.attributes if tag == "rect" and a.get("class") == "ba-machine"]
    minutes = [6.0, 17.5, 12.0, 5.5]
    widths = [float(bar["width"]) for bar in bars]
    for width, length in zip(widths, minutes, strict=True):
        assert width / widths[0] == pytest.approx(length / minutes[0], abs=0.02)
    ends = [float(bar["x"]) + float(bar["width"]) for bar in bars]
    assert [float(bar["x"]) for bar in bars][1:] == pytest.approx(ends[:-1], abs=0.2)


def test_time_bar_says_in_words_what_it_draws(found):
    label = next(a["aria-label"] for tag, a in Reader(phases.time_bar(found)).attributes if tag == "svg")
    assert "4 phases over 41 min, 80 % interval 33 min to 55 min" in label


@pytest.mark.parametrize("top", [0.5, 7, 41, 90, 125, 480, 3000])
def test_ticks_stay_within_the_axis(top):
    marks = phases.ticks(top)
    assert marks[0] == 0 and marks[-1] <= max(top, 1) and len(marks) <= 9


def test_ladder_says_for_each_edition_where_it_stands(found):
    words = Reader(ladder.ladder(found)).text
    assert "ruled out: not enough graphics" in words
    assert "not comfortable: browser usable after 16 s, over 12 s" in words
    assert "comfortable; advised" in words


def test_devices_stand_on_every_image_with_a_word_each(found):
    seen = Reader(devices.devices(found))
    for word in ("works", "needs firmware", "no driver", "unknown", "does not boot", "firmware-iwlwifi"):
        assert word in seen.text
    assert seen.tags.count("tr") == 1 + 3


def test_queue_marks_the_unit_in_view_and_narrows():
    places = [queue.Place(n, f"B-{n}", "Acme", "ready", "make the sheet", "hold", None) for n in range(300)]
    seen = Reader(queue.queue(places, 150))
    current = [a for tag, a in seen.attributes if a.get("aria-current") == "true"]
    assert [a["data-key"] for a in current] == ["150"]
    assert "150 more" in seen.text
    assert Reader(queue.queue(places, 150, "b-29")).tags.count("button") == 11
