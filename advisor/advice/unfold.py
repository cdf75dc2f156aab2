"""The hands-on minutes of a unit unfolded into steps, for a newcomer at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from advisor.advice.printable import clean

if TYPE_CHECKING:
    from advisor.advice.batch import Batch


def step_lines(batch: Batch, row: int) -> list[str]:
    """The steps of each phase of a unit, with seconds and operators.

    Parameters
    ----------
    row : int
        Position of the unit.

    Returns
    -------
    list of str
        A unit that is not prepared has one line that says so.
    """
    case, timing, tag = int(batch.case[row]), batch.timing, clean(batch.tags[row])
    of_case = timing.steps[timing.steps["row"].eq(case)]
    if of_case.empty:
        return [f"{tag}: nothing is installed, so there are no steps."]
    hands, low, high = (
        float(getattr(timing, name).iloc[case]) for name in ("hands_on_min", "hands_low_min", "hands_high_min")
    )
    lines = [f"{tag}: {hands:.0f} min hands-on, {low:.0f} to {high:.0f} in 8 of 10"]
    phases = timing.phases[timing.phases["row"].eq(case)].astype({"phase": "string"}).set_index("phase")
    for phase, steps in of_case.groupby("phase", sort=False):
        phase_row = phases.loc[str(phase)]
        lines.append(f"{phase_row['title']}: {phase_row['hands_on_min']:.1f} min")
        if phase == "prepare" and (fit := _fitting(batch, case)):
            lines.append(f"  {fit}")
        for step in steps.to_dict("records"):
            lines.append(f"  [ ] {step['step']}: {step['seconds']:.0f} s ({step['operators']})")
            lines += [f"      type: {step['typed']}"] if step["typed"] else []
        if (waits := phase_row["hands_on_min"] - steps["seconds"].sum() / 60) >= WAIT_SHOWN and phase != "prepare":
            lines.append(f"      stand by while the machine works: {60 * waits:.0f} s")
    return lines


WAIT_SHOWN = 0.1
"""Standing by for less than this is not told [min]; minutes are rounded to a tenth."""


def _fitting(batch: Batch, case: int) -> str:
    """The parts to be fitted and their minutes, '' for none."""
    option = batch.cases.rows[case]
    parts = ", ".join(part.change for part in batch.cases.parts_of(case))
    return f"[ ] Fit {parts}: {option['fit_min']:.1f} min, opening and closing included" if parts else ""
