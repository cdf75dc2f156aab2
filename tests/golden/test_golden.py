"""What a commit changes for a user shows: the demo's units are scored as in demo.csv, or the commit says why not."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.golden.demo import REMAKE, changes, read_kept, score_demo


def test_the_demos_units_are_scored_as_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    said = changes(read_kept(), score_demo())
    assert not said, "\n".join(
        [f"{len(said)} cells of the demo changed:", *said, f"If that is meant, `{REMAKE}` and say why in the commit."]
    )


def test_a_change_is_told_by_unit_and_column() -> None:
    kept = read_kept()
    found = kept.rename(index={"OM-1001": "OM-9999"})
    found.loc["OM-1002", "elapsed_min"] = "1"
    assert changes(kept, found) == [
        "gone: OM-1001", "new: OM-9999", f"OM-1002 elapsed_min: was '{kept.at['OM-1002', 'elapsed_min']}', is '1'",
    ]  # fmt: skip
