"""What the tables and their meta files say of themselves holds, counted anew from the data beside them."""

from __future__ import annotations

import importlib
import importlib.util
import json
import re
import shlex

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from advisor import tables
from advisor.cli import DOORS, open_door
from advisor.comfort import training
from advisor.comfort.model import model as comfort_model
from advisor.editions import catalogue as of_editions
from advisor.editions.measured import unhindered
from advisor.files import datasets
from advisor.identify.agree import Z80
from advisor.identify.catalogue import catalogue
from advisor.timing.rates import assumed

ROOT = datasets().parent
META = sorted(datasets().rglob("*.meta.toml"))


def said(name: str) -> dict:
    return tables.meta(datasets() / f"{name}.meta.toml")


@pytest.fixture(scope="module")
def sessions() -> pd.DataFrame:
    return tables.load("comfort/sessions").frame


@pytest.fixture(scope="module")
def rehearsals() -> pd.DataFrame:
    """Those that the model is of: lean trees, unpacked, on plain disks."""
    with (datasets() / "rehearsals.jsonl").open(encoding="utf-8") as file:
        lines = [json.loads(line) for line in file]
    return pd.DataFrame([line for line in lines if line.get("installer", "unpack") == "unpack"])


# Every table.


@pytest.mark.parametrize("path", META, ids=lambda path: str(path.relative_to(datasets())))
def test_what_remakes_a_table_is_there(path):
    """Each command, module, script and test that the meta file names exists."""
    text = path.read_text(encoding="utf-8")
    for module in re.findall(r"\b(?:python -m |by )(advisor(?:\.\w+)+)", text):
        parent, _, name = module.rpartition(".")
        found = importlib.util.find_spec(module) if importlib.util.find_spec(parent) else None
        assert found or hasattr(importlib.import_module(parent), name), f"{path.name} names {module}"
    for script in re.findall(r"\b(?:datasets|tests)/[\w/]+\.(?:py|csv|jsonl)", text):
        # The shipped tables lie in the package; the checkout has both.
        assert (ROOT / script).exists() or (datasets().parent / script).exists(), f"{path.name} names {script}"
    for command in re.findall(r"(?:^|[\"'`&] ?)advisor (\w+)", text, re.MULTILINE):
        assert command in DOORS, f"{path.name} names advisor {command}"


@pytest.mark.parametrize("path", META, ids=lambda path: str(path.relative_to(datasets())))
def test_the_source_column_says_where_a_row_is_from(path):
    """The column's meaning is its own, not the table's source written twice."""
    about = tables.meta(path)
    assert about["columns"].get("source") != about["source"]


@pytest.mark.parametrize("path", META, ids=lambda path: str(path.relative_to(datasets())))
def test_as_many_packages_as_said(path):
    about = tables.meta(path)
    if counted := re.search(r"contents of (\d+) Debian packages", about["source"]):
        assert int(counted[1]) == len(about["packages"])
        assert {one["name"] for one in about["packages"]}.__len__() == len(about["packages"])


# Processors.


def test_corrected_values_are_counted_as_they_are_said():
    # The values before the correction stand in the rows; cores of which there are no runs moved with their kin.
    cores = tables.load("identify/microarchitectures").frame.set_index("microarch")
    rows, ipc = cores["source"], cores["ipc"]
    corrected = rows[rows.str.contains("corrected by benchmarkmeData")]
    along = rows[rows.str.contains("moved along with")]
    words = {6: "six", 3: "three"}
    assert f"{words[len(corrected)]} values of ipc corrected" in said("identify/microarchitectures")["source"]
    assert f"{words[len(along)]} moved along" in said("identify/microarchitectures")["source"]
    for name, source in [*corrected.items(), *along.items()]:
        assert 0.005 < abs(float(source.split()[0]) - float(ipc[name])) < 0.065, name


# Sessions, and what is made of them.


def test_what_was_planned_and_what_was_measured(sessions):
    from advisor.lab.design import Pressure, measured
    from advisor.lab.results import read_design

    design = tables.load("comfort/design").frame
    assert design["measured"].tolist() == measured(
        read_design(datasets() / "comfort" / "design.csv", Pressure), sessions
    )
    count = design["measured"].value_counts().reindex(["yes", "disturbed"], fill_value=0)
    words = re.search(
        r"(\d+) were planned \(comfort/design\), (\d+) made, (\d+) of these only", said("comfort/sessions")["source"]
    )
    assert words is not None
    assert [int(one) for one in words.groups()] == [len(design), count["yes"] + count["disturbed"], count["disturbed"]]


