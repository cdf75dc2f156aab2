"""Pieces of the physics and the limits of learning, by hand; limits are common practice, no source, unless said."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from pydantic import TypeAdapter, ValidationError

from advisor.comfort.model import read_model as read_comfort
from advisor.errors import InputError, TableError
from advisor.files import datasets
from advisor.timing import log, physics, pooling, versions
from advisor.timing.conditions import CONDITIONS, EXTRAS, KINDS, MEASURED_PHASES, MIB, check_conditions
from advisor.timing.conformal import calibrate
from advisor.timing.fitting import groups_of, refuse_few, with_few
from advisor.timing.kept import plain
from advisor.timing.logpart import LogPart
from advisor.timing.model import KeptTiming, TimingModel, load_model
from advisor.timing.physics import PARTS, Physics, part_terms
from advisor.timing.rehearsals import Rehearsals, read_rehearsals
from advisor.timing.unsure import fill_speeds

ROW: dict[str, float] = {
    "decompress_mib_s": 50, "cores": 2, "disk_read_mib_s": 100, "disk_access_ms": 10, "link_mbps": 50,
    "image_bytes": 1000 * MIB, "installed_bytes": 3000 * MIB, "installed_files": 1e5, "extra_packages": 76,
    "extra_bytes": 40 * MIB, "update_packages": 48, "update_bytes": 200 * MIB, "xz": 0.25,
    "plain_modules": 1, "software_lists": 1, "live": 1, "packages": 0, "clone": 0, "journal_mib": 512,
    "base_libraries": 1, "write_share": 0.8, "cache_mib": 1000, "slow_write_mib_s": 40,
}  # fmt: skip


def test_works_and_rates_of_an_install() -> None:
    """1000 MiB at 80 MiB/s, the other 2000 and (of a clone's 3750) 2750 at 40; of an access the command takes 0.5 ms
    (lab/disks: overhead_ms of spinning disks), the way the rest. What comes after the copy finds the cache full.
    """
    found = {name: float(values[0]) for name, values in physics.derive(pd.DataFrame([ROW])).items()}
    assert found == pytest.approx({
        "one": 1, "cpu": 0.02, "cpus": 0.01, "write": 1 / 80, "access": 0.01, "near": 0.0005, "way": 0.0095,
        "link": 8 * 2**20 / 50e6, "installed": 3000, "xz": 750, "quick": 2250, "written": 12.5 + 50,
        "blocks": 12.5 + 68.75, "plain": 1, "late write": 1 / 40, "dpkg write": 1 / 80, "files": 100, "live": 1,
        "journal": 512, "software lists": 1,
    })  # fmt: skip
    flash = physics.derive(pd.DataFrame([ROW | {"disk_access_ms": 0.1, "live": 0, "xz": 1.2}]))
    assert [flash[name][0] for name in ("near", "way", "quick")] == [0.0001, 0, 0]
    # 1.25 times what is installed fills the cache of a clone's disk, and not that of another's.
    caches = pd.DataFrame([ROW | {"cache_mib": 3100, "live": 1 - one, "clone": one} for one in (0, 1)])
    assert physics.derive(caches)["late write"] == pytest.approx([1 / 80, 1 / 40])


@pytest.mark.parametrize(("slow", "rate"), [(40, 80), (22, 80), (21.9, 21.9), (10, 10), (np.nan, 80)])
def test_a_cache_that_empties_as_quickly_as_dpkg_writes_stays_open(slow: float, rate: float) -> None:
    """22 MiB/s: the most that went to an eMMC in any update; a card at 10 MB/s (SD specification, A1) fills."""
    rows = pd.DataFrame([ROW | {"slow_write_mib_s": slow}])
    assert physics.derive(rows)["dpkg write"] == pytest.approx([1 / rate])


def test_what_dpkg_writes_at_the_most_was_measured() -> None:
    lines = [json.loads(text) for text in (datasets() / "rehearsals.jsonl").read_text().splitlines()]
    rates = [
        line["updates_written_bytes"] / MIB / line["updates_s"]
        for line in lines
        if line["storage_kind"] == "emmc" and line.get("model") and not line["disturbed"]
    ]
    assert len(rates) >= 6 and 0.9 * physics.DPKG_MIB_S < max(rates) <= physics.DPKG_MIB_S


@pytest.mark.parametrize(
    ("access", "measured", "near"),
    [(10, None, 0.5), (10, 0.3, 0.3), (10, 0.5, 0.5), (10, 8.0, 0.5), (0.1, 0.3, 0.1), (0.3, 0.1, 0.1)],
)
def test_a_measured_near_access_shortens_and_never_lengthens(
    access: float, measured: float | None, near: float
) -> None:
    """That of a spinning disk waits half a turn as well (5.6 ms of 5400 turns a minute): the command takes 0.5 ms."""
    rows = pd.DataFrame([ROW | {"disk_access_ms": access, "disk_near_ms": measured}])
    assert 1e3 * physics.derive(rows)["near"][0] == pytest.approx(near)


@pytest.mark.parametrize(
    ("phase", "works"),
    [("base", {"fetched": 40, "packages": 76, "any package": 1, "kernel": 0, "plain kernel": 0}),
     ("updates", {"fetched": 200, "packages": 48, "any package": 1, "kernel": 1, "plain kernel": 1})],
)  # fmt: skip
def test_what_apt_does_is_of_its_phase_and_a_kernel_is_among_the_updates(phase: str, works: dict[str, float]) -> None:
    found = physics.derive(pd.DataFrame([ROW]), phase)
    assert {name: found[name][0] for name in works} == works
    nothing = pd.DataFrame([ROW | {"extra_packages": 0, "update_packages": 0}])
    assert [physics.derive(nothing, phase)[name][0] for name in ("any package", "kernel")] == [0, 0]


@pytest.mark.parametrize(
    ("row", "phase"),
    [({}, "base"), ({"base_libraries": np.nan}, "base"), ({"base_libraries": 0}, "updates"),
     ({"extra_packages": 0}, "updates"), ({"extra_packages": 0, "update_packages": 0}, "")],
)  # fmt: skip
def test_the_first_library_that_comes_has_those_of_the_whole_tree_read(row: dict[str, float], phase: str) -> None:
    """By libc-bin's trigger, which runs ldconfig; later the files are in memory."""
    rows = pd.DataFrame([ROW | row])
    found = {name: physics.derive(rows, name)["libraries"][0] for name in physics.FETCHED}
    assert found == {name: 3000 if name == phase else 0 for name in physics.FETCHED}


def test_what_tasks_bring_follows_from_the_size_of_the_tree() -> None:
    """2.58 MiB a package, 0.275 of it to download; the catalogue's editions lie within a seventh of both."""
    rows = pd.DataFrame([ROW | {name: float(name == "packages") for name in KINDS}, ROW])
    found = physics.derive(rows, "tasks")
    assert found["packages"] == pytest.approx([3000 / 2.58, 0]) and found["fetched"] == pytest.approx([825, 0])
    assert [list(found[name]) for name in ("one", "any package", "kernel")] == [[1, 0], [1, 0], [0, 0]]
    listed = pd.read_csv(datasets() / "editions" / "catalogue.csv")
    assert (listed["download_mib"] / listed["installed_mib"] / physics.DOWNLOADED).between(6 / 7, 7 / 6).all()
    assert (listed["installed_mib"] / listed["packages"] / physics.PACKAGE_MIB).between(6 / 7, 7 / 6).all()


def test_a_disk_writes_as_it_reads_unless_its_kind_says_less() -> None:
    """eMMC: 76 of 217 MB/s, Gateworks wiki, MMC (64 GB at HS400)."""
    unsaid = {"cache_mib": np.nan, "slow_write_mib_s": np.nan}
    rows = pd.DataFrame([ROW | unsaid | {"write_share": share} for share in (1.0, np.nan, 0.4)])
    assert physics.derive(rows)["write"] == pytest.approx([0.01, 0.01, 0.025])
    assert physics.derive(rows)["written"] == pytest.approx([30, 30, 75])
    given = check_conditions(rows).assign(decompress_mib_s=50.0)
    kinds = pd.DataFrame({"storage_kind": ["spinning disk", "sata ssd", "emmc"]})
    filled, _ = fill_speeds(given, kinds)
    assert filled["write_share"].tolist() == pytest.approx([1, 1, 0.4])
    filled, _ = fill_speeds(given.assign(write_share=np.nan), kinds)
    assert filled["write_share"].tolist() == pytest.approx([1, 1, 76 / 217], abs=0.005)
    assert filled["cache_mib"].fillna(0).tolist() == pytest.approx([0, 3e9 / 2**20, 2e9 / 2**20])
    assert filled["slow_write_mib_s"].fillna(0).tolist() == pytest.approx([0, 300e6 / 2**20, 40e6 / 2**20])
    unknown, _ = fill_speeds(given[1:2], pd.DataFrame({"storage_kind": pd.array([pd.NA], dtype="string")}))
    assert unknown[["write_share", "cache_mib", "slow_write_mib_s"]].isna().all(axis=None)


def test_a_cache_that_slows_to_more_than_the_disk_writes_slows_nothing() -> None:
    rows = pd.DataFrame([ROW | {"slow_write_mib_s": 300}])
    assert physics.derive(rows)["written"] == pytest.approx([3000 / 80])


def simple() -> Physics:
    coefficients = {part: np.zeros(len(part_terms(part))) for part in PARTS}
    coefficients["format"][:] = (0.5, 3)  # of a journal's writing, and accesses
    coefficients["live copy"][2] = 3  # times thousands of files over decompression
    coefficients["live copy"][3] = 0.1  # of what is written
    coefficients["clone"][1] = 0.5
    coefficients["grow"][0] = 0.1
    coefficients["initramfs"][0] = coefficients["boot loader"][0] = 50
    coefficients["apt"][0] = 0.1  # of what is fetched
    coefficients["apt"][5] = 100  # of a kernel
    coefficients["sync"][-1] = 7
    return Physics(coefficients)


KINDS_OF: dict[str, dict[str, float]] = {
    # 6.4 MiB/80 and 3 accesses; 100 thousand files by 3 and 0.02, beside a tenth of 62.5 s of writing:
    # nearly the longer of the two, by their 4-norm.
    "live": {"format": 0.5 * 512 / 80 + 0.03, "copy": (6**4 + 6.25**4) ** 0.25, "boot": 1},
    # Of the installed 3000 MiB 0.275 are fetched, at 8 * 2**20 bit over 50 Mbit/s.
    "packages": {"format": 0.5 * 512 / 80 + 0.03, "tasks": 0.1 * 0.275 * 3000 * 8.388608 / 50, "boot": 1},
    "clone": {"copy": 0.5 * 81.25, "grow": 0.1 * 0.02, "boot": 1},
}
"""Seconds of each kind of installer by `simple`; of phases not named none."""


@pytest.mark.parametrize("kind", KINDS_OF)
def test_a_phase_is_the_part_that_its_kind_of_installer_has(kind: str) -> None:
    rows = pd.DataFrame([ROW | {name: float(name == kind) for name in KINDS}])
    found = simple().predict(rows).iloc[0].to_dict()
    fetched = {"base": 0.1 * 40 * 8.388608 / 50, "updates": 0.1 * 200 * 8.388608 / 50 + 2}
    wanted = dict.fromkeys(MEASURED_PHASES, 0.0) | fetched | {"sync": 7} | KINDS_OF[kind]
    assert found == pytest.approx(wanted)
    slow = simple().predict(rows, 90.0).iloc[0].to_dict()
    assert slow == pytest.approx(wanted | {"copy": 90})


def test_a_tree_that_was_unpacked_has_no_copy_of_an_installer() -> None:
    rows = pd.DataFrame([ROW | {"live": 0}])
    found = simple().predict(rows).iloc[0]
    assert found.to_dict() == dict.fromkeys(MEASURED_PHASES, 0.0) | {"boot": 1}


def test_a_copy_that_nothing_holds_up_takes_no_time_of_its_own() -> None:
    nothing = Physics({part: np.zeros(len(part_terms(part))) for part in PARTS})
    rows = pd.DataFrame([ROW])
    assert (
        nothing.predict(rows).to_numpy().tolist() == TimingModel(nothing).seconds(rows).to_numpy().tolist() == [[0] * 9]
    )
    twice = TimingModel(simple(), level=2.0)
    assert twice.seconds(rows).iloc[0][["copy", "boot", "sync"]].tolist() == pytest.approx(
        [2 * (6**4 + 6.25**4) ** 0.25, 2, 14]
    )
    assert twice.seconds(rows, 40.0).iloc[0][["copy", "boot"]].tolist() == pytest.approx([40, 2])


def test_what_stands_at_the_edge_of_a_fit_and_what_does_not_in_words() -> None:
    told = simple().at_bound()
    assert not any(one.startswith("format") for one in told)
    assert "sync, disk: once x access at 0" in told and "refresh, link: lists / link at 0" in told


def test_errors_count_relative_to_a_phase_that_is_not_next_to_nothing() -> None:
    """A fiftieth of the whole is added."""
    phases = pd.DataFrame({"copy": [90.0, 0.0], "boot": [10.0, 50.0]})
    assert physics.weights_of(phases, "copy").tolist() == pytest.approx([1 / 92, 1])


def test_how_few_are_too_few() -> None:
    """Rehearsals: six; a group's own width: twenty rows, of fewer each is more than a twentieth."""
    refuse_few(range(6))  # type: ignore[arg-type]
    with pytest.raises(InputError) as told:
        refuse_few(range(5))  # type: ignore[arg-type]
    assert told.value.message == "5 rehearsals are too few to fit a timing model on; it takes 6."
    groups = ["a"] * 20 + ["b"] * 19
    assert list(calibrate(np.ones(39), groups).groups) == ["a"]
    assert (log.MIN_ROWS, log.BLOCKS, log.WIDTH_ROWS) == (20, 6, 20_000)
    assert (pooling.PRIOR_RATE, pooling.LARGEST_RATIO) == (1, 20)


def test_few_of_a_kind_are_as_unsure_as_the_worst_of_all() -> None:
    """Thirty scores from 0.01 to 0.30: the 25th is the half-width (31 times 0.8); a kind of five has the worst, 0.4."""
    left = np.array([*np.arange(1, 31) / 100, 0.1, -0.4, 0.1, 0.1, 0.1])
    kinds = np.array(["live"] * 30 + ["clone"] * 5)
    found = with_few(left, np.array(["spinning"] * 35), kinds)
    assert (found.overall, found.groups, found.rows) == (0.25, {"spinning": 0.25, "clone": 0.4}, 30)
    alone = with_few(left[30:], np.array(["spinning"] * 5), kinds[30:])
    assert (alone.overall, alone.groups) == (0.4, {})


def test_where_there_is_one_group_fifths_are_left_out() -> None:
    found = groups_of(pd.Series(["emmc"] * 10))
    assert sorted(found.tolist()) == [f"fifth {at}" for at in range(5) for _ in range(2)]
    assert groups_of(pd.Series(["a", "b"])).tolist() == ["a", "b"]


def seen() -> TimingModel:
    """A model of two rehearsals; the second machine is twice as quick and has a tree twice as large."""
    rows = [{"name": "first", **ROW}, {"name": "", **{name: 2 * value for name, value in ROW.items()}}]
    return TimingModel(Physics(), seen=pd.DataFrame(rows)[["name", *CONDITIONS, *EXTRAS]])


WITHIN = {name: 1.5 * value for name, value in ROW.items()}


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ({}, ""), ({"cores": 4 * 1.049}, ""), ({"cores": 4 * 1.051}, "cores more than 4"),
        ({"cores": 2 / 1.049}, ""), ({"cores": 2 / 1.051}, "cores less than 2"),
        ({"link_mbps": 500, "installed_bytes": 9000 * MIB},
         "link more than 100 Mbit/s, installed system more than 5.86 GiB"),
        ({"disk_access_ms": 1, "extra_packages": 20}, "disk access less than 10 ms, base set less than 76 packages"),
    ],
)  # fmt: skip
def test_more_than_a_twentieth_past_what_was_measured_is_beyond(change: dict[str, float], note: str) -> None:
    notes, nearest = seen().beyond(pd.DataFrame([WITHIN | change]))
    assert notes[0] == (f"beyond what was measured: {note}" if note else "") and bool(nearest[0]) == bool(note)


