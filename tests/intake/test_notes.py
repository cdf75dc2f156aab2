"""Notes that decide: `notes_said.csv` says what holds and what it does, written before the table was run on it."""

from __future__ import annotations

import csv
from pathlib import Path
from unicodedata import normalize

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from advisor.errors import TableError
from advisor.intake import understand
from advisor.intake.notes import CONDITION_COLUMNS, _places, _records, conditions, said, table
from advisor.tables import load as tables_load
from advisor.tables import rows

NOTES = list(csv.DictReader(Path(__file__).with_name("notes_said.csv").open(encoding="utf-8")))


def found(note: str) -> dict[str, str]:
    frame = conditions(pd.DataFrame({"notes": pd.Series([note or pd.NA], dtype="string")}))
    return dict(zip(frame["code"], frame["effect"], strict=True))


@pytest.fixture(scope="module")
def all_found() -> list[dict[str, str]]:
    """What is found of every note, as one batch."""
    frame = conditions(pd.DataFrame({"notes": pd.Series([row["note"] or pd.NA for row in NOTES], dtype="string")}))
    each: list[dict[str, str]] = [{} for _ in NOTES]
    for one in frame.itertuples():
        each[one.row][one.code] = one.effect
    return each


@pytest.mark.parametrize("number", range(len(NOTES)), ids=lambda number: NOTES[number]["note"] or "empty")
def test_a_note_says_this_and_nothing_else(number, all_found):
    row = NOTES[number]
    assert all_found[number] == dict(one.split("=") for one in row["expect"].split("; ") if one), row["why"]


def test_there_are_notes_enough_and_each_says_why():
    assert len(NOTES) >= 150
    assert all(row["why"] for row in NOTES)
    assert len({row["note"] for row in NOTES}) == len(NOTES)
    codes = {one.partition("=")[0] for row in NOTES for one in row["expect"].split("; ") if one}
    assert codes == {one.code for one in table()}


@pytest.mark.parametrize("note", ["Akku aufgebläht", "batterie bombée", "batería hinchada", "spuchnięta bateria"])
def test_a_letter_and_its_accent_typed_apart_are_one(note):
    assert found(normalize("NFD", note)) == {"battery-swollen": "set aside"}


def test_the_reason_quotes_the_part_of_the_note_and_says_a_doubt():
    units = pd.DataFrame({"notes": ["scratched lid, maybe a BIOS password?", None]})
    answer = conditions(units).set_index("code")
    assert answer.loc["firmware-password", "reason"] == (
        "the notes say 'maybe a BIOS password?', which is in doubt: find out first"
    )
    assert answer["row"].tolist() == [0, 0]
    assert answer.index.tolist() == ["firmware-password", "case-worn"]


def test_the_worst_comes_first_and_each_code_once():
    answer = conditions(pd.DataFrame({"notes": ["scratches; scratches; no charger; battery swollen", "dents"]}))
    assert answer["row"].tolist() == [0, 0, 0, 1]
    assert answer["severity"].tolist() == ["stop", "act", "note", "note"]


def test_a_part_said_to_be_out_that_its_cell_says_is_fitted_holds():
    units = pd.DataFrame(
        {"notes": ["no disk", "no disk", "no disk", "no RAM"], "storage_kind": ["sata ssd", "none", pd.NA, pd.NA],
         "ram_gib": [pd.NA, pd.NA, pd.NA, 8.0]}
    )  # fmt: skip
    answer = conditions(units)
    assert answer["effect"].tolist() == ["hold", "none", "none", "hold"]
    assert answer["reason"].iloc[0] == ("the notes say 'no disk', but storage_kind says sata ssd: find out which holds")


def test_another_architecture_is_seen_in_model_and_processor():
    units = pd.DataFrame({"model": ["Slate X", "MacBook Air M1"], "cpu": ["Snapdragon 7c", pd.NA]}, dtype="string")
    answer = conditions(units)
    assert answer["row"].tolist() == [0, 1]
    assert answer["effect"].eq("set aside").all()
    assert "the cpu is 'Snapdragon 7c'" in answer["reason"].iloc[0]


def test_a_disk_of_the_parallel_kind_rules_out_an_ssd():
    assert conditions(pd.DataFrame({"notes": ["Storage: 160 IDE"]}))["rules_out"].tolist() == ["ssd"]


def test_the_shops_own_rows_are_added_and_a_broken_one_is_named(tmp_path, monkeypatch):
    from advisor import tables

    own = tmp_path / "tables" / "intake" / "notes.csv"
    own.parent.mkdir(parents=True)
    head = "code,words,pattern,unless,severity,effect,title,action,rules_out,also_in,source\n"
    monkeypatch.setattr(tables, "user_data", lambda: tmp_path)
    try:
        own.write_text(head + "firmware-password,beep lock,beep lock,,,,,,,,ours\n", encoding="utf-8")
        forget()
        assert found("beep lock on this one") == {"firmware-password": "hold"}
        for row, words in (
            ("odd,odd,odd,,loud,none,Odd,Look,,,ours", "column severity"),
            ("odd,odd,(,,act,none,Odd,Look,,,ours", "column pattern"),
            ("odd,odd,odd,,,,,,,,ours", "first row of 'odd'"),
        ):
            own.write_text(head + row + "\n", encoding="utf-8")
            forget()
            with pytest.raises(TableError, match=words):
                found("odd")
    finally:
        monkeypatch.undo()
        forget()


def forget() -> None:
    for cached in (tables_load, rows, table, _places, said, _records):
        cached.cache_clear()


def test_cells_of_other_columns_join_the_notes():
    raw = pd.DataFrame(
        {
            "Asset": ["A", "B"], "CPU": ["i5-6300U"] * 2, "Battery": ["swollen", "85%"], "Notes": ["lid ok", ""],
            "Condition": ["BIOS locked", "fine"], "Charger": ["no", "yes"],
        }
    )  # fmt: skip
    sheet = understand(raw)
    assert sheet.units["notes"].tolist()[0] == "lid ok; Battery: swollen; BIOS locked; Charger: no"
    assert conditions(sheet.units)["code"].tolist() == ["battery-swollen", "firmware-password", "charger-missing"]


def test_words_of_a_scored_sheet_are_not_read_as_notes():
    raw = pd.DataFrame(
        {"Asset": ["A"], "CPU": ["i5-6300U"], "problem": ["battery swollen"], "advice": ["hold"], "status": ["partial"],
         "reasons": ["no RAM"], "flags": ["no-disk"]}
    )  # fmt: skip
    assert understand(raw).units["notes"].isna().all()


WORDS = st.sampled_from(
    ["no", "not", "BIOS", "password", "dead", "battery", "swollen", "or", ",", ".", "?", "(", "maybe"]
)


@settings(max_examples=200, deadline=None)
@given(st.one_of(st.text(max_size=200), st.lists(WORDS, max_size=20).map(" ".join)))
def test_any_text_is_read(text):
    answer = conditions(pd.DataFrame({"notes": [text]}))
    assert list(answer.columns) == list(CONDITION_COLUMNS)
    assert answer["effect"].isin(["set aside", "hold", "none"]).all()
    assert answer["reason"].str.len().le(160).all()


@pytest.mark.parametrize("one", table(), ids=lambda one: f"{one.code} {one.pattern[:40]}")
def test_the_words_of_a_row_let_all_that_it_finds_pass(one):
    @settings(
        max_examples=3, database=None, deadline=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck)
    )
    @given(st.from_regex(one.states))
    def passes(text):
        if text.isascii() and one.states.search(text):
            assert any(word in text.lower() for word in filter(None, one.words.lower().split(";")))

    passes()
