"""Looking at the models: what they rest on, how they did on what they had not seen, and how the shop's log compares."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from advisor import tables
from advisor.errors import AdvisorError
from advisor.files import datasets
from advisor.shop import Shop, default_shop
from advisor.views.markup import text

if TYPE_CHECKING:
    from advisor.benchlog.drift import Drift
    from advisor.timing import TimingModel
    from advisor.timing.report import Report
    from advisor.timing.versions import Version

BLOCK = 20
"""Logged units taken together when drift is looked for."""

LEVEL = 0.8
"""Share of units that the interval promises to hold."""

LEARNT_FROM = 200
"""Logged units after which a shop is shown before and after learning."""

FEWEST_AFTER = 10
"""Units after those that it takes to show it."""

MOST_SHIFTED = 1200
"""Oldest units of a log that it is shown on; later ones would only slow the page."""

COMPARED = (
    "asset_tag",
    "date",
    "edition",
    "storage_kind",
    "image",
    "technician",
    "model_version",
    "actual_min",
    "predicted_min",
    "low_min",
    "high_min",
    "when",
)
"""Columns of a comparison: a row a logged unit, minutes in the slot; `when` says when the prediction was made."""


@dataclass
class Review:
    """What is looked at.

    Parameters
    ----------
    shop : Shop, optional

    Attributes
    ----------
    report : Report or None
        How the timing model did on rehearsals it had not seen; None until it was asked for.
    compared : pandas.DataFrame or None
        Columns `COMPARED`.
    shift : pandas.DataFrame or None
        A row a unit after the first `LEARNT_FROM`: minutes predicted before and after learning from those; None for a
        shorter log. See `advisor.benchlog.learning.before_and_after`.
    watched : Drift or None
        Whether units still fall as the intervals promise.
    log_name : str
        What log was compared, in words.
    invented : bool
        The log says that it is invented.
    """

    shop: Shop = field(default_factory=default_shop)
    report: Report | None = None
    compared: pd.DataFrame | None = None
    shift: pd.DataFrame | None = None
    watched: Drift | None = None
    log_name: str = ""
    invented: bool = False

    def model(self) -> TimingModel:
        """The timing model that serves."""
        from advisor.timing import serving_model

        return serving_model()

    def judge(self) -> str:
        """Judge the timing model on the shipped rehearsals, whole groups left out; says what was done."""
        from advisor.timing import read_rehearsals
        from advisor.timing.report import judge

        data = read_rehearsals()
        self.report = judge(data, basis=self.model().basis)
        return f"Judged on {len(data)} rehearsals, each predicted by a model that had not seen its group."

    def open_log(self) -> str:
        """Compare the shop's own log; says what was found."""
        from advisor.benchlog import BenchLog, default_path
        from advisor.benchlog import frame as log_frame

        path = default_path()
        if not path.exists():
            self.compared, self.shift, self.watched, self.log_name = None, None, None, ""
            return "The bench log holds nothing yet."
        with BenchLog(path) as log:
            rows = log_frame(log)
        return self._compare(rows, "the shop's bench log", False)

    def open_demo_log(self) -> str:
        """Compare the demo's invented log, to see what this page looks like; says so."""
        rows = tables.load("demo/bench_log").frame
        return self._compare(rows, "the demo's invented bench log", True)

    def _compare(self, rows: pd.DataFrame, name: str, invented: bool) -> str:
        from advisor.benchlog.drift import watch
        from advisor.benchlog.learning import before_and_after

        self.compared = compare(rows, self.shop)
        self.log_name, self.invented = name, invented
        self.watched = watch(
            self.compared.rename(
                columns={
                    "actual_min": "elapsed_min", "low_min": "predicted_low_min", "high_min": "predicted_high_min"
                }
            )
        )  # fmt: skip
        enough = len(self.compared) >= LEARNT_FROM + FEWEST_AFTER
        self.shift = before_and_after(rows.head(MOST_SHIFTED), self.shop, LEARNT_FROM) if enough else None
        return f"{len(self.compared)} units of {name} were compared."

    def versions(self) -> list[Version]:
        """Versions of the timing model that are kept beside the shipped one."""
        from advisor.timing.versions import models_folder, versions

        return versions(models_folder())