def test_the_nearest_rehearsal_is_named_with_its_machine() -> None:
    quick = {name: 2 * value for name, value in ROW.items()} | {"cores": 8}
    _, nearest = seen().beyond(pd.DataFrame([ROW | {"cores": 1}, quick]))
    assert nearest.tolist() == [
        "first: 50 MiB/s x 2 cores, disk 100 MiB/s and 10 ms, link 50 Mbit/s",
        "a measured install: 100 MiB/s x 4 cores, disk 200 MiB/s and 20 ms, link 100 Mbit/s",
    ]
    notes, _ = TimingModel(Physics()).beyond(pd.DataFrame([ROW]))
    assert notes[0] == "beyond what was measured: no rehearsal of this kind of installer yet"


KEPT: dict[str, Any] = {"rows": 7, "invented": True, "hands_factor": 1.5, "level": 0.25,
                        "widths": {"overall": None, "groups": {"nvme": 2.0}, "rows": 5}}  # fmt: skip


def test_what_an_older_file_lacks_is_as_if_nothing_was_learnt_of_it() -> None:
    part = TypeAdapter(LogPart).validate_python(KEPT)
    assert (part.rows, part.invented, part.hands_factor, part.level) == (7, True, 1.5, 0.25)
    assert (part.widths.overall, part.widths.groups, part.widths.rows) == (math.inf, {"nvme": 2.0}, 5)
    assert (part.effects, part.technicians, part.paces, part.hands_sd) == ({}, {}, {}, 0)
    assert (part.first, part.last, part.effective_rows, part.half_life_days) == ("", "", 0, 0)
    assert TypeAdapter(LogPart).validate_python(plain(part)) == part
    assert plain(part)["widths"] == KEPT["widths"]


