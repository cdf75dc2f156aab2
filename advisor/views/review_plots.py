"""Pictures of the models, each from one public function; the numbers come from the rooms that hold them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib import rc_context
from matplotlib.ticker import MaxNLocator

from advisor.phrases import spelt
from advisor.timing import review
from advisor.unit import StorageKind
from advisor.views.plots import DO, GOOD, INK, LINE, STYLE, WARN, Picture, axes, bars, plain_log

if TYPE_CHECKING:
    from advisor.advice import Batch

DISKS: dict[str, str] = {
    StorageKind.NVME: "o", StorageKind.SATA_SSD: "s", StorageKind.EMMC: "^", StorageKind.HDD: "D",
    StorageKind.HYBRID: "v",
}  # fmt: skip
"""Marker of each class of disk."""


@rc_context(STYLE)
def scatter(rows: pd.DataFrame | None = None) -> Picture:
    """Predicted against actual, each unit with its 80 % range.

    Parameters
    ----------
    rows : pandas.DataFrame, optional
        As `advisor.benchlog.compare.compare` gives it; the rehearsals, their class of disk left out, when left out.
    """
    what = "units of the log"
    if rows is None:
        what = "measured installs, predicted by a model that had not seen their class of disk"
        rows = review.held_out().query("split == 'disk' and speeds == 'measured'")
        rows = rows.rename(columns=lambda name: name.replace("_s", "_min") if name.endswith("_s") else name)
        rows = rows.assign(**{name: rows[name] / 60 for name in ("actual_min", "predicted_min", "low_min", "high_min")})
    rows = rows.rename(columns={"storage_kind": "disk"})
    figure, one = axes(high=3.6)
    ends = [rows["actual_min"].min() * 0.8, rows["high_min"].max() * 1.1] if len(rows) else [1, 100]
    one.plot(ends, ends, color=INK, linewidth=1, linestyle="--")
    one.vlines(rows["actual_min"], rows["low_min"], rows["high_min"], color=LINE, linewidth=2)
    for disk, part in rows.groupby("disk"):
        minutes = part["actual_min"], part["predicted_min"]
        one.plot(*minutes, DISKS.get(str(disk), "x"), markersize=4, label=spelt(str(disk)))
    one.set(xscale="log", yscale="log", xlabel="took [min]", ylabel="predicted [min]")
    plain_log(one.xaxis, one.yaxis)
    if len(rows):
        one.legend(frameon=False)
    inside = int(rows["actual_min"].between(rows["low_min"], rows["high_min"]).sum())
    says = f"{inside} of {len(rows)} {what}, fell inside their range; the dashed line is a perfect one."
    return Picture(figure, says)


def _held_out(by: str, speeds: str) -> pd.DataFrame:
    """How the model does by the classes that were left out of it."""
    rows = review.held_out()
    return review.by_class(rows[rows["split"].eq(by) & rows["speeds"].eq(speeds)], "group")


@rc_context(STYLE)
def misses(by: str = "disk") -> Picture:
    """Typical miss by class, the class never trained on: 'disk', 'edition' or 'processor'."""
    known, blind = (_held_out(by, speeds).set_index("class") for speeds in (review.MEASURED, review.NOT_MEASURED))
    names = known.index.tolist()
    figure, one = axes(high=0.8 + 0.42 * len(names))
    places, blind_pct = np.arange(len(names)), blind.loc[names, "miss_pct"]
    one.barh(places - 0.2, known["miss_pct"], height=0.36, color=DO, label="speeds measured")
    one.barh(places + 0.2, blind_pct, height=0.36, color=WARN, hatch="//", label="not measured")
    one.set_yticks(places, [f"{spelt(name)} ({known.loc[name, 'units']})" for name in names])
    one.invert_yaxis()
    one.set_xlabel("typical miss [%]")
    figure.legend(frameon=False, loc="outside upper right", ncols=2)
    worst, at_worst = (
        f"{spelt(str(some['miss_pct'].idxmax()))}, {some['miss_pct'].max():.0f} %" for some in (known, blind)
    )
    says = f"Typical miss by {by}, that {by} never trained on. The worst: {worst}, where speeds were measured, and"
    return Picture(figure, f"{says} {at_worst}, where not.")


@rc_context(STYLE)
def coverage(by: str = "disk") -> Picture:
    """How many of ten fell inside their range, by class, with how sure that is (95 %)."""
    found = _held_out(by, review.MEASURED)
    figure, one = axes(high=0.9 + 0.32 * len(found))
    names = [f"{spelt(name)} ({units})" for name, units in zip(found["class"], found["units"], strict=True)]
    one.hlines(names, found["covered_low_pct"], found["covered_high_pct"], color=LINE, linewidth=4)
    one.plot(found["covered_pct"], names, "o", color=DO)
    one.axvline(80, color=INK, linestyle="--", linewidth=1)
    one.set(xlim=(0, 101), xlabel="inside the range [%]")
    one.invert_yaxis()
    least = found.sort_values("covered_pct").iloc[0]
    says = f"Inside the 80 % range by {by}: {spelt(least['class'])} least often, {least['covered_pct']:.0f} %."
    return Picture(figure, says)


SHOWN_IN = {"installed_bytes": ("GB", 1e9), "update_bytes": ("MiB", 2**20)}
"""Inputs that are drawn in another unit than they are reckoned in: the unit, and how many of the other it has."""

_MARKS = {100.0: (1.0,), 30.0: (1.0, 3.0), 10.0: (1.0, 2.0, 5.0)}
"""Marks in each power of ten, by how far the axis spans at least: more would touch at a third of the page's width. One
that spans less is drawn without powers: between 4 and 6 a scale in powers has no round marks."""


@rc_context(STYLE)
def curves() -> Picture:
    """What each input alone does to the machine's minutes."""
    found = review.curves()
    figure, all_axes = axes(wide=9, high=4.2, columns=3, rows=2)
    for one, (name, title) in zip(all_axes.flat, review.INPUTS.items(), strict=True):
        part = found[found["input"].eq(name)]
        unit, many = SHOWN_IN.get(name, ("", 1.0))
        values = part["value"] / many
        one.plot(values, part["minutes"], color=DO)
        one.set(ylim=(0, found["minutes"].max() * 1.05), xlabel=title.replace("[bytes]", f"[{unit}]"))
        span = values.max() / values.min()
        if marks := next((marks for least, marks in _MARKS.items() if span >= least), None):
            one.set_xscale("log")
            plain_log(one.xaxis, subs=marks)
        else:
            one.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    for one in all_axes[:, 0]:
        one.set_ylabel("minutes")
    moved = found.groupby("input")["minutes"].agg(lambda minutes: minutes.max() - minutes.min())
    most = review.INPUTS[str(moved.idxmax())].partition(" [")[0]
    return Picture(figure, f"What moves the machine's minutes: most of all the {most}.")


SHOWN_MIN = 0.05
"""What moves less is 0.0 minutes in the picture, and left out of it [min]."""


@rc_context(STYLE)
def swings(batch: Batch) -> Picture:
    """The assumptions by how far they move the minutes of a batch, those that move any unit."""
    found = review.swings(batch.timing)
    found = found[found["minutes"] >= SHOWN_MIN]
    colours = [WARN if basis == "memory" else GOOD for basis in found["basis"]]
    minutes, names = found["minutes"], found["title"].tolist()
    figure = bars(names, minutes, "minutes, from low to high", colours, [f"{one:.1f}" for one in minutes])
    first = f"{names[0]} {minutes.iloc[0]:.1f} min" if names else "nothing moves any unit"
    return Picture(figure, f"What is assumed, by how far it alone moves a unit: {first}.")