def test_sessions_ran_as_said(sessions):
    plain = sessions[sessions["plan"].isna()]
    beside = plain["note"].fillna("").str.startswith("beside other work")
    assert (beside == plain["cpus"].isna()).all()
    planned = sessions[sessions["plan"].notna()]
    assert planned["begins"].eq("greeter").tolist() == planned["swap"].notna().tolist()
    assert planned["begins"].eq("cold").tolist() == planned["plan"].str.startswith("cold-").tolist()
    assert (planned["cpus"].str.split().str.len() == planned["cores"].astype(int)).all()
    twice = sessions[sessions["plan"].notna()].groupby("plan")["run"].nunique()
    assert (twice == 1).mean() > 0.9  # 'most once'


def test_disturbed_rows_are_disturbed_by_the_rule_and_no_others_by_the_disk(sessions):
    from advisor.lab.watch import DISTURBED_BESIDE, disturbance

    pressed = sessions[sessions["plan"].notna()]
    for row in pressed.itertuples():
        numbers = dict(re.findall(r"(took|got|read) (\d+)", "" if pd.isna(row.disturbed) else row.disturbed))
        again = disturbance(
            beside=(int(numbers.get("took", 0)) / 100, float(row.quota_pct)),
            shares=(int(numbers.get("got", 100)) / 100,), tolerance=DISTURBED_BESIDE,
            read=(float(row.disk_read_mib_s), float(row.rate_mib_s)),
        )  # fmt: skip
        # What is written is rounded to a percent: one that stands at the limit may be either.
        near = numbers.get("got") == "92" or abs(int(numbers.get("took", 0)) - (108 - float(row.quota_pct))) <= 1
        assert again == ("" if pd.isna(row.disturbed) else row.disturbed) or near, row


def test_reads_rest_on_as_many_sessions_as_said(sessions):
    runs = unhindered(sessions)["read_runs"]
    listed = re.search(r"nothing held back, on one core: (.*?)\. ", said("comfort/sessions")["source"])
    assert listed is not None
    counts = {name: int(count) for name, count in re.findall(r"([A-Z][A-Za-z ]+) (\d+)", listed[1])}
    assert counts == {edition: count for (release, edition), count in runs.items() if count and release == "13"}
    assert set(runs.loc["12"]) == {0}
    free = sessions[sessions["ready_2"].notna() & sessions["stage"].eq("idle") & sessions["begins"].eq("greeter")]
    assert free.groupby("edition").size().to_dict() == counts


def test_kills_are_counted_as_said(sessions):
    rows = training.kill_rows(training.without_swap(sessions))
    words = said("comfort/model")["columns"]["kill"]
    assert f"fitted on {len(rows.killed)} sessions, {rows.killed.sum()} with kills" in words
    assert f"and {(~rows.killed).sum()} that carried" in words
    assert rows.memory[rows.killed].astype(int).max() <= 1024


def test_the_comfort_model_counts_its_rows(sessions):
    rows = comfort_model().about["rows"]
    pressed = sessions[sessions["plan"].notna() & sessions["begins"].eq("greeter") & sessions["cores"].eq("1")]
    assert rows["points"] == pressed["disturbed"].isna().sum()
    assert rows["disturbed_points_left_out"] == pressed["disturbed"].notna().sum()
    assert rows["sessions"] == pressed.loc[pressed["disturbed"].isna(), "plan"].nunique()


# Constants that say how they were come by.


