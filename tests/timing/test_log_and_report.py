"""Learning from a log, reading rehearsals, and the report, on simulated data."""

import json

import numpy as np
import pandas as pd
import pytest

from advisor.errors import InputError, TableError
from advisor.files import datasets
from advisor.timing import load_model
from advisor.timing.conditions import CONDITIONS, MEASURED_PHASES
from advisor.timing.conformal import Z
from advisor.timing.fitting import fit
from advisor.timing.log import fit_log, log_units
from advisor.timing.predict import predict
from advisor.timing.rehearsals import WITHOUT_LIBRARIES, read_rehearsals
from advisor.timing.report import BASELINES, OURS, WITHHELD, judge, lines, noise

CATALOGUE = pd.DataFrame({
    "release": ["13"], "architecture": ["amd64"], "edition": ["Xfce"], "installed_mib": [3200.0],
    "installed_files": [140_000.0], "desktop_read_mib": [200.0], "desktop_cpu_s": [4.0],
})  # fmt: skip


@pytest.fixture(scope="module")
def data(simulate):
    return simulate(60, seed=1)


@pytest.fixture(scope="module")
def model(data):
    return fit(data)


def logged(model, n, seed, *, hands, work):
    """Units whose hands-on and machine work take so many times what the model says, with 5 and 8 % of noise."""
    draw = np.random.default_rng(seed)
    frame = pd.DataFrame({
        "cpu": "any", "ram_gib": 8, "storage_kind": draw.choice(["nvme", "spinning disk", "sata ssd"], n),
        "storage_gib": 240, "link_mbps": 50, "image": "debian-13", "edition": "Xfce", "provenance": "invented",
    })  # fmt: skip
    processors = pd.DataFrame({"cpu_speed": draw.choice([0.4, 0.7, 1.2], n), "cpu_cores": 2})
    timing = told(model, frame, processors)
    sums = timing.phases.groupby("row")[["hands_on_min", "work_min", "overlap_min"]].sum()
    # Standing by while the machine works is hands-on and goes by the machine, not by the shop's pace.
    wait = timing.parts.wait.sum(axis=1)
    busy = hands * (sums["hands_on_min"] - wait) * np.exp(draw.normal(0, 0.05, n))
    machine = work * sums["work_min"] * np.exp(draw.normal(0, 0.08, n))
    frame["hands_on_min"] = busy + wait
    frame["elapsed_min"] = busy + machine - hands * (sums["overlap_min"] - wait)
    return frame, processors


def told(model, frame, processors):
    return predict(
        log_units(frame), processors, frame["edition"], frame["image"], model=model, catalogue=CATALOGUE
    )  # fmt: skip


def held(timing, frame):
    """Share of the units whose minutes lie in their intervals."""
    actual = frame["elapsed_min"]
    return float(((actual >= timing.elapsed_low_min) & (actual <= timing.elapsed_high_min)).mean())


@pytest.fixture(scope="module")
def log(model):
    """Logged units whose machine work takes 1.7 times, and whose hands-on 0.8 times, what the model says."""
    return logged(model, 120, 4, hands=0.8, work=1.7)


def test_a_log_corrects_hands_and_machine(model, log):
    frame, processors = log
    learnt = fit_log(model, frame, catalogue=CATALOGUE, processors=processors)
    assert learnt.basis == "from 60 measured installs and 120 logged units (the log is the demo's, invented)"
    belief = 120 / (120 + 10)
    assert np.log(learnt.log.hands_factor) == pytest.approx(belief * np.log(0.8), abs=0.02)
    timing, plain = told(learnt, frame, processors), told(model, frame, processors)
    actual = frame["elapsed_min"]

    def error(found):
        return np.abs(found.elapsed_min.astype(float) / actual - 1).median()

    assert error(timing) < 0.6 * error(plain)


