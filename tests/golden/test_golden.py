"""What users get is as in the kept tables, or the commit that changes it says why."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.golden.demo import REMAKE, TABLES, changes, read_kept


@pytest.mark.parametrize("name", TABLES)
def test_what_users_get_is_as_kept(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    said = changes(read_kept(name), TABLES[name]())
    assert not said, "\n".join(
        [f"{len(said)} cells of {name}.csv changed:", *said, f"If that is meant, `{REMAKE}` and say why in the commit."]
    )


def test_a_change_is_told_by_unit_and_column() -> None:
    kept = read_kept("demo")
    found = kept.rename(index={"OM-1001": "OM-9999"})
    found.loc["OM-1002", "elapsed_min"] = "1"
    assert changes(kept, found) == [
        "gone: OM-1001", "new: OM-9999", f"OM-1002 elapsed_min: was '{kept.at['OM-1002', 'elapsed_min']}', is '1'",
    ]  # fmt: skip
