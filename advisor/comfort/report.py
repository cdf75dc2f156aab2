"""How well the comfort model does on sessions it has not seen: python -m advisor.comfort.report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.model_selection import LeaveOneGroupOut

from advisor import tables
from advisor.comfort import training
from advisor.comfort.model import STAGES, Stage
from advisor.comfort.model import model as serving
from advisor.comfort.physics import physics
from advisor.comfort.training import Rows
from advisor.shop import Thresholds

Array = NDArray[np.float64]
LEVEL = 0.8
TITLES = {
    "edition": "an edition never trained on", "memory": "a memory size never trained on",
    "disk": "a disk never trained on",
}  # fmt: skip
WAYS = tuple(TITLES)


@dataclass(frozen=True)
class HeldOut:
    """One stage, with one way of leaving groups out."""

    stage: str
    way: str
    rows: Rows
    predicted: Array  # Each by a model that has seen no row of its group [s], shape (n,)
    bound: Array  # Upper bound at `LEVEL`, from the held-out rows of the other groups [s], shape (n,)
    baselines: dict[str, Array]  # [s], shape (n,)

    def error(self, predicted: Array) -> float:
        """Median size of the error, of the actual, over the rows that were reached [1]."""
        done = self.rows.reached
        return float(np.median(np.abs(predicted[done] - self.rows.seconds[done]) / self.rows.seconds[done]))

    def figures(self) -> dict[str, Any]:
        """What is said of it, as plain numbers."""
        done = self.rows.reached
        given_up = ~done
        informative = done | (self.bound < self.rows.limit_s)
        return {
            "rows": len(self.rows),
            "reached": int(done.sum()),
            "median_error": round(self.error(self.predicted), 4),
            "baselines": {name: round(self.error(values), 4) for name, values in self.baselines.items()},
            # One given up whose bound is beyond the limit may have been within it or not.
            "within_bound": round(float(np.mean(self.rows.seconds[informative] <= self.bound[informative])), 4),
            "told": int(informative.sum()),
            "within_bound_reached": round(float(np.mean(self.rows.seconds[done] <= self.bound[done])), 4),
            "given_up": int(given_up.sum()),
            "given_up_foreseen": int((self.bound[given_up] >= self.rows.limit_s[given_up]).sum()),
        }


def held_out(rows: Rows, stage: str, way: str, ready: tuple[float, ...] = ()) -> HeldOut:
    """Judge one stage.

    Parameters
    ----------
    way : str
        One of `WAYS`.
    """
    predicted = training.held_out_s(training.StartTime(ready), rows, way)
    left, reached = training.residuals(rows, predicted), rows.reached
    work = (rows.X["work_mib"] / rows.X["decompress_mib_s"]).to_numpy(dtype=float)
    bound, middle, by_work = (np.full(len(rows), np.nan) for _ in range(3))
    for train, test in LeaveOneGroupOut().split(rows.X, groups=rows.X[way]):
        values, weights = training.spread_of(left[train], reached[train])
        spread = Stage(0, 0, 0, 0, 0, 0, residuals=values.tolist(), weights=weights.tolist())
        bound[test] = predicted[test] * spread.factor(LEVEL)
        others = train[reached[train]]
        middle[test] = np.median(rows.seconds[others])
        by_work[test] = work[test] * np.median(rows.seconds[others] / work[others])
    baselines = {"median of the others": middle, "processor work alone": by_work}
    return HeldOut(stage, way, rows, predicted, bound, baselines)


def killed_called_comfortable(frame: pd.DataFrame, judged: dict[tuple[str, str], HeldOut], way: str) -> tuple[int, int]:
    """Count held-out sessions that had a process killed, and those called comfortable by the default thresholds."""
    limits, p = Thresholds(), physics()
    kills = training.kill_rows(frame)
    fuller = p.fuller(limits.certainty)
    called = 0
    for train, test in LeaveOneGroupOut().split(kills.room, groups=getattr(kills, way)):
        curve = training.fit_kill(kills.room[train], kills.killed[train])
        for at in test[kills.killed[test]]:
            room = kills.room[at] / fuller
            likely = float(curve.probability(np.array(room), np.array(1.0)))
            left = 100 * (1 - 1 / room)
            # A plan whose desktop was killed has no time: nothing but memory speaks against it.
            times = all(
                (one.bound[one.rows.X["plan"].eq(kills.plan[at]).to_numpy()] <= limit).all()
                for one, limit in (
                    (judged["desktop", way], limits.desktop_s), (judged["browser", way], limits.browser_s),
                )
            )  # fmt: skip
            called += times and likely <= 1 - limits.certainty and left >= limits.memory_left_pct
    return int(kills.killed.sum()), int(called)


def judge(sessions: pd.DataFrame) -> dict[str, Any]:
    """Judge the model on all ways of leaving out.

    Parameters
    ----------
    sessions : pandas.DataFrame
        The table comfort/sessions.

    Returns
    -------
    dict
        `stages` (stage, way, figures), `both` (median error over both stages, by way), `killed` (by way),
        `rows` (counts), `residuals` (held-out, by stage: values and weights).
    """
    frame, without_swap = training.pressed(sessions), training.without_swap(sessions)
    judged: dict[tuple[str, str], HeldOut] = {}
    for stage in STAGES:
        rows, ready = training.rows_of(frame, stage), training.cores_of(sessions, stage)
        judged |= {(stage, way): held_out(rows, stage, way, ready) for way in WAYS}
    out: dict[str, Any] = {"stages": [], "both": {}, "killed": {}}
    for (stage, way), one in judged.items():
        out["stages"].append({"stage": stage, "left_out": way, **one.figures()})
    for way in WAYS:
        errors = [
            np.abs(one.predicted - one.rows.seconds)[one.rows.reached] / one.rows.seconds[one.rows.reached]
            for (_, this), one in judged.items()
            if this == way
        ]
        out["both"][way] = round(float(np.median(np.concatenate(errors))), 4)
        killed, called = killed_called_comfortable(without_swap, judged, way)
        out["killed"][way] = {"sessions": killed, "called_comfortable": called}
    out["more_cores"] = more_cores(sessions)
    out["rows"] = {
        "points": len(frame),
        "sessions": int(frame["plan"].nunique()),
        "disturbed_points_left_out": int((training.on_one_core(sessions) & sessions["disturbed"].notna()).sum()),
    }
    out["residuals"] = {}
    for stage in STAGES:
        both = [judged[stage, way] for way in WAYS]
        left = np.concatenate([training.residuals(one.rows, one.predicted) for one in both])
        out["residuals"][stage] = training.spread_of(left, np.concatenate([one.rows.reached for one in both]))
    return out


def more_cores(sessions: pd.DataFrame) -> dict[str, float]:
    """How sessions on more than one core went, which nothing is fitted on, beside what is predicted of them.

    Parameters
    ----------
    sessions : pandas.DataFrame
        The table comfort/sessions.

    Returns
    -------
    dict
        `points`, `median_error` [1], `measured_over_predicted` (its median) [1]; the last two NaN without points.
    """
    frame, fitted_on = training.on_more_cores(sessions), training.pressed(sessions)
    ratios = []
    for stage in STAGES:
        rows, learnt = training.rows_of(frame, stage), training.rows_of(fitted_on, stage)
        if len(rows):
            model = training.StartTime(training.cores_of(sessions, stage)).fit(learnt.X, learnt.y)
            ratios.append((rows.seconds / model.predict(rows.X))[rows.reached])
    found = np.concatenate(ratios) if ratios else np.zeros(0)
    middle = (float(np.median(one)) if found.size else float("nan") for one in (np.abs(1 / found - 1), found))
    return {"points": found.size} | dict(zip(("median_error", "measured_over_predicted"), middle, strict=True))


def lines(found: dict[str, Any]) -> list[str]:
    """The judgement in words.

    Parameters
    ----------
    found : dict
        From `judge`.
    """
    rows = found["rows"]
    text_lines = [
        f"{rows['points']} points measured under pressure in {rows['sessions']} sessions; "
        f"{rows['disturbed_points_left_out']} disturbed ones left out"
    ]
    for one in found["stages"]:
        base = ", ".join(f"{name} {100 * value:.0f} %" for name, value in one["baselines"].items())
        text_lines.append(
            f"{one['stage']}, {TITLES[one['left_out']]}: median error {100 * one['median_error']:.1f} % of "
            f"{one['reached']} (beside it: {base}); {100 * one['within_bound']:.0f} % of {one['told']} within the "
            f"{100 * LEVEL:.0f} % bound; given up {one['given_up']}, foreseen {one['given_up_foreseen']}"
        )
    for way in WAYS:
        killed = found["killed"][way]
        text_lines.append(
            f"{TITLES[way]}: median error {100 * found['both'][way]:.1f} % over both; sessions with a kill "
            f"{killed['sessions']}, called comfortable {killed['called_comfortable']}"
        )
    more = found["more_cores"]
    text_lines.append(
        f"on more cores, which nothing is fitted on: median error {100 * more['median_error']:.1f} % of "
        f"{more['points']}, the median took {more['measured_over_predicted']:.2f} times what is predicted"
    )
    return text_lines


_MEANING = {
    "wait_s": "seconds that no machine shortens", "work": "processor work", "transfer": "bytes read cold",
    "near_ms": "waits for a read near the one before", "refault": "reading again for want of memory",
    "start": "the memory below which there is want", "overlap": "overlap of processor and disk",
}  # fmt: skip


def bounds_line(at_bound: Sequence[Mapping[str, Any]]) -> str:
    """What of the model stands at the edge of what its fit allows, in one sentence."""
    if not at_bound:
        return "no coefficient stands at the edge of what the fit allows"
    parts = [
        f"{one['stage']}, {_MEANING[one['coefficient']]} ({one['coefficient']}) at the {one['side']}, {one['bound']:g}"
        for one in at_bound
    ]
    again = [one["stage"] for one in at_bound if (one["coefficient"], one["side"]) == ("refault", "most")]
    slower = f"; with far too little memory a {' or a '.join(again)} may take longer still than said" if again else ""
    return f"at the edge of what the fit allows: {'; '.join(parts)}{slower}"


def main() -> None:
    """Print how the model does, and what of the one that ships stands at a bound."""
    for line in lines(judge(tables.load("comfort/sessions").frame)):
        print(line)
    print(f"The model that ships, {bounds_line(serving().about['at_bound'])}")


if __name__ == "__main__":
    main()