def test_intervals_hold_what_they_promise_where_the_tables_are_right(model):
    """Learnt from 120 units at the tables' own pace, fresh ones lie inside as often as is said.

    Split conformal on n units covers m fresh ones with a share that scatters by p (1 - p) (1/n + 1/m) about p (Vovk,
    Conditional validity of inductive conformal predictors, 2012): 0.80, and one run in a thousand below or above.
    """
    few, theirs = logged(model, 120, 8, hands=1.0, work=1.0)
    learnt = fit_log(model, few, catalogue=CATALOGUE, processors=theirs)
    frame, processors = logged(model, 400, 9, hands=1.0, work=1.0)
    sd = np.sqrt(0.8 * 0.2 * (1 / 120 + 1 / 400))
    assert held(told(learnt, frame, processors), frame) == pytest.approx(0.8, abs=3.09 * sd)


def test_intervals_hold_at_least_what_they_promise_where_the_tables_are_far_off(model, log):
    """A shop that is far from the tables is believed by and by, so its first units were predicted badly and widen.

    Of six runs of 20 the second is predicted from 20 rows (a third of the factor is not believed yet) and misses nearly
    always, so the others fill 96 of the 120 that 80 % asks for, of 100: more than 80 % are held. From below, one run in
    a thousand of 400 and 120 as above; and the width stays within twice that of the noise.
    """
    frame, processors = log
    learnt = fit_log(model, frame, catalogue=CATALOGUE, processors=processors)
    fresh, own = logged(model, 400, 10, hands=0.8, work=1.7)
    timing = told(learnt, fresh, own)
    assert held(timing, fresh) >= 0.8 - 3.09 * np.sqrt(0.8 * 0.2 * (1 / 120 + 1 / 400))
    width = np.log(timing.elapsed_high_min.astype(float) / timing.elapsed_low_min.astype(float)) / 2
    work = timing.parts.work.sum(axis=1)
    noise = np.hypot(0.05 * (timing.hands_on_min.astype(float) - timing.parts.wait.sum(axis=1)), 0.08 * work)
    assert np.median(width / (Z * noise / timing.elapsed_min.astype(float))) < 2


def test_slips_in_a_log_are_left_out(model, log):
    frame, processors = log
    broken = frame.copy()
    broken.loc[:9, "elapsed_min"] = [1.0, 9999.0, np.nan, -5.0, 0.0, 1.0, 9999.0, np.nan, -5.0, 0.0]
    learnt = fit_log(model, broken, catalogue=CATALOGUE, processors=processors)
    assert learnt.log.rows == 110


def test_an_empty_log_changes_nothing(model, log):
    frame, processors = log
    assert fit_log(model, frame.iloc[:0], catalogue=CATALOGUE, processors=processors.iloc[:0]).log.rows == 0
    with pytest.raises(InputError, match="elapsed_min"):
        fit_log(model, frame.drop(columns="elapsed_min"))


def written(path, rows):
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


def row(**changes):
    good = dict.fromkeys(CONDITIONS, 10.0)
    good |= {"image_bytes": 1e9, "installed_bytes": 3e9, **{f"{phase}_s": 2.0 for phase in MEASURED_PHASES}}
    return {
        **good,
        "format": 1,
        "name": "a",
        "disk": "emmc",
        "quota_pct": 100,
        "cores": 2,
        "disturbed": False,
        **changes,
    }


def test_disturbed_and_failed_rehearsals_are_left_out(tmp_path):
    path = written(
        tmp_path / "r.jsonl", [row(), row(disturbed=True), {"name": "c", "failed": "no disk", "disturbed": True}]
    )
    data = read_rehearsals(path)
    assert len(data) == 1 and data.disturbed == 2
    assert data.labels["processor"].tolist() == ["50 % of a core"]
    assert data.total.tolist() == [18.0]


def test_rehearsals_of_each_installer_are_told_apart(tmp_path):
    """A line without one is from before there were others: a tree that was unpacked."""
    kinds = [row(), row(installer="unpack"), row(installer="live"), row(installer="packages"), row(installer="clone")]
    data = read_rehearsals(
        written(tmp_path / "r.jsonl", [*kinds, row(disturbed=True), row(installer="live", disturbed=True)])
    )
    assert (len(data), data.disturbed) == (5, 2)
    assert data.labels["installer"].tolist() == ["unpack", "unpack", "live", "packages", "clone"]
    assert data.modelled.tolist() == [False, False, True, True, True]


