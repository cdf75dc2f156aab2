"""The timing model looked at: its predictions of what it had not seen, by class, and what moves them."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from advisor import tables
from advisor.files import datasets, write_whole
from advisor.timing.predict import MEDIUM, MOVED, WAIT, Timing, scaled_minutes
from advisor.timing.rates import assumed
from advisor.timing.rehearsals import read_rehearsals, shipped
from advisor.timing.versions import serving_model

HELD_OUT_COLUMNS = ("split", "group", "speeds", "name", "disk", "actual_s", "predicted_s", "low_s", "high_s")

MEASURED, NOT_MEASURED = "measured", "not measured"
"""Whether the speeds of a unit were known when its rehearsal was predicted."""

INPUTS: dict[str, str] = {
    "decompress_mib_s": "unpacking speed [MiB/s]", "disk_read_mib_s": "disk read [MiB/s]",
    "disk_access_ms": "disk access [ms]", "link_mbps": "download [Mbit/s]", "installed_bytes": "installed [bytes]",
    "update_bytes": "updates [bytes]",
}  # fmt: skip
"""Conditions whose effect on the minutes is drawn."""

STEPS = 25
"""Points of a curve."""

SWUNG: dict[str, tuple[str, ...]] = {**MOVED, "decompress_at_one": ("decompress_mib_s",)}
"""Assumption to the conditions that it moves."""


def mark() -> str:
    """What the held-out predictions belong to: the rehearsals, and the model's own file."""
    digest = hashlib.sha256()
    for path in (shipped(), datasets() / "timing" / "model.json"):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


@cache
def held_out() -> pd.DataFrame:
    """Every rehearsal as predicted by a model that had not seen its group.

    Returns
    -------
    pandas.DataFrame
        Columns `HELD_OUT_COLUMNS`; as shipped, or made anew where rehearsals or model are other ones (half a minute).
    """
    about = tables.meta(datasets() / "timing" / "held_out.meta.toml")
    if about.get("made_for") == mark():
        frame = tables.load("timing/held_out").frame
        numbers = ["actual_s", "predicted_s", "low_s", "high_s"]
        return frame.assign(**{name: frame[name].astype(float) for name in numbers})
    return make_held_out()


def make_held_out() -> pd.DataFrame:
    """Predict every rehearsal anew, its group left out; see `held_out`."""
    from advisor.timing.report import OURS, WITHHELD, judge

    rows = judge(read_rehearsals()).rows
    rows = rows[rows["method"].isin([OURS, WITHHELD])]
    speeds = rows["method"].map({OURS: MEASURED, WITHHELD: NOT_MEASURED})
    return rows.assign(speeds=speeds)[list(HELD_OUT_COLUMNS)].reset_index(drop=True)


def by_class(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """How often the 80 % range held, and how far predictions missed, by class.

    Parameters
    ----------
    rows : pandas.DataFrame
        With actual, predicted, low and high, each ending alike in '_s' or '_min'.
    by : str
        Column to group by.

    Returns
    -------
    pandas.DataFrame
        class, units, covered_pct with covered_low_pct and covered_high_pct (95 % Wilson interval [1]_), miss_pct
        (median size), bias_pct (median); largest class first.

    References
    ----------
    .. [1] E. B. Wilson, Probable inference, the law of succession, and statistical inference, JASA 22 (1927), 209-212;
       computed by scipy.stats.binomtest.
    """
    from scipy.stats import binomtest

    end = "_s" if "actual_s" in rows else "_min"
    out = []
    for name, part in rows.groupby(by, sort=False, dropna=False):
        inside = int(part[f"actual{end}"].between(part[f"low{end}"], part[f"high{end}"]).sum())
        ends = binomtest(inside, len(part)).proportion_ci(method="wilson")
        error = 100 * (part[f"predicted{end}"] / part[f"actual{end}"] - 1)
        shares = (inside / len(part), ends.low, ends.high)
        out.append((str(name), len(part), *(100 * float(one) for one in shares), error.abs().median(), error.median()))
    names = ["class", "units", "covered_pct", "covered_low_pct", "covered_high_pct", "miss_pct", "bias_pct"]
    return pd.DataFrame(out, columns=names).sort_values("units", ascending=False, kind="stable", ignore_index=True)


def curves() -> pd.DataFrame:
    """What each input alone does to the machine's minutes, all others at the rehearsals' median.

    Returns
    -------
    pandas.DataFrame
        input, value, minutes [min]; within what was measured.
    """
    model, seen = serving_model(), read_rehearsals().conditions
    parts = []
    for name in INPUTS:
        values = np.geomspace(seen[name].min(), seen[name].max(), STEPS)
        table = pd.DataFrame([seen.median()] * STEPS, index=range(STEPS)).assign(**{name: values})
        seconds = model.seconds(table).sum(axis=1).to_numpy()
        parts.append(pd.DataFrame({"input": name, "value": values, "minutes": seconds / 60}))
    return pd.concat(parts, ignore_index=True)


def placed(timing: Timing) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Where units lie against what was measured.

    Returns
    -------
    units : pandas.DataFrame
        The conditions of the units that are timed, and `inside`: within what was measured.
    rehearsals : pandas.DataFrame
        The conditions measured.
    """
    usable = timing.conditions
    return usable.assign(inside=timing.note.loc[usable.index].eq("")), read_rehearsals().conditions


def swings(timing: Timing) -> pd.DataFrame:
    """How far each assumption moves the minutes of the units, from the end that a tenth lie below to that above.

    Returns
    -------
    pandas.DataFrame
        assumption, minutes (median over the units of the change from low to high [min]), source; largest first.
    """
    model, conditions, facts = serving_model(), timing.conditions.reset_index(drop=True), assumed()
    rows = []

    def total(names: tuple[str, ...], factor: float) -> np.ndarray:
        moved = conditions.assign(**{name: conditions[name] * factor for name in names if name in conditions})
        medium, wait = (factor if name in names else 1.0 for name in (MEDIUM, WAIT))
        return np.asarray(scaled_minutes(model, moved, medium, wait).sum(axis=1) * np.exp(model.log.level))

    for assumption, names in SWUNG.items():
        fact = facts[assumption]
        low, high = (total(names, end / fact.value) for end in (fact.low, fact.high))
        rows.append((assumption, float(np.median(np.abs(high - low))), fact.source))
    hands = (timing.hands_high_min - timing.hands_low_min).median()
    rows.append(("hands_on", 0.0 if pd.isna(hands) else float(hands), "operators' spread and a person's pace"))
    out = pd.DataFrame(rows, columns=["assumption", "minutes", "source"])
    return out.sort_values("minutes", ascending=False, kind="stable", ignore_index=True)


def main() -> None:
    """Write the held-out predictions that ship: python -m advisor.timing.review."""
    folder = datasets() / "timing"
    write_whole(folder / "held_out.csv", make_held_out().to_csv(index=False, float_format="%.2f"))
    meta = Path(folder / "held_out.meta.toml")
    lines = [
        f'made_for = "{mark()}"' if line.startswith("made_for") else line for line in meta.read_text().splitlines()
    ]
    write_whole(meta, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
