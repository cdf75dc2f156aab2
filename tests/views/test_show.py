"""Objects show themselves: rich in a notebook, plain in a terminal, and whatever is typed stays text."""

from __future__ import annotations

import subprocess
import sys
from html.parser import HTMLParser

import pandas as pd
import pytest

import advisor
from advisor.unit import LABELS, BootMode, FormFactor, StorageKind, Unit
from advisor.views import labels, show

from .conftest import HOSTILE


class Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text += data


def test_a_record_shows_the_first_thing_to_do_first_and_largest(batch):
    record = batch["OM-1003"]
    page = Tags(record._repr_html_())
    headings = [tag for tag, attrs in page.found if "headline" in (attrs.get("class") or "")]
    assert headings == ["h2"]
    assert page.text.index(record.headline) < page.text.index("Have at hand") < page.text.index("Desktops on this unit")
    for item in record.at_hand:
        assert item.what in page.text
        assert item.why in page.text
    assert record.reasons[0].text in page.text
    ladder = page.text[page.text.index("Desktops on this unit") :]
    for rung in record.rungs:
        assert rung.edition in ladder
        assert rung.why in ladder


def test_a_record_says_where_its_parts_come_from(batch):
    parts = [(record, part) for record in batch for part in record.parts]
    assert parts
    for record, part in parts:
        assert f"{part.name} {part.source}" in " ".join(Tags(record._repr_html_()).text.split())


def test_plain_displays_are_short_and_say_the_same(batch, unit):
    record = batch["OM-1003"]
    lines = repr(record).splitlines()
    assert lines[0] == "OM-1003  Dell Latitude E6420"
    assert lines[1].strip() == record.headline
    assert "min in the slot" in lines[2]
    assert repr(unit).splitlines()[0] == "Unit U-1"
    assert "Batch of 20 units" in repr(batch)
    assert max(len(line) for line in repr(unit).splitlines()) < 120


def test_whatever_is_typed_stays_text(shop):
    unit = Unit(
        asset_tag=HOSTILE, maker=HOSTILE, model=HOSTILE, cpu="i5-6300U", ram_gib=8, notes=HOSTILE, wireless=HOSTILE
    )
    batch = advisor.assess([unit], shop)
    for shown in (unit._repr_html_(), batch[0]._repr_html_(), batch._repr_html_()):
        page = Tags(shown)
        assert "img" not in {tag for tag, _ in page.found}
        assert not [attrs for _, attrs in page.found if any(name.startswith("on") for name in attrs)]
        assert "<img src=x" in page.text


def test_a_batch_is_iterable_can_be_narrowed_and_its_frame_is_pandas(batch):
    assert [record.tag for record in batch] == batch.tags
    part = batch.where(lambda frame: frame["advice"] == "fit a part first")
    assert isinstance(part.frame, pd.DataFrame)
    expected = batch.frame[batch.frame["advice"].eq("fit a part first")]
    assert part.tags == [batch.tags[row] for row in expected.index]
    for tag in part.tags:
        assert part[tag].parts == batch[tag].parts
        assert part[tag].headline == batch[tag].headline
    assert (
        part.frame["reasons"].tolist() == batch.frame[batch.frame["advice"].eq("fit a part first")]["reasons"].tolist()
    )
    with pytest.raises(ValueError, match="20"):
        batch.where(pd.Series([True]))


def test_a_batch_is_summed_up_in_the_words_of_the_bench(batch):
    page = Tags(batch._repr_html_()).text
    counts = batch.frame["advice"].value_counts()
    for word, number in counts.items():
        assert f"{number} {word}" in " ".join(page.split())
    assert "8 more units" in page


def test_a_unit_shows_a_disk_as_on_its_label(unit):
    page = Tags(unit._repr_html_()).text
    assert "240 GB" in page
    assert "223.52" not in page
    assert "Not known: free memory slots, Wi-Fi, graphics" in page


@pytest.mark.parametrize(
    ("name", "value", "written"),
    [
        # As makers' data sheets and the UEFI, SATA-IO, NVM Express and JEDEC specifications write them.
        ("storage_kind", StorageKind.SATA_SSD, "SATA SSD"),
        ("storage_kind", StorageKind.NVME, "NVMe"),
        ("storage_kind", StorageKind.EMMC, "eMMC"),
        ("storage_kind", StorageKind.HDD, "spinning disk"),
        ("boot_mode", BootMode.UEFI64, "UEFI 64-bit"),
        ("boot_mode", BootMode.BIOS, "legacy BIOS"),
        ("form_factor", FormFactor.LAPTOP, "laptop"),
    ],
)
def test_abbreviations_are_written_as_their_standards_write_them(name, value, written):
    assert labels.said(name, value) == written


def test_every_field_of_a_unit_is_asked_for():
    assert set(labels.FIRST) | set(labels.MORE) == set(Unit.model_fields)


NOBODY_SAYS = (
    "verdict",
    "cures",
    "held out",
    "rehearsal",
    "_mib_s",
    "skeleton",
    "seal",
    "base set",
    "medium",
    "free %",
    "->",
)


def test_screens_have_none_of_the_words_that_nobody_says(batch, unit):
    from advisor.benchlog.laps import titles
    from advisor.views.triage_view import WELCOME

    shown = [batch._repr_html_(), unit._repr_html_(), WELCOME, *LABELS.values(), *titles().values()]
    shown += [show.part("record", record) for record in batch]
    text = Tags(" ".join(shown)).text.lower()
    assert [word for word in NOBODY_SAYS if word in text] == []


def test_sheet_of_a_unit_and_of_a_record(batch, unit, tmp_path):
    page = batch["OM-1003"].sheet()
    assert "OM-1003" in page.html
    assert page.pdf.startswith(b"%PDF")
    assert 'alt="Sheet of OM-1003: ' in page._repr_html_()
    many = show.page(list(batch)[:5])._repr_html_()
    assert many.count("<img") == 3 and "2 more pages" in many
    assert page.save(tmp_path / "one.txt").read_text().count("OM-1003") >= 1
    assert "U-1" in unit.sheet().html
    with pytest.raises(advisor.errors.InputError, match="does not say"):
        page.save(tmp_path / "one.doc")


@pytest.mark.parametrize(
    "room", ["advisor", "advisor.advice", "advisor.views", "advisor.views.show", "advisor.views.state"]
)
def test_nothing_below_the_widgets_imports_them(room):
    heavy = "('ipywidgets', 'anywidget', 'IPython', 'matplotlib', 'itables')"
    code = f"import sys, {room}; print([one for one in {heavy} if one in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_field_of_the_unit_has_a_label_of_its_own_and_its_unit_of_measure():
    assert all(label[:1].isupper() for label in LABELS.values()) and len(set(LABELS.values())) == len(LABELS)
    assert labels.said("disk_access_ms", 12.5) == "12.5 ms" and labels.said("cpu_cores", 4) == "4"
    assert labels.said("storage_gib", 232.83) == "250 GB" and labels.said("battery_health_pct", 80.0) == "80 %"
