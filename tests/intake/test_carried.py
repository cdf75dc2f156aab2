"""A sheet's own columns come out, whatever they are called."""

from __future__ import annotations

import pandas as pd
import pytest

from advisor.advice import SCORED_COLUMNS, assess
from advisor.intake import read_bytes
from advisor.intake.carried import carried


@pytest.mark.parametrize("name", SCORED_COLUMNS)
def test_a_column_named_as_an_added_one_is_kept(name):
    raw = read_bytes(f"asset_tag,cpu,{name},own_{name},{name}\nA1,i5-6300U,mine,his,hers\n".encode())
    scored = assess(raw).frame
    kept = [name for name in scored.columns if name not in SCORED_COLUMNS]
    assert kept == ["asset_tag", "cpu", f"own_{name} (2)", f"own_{name}", f"{name} (2)"]
    assert scored.iloc[0][kept[2:]].tolist() == ["mine", "his", "hers"]
    assert scored.columns.is_unique


@pytest.mark.parametrize(
    ("header", "kept"),
    [
        (["a", "status", "status"], ["a", "own_status", "own_status (2)"]),
        (["a", "a", "own_status", "status"], ["a", "a (2)", "own_status", "own_status (2)"]),
        (["a", "", ""], ["a", "", " (2)"]),
        (["a", 1, None], ["a", 1, None]),
    ],
)
def test_names_that_a_frame_repeats(header, kept):
    raw = pd.DataFrame([["x"] * len(header)], columns=header)
    out = carried(raw, ["status", "edition"])
    assert list(out.columns) == kept
    assert (out == "x").all(axis=None)


def test_every_cell_of_the_sheet_is_in_the_output():
    header = ["Tag", "Processor", *SCORED_COLUMNS, "", "", "status"]
    header.remove("taken_as")
    raw = read_bytes((",".join(header) + "\n" + ",".join(f"c{n}" for n in range(len(header))) + "\n").encode())
    scored = assess(raw).frame
    assert set(raw.iloc[0]) <= set(scored.iloc[0].dropna().astype(str))


def test_an_earlier_scoring_is_made_anew():
    raw = read_bytes(b"asset_tag,cpu,shelf\nA1,i5-6300U,7\n")
    first = assess(raw).frame
    again = assess(read_bytes(first.to_csv(index=False).encode())).frame
    assert list(again.columns) == list(first.columns)
