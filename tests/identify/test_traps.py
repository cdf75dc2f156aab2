"""Models with traps: `traps.csv` says for each which codes must be found and no others, written before the run."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pytest

from advisor import tables
from advisor.files import datasets
from advisor.identify import processors
from advisor.identify.traps import TRAP_COLUMNS, _traps, traps
from advisor.tables import dicts

MODELS = list(csv.DictReader(Path(__file__).with_name("traps.csv").open(encoding="utf-8")))


def units(rows: list[dict[str, str]]) -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series([row[name] or pd.NA for row in rows], dtype="string") for name in ("maker", "model", "cpu")}
    )


def found(*rows: dict[str, str]) -> pd.DataFrame:
    frame = units(list(rows))
    return traps(frame, processors(frame))


@pytest.mark.parametrize("row", MODELS, ids=lambda row: f"{row['maker']} {row['model']} {row['cpu']}")
def test_a_model_has_these_traps_and_no_others(row):
    assert set(found(row)["code"]) == set(row["expect"].split()), row["why"]


def test_there_are_models_of_many_makers_each_with_its_source():
    rows = dicts("identify/traps")
    assert len(rows) >= 60
    assert len({row["maker"] for row in rows}) >= 12
    assert {row["code"] for row in rows} == {row["code"] for row in dicts("identify/trap_kinds")}


def test_what_a_trap_says_is_complete():
    (row,) = found({"maker": "", "model": "", "cpu": "Z3735F"}).query("code == 'uefi-32'").itertuples()
    assert (row.row, row.severity, row.effect, row.boot_mode, row.disk_form) == (0, "act", "none", "uefi 32-bit", "")
    assert row.reason == ("Intel Atom Z3735F: its firmware is a 32-bit UEFI although the processor is 64-bit")
    tablet = found({"maker": "HP", "model": "Stream 7", "cpu": "Z3735G"}).set_index("code")
    assert tablet.loc["soldered-all", "rules_out"] == "memory;ssd"
    assert tablet.loc["soldered-all", "disk_form"] == "soldered"
    assert found({"maker": "Apple", "model": "MacBookPro15,2", "cpu": "i5-8259U"})["extra_min"].max() == 15
    assert tablet["severity"].tolist() == ["act"] * 4


def test_a_row_of_its_own_wins_over_its_kind():
    panasonic = found({"maker": "Panasonic", "model": "CF-W5", "cpu": "U1300"}).set_index("code")
    assert panasonic.loc["disk-1.8", "disk_form"] == "pata"


def test_the_worst_comes_first_and_units_keep_their_places():
    plain = {"maker": "", "model": "", "cpu": "i5-6300U"}
    mac = {"maker": "Apple", "model": "MacBookPro15,2", "cpu": "i5-8259U"}
    answer = found(plain, mac, plain, mac)
    assert answer["row"].tolist() == [1, 1, 3, 3]
    assert answer["code"].tolist() == ["security-chip", "soldered-memory"] * 2
    assert {name: str(dtype) for name, dtype in answer.dtypes.items()} == TRAP_COLUMNS
    assert found().empty


def test_a_year_limits_a_row():
    folio = {"maker": "HP", "model": "EliteBook 8460p", "cpu": "i5-2520M"}
    assert found(folio)["code"].tolist() == ["wireless-whitelist"]
    assert found(folio | {"cpu": "i5-6300U"}).empty
    assert found({"maker": "Apple", "model": "iMac", "cpu": ""}).empty
    assert found({"maker": "Apple", "model": "iMac", "cpu": "i5-4570R"})["code"].tolist() == ["glued-screen"]


@pytest.mark.parametrize(
    ("own", "code", "effect"),
    [("trap_kinds", "write-protect", "none"), ("traps", "no-pae", "none")],
)
def test_the_shops_own_rows_count(own, code, effect, tmp_path, monkeypatch):
    folder = tmp_path / "tables" / "identify"
    folder.mkdir(parents=True)
    head = (datasets() / "identify" / f"{own}.csv").read_text(encoding="utf-8").splitlines()[0]
    row = {
        "trap_kinds": "write-protect,act,none,Ours,it is ours,Flash it,,,,30,ours",
        "traps": "no-pae,quux,,,,,,,12,Quux machines,ours",
    }[own]
    (folder / f"{own}.csv").write_text(f"{head}\n{row}\n", encoding="utf-8")
    monkeypatch.setattr("advisor.tables.user_data", lambda: tmp_path)
    forget()
    try:
        answer = found({"maker": "Quux", "model": "Chromebook 3", "cpu": ""}).set_index("code")
        assert answer.loc[code, "effect"] == effect
        assert answer.loc[code, "extra_min"] == (30 if own == "trap_kinds" else 12)
    finally:
        monkeypatch.undo()
        forget()


def forget() -> None:
    for cached in (tables.rows, tables.load, _traps):
        cached.cache_clear()