def test_the_spread_of_a_measured_speed_is_that_of_the_rehearsals(rehearsals):
    row = tables.load("comfort/physics").frame.set_index("name").loc["measured_spread"]
    drifted, count, read, access, slow = map(
        float,
        re.search(
            r"after ([\d.]+) a test \((\d+) of small trees\), "
            r"sequential read ([\d.]+) and access time ([\d.]+) .* \((\d+);",
            row["source"],
        ).groups(),
    )
    assert count == len(rehearsals)
    drift = np.log(rehearsals["decompress_before_mib_s"] / rehearsals["decompress_after_mib_s"])
    assert drift.std() / np.sqrt(2) == pytest.approx(drifted, abs=5e-4)
    some = rehearsals[rehearsals["storage_kind"].isin(["spinning disk", "emmc"])]
    assert len(some) == slow
    assert np.log(some["disk_read_mib_s"] / some["rate_mib_s"]).std() == pytest.approx(read, abs=5e-4)
    assert np.log(some["disk_access_ms"] / some["access_ms"]).std() == pytest.approx(access, abs=5e-4)
    assert float(row["value"]) == pytest.approx(max(drifted, read, access), abs=0.005)
    again, rows, least, most, paced = map(
        float,
        re.search(
            r"full-size trees decompression ([\d.]+) \((\d+)\) and the disks ([\d.]+) and ([\d.]+) \((\d+)\)",
            row["source"],
        ).groups(),
    )
    every = pd.DataFrame(map(json.loads, (datasets() / "rehearsals.jsonl").read_text().splitlines()))
    full = every[every["installer"].notna() & ~every["disturbed"].astype(bool)]
    slow_ones = full[full["rate_mib_s"] < 200]
    drift = np.log(full["decompress_before_mib_s"] / full["decompress_after_mib_s"])
    assert (len(full), len(slow_ones)) == (rows, paced)
    assert drift.std(ddof=0) / np.sqrt(2) == pytest.approx(again, abs=6e-4)
    assert np.log(slow_ones["disk_read_mib_s"] / slow_ones["rate_mib_s"]).std(ddof=0) == pytest.approx(least, abs=6e-4)
    delay = slow_ones[slow_ones["access_ms"] > 0.4]
    assert np.log(delay["disk_access_ms"] / delay["access_ms"]).std(ddof=0) == pytest.approx(most, abs=6e-4)


def test_the_anchor_is_what_its_figures_give():
    row = tables.load("comfort/physics").frame.set_index("name").loc["decompress_at_one"]
    mib_s, ipc, ghz, reference = map(
        float,
        re.search(r"measured: ([\d.]+) MiB/s .*: ([\d.]+) times ([\d.]+) over ([\d.]+) GHz", row["source"]).groups(),
    )
    assert float(row["value"]) == pytest.approx(mib_s / (ipc * ghz / reference), abs=0.05)
    assert ipc == catalogue().microarchs["Zen 4"]["ipc"]
    # The timing takes the same figure, with the spread of the comfort table on either side.
    taken = assumed()["decompress_at_one"]
    assert taken.value == float(row["value"])
    spread = float(tables.load("comfort/physics").frame.set_index("name").at["decompress_spread", "value"])
    assert [taken.low, taken.high] == pytest.approx(taken.value * np.exp(np.array([-1, 1]) * Z80 * spread), abs=0.3)
    assert spread == pytest.approx(np.hypot(0.13, 0.20), abs=0.005)
    assert np.log(assumed()["speed_spread"].high) / Z80 == pytest.approx(0.20, abs=0.01)


def test_pages_take_what_their_record_takes():
    row = tables.load("comfort/physics").frame.set_index("name").loc["page_share"]
    assert float(row["value"]) == pytest.approx(64 / 4096, abs=5e-5)


def test_ceilings_of_interfaces_are_what_the_lines_carry():
    """Lines, rate and coding of each standard, in MiB/s; no kind is said to be faster than its interface."""
    rates = tables.load("timing/storage_rates").frame.set_index("kind")
    ceilings = {
        "nvme": {3756: 4 * 8e9 * 128 / 130 / 8}, "sata ssd": {572: 6e9 * 8 / 10 / 8, 286: 3e9 * 8 / 10 / 8},
        "emmc": {381: 200e6 * 2}, "usb": {51: 13 * 512 * 8000},
    }  # fmt: skip
    for kind, figures in ceilings.items():
        for written, bytes_s in figures.items():
            assert f"{written} MiB/s" in rates.at[kind, "source"]
            assert bytes_s / 2**20 == pytest.approx(written, abs=0.7)
        if kind != "usb":  # USB 3 is faster than the ceiling given
            assert float(rates.at[kind, "read_high"]) < max(figures)
    for a_minute in (5400, 7200):
        assert f"{60_000 / a_minute / 2:.1f} ms at {a_minute}/min" in rates.at["spinning disk", "source"]
    assert rates["share"].astype(float).sum() == pytest.approx(1)
    assert "USB 2.0 carries at most 51 MiB/s" in assumed()["medium_mib_s"].source


