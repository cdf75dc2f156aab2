"""Fit the comfort model's parts on measured sessions; sessions that were given up count as 'longer than that'."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from advisor.comfort.model import COEFFICIENTS, DIRECTIONS, FEATURES, Kill, Load, Machine, Stage, features
from advisor.editions.measured import anchor_mib_s, unhindered
from advisor.errors import InputError
from advisor.timing.learnt import Additive, LearntPart

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

WRITTEN = {"desktop": "idle", "browser": "browser"}
"""A stage to its word in the table of sessions."""

# Where the search begins, and how far it may go: no coefficient is negative, and what is read cold comes over no
# faster than the disk reads.
_START = {"wait_s": 1.0, "work": 1.0, "transfer": 1.2, "access": 0.2, "refault": 1.0, "start": 1.0, "overlap": 1.3}
_LEAST = {"wait_s": 0.0, "work": 0.0, "transfer": 1.0, "access": 0.0, "refault": 0.0, "start": 0.0, "overlap": 1.0}
_MOST = {"wait_s": 30.0, "work": 5.0, "transfer": 5.0, "access": 3.0, "refault": 60.0, "start": 2.0, "overlap": 4.0}

_BEGIN = (0.8, 1.1, 1.5)

LEAST_ROWS = 12
GIVEN_UP = "not there"


@dataclass(frozen=True)
class Rows:
    """Measured rows of one stage, as arrays of one length.

    Attributes
    ----------
    machine : Machine
    load : Load
        Of the edition, from its unhindered sessions: what the model will know of a unit.
    seconds : numpy.ndarray, shape (n,)
        [s]; NaN where the stage was given up.
    limit_s : numpy.ndarray, shape (n,)
        When it was given up [s].
    edition, memory : numpy.ndarray of str, shape (n,)
        Groups to leave out.
    plan : numpy.ndarray of str, shape (n,)
    """

    machine: Machine
    load: Load
    seconds: Array
    limit_s: Array
    edition: NDArray[np.object_]
    memory: NDArray[np.object_]
    plan: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.seconds)

    @property
    def reached(self) -> Mask:
        """Where the stage was reached."""
        return ~np.isnan(self.seconds)

    def some(self, mask: Mask) -> Rows:
        """Rows of a mask."""
        cut = {name: getattr(self.machine, name)[mask] for name in Machine.__dataclass_fields__}
        load = {name: getattr(self.load, name)[mask] for name in Load.__dataclass_fields__}
        return Rows(
            Machine(**cut), Load(**load), self.seconds[mask], self.limit_s[mask], self.edition[mask],
            self.memory[mask], self.plan[mask],
        )  # fmt: skip


def pressed(sessions: pd.DataFrame) -> pd.DataFrame:
    """Take the rows measured under pressure that are not disturbed, as numbers, with the edition's own load beside.

    Parameters
    ----------
    sessions : pandas.DataFrame
        The table comfort/sessions, as text.

    Returns
    -------
    pandas.DataFrame
        With `work_mib`, `cold_mib`, `cold_reads`, `session_need_mib`, `browser_need_mib` of the unhindered sessions.
    """
    free = unhindered(sessions)
    frame = sessions[sessions["plan"].notna() & sessions["disturbed"].isna()].reset_index(drop=True)
    if frame.empty:
        raise InputError("The table comfort/sessions has no undisturbed session under pressure.")
    texts = {"release", "edition", "stage", "disk", "method", "ok", "note", "date", "plan", "cpus", "disturbed"}
    for name in frame.columns.difference(list(texts)):
        frame[name] = pd.to_numeric(frame[name]).astype(float)
    own = free.reindex(pd.MultiIndex.from_frame(frame[["release", "edition"]]))
    desktop = frame["stage"].eq("idle").to_numpy(dtype=bool)

    def figure(name: str) -> Array:
        return own[name].to_numpy(dtype=float, na_value=np.nan)

    frame["work_mib"] = np.where(desktop, figure("desktop_cpu_s"), figure("browser_cpu_s")) * anchor_mib_s()
    frame["cold_mib"] = np.where(desktop, figure("desktop_read_mib"), figure("browser_read_mib"))
    frame["cold_reads"] = np.where(desktop, figure("desktop_reads"), figure("browser_reads"))
    frame["session_need_mib"], frame["browser_need_mib"] = figure("session_mib"), figure("browser_mib")
    return frame


def rows_of(frame: pd.DataFrame, stage: str) -> Rows:
    """Rows of one stage that tell of its time: reached, or given up for time alone.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `pressed`.
    stage : str
        'desktop' or 'browser'.

    Returns
    -------
    Rows
    """
    some = frame[frame["stage"].eq(WRITTEN[stage])]
    # A desktop whose process was killed has no time: that is the other model's.
    gone = some["seconds"].isna() & (some["note"].fillna("").str.contains(GIVEN_UP) | some["kills"].gt(0))
    some = some[~gone]

    def column(title: str) -> Array:
        return some[title].to_numpy(dtype=float)

    need = "session_need_mib" if stage == "desktop" else "browser_need_mib"
    machine = Machine(
        column("memory_limit_mib"), column("decompress_mib_s"), np.ones(len(some)), column("disk_read_mib_s"),
        column("disk_access_ms"),
    )  # fmt: skip
    seconds = np.where(some["ok"].eq("yes"), column("seconds"), np.nan)
    load = Load(column("work_mib"), column("cold_mib"), column("cold_reads"), column(need))
    return Rows(
        machine, load, seconds, column("limit_s"),
        some["edition"].to_numpy(dtype=object), some["memory_limit_mib"].astype(int).astype(str).to_numpy(dtype=object),
        some["plan"].to_numpy(dtype=object),
    )  # fmt: skip


def fit_physics(rows: Rows) -> Stage:
    """Fit the coefficients of the physics, none negative, on logarithms; a few odd rows weigh little.

    Parameters
    ----------
    rows : Rows

    Returns
    -------
    Stage
        Without a learnt part.
    """
    target = np.log(np.where(rows.reached, rows.seconds, rows.limit_s))

    def remainder(values: Array) -> Array:
        stage = _stage(values)
        off = np.log(stage.physics_s(rows.machine, rows.load)) - target
        # Longer than the limit is no error for a row that was given up at it.
        return np.where(rows.reached, off, np.minimum(off, 0))

    def search(start: float) -> OptimizeResult:
        begin = _START | {"start": start}
        return least_squares(
            remainder, [begin[name] for name in COEFFICIENTS], loss="soft_l1", f_scale=0.2,
            bounds=([_LEAST[name] for name in COEFFICIENTS], [_MOST[name] for name in COEFFICIENTS]),
            x_scale=[max(_START[name], 0.1) for name in COEFFICIENTS],
        )  # fmt: skip

    # Where want of memory begins is a kink, which a search from one side may not see.
    best = min((search(start) for start in _BEGIN), key=lambda found: float(found.cost))
    return _stage(best.x)


def at_bound(stage: Stage) -> list[dict[str, str | float]]:
    """Coefficients that stand where the search was not let any further: what they would have been is not known.

    Parameters
    ----------
    stage : Stage

    Returns
    -------
    list of dict
        `coefficient`, `side` ('least' or 'most') and `bound`.
    """
    return [
        {"coefficient": name, "side": side, "bound": bounds[name]}
        for name in COEFFICIENTS
        for side, bounds in (("least", _LEAST), ("most", _MOST))
        # The search keeps a little inside its bounds, and the file keeps six figures.
        if abs(getattr(stage, name) - bounds[name]) < 1e-3 * max(_START[name], 0.1)
    ]


def _stage(values: Array) -> Stage:
    wait_s, work, transfer, access, refault, start, overlap = map(float, values)
    return Stage(wait_s, work, transfer, access, refault, start, overlap)


def fit_stage(rows: Rows, learn: bool = True, seed: int = 0) -> Stage:
    """Fit one stage: physics, then what remains, where leaving groups out says that learning it helps.

    Parameters
    ----------
    rows : Rows
    learn : bool
    seed : int

    Returns
    -------
    Stage
        Without held-out residuals.

    Raises
    ------
    InputError
        When there are too few rows.
    """
    if rows.reached.sum() < LEAST_ROWS:
        raise InputError(f"{rows.reached.sum()} measured sessions are too few to fit on; {LEAST_ROWS} are needed.")
    stage = fit_physics(rows)
    if not learn:
        return stage
    done = rows.some(rows.reached)
    left = np.log(done.seconds) - np.log(stage.physics_s(done.machine, done.load))
    part = LearntPart(FEATURES, DIRECTIONS, seed=seed, strengths=(10, 25))
    part.fit(np.column_stack(features(done.machine, done.load)), left, [list(done.edition), list(done.memory)])
    return replace(stage, learnt=part.model_ if part.model_.belief else Additive())


def predict(stage: Stage, rows: Rows) -> Array:
    """Seconds that a stage gives for rows.

    Parameters
    ----------
    stage : Stage
    rows : Rows

    Returns
    -------
    numpy.ndarray, shape (n,)
    """
    return stage.seconds(rows.machine, rows.load)


def held_out_s(rows: Rows, groups: NDArray[np.object_], learn: bool = True) -> Array:
    """Predict every row by a model that has seen no row of its group.

    Parameters
    ----------
    rows : Rows
    groups : numpy.ndarray of str, shape (n,)
    learn : bool

    Returns
    -------
    numpy.ndarray, shape (n,)
        [s]
    """
    out = np.full(len(rows), np.nan)
    for group in dict.fromkeys(groups):
        held = np.asarray(groups == group, dtype=bool)
        out[held] = predict(fit_stage(rows.some(~held), learn), rows.some(held))
    return out


def residuals(rows: Rows, predicted: Array) -> Array:
    """Logarithms of actual over predicted; for a row given up, of the limit over predicted: it is that or more.

    Parameters
    ----------
    rows : Rows
    predicted : numpy.ndarray, shape (n,)
        [s]

    Returns
    -------
    numpy.ndarray, shape (n,)
    """
    return np.asarray(np.log(np.where(rows.reached, rows.seconds, rows.limit_s) / predicted))


def spread_of(values: Array, known: Mask) -> tuple[Array, Array]:
    """Distribution of values of which some are only known to be that or more.

    Parameters
    ----------
    values : numpy.ndarray, shape (n,)
    known : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    values : numpy.ndarray, shape (m,)
        The known ones, rising, and infinity at the end when the largest of all is not known.
    weights : numpy.ndarray, shape (m,)
        Adding up to 1: the weight of each unknown one is shared out to all above it, which gives the estimator of
        Kaplan and Meier (Efron 1967, The two sample problem with censored data, section 7).
    """
    # Among equals what is known comes first.
    order = np.lexsort((~known, values))
    values, known = values[order], known[order]
    n = len(values)
    weights = np.full(n, 1 / n)
    for at in np.flatnonzero(~known):
        if at + 1 < n:
            weights[at + 1 :] += weights[at] / (n - at - 1)
            weights[at] = 0
    if n and not known[-1]:
        values[-1], known[-1] = math.inf, True
    return values[known], weights[known]


@dataclass(frozen=True)
class KillRows:
    """Whether sessions had a process killed, as arrays of one length.

    Attributes
    ----------
    room : numpy.ndarray, shape (n,)
        Memory limit over what the stage takes [1].
    killed : numpy.ndarray of bool, shape (n,)
    edition, memory, plan : numpy.ndarray of str, shape (n,)
    """

    room: Array
    killed: Mask
    edition: NDArray[np.object_]
    memory: NDArray[np.object_]
    plan: NDArray[np.object_]


def some_kills(rows: KillRows, mask: Mask) -> KillRows:
    """Rows of a mask.

    Parameters
    ----------
    rows : KillRows
    mask : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    KillRows
    """
    return KillRows(**{name: getattr(rows, name)[mask] for name in KillRows.__dataclass_fields__})


def kill_rows(frame: pd.DataFrame) -> KillRows:
    """Take the sessions that tell of kills: those that had one, and those that carried their whole load without.

    Parameters
    ----------
    frame : pandas.DataFrame
        From `pressed`.

    Returns
    -------
    KillRows
        A row a session.
    """
    groups = frame.sort_values("stage", ascending=False).groupby("plan", sort=False)
    last = groups.last()
    killed = groups["kills"].max().gt(0)
    note = last["note"].fillna("")
    whole = last["stage"].eq("browser") & last["ok"].eq("yes") & ~note.str.contains("not at rest|pages shown")
    keep = killed | whole
    last, killed = last[keep], killed[keep]
    return KillRows(
        (last["memory_limit_mib"] / last["browser_need_mib"]).to_numpy(dtype=float), killed.to_numpy(dtype=bool),
        last["edition"].to_numpy(dtype=object),
        last["memory_limit_mib"].astype(int).astype(str).to_numpy(dtype=object),
        last.index.to_numpy(dtype=object),
    )  # fmt: skip


def fit_kill(rows: KillRows) -> Kill:
    """Fit the probability of a kill on the logarithm of memory over need: a ridge-held logistic curve.

    Parameters
    ----------
    rows : KillRows

    Returns
    -------
    Kill
        When all sessions or none were killed, the curve stands at the edge of what was measured.
    """
    from sklearn.linear_model import LogisticRegression

    x = np.log(rows.room)
    if rows.killed.all() or not rows.killed.any():
        edge = float(np.exp(x.max() if rows.killed.all() else x.min()))
        return Kill(edge, 4.0)
    fitted = LogisticRegression(C=10.0).fit(x[:, None], rows.killed)
    slope = max(-float(fitted.coef_[0, 0]), 0.1)
    return Kill(float(np.exp(float(fitted.intercept_[0]) / slope)), slope)