@pytest.mark.parametrize(
    ("levels", "factors", "told"),
    [([0.2, 0.8], [1.0], "as many levels as factors"), ([0.8, 0.8], [1, 2], "does not rise"),
     ([0.2, 0.8], [2, 1], "does not rise"), ([0.2, 0.8], [1, 1], "")],
)  # fmt: skip
def test_a_curve_of_half_widths_rises(levels: list[float], factors: list[float], told: str) -> None:
    content = KEPT | {"curve": {"levels": levels, "factors": factors}}
    if told:
        with pytest.raises(ValueError, match=told):
            TypeAdapter(LogPart).validate_python(content)
    else:
        assert TypeAdapter(LogPart).validate_python(content).curve.factors == (1, 1)


LIMITS: list[tuple[str, list[float], list[float]]] = [
    ("level", [0.1, 10], [0.09, 10.1]),
    ("physics.sync.terms.sync | wait | unmounting", [0, 1e8], [-0.1, 1.1e8]),
    ("widths.overall", [0, 20], [-0.1, 20.1]),
    ("widths.groups.spinning", [0, 20], [-0.1, 20.1]), ("widths.rows", [0, 10**9], [-1, 10**9 + 1]),
    ("log.level", [-5, 5], [-5.1, 5.1]), ("log.hands_factor", [0.01, 100], [0.009, 100.1]),
    ("log.hands_sd", [0, 20], [-0.1, 20.1]), ("log.effective_rows", [0, 1e15], [-1, 1.1e15]),
    ("log.curve.levels.0", [0], [-0.1]), ("log.curve.levels.-1", [1], [1.1]),
    ("log.curve.factors.0", [0], [-0.1]), ("log.curve.factors.-1", [1e15], [1.1e15]),
    ("log.half_life_days", [0, 1e15], [-1, 1.1e15]), ("about.rehearsals", [0, 10**9], [-1, 10**9 + 1]),
    ("about.gate.median_serving", [-1e15, 1e15], [-1.1e15, 1.1e15]), ("seen.rows.0.1", [0, 1e15], [-1, 1.1e15]),
]  # fmt: skip
"""Figure of a model's file, what it may be at the least and the most, and what is refused: from memory."""