def compare(rows: pd.DataFrame, shop: Shop) -> pd.DataFrame:
    """Lay what a log says beside what was, or would have been, predicted.

    Parameters
    ----------
    rows : pandas.DataFrame
        A row a logged unit, as `advisor.benchlog.frame` gives it; asset_tag, cpu, image, edition, elapsed_min needed.
    shop : Shop

    Returns
    -------
    pandas.DataFrame
        Columns `COMPARED`, in the log's order; units without minutes, image or edition are left out. The prediction
        kept at the time is taken where there is one, else that of the model serving now.
    """
    from advisor.identify import processors
    from advisor.timing import predict
    from advisor.timing.log import log_units

    def minutes(frame: pd.DataFrame, name: str) -> np.ndarray:
        if name not in frame:
            return np.full(len(frame), np.nan)
        return pd.to_numeric(frame[name], errors="coerce").astype("Float64").to_numpy(dtype=float, na_value=np.nan)

    if not {"cpu", "image", "edition", "elapsed_min"} <= set(rows.columns):
        return pd.DataFrame(columns=list(COMPARED))
    images = {image.name for image in shop.images}
    usable = (
        (minutes(rows, "elapsed_min") > 0)
        & rows["image"].isin(images).to_numpy()
        & rows["edition"].isin(shop.richness).to_numpy()
    )
    kept = rows[usable].reset_index(drop=True)
    units = log_units(kept)
    now = predict(
        units,
        processors(units).reset_index(drop=True),
        kept["edition"].astype("string"),
        kept["image"].astype("string"),
        shop,
    )
    then = minutes(kept, "predicted_min")
    had = ~np.isnan(then)
    columns = {
        name: np.where(had, minutes(kept, before), after.to_numpy(dtype=float, na_value=np.nan))
        for name, before, after in (
            ("predicted_min", "predicted_min", now.elapsed_min),
            ("low_min", "predicted_low_min", now.elapsed_low_min),
            ("high_min", "predicted_high_min", now.elapsed_high_min),
        )
    }
    out = pd.DataFrame(
        {
            "asset_tag": kept["asset_tag"].astype("string"),
            "date": _texts(kept, "date"),
            "edition": kept["edition"].astype("string"),
            "storage_kind": units["storage_kind"].fillna("unknown"),
            "image": kept["image"].astype("string"),
            "technician": _texts(kept, "technician"),
            "model_version": _texts(kept, "model_version").where(had, "now"),
            "actual_min": minutes(kept, "elapsed_min"),
            **columns,
            "when": np.where(had, "at the time", "now"),
        }
    )
    return out.dropna(subset=["predicted_min"]).reset_index(drop=True)


def _texts(rows: pd.DataFrame, name: str) -> pd.Series[str]:
    return rows[name].astype("string") if name in rows else pd.Series(pd.NA, index=rows.index, dtype="string")


def learnt(shift: pd.DataFrame) -> pd.DataFrame:
    """Sum up what learning from the first units did to those after them, over all and by kind of storage.

    Parameters
    ----------
    shift : pandas.DataFrame
        From `advisor.benchlog.learning.before_and_after`.

    Returns
    -------
    pandas.DataFrame
        group, units, and for 'before' and 'after' each: error_pct (median size), bias_pct (median, signed),
        covered_pct; 'all units' first, then the largest group.
    """
    rows = []
    kinds = shift["storage_kind"].value_counts().index
    for group, part in [("all units", shift), *((str(kind), shift[shift["storage_kind"] == kind]) for kind in kinds)]:
        row: dict[str, Any] = {"group": group, "units": len(part)}
        for name in ("before", "after"):
            error = 100 * (part[f"{name}_min"] / part["actual_min"] - 1)
            row[f"{name}_error_pct"], row[f"{name}_bias_pct"] = error.abs().median(), error.median()
            inside = part["actual_min"].between(part[f"{name}_low_min"], part[f"{name}_high_min"])
            row[f"{name}_covered_pct"] = 100 * float(inside.mean())
        rows.append(row)
    return pd.DataFrame(rows)


