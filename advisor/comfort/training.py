"""Fit the comfort model's parts on measured sessions; sessions that were given up count as 'longer than that'.

rows = rows_of(pressed(sessions), "desktop")
cross_val_predict(StartTime(), rows.X, rows.y, groups=rows.X["edition"], cv=LeaveOneGroupOut())
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares
from sklearn.base import BaseEstimator, RegressorMixin, clone
from sklearn.linear_model import LogisticRegression
from sklearn.model_selection import LeaveOneGroupOut, cross_val_predict

from advisor.columns import numbers
from advisor.comfort.model import COEFFICIENTS, Kill, Load, Stage, UnitSpeeds
from advisor.editions.measured import BEGINS, anchor_mib_s, unhindered
from advisor.errors import InputError
from advisor.shop import Edition

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WRITTEN = {"desktop": "idle", "browser": "browser"}
"""A stage to its word in the table of sessions."""

# Where the search begins, and how far it may go: no coefficient is negative, and what is read cold comes over no
# faster than the disk reads.
_START = {"wait_s": 1.0, "work": 1.0, "transfer": 1.2, "near_ms": 2.0, "refault": 1.0, "start": 1.0, "overlap": 1.3}
_LEAST = {"wait_s": 0.0, "work": 0.0, "transfer": 1.0, "near_ms": 0.0, "refault": 0.0, "start": 0.0, "overlap": 1.0}
_MOST = {"wait_s": 30.0, "work": 5.0, "transfer": 5.0, "near_ms": 20.0, "refault": 60.0, "start": 2.0, "overlap": 4.0}

_BEGIN = (0.8, 1.1, 1.5)

TEXTS = {
    "release", "edition", "stage", "disk", "method", "ok", "note", "date", "plan", "cpus", "disturbed", "begins",
    "swap",
}  # fmt: skip
"""Columns of the table of sessions that are no numbers."""

AMPLE_PCT = 80
"""Quota [% of each core] from which on a thread alone is at most a quarter faster than two at once."""

LEAST_ROWS = 12
GIVEN_UP = "not there"

MACHINE = tuple(UnitSpeeds.__dataclass_fields__)
LOAD = tuple(Load.__dataclass_fields__)


@dataclass(frozen=True)
class Rows:
    """Measured rows of one stage."""

    # The fields of `Machine` and of `Load`, the latter of the edition's unhindered sessions: what the model will know
    # of a unit; then edition, memory, disk and plan, the groups to leave out, shape (n, any).
    X: pd.DataFrame
    # seconds, NaN where the stage was given up, and limit_s, when it was or would have been [s], shape (n, 2).
    y: pd.DataFrame

    def __len__(self) -> int:
        return len(self.y)

    @property
    def seconds(self) -> Array:
        """Time to the stage, NaN where it was given up [s]."""
        return self.y["seconds"].to_numpy(dtype=float)

    @property
    def limit_s(self) -> Array:
        """When it was, or would have been, given up [s]."""
        return self.y["limit_s"].to_numpy(dtype=float)

    @property
    def reached(self) -> Mask:
        """Where the stage was reached."""
        return ~np.isnan(self.seconds)

    def some(self, mask: Mask) -> Rows:
        """Rows of a mask."""
        return Rows(self.X[mask], self.y[mask])


class StartTime(RegressorMixin, BaseEstimator):
    """Seconds of one stage, by scikit-learn's conventions; fitted on logarithms, where a few odd rows weigh little.

    What remains was tried to be learnt (a level, powers, boosted steps, each only the better way); nested in leaving
    editions or memory sizes out it came no nearer, so physics stands alone.

    Parameters
    ----------
    ready : tuple of float
        What more cores are worth, `Stage.ready`; nothing is learnt of it.

    Attributes
    ----------
    stage_ : Stage
        Without held-out residuals.
    """

    def __init__(self, ready: tuple[float, ...] = ()) -> None:
        self.ready = ready

    def fit(self, X: pd.DataFrame, y: pd.DataFrame) -> StartTime:
        """Fit on `Rows.X` and `Rows.y`, or any rows of the two; too few are refused."""
        rows = Rows(X, y)
        if rows.reached.sum() < LEAST_ROWS:
            raise InputError(f"{rows.reached.sum()} measured sessions are too few to fit on; {LEAST_ROWS} are needed.")
        machine, load, reached = _machine(X), _load(X), rows.reached
        target = np.log(np.where(reached, rows.seconds, rows.limit_s))

        def remainder(values: Array) -> Array:
            off = np.log(_stage(values, self.ready).seconds(machine, load)) - target
            # Longer than the limit is no error for a row that was given up at it.
            return np.where(reached, off, np.minimum(off, 0))

        def search(start: float) -> OptimizeResult:
            begin = _START | {"start": start}
            return least_squares(
                remainder, [begin[name] for name in COEFFICIENTS], loss="soft_l1", f_scale=0.2,
                bounds=([_LEAST[name] for name in COEFFICIENTS], [_MOST[name] for name in COEFFICIENTS]),
                x_scale=[_START[name] for name in COEFFICIENTS],
            )  # fmt: skip

        # Where want of memory begins is a kink, which a search from one side may not see.
        best = min((search(start) for start in _BEGIN), key=lambda found: float(found.cost))
        self.stage_ = _stage(best.x, self.ready)
        return self

    def predict(self, X: pd.DataFrame) -> Array:
        """Seconds; shape (n,) [s]."""
        return self.stage_.seconds(_machine(X), _load(X))

    def score(self, X: pd.DataFrame, y: pd.DataFrame, sample_weight: Array | None = None) -> float:
        """Minus the median size of the relative error over the rows that were reached; the larger the better."""
        return -float(np.nanmedian(np.abs(self.predict(X) / y["seconds"].to_numpy(dtype=float) - 1)))


def _stage(values: Array, ready: tuple[float, ...]) -> Stage:
    wait_s, work, transfer, near_ms, refault, start, overlap = map(float, values)
    return Stage(wait_s, work, transfer, near_ms, refault, start, overlap, ready)


def _machine(X: pd.DataFrame) -> UnitSpeeds:
    return UnitSpeeds(*(X[name].to_numpy(dtype=float) for name in MACHINE))


def _load(X: pd.DataFrame) -> Load:
    return Load(*(X[name].to_numpy(dtype=float) for name in LOAD))


READY = ("ready_2", "ready_3", "ready_4")


def cores_of(sessions: pd.DataFrame, stage: str) -> tuple[float, ...]:
    """What more cores are worth, empty when not measured: mean shares of moments at which so many threads could run."""
    written = sessions["stage"].eq(WRITTEN[stage])
    counts = written & sessions["ready_2"].notna() & sessions["begins"].eq(BEGINS)
    some = sessions[counts & sessions["edition"].isin(list(Edition))]
    if some.empty:
        return ()
    values = some[list(READY)].apply(pd.to_numeric).astype(float)
    means = values.groupby(some["edition"]).mean().mean()
    return tuple(round(float(means[column]), 4) for column in READY)


def held_out_s(estimator: BaseEstimator, rows: Rows, way: str) -> Array:
    """Every row's seconds, predicted without any row of its group; shape (n,) [s]."""
    return np.asarray(
        cross_val_predict(clone(estimator), rows.X, rows.y, groups=rows.X[way], cv=LeaveOneGroupOut()), dtype=float
    )