@pytest.fixture(scope="module")
def content() -> dict[str, Any]:
    whole = json.loads((datasets() / "timing" / "model.json").read_text(encoding="utf-8"))
    whole["about"]["gate"] = {"median_serving": 1.0}
    return whole


@pytest.mark.parametrize(("place", "taken", "refused"), LIMITS, ids=[place for place, _, _ in LIMITS])
def test_a_figure_of_a_models_file_is_within_its_limits(
    place: str, taken: list[float], refused: list[float], content: dict[str, Any]
) -> None:
    changed = copy.deepcopy(content)
    *way, last = place.split(".")
    part: Any = changed
    for one in way:
        part = part[int(one) if isinstance(part, list) else one]
    at = int(last) if isinstance(part, list) else last
    for value in taken:
        part[at] = value
        KeptTiming.model_validate(changed)
    for value in (*refused, math.nan, math.inf, True):
        part[at] = value
        with pytest.raises(ValidationError):
            KeptTiming.model_validate(changed)


@pytest.mark.parametrize(
    "place",
    ["log.rows", "log.invented", "log.hands_factor", "log.widths", "log.widths.rows", "log.widths.groups",
     "widths.overall", "widths.groups", "widths.rows", "level", "log", "seen", "physics"],
)  # fmt: skip
def test_a_models_file_that_lacks_what_each_has_ever_stated_is_refused(place: str, content: dict[str, Any]) -> None:
    changed = copy.deepcopy(content)
    *way, last = place.split(".")
    part: Any = changed
    for one in way:
        part = part[one]
    del part[last]
    with pytest.raises(ValidationError, match=last):
        KeptTiming.model_validate(changed)


