"""The demo's data: counted, marked as invented, and remade byte for byte."""

from __future__ import annotations

import csv
import datetime
import subprocess
import sys

import pandas as pd
import pytest

from advisor import tables
from advisor.files import datasets
from advisor.shop_file import read_shop
from advisor.unit import Advice, BootMode, Status, Support

DEMO = datasets() / "demo"


@pytest.fixture(scope="module")
def log() -> pd.DataFrame:
    return pd.read_csv(DEMO / "bench_log.csv")


def test_generator_writes_the_same_bytes(tmp_path):
    copy = tmp_path / "generate.py"
    copy.write_bytes((DEMO / "generate.py").read_bytes())
    subprocess.run([sys.executable, str(copy)], check=True, env={"PYTHONHASHSEED": "7"}, cwd=tmp_path)
    assert (tmp_path / "bench_log.csv").read_bytes() == (DEMO / "bench_log.csv").read_bytes()


def test_tables_state_their_columns():
    assert len(tables.load("demo/intake").frame) == 60
    assert len(tables.load("demo/bench_log").frame) == 400


def test_every_row_says_that_it_is_invented(log):
    intake = pd.read_csv(DEMO / "intake.csv", dtype="string")
    assert set(intake["provenance"]) == {"invented example"}
    assert set(log["provenance"]) == {"invented"}
    for name in ("intake", "bench_log"):
        assert tables.meta(DEMO / f"{name}.meta.toml")["source"].startswith("Invented")
    assert "invented" in read_shop(DEMO / "shop.toml").name


def test_intake_rows_are_whole_and_tags_stand_once():
    with open(DEMO / "intake.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    assert {len(row) for row in rows} == {27}
    tags = [row[0] for row in rows[1:]]
    assert len(set(tags)) == 60


def test_log_adds_up(log):
    phases = [name for name in log if name.endswith("_min") and name not in ("hands_on_min", "elapsed_min")]
    logged = log[log[phases].notna().all(axis=1)]
    assert len(phases) == 14 and 100 < len(logged) < 200
    assert log[phases].notna().any(axis=1).sum() == len(logged), "a row has all of its phases or none"
    waiting = logged["elapsed_min"] - logged[phases].sum(axis=1)
    assert waiting.min() > -1, "phases are rounded to 0.1 min and the total to 1 min, so no more than that is lost"
    assert (log["hands_on_min"].dropna() < log["elapsed_min"][log["hands_on_min"].notna()]).all()


def test_log_is_a_year_and_a_quarter_of_workdays(log):
    days = pd.to_datetime(log["date"])
    assert days.is_monotonic_increasing
    assert days.dt.day_of_week.max() <= 4
    assert days.min() >= pd.Timestamp(2025, 6, 2) and days.max() <= pd.Timestamp(2026, 9, 4)
    # Debian 13 was released on 9 August 2025 (https://www.debian.org/News/2025/20250809).
    assert days[log["image"] == "debian-13"].min().date() >= datetime.date(2025, 8, 9)
    assert log["asset_tag"].is_unique


def test_log_has_something_to_learn(log):
    by_kind = log.groupby("storage_kind")["elapsed_min"].median()
    assert by_kind["spinning disk"] > by_kind["sata ssd"] > by_kind["nvme"]
    hands = log.groupby("technician")["hands_on_min"].median()
    assert hands["T"] > hands["M"] > hands["K"]
    assert set(log["outcome"].dropna()) == {"fine", "slow", "returned"}
    assert log.loc[log["outcome"].isin(["slow", "returned"]), "reason"].notna().all()
    assert log.loc[log["outcome"] == "fine", "reason"].isna().all()


def test_shop_has_the_sticks_the_story_needs():
    shop = read_shop(DEMO / "shop.toml")
    assert {image.release for image in shop.images} == {"12", "13"}
    assert [image.name for image in shop.images if image.architecture == "i386"] == ["debian-12-i386"]
    assert [image.name for image in shop.images if image.firmware == ("area:main",)] == ["debian-12-plain"]
    assert any(BootMode.UEFI32 in image.boots for image in shop.images)
    assert {part.kind for part in shop.stock} == {"memory", "ssd", "wireless"}


@pytest.fixture(scope="module")
def result():
    from advisor import intake
    from advisor.advice import assess

    return assess(intake.read(DEMO / "intake.csv"), read_shop(DEMO / "shop.toml"))


def test_every_advice_and_support_word_is_shown(result):
    assert set(result.scored["advice"].dropna()) == {str(word) for word in Advice}
    assert set(map(str, result.cases.facts.devices.on()["support"])) == {str(word) for word in Support}
    assert set(result.scored["status"]) == {str(word) for word in Status}


def test_units_of_the_story_get_what_they_were_made_for(result):
    scored = result.scored.assign(tag=result.tags).set_index("tag")
    wireless = {
        "OM-1001": "works", "OM-1018": "separate driver",
        "OM-1020": "separate driver", "OM-4008": "unknown",
    }  # fmt: skip
    assert {tag: scored.at[tag, "wireless_support"] for tag in wireless} == wireless
    assert scored.at["OM-1022", "cpu_level"] == "i686" and scored.at["OM-1022", "image_used"] == "debian-12-i386"
    # Only the newest kernel drives these two: linux 7.3.4 has rtw88_8812au and mt7921e for 14c3:7902, 6.12 has not.
    # The drawer has adapters.
    assert "USB Wi-Fi adapter" in scored.at["OM-2009", "do_first"]
    assert "USB Wi-Fi adapter" in scored.at["OM-1014", "do_first"]
    assert scored.at["OM-4004", "advice"] == "set aside" and "battery-swollen" in scored.at["OM-4004", "flags"]
    assert "uefi-32-bit" in scored.at["OM-1024", "flags"]
    assert "disk-hidden" in scored.at["OM-1008", "flags"] and "disk-hidden" in scored.at["OM-2005", "flags"]
    assert "disk-worn" in scored.at["OM-4003", "flags"] and scored.at["OM-4003", "advice"] == "fit a part first"
    assert scored.at["OM-4010", "advice"] == "fit a part first"
    assert scored.at["OM-????", "status"] == "unreadable"