def test_rates_of_storage_are_as_the_drives_of_the_laboratory_or_say_how_far_off():
    """Rate in the middle of a disk; one random read is mean seek, half a turn and overhead, or one of a second's."""
    drives = tables.load("lab/disks").frame.astype({"value": float}).pivot(
        index=["kind", "disk"], columns="parameter", values="value"
    )  # fmt: skip
    turning = (drives["outer_mb_s"] + drives["inner_mb_s"]) / 2
    drives["read"] = drives["read_mb_s"].fillna(turning) * 1e6 / 2**20
    turn = drives["seek_average_ms"] + 30_000 / drives["rpm"] + drives["overhead_ms"]
    drives["access"] = turn.fillna(1000 / drives["read_iops_1"])
    rates = tables.load("timing/storage_rates").frame.set_index("kind")
    for (kind, _), drive in drives.iterrows():
        source = rates.at[kind, "source"]
        read, rest = source.split(". access: ")
        assert re.search(rf"\b{drive['read']:.0f}\b", read), kind
        assert f"{drive['access']:.{1 if drive['access'] > 5 else 2}f}" in rest, kind
    own = drives.loc["spinning disk", "access"]
    assert float(rates.at["spinning disk", "access_ms"]) == pytest.approx(own.mean(), abs=0.05)
    shares = (drives["write_mb_s"] / drives["read_mb_s"]).droplevel("disk").to_dict()
    for kind in ("sata ssd", "emmc", "usb"):
        assert float(rates.at[kind, "write_share"]) == pytest.approx(shares[kind], abs=0.04)


def test_what_is_assumed_of_an_edition_that_nobody_counted_is_of_those_that_are():
    rows = of_editions()
    files = pd.to_numeric(rows["installed_files"]).quantile([0.5, 0.1, 0.9])
    newest = rows[rows["release"].eq("13")].drop_duplicates("edition")
    assert len(newest) == 7
    work = newest["desktop_cpu_s"].astype(float) * assumed()["decompress_at_one"].value
    read = newest["desktop_read_mib"].astype(float)
    for name, expected in (
        ("installed_files", files.round(-3).tolist()),
        ("session_cpu", [work.median(), work.min(), work.max()]),
        ("session_read", [read.median(), read.min(), read.max()]),
    ):
        fact = assumed()[name]
        assert [fact.value, fact.low, fact.high] == pytest.approx(expected, abs=1), name


# Rehearsals.


def test_rehearsals_are_as_said(rehearsals):
    from advisor.lab import disk, watch

    notes = said("rehearsals")["notes"]
    assert f"differed by more than {100 * watch.DISTURBED_DECOMPRESS:.0f} %" in notes
    assert f"{100 * (1 - watch.DISTURBED_SHARE):.0f} % of the processor time" in " ".join(notes.split())
    assert f"more than {100 * watch.DISTURBED_STEAL:.0f} % of the processor" in notes
    assert watch.DISTURBED_WRITE == 0.25 and "a quarter\nfaster than paced" in notes
    assert disk.DIRTY_SHARE == 0.2 and "a fifth of the memory" in notes
    assert rehearsals["started"].is_monotonic_increasing  # in the order made
    apart = (rehearsals["decompress_before_mib_s"] / rehearsals["decompress_after_mib_s"] - 1).abs()
    assert apart[~rehearsals["disturbed"]].max() <= 0.26  # to either side of the other
    assert (rehearsals.loc[~rehearsals["disturbed"], "steal_share"] <= watch.DISTURBED_STEAL).all()


# The demo.


def test_ids_of_the_demo_are_in_the_id_lists():
    from advisor.drivers.table_files import arrays_of

    text = (datasets() / "demo" / "intake.csv").read_text(encoding="utf-8")
    ids = set(re.findall(r"\b(pci|usb):([0-9a-f]{4}):([0-9a-f]{4})\b", text))
    listed = {bus: set(arrays_of("ids", bus)[0]["id"].tolist()) for bus in ("pci", "usb")}
    assert len(ids) > 50
    assert not {one for one in ids if int(one[1] + one[2], 16) not in listed[one[0]]}


def test_commands_of_the_meta_files_take_the_options_named():
    app = typer.Typer()
    for door in ("learn", "tables", "rehearse"):
        open_door(app, door)
    helped: dict[str, str] = {}
    for path in META:
        for line in re.findall(
            r"advisor (?:rehearse \w+|learn|tables build)[^&\"']*", path.read_text(encoding="utf-8")
        ):
            words = shlex.split(line.split(" for ")[0].split(" (")[0])
            command = [word for word in words[1:3] if word.isalpha()]
            key = " ".join(command)
            helped.setdefault(key, CliRunner().invoke(app, [*command, "--help"], env={"COLUMNS": "200"}).output)
            for option in (word for word in words if word.startswith("--")):
                assert option in helped[key], f"{path.name}: {key} takes no {option}"
    assert len(helped) >= 4