@pytest.mark.parametrize("name", ["effects", "paces", "technicians", "curve", "first", "last", "effective_rows"])
def test_what_an_older_models_file_did_not_state_is_as_if_nothing_was_learnt(
    name: str, content: dict[str, Any]
) -> None:
    changed = copy.deepcopy(content)
    changed["log"].pop(name, None)
    KeptTiming.model_validate(changed)


def test_needs_that_were_counted_are_reckoned_by_rates(tmp_path: Path) -> None:
    """Half a core each of two works 3 s in 6; 50 MiB at 100 MiB/s."""
    row: dict[str, Any] = dict(ROW) | {
        "format": 1, "name": "a", "disk": "emmc", "quota_pct": 100, "disk_access_ms": 20.0,
        **{f"{phase}_s": 2.0 for phase in MEASURED_PHASES}, **{f"{phase}_cpu_s": 3.0 for phase in MEASURED_PHASES},
        **{f"{phase}_read_bytes": 150 * MIB for phase in MEASURED_PHASES},
        **{f"{phase}_written_bytes": 50 * MIB for phase in MEASURED_PHASES},
        **{f"{phase}_accesses": 50 for phase in MEASURED_PHASES},
    }  # fmt: skip
    path = tmp_path / "rows.jsonl"
    path.write_text(json.dumps(row) + "\n\n" + json.dumps({**row, "quota_pct": 50, "cores": 1}) + "\n")
    data = read_rehearsals(path)
    found = {name: needs["copy"].tolist() for name, needs in data.needs.items()}
    assert found == {"processor": [6, 6], "writing": [0.5, 0.5]}
    assert data.labels["processor"].tolist() == ["50 % of a core"] * 2 and data.total.tolist() == [18, 18]
    again = Rehearsals.of(data.X, data.y)
    assert {name: needs["boot"].tolist() for name, needs in again.needs.items()} == found
    row["copy_s"] = -1.0
    path.write_text(json.dumps(row) + "\n")
    with pytest.raises(InputError, match="a phase has no finite time of 0 or more"):
        read_rehearsals(path)
    row["copy_s"] = 1.1e15
    path.write_text(json.dumps(row) + "\n")
    with pytest.raises(InputError, match="line 1: no figure for copy_s"):
        read_rehearsals(path)