def on_one_core(sessions: pd.DataFrame) -> pd.Series:
    """Which rows were measured under pressure on one core from the login screen on, disturbed or not."""
    return sessions["plan"].notna() & sessions["begins"].eq(BEGINS) & pd.to_numeric(sessions["cores"]).eq(1)


def pressed(sessions: pd.DataFrame) -> pd.DataFrame:
    """Rows of `on_one_core` that are not disturbed, as numbers.

    With the edition's own load beside: `work_mib`, `cold_mib`, `cold_reads`, `session_need_mib`, `browser_need_mib` of
    the unhindered sessions.
    """
    frame = _loaded(sessions, on_one_core(sessions))
    if frame.empty:
        raise InputError("The table comfort/sessions has no undisturbed session under pressure.")
    return frame


def on_more_cores(sessions: pd.DataFrame) -> pd.DataFrame:
    """The same of those on more cores, which no model is fitted on: what more are worth is counted on one.

    Quotas are over all cores, so that of a small one a thread alone has more than its core's: those are left out.
    """
    ample = pd.to_numeric(sessions["cores"]).gt(1) & pd.to_numeric(sessions["quota_pct"]).ge(AMPLE_PCT)
    return _loaded(sessions, sessions["begins"].eq(BEGINS) & ample)


def without_swap(sessions: pd.DataFrame) -> pd.DataFrame:
    """The same of the sessions that had no swap: what is killed there is slow where memory may be moved out."""
    return _loaded(sessions, sessions["swap"].isna())


def _loaded(sessions: pd.DataFrame, some: pd.Series) -> pd.DataFrame:
    free = unhindered(sessions)
    frame = sessions[sessions["plan"].notna() & sessions["disturbed"].isna() & some].reset_index(drop=True)
    for name in frame.columns.difference(list(TEXTS)):
        frame[name] = pd.to_numeric(frame[name]).astype(float)
    alone = free.reindex(pd.MultiIndex.from_frame(frame[["release", "edition"]]))
    desktop = frame["stage"].eq("idle").to_numpy(dtype=bool)

    def figure(name: str) -> Array:
        return numbers(alone[name])

    frame["work_mib"] = np.where(desktop, figure("desktop_cpu_s"), figure("browser_cpu_s")) * anchor_mib_s()
    frame["cold_mib"] = np.where(desktop, figure("desktop_read_mib"), figure("browser_read_mib"))
    frame["cold_reads"] = np.where(desktop, figure("desktop_reads"), figure("browser_reads"))
    frame["session_need_mib"], frame["browser_need_mib"] = figure("session_mib"), figure("browser_mib")
    return frame


