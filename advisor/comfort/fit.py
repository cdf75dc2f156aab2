"""Fit the comfort model on the measured sessions: python -m advisor.comfort.fit."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd

from advisor import tables
from advisor.comfort import report, training
from advisor.comfort.model import FORMAT, STAGES, Model, Stage
from advisor.files import datasets, write_whole
from advisor.timing.kept import plain


def fit(sessions: pd.DataFrame) -> Model:
    """Fit the whole model and judge it.

    Parameters
    ----------
    sessions : pandas.DataFrame
        The table comfort/sessions.

    Returns
    -------
    Model
        Its `about` has the held-out figures.

    Raises
    ------
    advisor.errors.InputError
        When too little was measured.
    """
    frame = training.pressed(sessions)
    found = report.judge(sessions)
    stages: dict[str, Stage] = {}
    for stage in STAGES:
        rows = training.rows_of(frame, stage)
        fitted = training.StartTime(training.cores_of(sessions, stage)).fit(rows.X, rows.y).stage_
        values, weights = found["residuals"][stage]
        stages[stage] = replace(fitted, residuals=values, weights=weights)
    kills = training.kill_rows(training.without_swap(sessions))
    kill = training.fit_kill(kills.room, kills.killed)

    def span(name: str) -> tuple[float, float]:
        return float(frame[name].min()), float(frame[name].max())

    measured = {
        "decompress_mib_s": span("decompress_mib_s"), "read_mib_s": span("disk_read_mib_s"),
        "access_ms": span("disk_access_ms"), "memory_mib": span("memory_limit_mib"), "cores": span("cores"),
    }  # fmt: skip
    about = {name: value for name, value in found.items() if name != "residuals"}
    bounds = [{"stage": name, **one} for name, stage in stages.items() for one in training.at_bound(stage)]
    about |= {"date": str(date.today()), "release": "13", "words": report.lines(found), "at_bound": bounds}
    return Model(stages, kill, measured, about)


def write_model(model: Model, path: Path) -> None:
    """Write a model file, whole or not at all."""
    parts = {name: getattr(model, name) for name in ("about", "measured", "kill", "stages")}
    write_whole(path, json.dumps(plain({"format": FORMAT, **parts}, 6), indent=1, allow_nan=False) + "\n")


def main() -> None:
    """Fit, write, and print the held-out figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=datasets() / "comfort" / "model.json")
    given = parser.parse_args()
    model = fit(tables.load("comfort/sessions").frame)
    write_model(model, given.out)
    for name, stage in model.stages.items():
        print(
            f"{name}: {stage.wait_s:.2f} s + {stage.work:.2f} x work + {stage.transfer:.2f} x MiB / rate + "
            f"requests of {stage.near_ms:.2f} ms, again {stage.refault:.2f} times below {stage.start:.2f} of need; "
            f"80 % within {stage.factor(0.8):.2f} times; cores {stage.ready}"
        )
    print(f"kills: even at memory of {model.kill.middle:.2f} times the need, slope {model.kill.slope:.1f}")
    print("\n".join(model.about["words"]))
    print(report.bounds_line(model.about["at_bound"]))


if __name__ == "__main__":
    main()
