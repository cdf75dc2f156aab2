"""The batch's state and pictures, without widgets; scoring is the made-up one, reading the sheet is real."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from advisor import intake
from advisor.errors import InputError
from advisor.unit import Advice, Unit, frame
from advisor.views import batch as room
from advisor.views import charts
from advisor.views.batch_view import BatchView, regions
from advisor.views.paged import PAGE, Choice, chosen, search_text

CSV = b"asset_tag,cpu,ram_gib,storage_kind\n" + b"".join(
    b"T-%d,%s,%s,%s\n" % (n, b"Core i5-6300U" if n % 3 else b"", b"%d" % (2 << n % 4), b"ssd" if n % 2 else b"hdd")
    for n in range(60)
)


class Shown:
    """Stands for the widget: keeps what it is told to show."""

    def __init__(self):
        self.regions, self.focused, self.files, self.bars = {}, [], [], []

    def show(self, **regions):
        self.bars += [html for name, html in regions.items() if name == "progress" and html]
        self.regions |= {name: str(html) for name, html in regions.items()}

    def focus(self, element, after=""):
        self.focused.append(element)

    def download(self, name, content, mime):
        self.files.append((name, content, mime))


@pytest.fixture
def view(assess):
    def score(raw, shop):
        units = intake.understand(raw).units
        result = assess(units, shop)
        result.scored = pd.concat([raw.reset_index(drop=True), result.scored.drop(columns=raw.columns)], axis=1)
        return result

    return BatchView(room.Batch(assess=score), Shown())


def upload(view, content=CSV, name="many.csv"):
    view.handle({"do": "upload", "name": name, "piece": 0, "count": 1, "size": len(content)}, [content])


def test_a_sheet_is_scored_in_pieces_with_progress_and_every_row_comes_out(view, monkeypatch):
    monkeypatch.setattr(room, "PIECE", 25)
    upload(view)
    batch = view.batch
    assert [start for start, _ in batch.scored.pieces] == [0, 25, 50]
    assert len(view.surface.bars) == 4 and "25 of 60" in view.surface.bars[1]
    assert list(batch.scored.frame["asset_tag"]) == [f"T-{n}" for n in range(60)]
    assert batch.scored.at(49)[1] == 24 and batch.scored.at(50)[1] == 0
    assert not view.surface.regions["progress"]


def test_tags_that_stand_in_different_pieces_are_flagged_as_on_the_command_line():
    from advisor.cli.score import score_in_chunks
    from advisor.shop import default_shop

    rows = [f"T-{n}" for n in range(700)]
    rows[660] = " T-10"
    raw = pd.DataFrame({"asset_tag": rows, "cpu": "i5-6300U", "ram_gib": "8", "storage_kind": "ssd"})
    state = room.Batch(default_shop())
    state.score_frame("many.csv", raw, lambda done, count: None)
    flags = state.scored.frame["flags"]
    assert np.flatnonzero(flags.str.contains("tag-twice")).tolist() == [10, 660]
    assert flags.tolist() == score_in_chunks(raw, default_shop())["flags"].tolist()


def test_an_upload_in_pieces_is_put_together(view):
    half = len(CSV) // 2
    view.handle({"do": "upload", "name": "m.csv", "piece": 0, "count": 2, "size": len(CSV)}, [CSV[:half]])
    assert view.batch.scored is None
    view.handle({"do": "upload", "name": "m.csv", "piece": 1, "count": 2, "size": len(CSV)}, [CSV[half:]])
    assert len(view.batch.scored.frame) == 60
    with pytest.raises(InputError, match="did not arrive whole"):
        view.handle({"do": "upload", "name": "m.csv", "piece": 1, "count": 2, "size": len(CSV)}, [CSV[half:]])


def test_messages_sort_narrow_turn_and_open(view):
    upload(view)
    view.handle({"do": "page", "page": "1"}, [])
    assert list(view.batch.page()) == list(range(PAGE, 2 * PAGE))
    view.handle({"do": "only", "field": "advice", "value": "hold"}, [])
    assert view.batch.choice.page == 0 and set(view.batch.rows()) == set(range(0, 60, 3))
    view.handle({"do": "words", "value": "t-5"}, [])
    assert set(view.batch.rows()) == {n for n in range(0, 60, 3) if str(n).startswith("5")}
    view.handle({"do": "page", "page": "99"}, [])
    assert len(view.batch.page()) == len(view.batch.rows())
    view.handle({"do": "row", "row": "51"}, [])
    assert "T-51" in view.surface.regions["one"]
    with pytest.raises(InputError, match="no column"):
        view.handle({"do": "sort", "column": "__class__"}, [])
    with pytest.raises(InputError, match="does not know"):
        view.handle({"do": "handle"}, [])


def test_the_saved_csv_runs_no_formula(view):
    upload(view, CSV + b"=2+5,i5-6300U,4,hdd\n")
    view.handle({"do": "csv"}, [])
    name, content, _ = view.surface.files[0]
    assert name == "many-scored.csv" and b"\n=2+5" not in content and len(content.splitlines()) == 62


def test_a_capture_is_no_batch(view):
    with pytest.raises(InputError, match="is a capture"):
        upload(view, b'{"format": 1, "unit": {"cpu": "i5-6300U"}, "unread": {}}', "one.json")


def test_sorting_agrees_with_python_and_leaves_unknown_last():
    rng = np.random.default_rng(3)
    numbers = pd.Series(rng.integers(0, 9, 200).astype(float)).where(rng.random(200) > 0.2).astype("Float64")
    data = pd.DataFrame({"n": numbers, "t": [f"tag {n}" for n in range(200)]})
    searched = search_text(data, ["t"])
    known = [n for n in range(200) if pd.notna(numbers[n])]
    unknown = [n for n in range(200) if pd.isna(numbers[n])]
    assert list(chosen(data, searched, Choice(sort="n"))) == sorted(known, key=lambda n: numbers[n]) + unknown
    assert (
        list(chosen(data, searched, Choice(sort="n", falling=True)))
        == sorted(known, key=lambda n: -numbers[n]) + unknown
    )


def test_words_are_plain_and_all_must_be_there():
    data = pd.DataFrame({"t": ["Alpha (1)", "alpha 2", "beta", pd.NA]})
    searched = search_text(data, ["t"])
    assert list(chosen(data, searched, Choice(words="ALPHA (1"))) == [0]
    assert list(chosen(data, searched, Choice(words=".*"))) == []


def test_a_head_pressed_three_times_brings_the_sheet_s_order_back():
    choice = Choice().sorted_by("n")
    assert (choice.sort, choice.falling) == ("n", False)
    assert choice.sorted_by("n").falling and choice.sorted_by("n").sorted_by("n").sort == ""


def test_grid_counts_every_unit_once():
    units = frame(
        [
            Unit(ram_gib=ram, storage_kind=kind)
            for ram, kind in ((1, "nvme"), (2, "nvme"), (4, None), (None, "spinning disk"), (16, "nvme"))
        ]
    )
    counts = room.advice_grid(units, pd.Series(["hold", "hold", "standard image", "hold", "set aside"], dtype="string"))
    assert counts.to_numpy().sum() == 5
    assert counts.loc[("nvme", "under 2"), "hold"] == 1 and counts.loc[("nvme", "2 to under 4"), "hold"] == 1
    assert counts.loc[("unknown", "4 to under 8"), "standard image"] == 1
    assert (
        counts.loc[("spinning disk", "unknown"), "hold"] == 1 and counts.loc[("nvme", "16 and more"), "set aside"] == 1
    )


def test_hours_add_up_by_advice():
    view = pd.DataFrame(
        {
            "advice": ["hold", "standard image", "standard image"],
            "hands_on_min": [pd.NA, 30, 30],
            "elapsed_min": [pd.NA, 60, 120],
            "elapsed_low_min": [pd.NA, 30, 60],
            "elapsed_high_min": [pd.NA, 90, 180],
        }
    )
    view = view.astype({name: "Float64" for name in view.columns if name != "advice"})
    standard, hold = room.hours_by_advice(view)
    assert (standard.label, standard.value, standard.low, standard.high, standard.part) == (
        Advice.STANDARD,
        3,
        1.5,
        4.5,
        1,
    )
    assert hold.note == "1 units, no minutes" and hold.value == 0


def test_the_whole_view_is_written_out(view):
    assert "No sheet yet" in regions(view.batch)["columns"]
    upload(view)
    shown = view.surface.regions
    assert "Rows 1 to 25 of 60" in shown["table"] and "<svg" in shown["pictures"]
    assert "aria-pressed" in shown["glance"]


@pytest.mark.parametrize("top", [0.3, 1, 7, 41, 999, 123456])
def test_axis_marks_are_round_and_inside(top):
    marks = charts.round_ticks(top)
    assert marks[0] == 0 and marks[-1] <= top * (1 + 1e-9) and 2 <= len(marks) <= 7
    step = marks[1]
    assert float(f"{step:e}".split("e")[0]) in (1, 2, 5)


def test_bars_are_as_long_as_their_values():
    import re

    picture = str(charts.bars([charts.Bar("a", 10, "ten"), charts.Bar("<b>", 5, "five", 2, 20)], "h", "said", "k"))
    widths = [float(one) for one in re.findall(r'width="([\d.]+)" height="18" class="ba-plain-bar"', picture)]
    assert widths[0] / widths[1] == pytest.approx(2, abs=0.01)
    assert "<b>" not in picture and "&lt;b&gt;" in picture
