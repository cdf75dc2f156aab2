"""Judging the timing model: whole groups left out, beside simple baselines, as frames and as plain text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.compose import TransformedTargetRegressor
from sklearn.dummy import DummyRegressor
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.linear_model import LinearRegression
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict, cross_validate
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from advisor.phrases import counted
from advisor.timing.conditions import CONDITIONS, KINDS, MEASURED_PHASES
from advisor.timing.conformal import LEVEL
from advisor.timing.fitting import InstallTime, groups_of, left_out, refuse_few
from advisor.timing.model import disk_class
from advisor.timing.rates import assumed
from advisor.timing.rehearsals import Rehearsals

Array = NDArray[np.float64]

SPLIT_TITLES: dict[str, str] = {
    "disk": "a class of disk left out",
    "edition": "an edition left out",
    "processor": "a level of processor left out",
}

OURS = "this model"
WITHHELD = "this model, speeds withheld"
BASELINES: tuple[str, ...] = ("mean", "linear, raw columns", "boosted trees alone")

SPEED_CLASS_STEP = 1.5
"""Ratio between neighbouring classes of processor speed, when only the class is known."""


@dataclass(frozen=True)
class ModelReport:
    """What judging found."""

    # A row a split, method and rehearsal: split, group, method, name, disk, actual_s, predicted_s, low_s, high_s.
    rows: pd.DataFrame
    # A row a split and method: rehearsals, median_pct, worst_pct (sizes of relative error), bias_pct (median signed),
    # coverage_pct, width_factor (typical high over low; the last two NaN for baselines).
    summary: pd.DataFrame
    groups: pd.DataFrame  # This model's figures by split and group left out
    # The same by split and kind of installer, and by split and class of disk (`advisor.timing.model.disk_class`).
    kinds: pd.DataFrame
    classes: pd.DataFrame
    # A row a phase: share_pct of the machine seconds, and median_pct, the size of its error with a class of disk left
    # out.
    phases: pd.DataFrame
    # A row a set of repeats: name, repeats, spread_pct (standard deviation of the log total), phases apart.
    noise: pd.DataFrame
    basis: str

    @property
    def noise_floor_pct(self) -> float:
        """Typical relative difference between two runs of the same rehearsal [%]; NaN without repeats."""
        if self.noise.empty:
            return float("nan")
        weights = self.noise["repeats"].to_numpy() - 1
        pooled = np.sqrt((self.noise["spread_pct"].to_numpy() ** 2 * weights).sum() / weights.sum())
        return float(pooled)


def baseline_models() -> dict[str, Any]:
    """Regressors of the total on the raw conditions, by name."""
    trees = HistGradientBoostingRegressor(
        max_iter=200, max_leaf_nodes=8, min_samples_leaf=5, early_stopping=False, random_state=0
    )
    on_logs = TransformedTargetRegressor(trees, func=np.log, inverse_func=np.exp)
    return dict(zip(BASELINES, (DummyRegressor(), LinearRegression(), on_logs), strict=True))


def withhold(data: Rehearsals) -> pd.DataFrame:
    """Conditions as known of a unit that was not measured: no measured speeds, cpu_speed in the middle of its class."""
    relative = data.conditions["decompress_mib_s"].to_numpy(dtype=float) / assumed()["decompress_at_one"].value
    middle = SPEED_CLASS_STEP ** np.round(np.log(relative) / np.log(SPEED_CLASS_STEP))
    edge = np.sqrt(SPEED_CLASS_STEP)
    return data.conditions.assign(
        decompress_mib_s=np.nan, disk_read_mib_s=np.nan, disk_access_ms=np.nan,
        storage_kind=data.labels["storage_kind"].to_numpy(), cpu_speed=middle, cpu_speed_low=middle / edge,
        cpu_speed_high=middle * edge,
    )  # fmt: skip


def judge(data: Rehearsals, *, basis: str = "") -> ModelReport:
    """Judge the model on rehearsals, leaving out whole groups.

    Parameters
    ----------
    basis : str
        What the serving model rests on, to be printed.

    Returns
    -------
    ModelReport
        Every figure is of rehearsals whose group the model, its choices and its half-widths had not seen.
    """
    own = data.take(data.modelled)
    refuse_few(own)
    X, y, withheld = data.X, data.y, withhold(data)
    pieces: list[pd.DataFrame] = []
    with threadpool_limits(1):
        for split in SPLIT_TITLES:
            groups = groups_of(data.labels[split])
            frame = pd.DataFrame({
                "split": split, "group": groups, "name": data.labels["name"], "disk": data.labels["disk"],
                "installer": data.labels["installer"], "class": disk_class(data.conditions), "actual_s": data.total,
            })  # fmt: skip
            folds = cross_validate(
                InstallTime(widths=True), X, y, return_estimator=True, return_indices=True,
                cv=left_out(groups, data.modelled),
            )  # fmt: skip
            models = [
                (one.model_, test) for one, test in zip(folds["estimator"], folds["indices"]["test"], strict=True)
            ]
            for method, conditions in ((OURS, X), (WITHHELD, withheld)):
                out = pd.concat(
                    [model.predict_conditions(conditions.iloc[test]) for model, test in models]
                ).sort_index()
                ends = {"predicted_s": out["total_s"], "low_s": out["low_s"], "high_s": out["high_s"]}
                pieces.append(frame.loc[out.index].assign(method=method, **ends))
            if split == "disk":
                seconds = pd.concat([model.seconds(X.iloc[test]) for model, test in models]).sort_index()
            for method, baseline in baseline_models().items():
                total = cross_val_predict(
                    baseline, own.conditions[[*CONDITIONS, *KINDS]].to_numpy(), own.total,
                    groups=groups[data.modelled], cv=LeaveOneGroupOut(),
                )  # fmt: skip
                # A straight line goes below zero; no install does.
                total = np.maximum(total, own.total.min() / 10)
                pieces.append(
                    frame[data.modelled].assign(method=method, predicted_s=total, low_s=np.nan, high_s=np.nan)
                )
    rows = pd.concat(pieces, ignore_index=True)
    ours = rows[rows["method"] == OURS]
    by = {name: _summary(ours, ["split", name], sort=True) for name in ("group", "installer", "class")}
    return ModelReport(
        rows, _summary(rows, ["split", "method"]), by["group"], by["installer"], by["class"],
        _by_phase(data.phases[data.modelled], seconds), noise(own), basis,
    )  # fmt: skip


def _by_phase(actual: pd.DataFrame, predicted: pd.DataFrame) -> pd.DataFrame:
    """Each phase's share of the machine seconds and median error, where a kind of installer has it."""
    has = actual > 0
    shares = actual.div(actual.sum(axis=1), axis=0)
    errors = predicted.div(actual.where(has)).sub(1).abs()
    return pd.DataFrame({
        "phase": list(MEASURED_PHASES), "share_pct": 100 * shares[list(MEASURED_PHASES)].mean().to_numpy(),
        "median_pct": 100 * errors[list(MEASURED_PHASES)].median().to_numpy(),
    })  # fmt: skip


