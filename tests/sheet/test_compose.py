"""Composing from real assessments of the demo: every advice has the sheet it needs."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from advisor.sheet.compose import minutes, number, span

from advisor import intake
from advisor.advice import assess
from advisor.advice.cells import clean
from advisor.files import datasets
from advisor.sheet import compose, compose_all, render_text
from advisor.shop_file import read_shop


@pytest.fixture(scope="module")
def result():
    demo = datasets() / "demo"
    return assess(intake.read(demo / "intake.csv"), read_shop(demo / "shop.toml"))


@pytest.fixture(scope="module")
def by_tag(result):
    return {sheet.tag: sheet for sheet in compose_all(result)}


def test_clean_takes_out_what_paper_and_terminals_must_not_get():
    assert clean("a\x1b[31mred\x07\r\nb") == "a [31mred b"
    # Unicode 15, UAX 9: U+202E overrides direction, U+2066 to U+2069 isolate.
    assert clean("tag\u202etxt.exe\u2066x\u2069") == "tag txt.exe x"
    assert clean(pd.NA) == clean(None) == clean(float("nan")) == ""
    assert clean("你好 é 👾 שלום") == "你好 é 👾 שלום"
    assert len(clean("x" * 50_000)) == 2000


def test_numbers_in_words():
    assert [number(8.0, 1), number(7.5, 1), number(120), number(pd.NA)] == ["8", "7.5", "120", ""]
    assert [minutes(0.0), minutes(0.54), minutes(9.96), minutes(41.4), minutes(pd.NA)] == ["", "0.5", "10", "41", ""]
    assert [span(21.6, 30.2), span(8.1, 8.4), span(pd.NA, pd.NA), span(99, 100), span(184, 334), span(2944, 3500)] == [
        "22–30", "8", "", "99–100", "184+", "600+",
    ]  # fmt: skip


def test_a_sheet_a_row_in_order(result, by_tag):
    assert list(by_tag) == list(result.units["asset_tag"])
    assert compose(result, 3) == by_tag[result.units["asset_tag"].iat[3]]
    with pytest.raises(IndexError, match="row 60"):
        compose(result, 60)


def test_sheet_and_csv_say_the_same(result):
    for row, sheet in enumerate(compose_all(result)):
        scored = result.scored.iloc[row]
        assert sheet.advice == scored["advice"]
        assert sheet.edition == ("" if pd.isna(scored["edition"]) else scored["edition"])
        if sheet.edition:
            assert sheet.image == scored["image_used"]
            assert sheet.elapsed_min == f"{scored['elapsed_min']:.0f}"
            assert float(sheet.elapsed_low_min) <= float(sheet.elapsed_min) <= float(sheet.elapsed_high_min)
            assert any(rung.verdict in ("advised", "with the part", "comfortable") for rung in sheet.rungs)


def test_phases_add_up_to_the_slot(result, by_tag):
    installed = [sheet for sheet in by_tag.values() if sheet.phases]
    assert len(installed) > 40
    for sheet in installed:
        # Each phase is rounded to 0.1 min below ten and to 1 above, so a sum of 14 may be off by 2.
        assert sum(float(phase.slot_min or 0) for phase in sheet.phases) == pytest.approx(
            float(sheet.elapsed_min), abs=2.0
        )
        assert sum(float(phase.hands_on_min or 0) for phase in sheet.phases) == pytest.approx(
            float(sheet.hands_on_min), abs=2.0
        )


def test_hold_asks_and_installs_nothing(by_tag):
    held = [sheet for sheet in by_tag.values() if sheet.advice == "hold"]
    assert held
    for sheet in held:
        assert sheet.find_out and not sheet.phases and not sheet.edition and not sheet.at_hand
        assert not any("skeleton" in check for check in sheet.checks)


def test_swollen_battery_stops_the_sheet(by_tag):
    sheet = by_tag["OM-4004"]
    assert sheet.advice == "set aside" and not sheet.phases and not sheet.at_hand
    assert sheet.flags[0].severity == "stop" and "battery" in sheet.flags[0].title.lower()
    assert any("data-sanitisation" in check for check in sheet.checks)


def test_what_to_have_at_hand(by_tag):
    plain = {item.what for item in by_tag["OM-4005"].at_hand}
    assert {"Stick debian-12-plain", "firmware-misc-nonfree, on the stick"} <= plain
    broadcom = {item.what for item in by_tag["OM-1020"].at_hand}
    assert any(what.startswith("broadcom-sta-dkms") for what in broadcom)
    assert any(what.startswith("Network cable") for what in broadcom)
    part = next(item for item in by_tag["OM-4010"].at_hand if item.what.startswith("Part: "))
    assert "in the drawer" in part.why


def test_every_sheet_carries_the_cautions(by_tag):
    for sheet in by_tag.values():
        text = " ".join(render_text(sheet, 200).split())
        for wanted in ("Erasing is final", "swollen or damaged battery", "competent person", "Static kills"):
            assert wanted in text


def test_nonsense_row_is_shown_as_typed(by_tag):
    sheet = by_tag["OM-????"]
    assert sheet.advice == "hold" and "<b>n/a</b>" in sheet.title and sheet.unknown


def test_legal_names_are_short_on_paper(by_tag):
    names = " ".join(device.name for sheet in by_tag.values() for device in sheet.devices)
    for legal in ("Corporation", "Inc.", "Co., Ltd", "Corp."):
        assert legal not in names
    assert "AMD" in names and "Intel" in names


def test_the_picture_is_the_verdicts(result):
    """Every cell of the picture stands in the verdicts, and every verdict on an image that boots has its cell."""
    verdicts = result.facts.all_devices
    differ = 0
    for row, sheet in enumerate(compose_all(result)):
        mine = verdicts[verdicts["row"] == row]
        boots = result.facts.boots.iloc[row]
        never = {name for name, there in boots.items() if pd.notna(there) and not there}
        mine = mine[~mine["image"].isin(never)]
        untold = mine["kind"].eq("other") & mine.groupby("device")["support"].transform(
            lambda some: some.eq("works").all()
        )
        mine = mine[~untold]
        assert sorted((line.kind, *line.supports) for line in sheet.across) == sorted(
            (str(kind), *(str(some.set_index("image")["support"][image]) for image in sheet.images))
            for (kind, _), some in mine.groupby(["kind", "device"])
        )
        assert not never & set(sheet.images)
        if sheet.across:
            assert set(sheet.no_boot) == never
            if sheet.image:
                assert sheet.images[0] == sheet.image
        # What an image decides stands before what simply works.
        assert [line.decides for line in sheet.across] == sorted((line.decides for line in sheet.across), reverse=True)
        differ += any(len(set(line.supports)) > 1 for line in sheet.across)
    assert differ > 10


def test_the_picture_in_a_terminal(by_tag):
    text = render_text(by_tag["OM-1015"], 110)
    heads = next(line for line in text.splitlines() if "debian-12-i386" in line)
    wireless = next(line for line in text.splitlines() if line.startswith("wireless") and "newer kernel" in line)
    assert wireless.index("× no driver") == heads.index("debian-12-i386") - 2
    narrow = render_text(by_tag["OM-1015"], 60)
    assert "× no driver on debian-12-i386" in narrow


def test_a_sheet_says_one_figure_everywhere(result):
    """Seconds and memory in the reasons are those of the ladder's rows; '102+' leaves the second one out."""
    seen = 0
    for sheet in compose_all(result):
        rows = " ".join(f"{rung.desktop_s} {rung.browser_s}" for rung in sheet.rungs)
        if "+" in rows:
            continue
        shown = set(re.findall(r"\d+", rows))
        left = {rung.memory_left_pct for rung in sheet.rungs}
        for reason in sheet.reasons:
            for figure in re.findall(r"usable after (\d+) s", reason.text):
                assert figure in shown, (sheet.tag, reason.text)
                seen += 1
            for figure in re.findall(r"(\d+) % of memory left", reason.text):
                assert figure in left, (sheet.tag, reason.text)
                seen += 1
    assert seen > 20