@pytest.mark.parametrize(
    ("read", "form", "words", "hint"),
    [
        (load_model, 9, "is of format 9; this version reads 5.",
         "Install a newer version of the package. Or: Make it again with: advisor learn"),
        (load_model, 4, "is of format 4; this version reads 5.", "Make it again with: advisor learn"),
        (load_model, 5, "is damaged: ", "Make it again with: advisor learn"),
        (read_comfort, 4, "is of format 4; this version reads 5.", "Make it again with: python -m advisor.comfort.fit"),
        (read_comfort, 5, "is damaged: ", "Make it again with: python -m advisor.comfort.fit"),
    ],
)  # fmt: skip
def test_a_model_that_cannot_be_read_says_how_another_is_made(
    read: Any, form: int, words: str, hint: str, tmp_path: Path
) -> None:
    path = tmp_path / "model.json"
    path.write_text(json.dumps({"format": form}))
    with pytest.raises(TableError) as told:
        read(path)
    assert words in told.value.message and told.value.hint == hint


def test_what_serves_is_chosen_anew_where_the_pointer_or_the_levels_are_damaged(tmp_path: Path) -> None:
    (tmp_path / "serving.json").write_text('{"format": 1, "serving": 7}')
    with pytest.raises(TableError) as told:
        versions.pointed(tmp_path)
    assert told.value.hint == "Choose what serves anew with: advisor learn --use shipped"
    versions.write_levels({"": 0.9, "nvme": -10.0}, 40, tmp_path)
    assert versions.read_levels(tmp_path) == {"": 0.9, "nvme": -10.0}
    assert json.loads((tmp_path / "levels.json").read_text())["units"] == 40
    (tmp_path / "levels.json").write_text('{"format": 1, "levels": {"nvme": 10.1}}')
    with pytest.raises(TableError, match=r"the level of 'nvme' is 10\.1") as told:
        versions.read_levels(tmp_path)
    assert told.value.hint == "Take the file away; the log gives the levels anew with the next unit logged."
    versions.write_levels({}, 0, tmp_path / "none")
    assert not (tmp_path / "none").exists() and versions.read_levels(tmp_path / "none") == {}