def _summary(rows: pd.DataFrame, by: list[str], sort: bool = False) -> pd.DataFrame:
    """Errors and coverage by groups, sorted or in the order they first come."""
    work = rows.assign(
        error=100 * (rows["predicted_s"] / rows["actual_s"] - 1),
        inside=((rows["actual_s"] >= rows["low_s"]) & (rows["actual_s"] <= rows["high_s"])).where(
            rows["low_s"].notna()
        ),
        width=rows["high_s"] / rows["low_s"],
    )
    work["size"] = work["error"].abs()
    grouped = work.groupby(by, sort=sort)
    return grouped.agg(
        rehearsals=("error", "size"), median_pct=("size", "median"), worst_pct=("size", "max"),
        bias_pct=("error", "median"),
        coverage_pct=("inside", lambda inside: 100 * inside.astype(float).mean()),
        width_factor=("width", "median"),
    ).reset_index()  # fmt: skip


def noise(data: Rehearsals) -> pd.DataFrame:
    """How far repeats of one rehearsal differ.

    Returns
    -------
    pandas.DataFrame
        A row a set of repeats: name, repeats, spread_pct (standard deviation of the log total), and likewise a
        column a phase.
    """
    names = data.labels["name"].astype(str)
    source = data.labels["repeat_of"].astype(str)
    key = source.where(source != "", names)
    logs = data.phases.clip(lower=1e-3).assign(total=data.total).apply(np.log)
    rows = []
    for name, part in logs.groupby(key.to_numpy()):
        if len(part) > 1:
            spread = 100 * part.std(ddof=1)
            rows.append({"name": name, "repeats": len(part), "spread_pct": spread["total"], **spread.drop("total")})
    return pd.DataFrame(rows, columns=["name", "repeats", "spread_pct", *MEASURED_PHASES])


_SHOWN = ("rehearsals", "median_pct", "worst_pct", "coverage_pct")


def lines(report: ModelReport) -> list[str]:
    """The report as plain text."""
    out = ["How good the times are, " + (report.basis or "on the rehearsals given"), ""]
    out.append("Machine time of rehearsals whose whole group was left out of fitting, choosing and calibrating.")
    out.append(f"'covered' is how many lie in the {LEVEL:.0%} interval; 'wide' is its upper end over its lower.")
    for split, title in SPLIT_TITLES.items():
        part = report.summary[report.summary["split"] == split]
        count = int(part["rehearsals"].iloc[0]) if len(part) else 0
        out += ["", f"{title[0].upper()}{title[1:]} ({count} rehearsals)"]
        out.append(f"  {'':<30}{'median':>9}{'worst':>9}{'bias':>9}{'covered':>9}{'wide':>8}")
        for row in part.to_dict("records"):
            out.append(
                f"  {row['method']:<30}{row['median_pct']:8.1f}%{row['worst_pct']:8.0f}%{row['bias_pct']:+8.1f}%"
                + (f"{row['coverage_pct']:8.0f}%{row['width_factor']:7.2f}x" if row["width_factor"] > 0 else "")
            )
    for title, table in (
        ("the group left out", report.groups), ("kind of installer", report.kinds), ("class of disk", report.classes),
    ):  # fmt: skip
        out += ["", f"By {title} (this model)"]
        for split, name, *figures in table[["split", table.columns[1], *_SHOWN]].itertuples(index=False):
            count, median, worst, coverage = figures
            out.append(
                f"  {f'{split} {name}':<36}{count:>4} rehearsals"
                f"{median:8.1f}% median{worst:7.0f}% worst{coverage:6.0f}% covered"
            )
    out += ["", "Where the machine minutes go"]
    for row in report.phases.to_dict("records"):
        out.append(f"  {row['phase']:<10}{row['share_pct']:6.1f}% of the time{row['median_pct']:8.1f}% median error")
    out.append("")
    if report.noise.empty:
        out.append("Noise floor: not known, no rehearsal was repeated.")
    else:
        out.append(
            f"Noise floor: repeats differ by {report.noise_floor_pct:.1f}% (standard deviation, "
            f"{int(report.noise['repeats'].sum())} runs of {counted(len(report.noise), 'rehearsal')})."
        )
    return out
