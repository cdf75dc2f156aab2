"""Learning from a log: shrunk while rows are few, unharmed by bad rows, gated, kept, taken back, and really served."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from advisor.benchlog import BenchLog, Job
from advisor.benchlog import learning as learning_module
from advisor.benchlog.gate import block_starts, compare, newest_rows
from advisor.benchlog.learning import drift_of, learn_from, lines, log_rows, rows_of
from advisor.errors import InputError, TableError
from advisor.files import datasets
from advisor.shop import default_shop
from advisor.timing import predict, serving_model
from advisor.timing.conformal import weighted_half_width
from advisor.timing.log import learn
from advisor.timing.logged import SOURCE_WEIGHTS, age_weights, lay
from advisor.timing.logpart import LogPart
from advisor.timing.model import with_log
from advisor.timing.versions import keep, models_folder, pointed, read_version, use, versions


@pytest.fixture(scope="session")
def simulated():
    spec = importlib.util.spec_from_file_location("simulated_year", datasets() / "demo" / "simulated_year.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.year


@pytest.fixture(scope="session")
def log(simulated):
    """The first weeks of an invented workshop, slowed down: its units take longer than any model shipped says."""
    rows = simulated(3, 600).iloc[:110]
    return rows.assign(elapsed_min=(1.35 * rows["elapsed_min"]).round(), hands_on_min=1.35 * rows["hands_on_min"])


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("ADVISOR_LOG", raising=False)
    return tmp_path / "home"


@pytest.fixture(scope="session")
def base():
    return with_log(read_version("shipped", Path("/nonexistent")), LogPart())


@pytest.fixture(scope="session")
def laid(base, log):
    return lay(base, log, default_shop())


@pytest.fixture(scope="session")
def taught(base, laid):
    return learn(base, laid)


def middle(laid, part, base):
    """Typical factor that a log part puts on the minutes."""
    learnt, _ = laid.predicted(base, part)
    plain, _ = laid.predicted(base, LogPart())
    return float(np.median(np.log(learnt / plain)))


def test_few_rows_give_a_small_correction_and_many_a_whole_one(base, laid):
    shares = []
    for count in (1, 10, len(laid)):
        some = laid.take(np.arange(count))
        wanted = float(np.median(np.log(some.elapsed / some.predicted(base, LogPart())[0])))
        shares.append(middle(some, learn(base, some), base) / wanted)
    assert 0 < shares[0] < 0.2
    assert 0.3 < shares[1] < 0.75
    assert 0.75 < shares[2] < 1.2


def test_no_row_teaches_nothing(base, log):
    empty = learn(base, lay(base, log.iloc[:0], default_shop()))
    assert empty == LogPart(invented=False)


BAD = {
    "zero minutes": {"elapsed_min": 0.0},
    "absurd minutes": {"elapsed_min": 1e9},
    "ten thousand": {"elapsed_min": 99_999.0},
    "negative": {"elapsed_min": -40.0},
    "endless": {"elapsed_min": float("inf")},
    "hands absurd": {"hands_on_min": 1e9},
    "hands zero": {"hands_on_min": 0.0},
    "no processor": {"cpu": None},
    "no such image": {"image": "windows"},
    "no date": {"date": None},
    "a day that is none": {"date": "31.31.2025"},
    "a day to come": {"date": "2999-01-01"},
    "memory below nothing": {"ram_gib": -8.0},
    "memory without end": {"ram_gib": float("inf")},
    "a disk of another world": {"storage_kind": "crystal"},
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_row_neither_stops_nor_tips_the_model(base, log, laid, taught, name):
    bad = log.iloc[:12].assign(asset_tag=[f"BAD-{number}" for number in range(12)])
    for column, value in BAD[name].items():
        bad[column] = pd.Series([value] * len(bad), index=bad.index, dtype=object if value is None else None)
    mixed = pd.concat([bad, log], ignore_index=True)
    found = lay(base, mixed, default_shop())
    part = learn(base, found)
    assert np.isfinite(part.hands_factor) and np.isfinite(found.predicted(base, part)[0]).all()
    # Twelve rows in a hundred, doubled or dropped, move the middle by a little whatever they say.
    assert middle(laid, part, base) == pytest.approx(middle(laid, taught, base), abs=0.06)


def test_rows_left_out_are_named(base, log):
    bad = log.iloc[:3].assign(elapsed_min=[0.0, 1e9, 4000.0], asset_tag=["A", "B", "C"])
    twice = pd.concat([log.iloc[:20], bad, log.iloc[[5]]], ignore_index=True)
    problems = lay(base, twice, default_shop()).problems.set_index("asset_tag")
    assert problems.loc["A", "problem"] == "minutes that no unit can take"
    assert problems.loc["B", "problem"] == "minutes that no unit can take"
    assert "slip" in problems.loc["C", "problem"]
    assert problems.loc[log["asset_tag"].iloc[5], "problem"] == "the same row twice"


def test_the_order_of_rows_does_not_matter(base, log):
    one_a_day = log.drop_duplicates("date")
    mixed = one_a_day.sample(frac=1, random_state=1)
    straight, turned = (lay(base, rows, default_shop()) for rows in (one_a_day, mixed))
    assert straight.tags.tolist() == turned.tags.tolist()
    assert learn(base, straight) == learn(base, turned)


def test_old_rows_and_unsure_sources_count_less():
    weights = age_weights(np.array([0.0, 90.0, 180.0, np.nan]), 90.0)
    assert weights.tolist() == [0.25, 0.5, 1.0, 0.5]
    assert SOURCE_WEIGHTS["stopwatch"] > SOURCE_WEIGHTS["typed"] > SOURCE_WEIGHTS["sheet"]


def test_weighted_half_width_is_split_conformal_when_all_count_alike():
    from advisor.timing.conformal import half_width

    scores = np.random.default_rng(0).exponential(size=37)
    for level in (0.5, 0.8, 0.9, 0.99):
        assert weighted_half_width(scores, np.ones(37), level) == half_width(scores, level)
    # Nine old rows of weight a ninth are one row: 2 of 2 + 1 reach two thirds, not four fifths.
    assert weighted_half_width(np.arange(10.0), np.array([1 / 9] * 9 + [1.0]), 0.6) == 9.0
    assert weighted_half_width(np.arange(10.0), np.array([1 / 9] * 9 + [1.0]), 0.8) == np.inf


def test_a_model_of_pc_that_is_slower_is_found(base, log):
    rows = log.copy()
    slow = rows["model"] == rows["model"].mode()[0]
    rows.loc[slow, "elapsed_min"] = rows.loc[slow, "elapsed_min"] * 1.8
    part = learn(base, lay(base, rows, default_shop()))
    effects = part.effects["model"]
    assert max(effects, key=effects.get).endswith(str(rows["model"].mode()[0]).casefold())


# -- the gate ---------------------------------------------------------------------------------------------------------


def predictions(n=60, seed=0, bias=0.0, noise=0.1, width=0.13):
    draw = np.random.default_rng(seed)
    actual = 60 * np.exp(draw.normal(0, 0.3, n))
    return actual, (actual * np.exp(bias + draw.normal(0, noise, n)), np.full(n, width))


def test_the_gate_lets_in_what_is_better():
    actual, good = predictions()
    _, bad = predictions(bias=0.3, seed=0)
    verdict = compare(actual, bad, good)
    assert verdict.accepted and verdict.gain_pct > 50
    assert not compare(actual, good, bad).accepted
    assert not compare(actual, good, good).accepted


def test_the_gate_refuses_luck_and_little_gain():
    actual, one = predictions(n=30, noise=0.1)
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(200):
        other = (actual * np.exp(rng.normal(0, 0.1, 30)), one[1])
        refused += not compare(actual, one, other).accepted
    assert refused >= 197


def test_the_gate_refuses_intervals_that_hold_less():
    actual, good = predictions()
    _, bad = predictions(bias=0.3)
    narrow = (good[0], np.full(60, 0.03))
    verdict = compare(actual, (bad[0], np.full(60, 0.5)), narrow)
    assert not verdict.accepted and "cover" in verdict.reason


def test_a_change_of_the_last_days_is_seen():
    actual, good = predictions(n=100)
    _, bad = predictions(n=100, bias=0.3)
    turned = (np.where(np.arange(100) < 80, good[0], bad[0]), good[1])
    steady = (np.where(np.arange(100) < 80, bad[0], good[0]), good[1])
    assert not compare(actual, steady, turned).accepted


def test_what_the_serving_model_knows_is_not_judged(laid):
    assert newest_rows(laid, float("nan")) == round(len(laid) / 3)
    assert newest_rows(laid, float(laid.day[-8])) == int((laid.day > laid.day[-8]).sum())
    assert block_starts(12) == [3, 4, 5, 6, 7, 8, 10]


# -- versions ---------------------------------------------------------------------------------------------------------


def test_a_version_is_kept_serves_and_is_taken_back(home, log):
    before = serving_model()
    lesson = learn_from(log)
    assert lesson.verdict.accepted, lesson.verdict
    assert lesson.version == "0001" and pointed(home / "models") == "0001"
    now = serving_model()
    assert now.version == "0001" and now.log.rows == lesson.model.log.rows > 90
    assert "and 1" in now.basis and now.basis.endswith("version 0001 (the log is the demo's, invented)")
    content = json.loads((home / "models" / "timing-0001.json").read_text())
    assert content["about"]["gate"]["accepted"] is True
    assert {"numpy", "scikit-learn", "bench-advisor"} <= set(content["about"]["made_with"])
    again = learn_from(log)
    assert not again.verdict.accepted and again.version == "0002" and pointed(home / "models") == "0001"
    assert "0 units are newer" in again.verdict.reason
    use("shipped", models_folder())
    assert serving_model().basis == before.basis
    use("1", models_folder())
    assert serving_model().version == "0001"
    assert [(one.name, one.accepted, one.serving) for one in versions(models_folder())] == [
        ("shipped", None, False), ("0001", True, True), ("0002", False, False),
    ]  # fmt: skip
    text = "\n".join(lines(lesson))
    assert "Accepted" in text and "advisor learn --use shipped" in text
    assert "goes on serving" in "\n".join(lines(again))


def test_the_serving_version_is_what_predicts(home, log):
    from advisor.identify import processors
    from advisor.timing.logged import log_units

    some = log.iloc[:5].reset_index(drop=True)
    units = log_units(some)

    def minutes():
        found = predict(units, processors(units), some["edition"].astype("string"), some["image"].astype("string"))
        return found.elapsed_min.astype(float).to_numpy(), found.basis

    before, _ = minutes()
    learn_from(log)
    after, basis = minutes()
    assert (np.abs(np.log(after / before)) > 0.03).any()
    assert "version 0001" in basis


def test_two_that_learn_at_once_keep_both(home, base):
    folder = home / "models"
    code = (
        "import sys; from pathlib import Path\n"
        "from advisor.timing.versions import keep, read_version\n"
        "model = read_version('shipped', Path('x'))\n"
        "print(*[keep(model, Path(sys.argv[1]), {'accepted': False}) for _ in range(5)])\n"
    )
    both = [
        subprocess.Popen([sys.executable, "-c", code, str(folder)], stdout=subprocess.PIPE, text=True, env=os.environ)
        for _ in range(2)
    ]
    names = [name for one in both for name in one.communicate()[0].split()]
    assert sorted(names) == [f"{number:04d}" for number in range(1, 11)]


def altered(path: Path, change) -> None:
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c.update(format=99), "format 99"),
        (lambda c: c["about"]["made_with"].update({"bench-advisor": "99.0.0"}), "newer than this one"),
        (lambda c: c["about"].update(tables="other"), "other tables"),
        (lambda c: c["about"].pop("made_with"), "made with"),
        (lambda c: c["log"].update(hands_factor="NaN"), "damaged"),
        (lambda c: c["log"].update(hands_factor=-1), "damaged"),
        (lambda c: c["log"].update(hands_sd=-1), "damaged"),
        (lambda c: c["log"].update(paces={"T": {"prepare": 0}}), "damaged"),
        (lambda c: c["log"]["curve"].update(levels=[]), "damaged"),
        (lambda c: c["log"]["effects"].update(image={"a": "x"}), "damaged"),
    ],
)
def test_a_version_that_may_not_be_used_is_refused_with_what_to_do(home, base, change, words):
    folder = home / "models"
    name = keep(base, folder, {"accepted": True})
    use(name, folder)
    altered(folder / f"timing-{name}.json", change)
    with pytest.raises((InputError, TableError), match=words) as error:
        serving_model()
    assert "advisor learn" in error.value.hint or "newer version" in error.value.hint
    use("shipped", folder)
    assert serving_model().version == "shipped"


def test_a_damaged_version_that_serves_does_not_stop_the_learning_that_replaces_it(home, base, log):
    folder = home / "models"
    use(keep(base, folder, {"accepted": True}), folder)
    (folder / "timing-0001.json").write_text("{")
    lesson = learn_from(log.head(60), folder)
    assert lesson.version == "0002" and "The shipped model was judged in its place" in lesson.verdict.reason


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": 1}', '{"format": 9, "serving": "0001"}',
                                  '{"format": 1, "serving": "../../etc/passwd"}'])  # fmt: skip
def test_a_damaged_pointer_is_said(home, base, text):
    keep(base, home / "models", {})
    (home / "models" / "serving.json").write_text(text)
    with pytest.raises(TableError, match=r"serving\.json") as error:
        serving_model()
    assert "--use shipped" in error.value.hint


def test_no_version_of_that_name(home):
    for name in ("7", "../x", "", "0001; rm"):
        with pytest.raises(InputError, match="no version"):
            use(name, home / "models")


def test_a_folder_that_cannot_be_written_leaves_what_serves(home, log, monkeypatch):
    def full(*_args, **_kwargs):
        raise InputError("no room left")

    monkeypatch.setattr("advisor.timing.model.write_whole", full)
    with pytest.raises(InputError, match="no room"):
        learn_from(log.iloc[:30])
    assert pointed(home / "models") == "shipped"
    assert not list((home / "models").glob("*"))


# -- the log's own file -----------------------------------------------------------------------------------------------


def filled(path: Path, count: int, longer: float = 1.0) -> BenchLog:
    book = BenchLog(path)
    draw = np.random.default_rng(0)
    for number in range(count):
        tag = f"T-{number:03d}"
        book.add_unit(
            tag, {"cpu": "Intel Core i5-6300U", "storage_kind": "sata ssd", "ram_gib": 8, "maker": "Dell"},
            {"edition": "Xfce", "image_used": "debian-13", "elapsed_min": 60.0, "elapsed_low_min": 52.0,
             "elapsed_high_min": 69.0, "hands_on_min": 30.0},
            [{"phase": "copy", "machine_min": 10.0}, {"phase": "updates", "machine_min": 12.0}], "version 1",
        )  # fmt: skip
        factor = float(np.exp(draw.normal(0, 0.1))) * (longer if number >= count // 2 else 1.0)
        book.add_jobs([
            Job(tag, f"2026-03-{1 + number // 4:02d}", elapsed_min=60 * factor,
                phases={"copy": 10.0 * factor, "updates": 12.0}),
        ])  # fmt: skip
    return book


def test_a_logged_unit_is_laid_beside_its_prediction_and_levels_follow(home):
    path = home / "bench_log.sqlite"
    with filled(path, 12) as book:
        jobs = [row[0] for row in book.rows("SELECT id FROM job")]
        line = learning_module.logged(book, jobs[-1:])
        assert "within the 52 to 69 predicted" in line or "outside the 52 to 69 predicted" in line
        levels = serving_model().levels
        elapsed = np.array([row[0] for row in book.rows("SELECT elapsed_min FROM job ORDER BY id")])
    missed = (elapsed < 52) | (elapsed > 69)
    # Equation (2) of Gibbs and Candès written out: every miss widens by 0.8 steps, every hit narrows by 0.2.
    assert levels == {"": pytest.approx(0.8 + 0.05 * (missed.sum() - 0.2 * len(missed)))}


def test_levels_widen_what_is_served(base):
    from dataclasses import replace

    kinds = np.array(["nvme", "emmc"], dtype=object)
    plain = base.log_widths(kinds)
    wider = replace(base, levels={"": 0.9, "nvme": 0.6}).log_widths(kinds)
    assert wider[1] > plain[1] and wider[0] < plain[0]
    assert np.allclose(replace(base, levels={"": 0.8}).log_widths(kinds), plain)
    assert np.isfinite(replace(base, levels={"": 1.05}).log_widths(kinds)).all()


def test_drift_names_since_when_and_the_phase(home):
    with filled(home / "bench_log.sqlite", 100, longer=1.3) as book:
        found = drift_of(book.path)
    assert found.drifting
    assert "2026-03-11" <= found.since <= "2026-03-15"
    assert found.over_pct == pytest.approx(30, abs=8)
    assert any(text.startswith("phase copy") and "longer" in text for text in found.phases)
    assert not any("updates" in text for text in found.phases)


def test_stopwatch_typed_and_imported_minutes_are_told_apart(home):
    with BenchLog(home / "bench_log.sqlite") as book:
        book.start("A", "copy", "2026-03-01T08:00:00.000Z")
        book.stop("A", "copy", "2026-03-01T08:10:00.000Z")
        book.add_jobs([
            Job("A", "2026-03-01", elapsed_min=60.0), Job("B", "2026-03-01", elapsed_min=60.0),
            Job("C", "2026-03-01", elapsed_min=60.0, source="old.csv"),
        ])  # fmt: skip
        found = rows_of(book).set_index("asset_tag")["minutes_from"]
    assert found.to_dict() == {"A": "stopwatch", "B": "typed", "C": "sheet"}


def test_a_log_that_is_no_file_or_lacks_columns(home, tmp_path):
    with pytest.raises(InputError, match="does not exist"):
        log_rows(tmp_path / "none.sqlite")
    (tmp_path / "odd.csv").write_text("colour,weight\nred,3\n")
    with pytest.raises(InputError, match="lacks the column"):
        learn_from(log_rows(tmp_path / "odd.csv"))
    with BenchLog(home / "bench_log.sqlite"):
        pass
    lesson = learn_from(log_rows(home / "bench_log.sqlite"))
    assert lesson.version == "" and "Nothing was learnt" in lines(lesson)[-1]