def test_a_phase_that_a_kind_of_installer_has_not_takes_no_time(tmp_path):
    given = row(installer="clone")
    del given["format_s"], given["tasks_s"]
    assert read_rehearsals(written(tmp_path / "r.jsonl", [given])).phases.iloc[0].to_dict() == {
        "format": 0, "copy": 2, "grow": 2, "tasks": 0, "boot": 2, "refresh": 2, "base": 2, "updates": 2, "sync": 2,
    }  # fmt: skip


def test_how_a_disk_of_the_laboratory_writes_is_in_its_figures(tmp_path):
    """eMMC: 64 GB, 40 MB/s once 2 GB are written (lab/disks, from memory); a plain disk writes as it reads."""
    known = row(installer="live", model="emmc", disk_read_mib_s=200, disk_write_mib_s=70)
    found = read_rehearsals(written(tmp_path / "r.jsonl", [known, row(disk_write_mib_s=70)])).conditions
    names = ["write_share", "journal_mib", "cache_mib", "slow_write_mib_s"]
    assert found.loc[0, names].tolist() == pytest.approx([0.35, 256, 2e9 / 2**20, 40e6 / 2**20])
    assert found.loc[1, names[:2]].tolist() == [1, 256] and found.loc[1, names[2:]].isna().all()


def test_an_install_has_its_share_of_a_core_at_the_pace_that_is_usual_for_its_processor(tmp_path):
    """Of P 40 MiB/s is the middle of 30, 40, 40 and 60 of a whole core; unpacked trees are left alone."""

    def line(rate: float, share: float, **more: object) -> dict[str, object]:
        usual = {"cores": 1, "processor": "P", "installer": "clone"}
        return row(decompress_mib_s=rate, quota_pct=share, **(usual | more))

    lines = [line(15, 50), line(40, 100), line(30, 50), line(7, 10, processor="Q"), line(99, 10, installer="unpack")]
    lines.append({**line(20, 100, cores=2, installer="live")})
    data = read_rehearsals(written(tmp_path / "r.jsonl", lines)).conditions["decompress_mib_s"]
    assert data.tolist() == pytest.approx([20, 40, 20, 7, 99, 20])
    bare = [{key: value for key, value in one.items() if key != "processor"} for one in lines]
    assert read_rehearsals(written(tmp_path / "r.jsonl", bare)).conditions["decompress_mib_s"].iloc[0] == 15


def test_a_base_set_without_libraries_has_none_of_the_trees_read():
    """Read from a spinning disk with all it reads ahead: ldconfig goes over a tree's libraries, 400 MB and up."""
    lines = [json.loads(text) for text in (datasets() / "rehearsals.jsonl").read_text().splitlines()]
    seen: dict[bool, list[float]] = {True: [], False: []}
    for line in lines:
        if line.get("model") and line["storage_kind"] == "spinning disk" and line["extra_packages"]:
            seen[line["base_set"] in WITHOUT_LIBRARIES].append(line["base_read_bytes"] / 1e6)
    assert min(len(of) for of in seen.values()) >= 5
    assert max(seen[True]) < 100 and min(seen[False]) > 400


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("not json\n", "line 1, is not JSON"),
        ("[1]\n", "line 1: not a JSON object"),
        (json.dumps({"format": 9}) + "\n", "format 9"),
        (json.dumps({"format": 1, "name": "x"}) + "\n", "no figure for decompress_mib_s"),
        (json.dumps(row(copy_s=float("nan"))) + "\n", "NaN is no number"),
        (json.dumps(row(link_mbps="quick")) + "\n", "no figure for link_mbps"),
        (json.dumps(row(quota_pct="half")) + "\n", "no figure for quota_pct"),
        (json.dumps(row(copy_s=10**400)) + "\n", "no figure for copy_s"),
        (json.dumps(row(copy_s=True)) + "\n", "no figure for copy_s"),
        (json.dumps(row(boot_read_bytes=[1])) + "\n", "no figure for boot_read_bytes"),
        (json.dumps(row(format="new")) + "\n", "of format new"),
        ("[" * 100_000 + "\n", "nested too deeply"),
    ],
)
def test_bad_lines_are_named(tmp_path, content, words):
    path = tmp_path / "r.jsonl"
    path.write_text(content)
    with pytest.raises(InputError, match=words):
        read_rehearsals(path)


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(TableError, match="does not exist"):
        read_rehearsals(tmp_path / "none.jsonl")