def rows_of(frame: pd.DataFrame, stage: str) -> Rows:
    """Rows of `pressed` that tell of one stage's time: reached, or given up for time alone."""
    some = frame[frame["stage"].eq(WRITTEN[stage])]
    # A desktop whose process was killed has no time: that is the other model's.
    gone = some["seconds"].isna() & (some["note"].fillna("").str.contains(GIVEN_UP) | some["kills"].gt(0))
    some = some[~gone].reset_index(drop=True)
    sources = {
        "usable_mib": "memory_limit_mib", "decompress_mib_s": "decompress_mib_s", "read_mib_s": "disk_read_mib_s",
        "access_ms": "disk_access_ms", "work_mib": "work_mib", "read_mib": "cold_mib", "reads": "cold_reads",
        "need_mib": "session_need_mib" if stage == "desktop" else "browser_need_mib",
    }  # fmt: skip
    X = pd.DataFrame({name: some[source].astype(float) for name, source in sources.items()}).assign(
        cores=some["cores"].astype(float), edition=some["edition"].to_numpy(dtype=object), memory=_memory(some),
        disk=some["disk"].to_numpy(dtype=object), plan=some["plan"].to_numpy(dtype=object),
    )  # fmt: skip
    seconds = some["seconds"].astype(float).where(some["ok"].eq("yes"))
    return Rows(X, pd.DataFrame({"seconds": seconds, "limit_s": some["limit_s"].astype(float)}))


def _memory(some: pd.DataFrame) -> NDArray[np.object_]:
    return some["memory_limit_mib"].astype(int).astype(str).to_numpy(dtype=object)


def at_bound(stage: Stage) -> list[dict[str, str | float]]:
    """Coefficients where the search was not let any further: `coefficient`, `side` ('least' or 'most'), `bound`."""
    return [
        {"coefficient": name, "side": side, "bound": bounds[name]}
        for name in COEFFICIENTS
        for side, bounds in (("least", _LEAST), ("most", _MOST))
        # The search keeps a little inside its bounds, and the file keeps six figures.
        if abs(getattr(stage, name) - bounds[name]) < 1e-3 * _START[name]
    ]


def residuals(rows: Rows, predicted: Array) -> Array:
    """Logarithms of actual over predicted; for a row given up, of the limit over predicted: it is that or more."""
    return np.asarray(np.log(np.where(rows.reached, rows.seconds, rows.limit_s) / predicted))


def spread_of(values: Array, known: Mask) -> tuple[Array, Array]:
    """Distribution of values of which some are only known to be that or more, by the estimator of Kaplan and Meier.

    The known ones, rising, each once, and infinity at the end for the share that is not known to end; their weights.
    """
    from scipy.stats import CensoredData, ecdf

    cdf = ecdf(CensoredData(uncensored=values[known], right=values[~known])).cdf
    weights = np.diff(cdf.probabilities, prepend=0.0)
    rest = max(1.0 - float(weights.sum()), 0.0)
    found, weights = np.append(cdf.quantiles, math.inf), np.append(weights, rest if rest > 1e-12 else 0.0)
    return found[weights > 0], weights[weights > 0]


@dataclass(frozen=True)
class KillRows:
    """Whether sessions had a process killed, as arrays of one length."""

    room: Array  # Memory limit over what the stage takes [1], shape (n,)
    killed: Mask  # shape (n,)
    # edition, memory, disk, plan: shape (n,).
    edition: NDArray[np.object_]
    memory: NDArray[np.object_]
    disk: NDArray[np.object_]
    plan: NDArray[np.object_]


def kill_rows(frame: pd.DataFrame) -> KillRows:
    """Of `without_swap`, the sessions that tell of kills: that had one, or carried their whole load."""
    groups = frame.sort_values("stage", ascending=False).groupby("plan", sort=False)
    last = groups.last()
    killed = groups["kills"].max().gt(0)
    note = last["note"].fillna("")
    whole = last["stage"].eq("browser") & last["ok"].eq("yes") & ~note.str.contains("not at rest|pages shown")
    keep = killed | whole
    last, killed = last[keep], killed[keep]
    return KillRows(
        (last["memory_limit_mib"] / last["browser_need_mib"]).to_numpy(dtype=float), killed.to_numpy(dtype=bool),
        last["edition"].to_numpy(dtype=object), _memory(last), last["disk"].to_numpy(dtype=object),
        last.index.to_numpy(dtype=object),
    )  # fmt: skip


def fit_kill(room: Array, killed: Mask) -> Kill:
    """Probability of a kill by the logarithm of memory over need: a ridge-held logistic curve, which stands at the edge
    of what was measured when all sessions or none were killed.
    """
    x = np.log(room)
    if killed.all() or not killed.any():
        return Kill(float(np.exp(x.max() if killed.all() else x.min())), 4.0)
    fitted = LogisticRegression(C=10.0).fit(x[:, None], killed)
    slope = max(-float(fitted.coef_[0, 0]), 0.1)
    return Kill(float(np.exp(float(fitted.intercept_[0]) / slope)), slope)