def coverage(compared: pd.DataFrame, by: str) -> pd.DataFrame:
    """How often the interval held, by group.

    Parameters
    ----------
    compared : pandas.DataFrame
        Columns `COMPARED`.
    by : str
        Column to group by.

    Returns
    -------
    pandas.DataFrame
        group, units, covered_pct, covered_low_pct, covered_high_pct (95 % Wilson score interval of the share),
        median_error_pct (size), bias_pct (median, signed); largest group first.

    References
    ----------
    .. [1] E. B. Wilson, Probable inference, the law of succession, and statistical inference, JASA 22 (1927), 209-212;
       computed by scipy.stats.binomtest.
    """
    from scipy.stats import binomtest

    rows = []
    for name, part in compared.groupby(by, sort=False, dropna=False):
        inside = int(part["actual_min"].between(part["low_min"], part["high_min"]).sum())
        ends = binomtest(inside, len(part)).proportion_ci(method="wilson")
        error = 100 * (part["predicted_min"] / part["actual_min"] - 1)
        rows.append(
            {
                "group": text(name),
                "units": len(part),
                "covered_pct": 100 * inside / len(part),
                "covered_low_pct": 100 * float(ends.low),
                "covered_high_pct": 100 * float(ends.high),
                "median_error_pct": float(error.abs().median()),
                "bias_pct": float(error.median()),
            }
        )
    names = ["group", "units", "covered_pct", "covered_low_pct", "covered_high_pct", "median_error_pct", "bias_pct"]
    return pd.DataFrame(rows, columns=names).sort_values("units", ascending=False, kind="stable", ignore_index=True)


def drift(compared: pd.DataFrame, block: int = BLOCK) -> pd.DataFrame:
    """Follow the log in blocks of units, to see the shop move away from the model.

    Parameters
    ----------
    compared : pandas.DataFrame
        Columns `COMPARED`, oldest first.
    block : int
        Units taken together; a last block of fewer than half is added to the one before.

    Returns
    -------
    pandas.DataFrame
        first, last (dates), units, over_pct (median of actual over predicted, less one), covered_pct, off (the middle
        lies off the prediction by more than chance explains: two-sided sign test at 1 %), changed (the block differs
        from all before it: two-sided Mann-Whitney test at 1 %).
    """
    from scipy.stats import binomtest, mannwhitneyu

    count = max(1, round(len(compared) / block)) if len(compared) else 0
    ratio = (compared["actual_min"] / compared["predicted_min"]).to_numpy(dtype=float)
    rows = []
    for piece in np.array_split(np.arange(len(compared)), count) if count else []:
        part, own, before = compared.iloc[piece], ratio[piece], ratio[: piece[0]]
        longer, decided = int((own > 1).sum()), int((own != 1).sum())
        rows.append(
            {
                "first": part["date"].iloc[0],
                "last": part["date"].iloc[-1],
                "units": len(part),
                "over_pct": 100 * float(np.median(own) - 1),
                "covered_pct": 100 * float(part["actual_min"].between(part["low_min"], part["high_min"]).mean()),
                "off": decided > 0 and binomtest(longer, decided).pvalue < 0.01,
                "changed": len(before) > 0 and float(mannwhitneyu(own, before).pvalue) < 0.01,
            }
        )
    return pd.DataFrame(rows, columns=["first", "last", "units", "over_pct", "covered_pct", "off", "changed"])


def trained_on(model: TimingModel) -> list[tuple[str, str]]:
    """What the timing model was made from.

    Parameters
    ----------
    model : TimingModel

    Returns
    -------
    list of (str, str)
        Words and value; what the model file says of itself stands under its own words.
    """
    rows = [("Minutes rest on", model.basis)]
    rows += [(str(key).replace("_", " ").capitalize(), _said(value)) for key, value in model.about.items()]
    rows.append(("Logged units learnt from", str(model.log.rows)))
    if model.log.rows:
        rows.append(("Factor on hands-on minutes from the log", f"{model.log.hands_factor:.2f}"))
    return rows


def _said(value: Any) -> str:
    if isinstance(value, Mapping):
        return "; ".join(f"{key}: {_said(one)}" for key, one in value.items())
    if isinstance(value, (list, tuple)):
        return ", ".join(_said(one) for one in value)
    return text(value)


def provenance() -> pd.DataFrame:
    """Every table that ships, and where it is from.

    Returns
    -------
    pandas.DataFrame
        table, title, source, date; sorted by table.
    """
    root = datasets()
    rows = []
    for path in sorted(root.rglob("*.meta.toml")):
        name = str(path.relative_to(root)).removesuffix(".meta.toml")
        try:
            said = tables.meta(path)
        except AdvisorError as error:
            said = {"title": "cannot be read", "source": error.message, "date": ""}
        rows.append(
            {
                "table": name,
                "title": text(said.get("title"), ""),
                "source": text(said.get("source"), ""),
                "date": text(said.get("date"), ""),
            }
        )
    return pd.DataFrame(rows, columns=["table", "title", "source", "date"])