def test_noise_is_the_spread_of_repeats(data):
    labels = data.labels.copy()
    labels.loc[1, "repeat_of"] = labels.loc[0, "name"]
    phases = data.phases.copy()
    phases.loc[1] = phases.loc[0] * np.exp(0.1)
    found = noise(type(data)(data.conditions, phases, labels))
    # Two values a distance d apart have a standard deviation of d over the root of two.
    assert found["spread_pct"].tolist() == [pytest.approx(10 / np.sqrt(2))]
    assert found["repeats"].tolist() == [2]


@pytest.mark.slow
def test_the_report_judges_every_method_on_every_row(data):
    report = judge(data, basis="from a simulator")
    assert set(report.rows["method"]) == {OURS, WITHHELD, *BASELINES}
    counts = report.rows.groupby(["split", "method"]).size()
    assert (counts == len(data)).all()
    summary = report.summary.set_index(["split", "method"])
    for split in ("disk", "edition", "processor"):
        ours = summary.loc[(split, OURS)]
        assert ours["median_pct"] < 5
        assert ours["median_pct"] < summary.loc[[(split, name) for name in BASELINES], "median_pct"].min() * 2 / 3
        assert summary.loc[(split, WITHHELD), "width_factor"] > ours["width_factor"]
    text = "\n".join(lines(report))
    assert "from a simulator" in text and "A class of disk left out (60 rehearsals)" in text
    assert report.phases["share_pct"].sum() == pytest.approx(100, abs=0.5)


def test_a_technicians_pace_is_learnt_by_phase_and_kept(model, log, tmp_path):
    """Two technicians, one of whom takes 1.5 times as long as the other to customise; where the minutes are logged."""
    frame, processors = log
    who = np.array(["K", "T"])[np.arange(len(frame)) % 2]
    noise = np.exp(np.random.default_rng(7).normal(0, 0.1, len(frame)))
    pages = frame.assign(technician=who, customise_min=np.where(who == "T", 3.0, 2.0) * noise)
    learnt = fit_log(model, pages, catalogue=CATALOGUE, processors=processors)
    paces = learnt.log.paces
    assert set(paces) == {"K", "T"} and set(paces["K"]) == {"customise"}
    assert paces["T"]["customise"] / paces["K"]["customise"] == pytest.approx(1.5, abs=0.12)
    # The log was made with 5 % of noise on the hands.
    assert 0.03 < learnt.log.hands_sd < 0.09
    learnt.save(tmp_path / "model.json")
    again = load_model(tmp_path / "model.json").log
    assert (again.paces, again.hands_sd) == (paces, learnt.log.hands_sd)


def test_units_with_a_part_fitted_teach_no_pace(model, log):
    """Half the units had a part fitted, which took half an hour more: the pace is that of the other half, 0.8."""
    frame, processors = log
    parts = np.arange(len(frame)) % 2 == 0
    rows = frame.assign(
        parts=np.where(parts, "SSD SATA 240 GB", ""), hands_on_min=frame["hands_on_min"] + 30.0 * parts,
        elapsed_min=frame["elapsed_min"] + 30.0 * parts,
    )  # fmt: skip
    learnt = fit_log(model, rows, catalogue=CATALOGUE, processors=processors)
    assert np.log(learnt.log.hands_factor) == pytest.approx(60 / (60 + 10) * np.log(0.8), abs=0.02)
