"""A bench log laid beside what the model would say without it, with what each row counts for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from advisor.columns import ByUnit, figures, words
from advisor.errors import InputError
from advisor.shop import Shop, default_shop
from advisor.timing.hands import HandsOn, hands_on, phase_table
from advisor.timing.logpart import LogPart
from advisor.timing.model import TimingModel, with_log
from advisor.timing.predict import Setting, combine, machine, setting
from advisor.unit import DTYPES

Array = NDArray[np.float64]
Problem = tuple[NDArray[np.bool_], str, str]
"""Rows that cannot be learnt from: which, the column, the sentence."""

LEAST_WORK = 0.2
"""A logged unit whose machine minutes come out below this share of those predicted is a slip, and is left out."""

MOST_WORK = 10.0
"""Likewise above this multiple."""

MOST_MINUTES = 100_000.0
"""Minutes from which on no job is believed, as the log itself refuses them."""

NEEDED = ("cpu", "image", "edition", "elapsed_min")

SOURCE_WEIGHTS: dict[str, float] = {"stopwatch": 1.0, "typed": 0.7, "sheet": 0.4}
"""How much minutes count by where they are from. Common practice, no source: a stopwatch has no error to speak of;
minutes typed when the unit is done are remembered and rounded to five or ten; nobody knows how those of an old sheet
were taken, and its columns were understood by their headers alone."""

HALF_LIFE_DAYS = 90.0
"""Age at which a unit counts half [d], when the shop sets none. A shop changes its image and its updates grow within a
season; common practice, no source. The replay of a simulated year shows what other values give."""


@dataclass(frozen=True)
class Logged(ByUnit):
    """Units of a log that can be learnt from, oldest first, beside the model's figures without a log."""

    WHOLE = frozenset({"problems", "invented"})

    tags: NDArray[np.object_]  # shape (n,)
    place: NDArray[np.int64]  # Position of each unit in the log as given, shape (n,)
    day: Array  # Day as a number [d]; NaN when unknown, shape (n,)
    # elapsed, said: Minutes in the slot, and hands-on as written down (NaN where not) [min], shape (n,).
    elapsed: Array
    said: Array
    by_phase: Array  # Minutes of each phase as written down, NaN where not [min], shape (n, number of bench phases)
    weight: Array  # By source; see `SOURCE_WEIGHTS`. Age comes on top when a model is fitted, shape (n,).
    technician: NDArray[np.object_]  # '' where unknown, shape (n,)
    given: Setting
    fitted: NDArray[np.bool_]  # Whether a part was fitted: nobody wrote down how long that alone took, shape (n,)
    hands: HandsOn
    work: Array  # Machine minutes without a log [min], shape (n, number of bench phases)
    spread: Array  # shape (n,)
    problems: pd.DataFrame  # Rows left out: place, asset_tag, column, value, problem
    invented: bool

    def __len__(self) -> int:
        """Units."""
        return len(self.elapsed)

    def work_ratio(self, factor: float) -> Array:
        """Log of the machine minutes that the log shows over those predicted."""
        busy, under, wait = (part.sum(axis=1) for part in self.hands.at_pace(factor).beside(self.work))
        held = np.where(np.isnan(self.said), busy + wait, self.said)
        ratio = (self.elapsed - held + under + wait) / self.work.sum(axis=1)
        return np.log(np.clip(ratio, LEAST_WORK, MOST_WORK))

    def pace(self) -> Array:
        """Log of the hands-on minutes as written down over those expected, standing by apart.

        NaN where none were written, or with a part fitted.
        """
        busy, _, wait = (part.sum(axis=1) for part in self.hands.beside(self.work))
        stated = np.where(self.fitted, np.nan, self.said)
        return np.log(np.maximum(stated - wait, 0.1 * stated) / busy)

    def predicted(self, model: TimingModel, part: LogPart) -> tuple[Array, Array]:
        """What a model would say of each unit with what a log taught.

        Parameters
        ----------
        model : TimingModel
            The one that the units were laid beside.

        Returns
        -------
        minutes : numpy.ndarray, shape (n,)
            In the slot [min].
        width : numpy.ndarray, shape (n,)
            Half-width of the log of it.
        """
        work = self.work * part.factor(self.given.groups)[:, None]
        paced = self.hands.at_pace(part.hands_factor)
        parts = combine(with_log(model, part), self.given, paced, work, self.spread)
        return (parts.hands + parts.work - parts.overlap).sum(axis=1), parts.width

    @property
    def span(self) -> tuple[str, str]:
        """Days of the oldest and newest unit, ISO 8601; '' where none is known."""
        known = self.day[~np.isnan(self.day)]
        ends = (known.min(), known.max()) if known.size else ()
        first, last = (pd.Timestamp(end, unit="D").strftime("%Y-%m-%d") for end in ends) if known.size else ("", "")
        return first, last

    def newest(self, count: int) -> NDArray[np.bool_]:
        """Mask of the newest units."""
        return np.arange(len(self)) >= len(self) - count


def lay(
    model: TimingModel, log: pd.DataFrame, shop: Shop | None = None, *,
    catalogue: pd.DataFrame | None = None, processors: pd.DataFrame | None = None,
) -> Logged:  # fmt: skip
    """Lay a bench log beside what the model would say without it.

    Parameters
    ----------
    model : TimingModel
        Any log part it has is set aside.
    log : pandas.DataFrame
        See `advisor.timing.log.fit_log`.
    catalogue, processors : pandas.DataFrame, optional
        Instead of the built-in catalogue, and of identifying each `cpu`.

    Returns
    -------
    Logged
        Rows that cannot be learnt from are left out and named in `problems`.

    Raises
    ------
    InputError
        When a needed column is missing.
    """
    lacking = [name for name in NEEDED if name not in log]
    if lacking:
        raise InputError(f"The bench log lacks the column(s) {', '.join(lacking)}.", f"Needed: {', '.join(NEEDED)}.")
    shop = default_shop() if shop is None else shop
    rows = every = log.reset_index(drop=True)
    tags = np.asarray(_words(rows, "asset_tag"), dtype=object)
    said_day = days(rows)
    elapsed = figures(rows, "elapsed_min")
    left, found = _left(rows, elapsed, shop)
    # Oldest first; a row without a day stays behind the one above it.
    filled = pd.Series(said_day).ffill().bfill().fillna(0.0).to_numpy()
    kept = np.flatnonzero(left)[np.argsort(filled[left], kind="stable")]
    rows = rows.iloc[kept].reset_index(drop=True)
    known = None if processors is None else processors.iloc[kept].reset_index(drop=True)
    given, hands, work, spread = _expected(model, rows, shop, catalogue, known)
    stated_hands = figures(rows, "hands_on_min")
    stated_hands = np.where((stated_hands > 0) & (stated_hands < MOST_MINUTES), stated_hands, np.nan)
    laid = Logged(
        tags=tags[kept], place=kept.astype(np.int64), day=said_day[kept], elapsed=elapsed[kept], said=stated_hands,
        by_phase=np.column_stack([figures(rows, f"{phase}_min") for phase in phase_table().names]),
        weight=source_weights(rows), technician=_words(rows, "technician"), given=given,
        fitted=_words(rows, "parts") != "", hands=hands, work=work, spread=spread, problems=pd.DataFrame(),
        invented=invented(log),
    )  # fmt: skip
    ratio = laid.work_ratio(1.0) if len(laid) else np.empty(0)
    # At a limit, as far as logarithms of one number are the same on every processor.
    slip = (ratio <= np.log(LEAST_WORK) + 1e-9) | (ratio >= np.log(MOST_WORK) - 1e-9)
    for mask, problem in (
        (~given.usable, "no disk to install on"),
        (slip & given.usable, "far from anything predicted: left out as a slip"),
    ):
        back = np.zeros(len(log), dtype=bool)
        back[kept[mask]] = True
        found.append((back, "storage_kind" if problem.startswith("no disk") else "elapsed_min", problem))
    return replace(laid.take(given.usable & ~slip), problems=_problems(every, tags, found))


def _expected(
    model: TimingModel, rows: pd.DataFrame, shop: Shop, catalogue: pd.DataFrame | None, known: pd.DataFrame | None
) -> tuple[Setting, HandsOn, Array, Array]:
    """What a model says of logged units without a log: setting, hands, machine minutes of each phase, their spread."""
    from advisor.identify import processors as identify

    units, editions, images = log_units(rows), _text(rows, "edition"), _text(rows, "image")
    given = setting(units, identify(units) if known is None else known, editions, images, shop, catalogue)
    hands = hands_on(units, editions=editions, images=images, shop=shop)
    if not len(rows):
        return given, hands, np.empty((0, len(phase_table().names))), np.empty(0)
    return given, hands, *machine(with_log(model, LogPart()), given)


def _left(rows: pd.DataFrame, elapsed: Array, shop: Shop) -> tuple[NDArray[np.bool_], list[Problem]]:
    """Rows that can be learnt from, and for each reason that the others cannot: which they are, column, sentence."""
    found: list[Problem] = []
    left = np.ones(len(rows), dtype=bool)
    for mask, column, problem in (
        (np.isnan(elapsed), "elapsed_min", "no minutes in the slot"),
        (~(elapsed > 0) | (elapsed >= MOST_MINUTES), "elapsed_min", "minutes that no unit can take"),
        (_words(rows, "image") == "", "image", "no image"),
        (_words(rows, "edition") == "", "edition", "no edition"),
        (~np.isin(_words(rows, "image"), [one.name for one in shop.images]), "image", "none of the shop's images"),
        (_repeated(rows), "asset_tag", "the same row twice"),
    ):
        found.append((mask & left, column, problem))
        left[mask] = False
    return left, found


def _problems(log: pd.DataFrame, tags: NDArray[np.object_], found: list[Problem]) -> pd.DataFrame:
    pieces = []
    for mask, column, problem in found:
        place = np.flatnonzero(mask)
        value = log[column].astype("string").fillna("").to_numpy()[place] if column in log else ""
        pieces.append(
            pd.DataFrame({
                "place": place, "asset_tag": tags[place], "column": column, "value": value, "problem": problem,
            })
        )  # fmt: skip
    return pd.concat(pieces, ignore_index=True).sort_values("place", kind="stable", ignore_index=True)


def days(rows: pd.DataFrame) -> Array:
    """Day of each row as a number [d], NaN where unknown or after today; shape (n,)."""
    codes, dates = pd.factorize(words(rows, "date"))
    read = pd.to_datetime(pd.Series(dates, dtype="string"), format="ISO8601", errors="coerce", utc=True)
    out = (read - pd.Timestamp("1970-01-01", tz="UTC")).dt.total_seconds().to_numpy(dtype=float) / 86_400
    # A year mistyped into the future would make every other row old.
    out[out > date.today().toordinal() - date(1970, 1, 1).toordinal() + 1] = np.nan
    return np.append(out, np.nan)[codes]


def age_weights(day: Array, half_life_days: float) -> Array:
    """Weight of each unit by its age beside the newest one; an unknown day counts as the middle one; shape (n,)."""
    known = day[~np.isnan(day)]
    if not known.size:
        return np.ones(len(day))
    age = known.max() - np.where(np.isnan(day), np.median(known), day)
    # A log ten half-lives old still says something, and a sum of nothing but zeros would not.
    return np.maximum(0.5 ** (age / half_life_days), 1e-3)


def source_weights(rows: pd.DataFrame) -> Array:
    """Weight of each row by where its minutes are from."""
    kind = _words(rows, "minutes_from")
    source = _words(rows, "source")
    guessed = np.where((source == "") | (source == "logged here"), "typed", "sheet")
    kind = np.where(np.isin(kind, list(SOURCE_WEIGHTS)), kind, guessed)
    return np.array([SOURCE_WEIGHTS[str(one)] for one in kind], dtype=float)


def log_units(log: pd.DataFrame) -> pd.DataFrame:
    """Put the units of a bench log in a Unit frame.

    Returns
    -------
    pandas.DataFrame
        Columns of the Unit that the log has, in their dtypes; what cannot be read as its dtype is unknown.
    """
    columns = {}
    for name, dtype in DTYPES.items():
        if dtype in ("Float64", "Int64"):
            values = pd.Series(figures(log, name), index=log.index)
            # What no machine has would go through logarithms; it is as good as unknown.
            values = values.where((values > 0) & np.isfinite(values)).astype("Float64")
            columns[name] = values.round().astype("Int64") if dtype == "Int64" else values
        elif dtype == "string":
            columns[name] = _text(log, name)
        else:
            columns[name] = pd.Series(pd.NA, index=log.index, dtype=dtype)
    return pd.DataFrame(columns)


def invented(log: pd.DataFrame) -> bool:
    """Whether a log says that it is invented, in any row."""
    return any(
        bool(log[name].astype("string").str.contains("invented", case=False).fillna(False).any())
        for name in ("provenance", "source")
        if name in log
    )


def _text(rows: pd.DataFrame, name: str) -> pd.Series:
    said = words(rows, name).str.strip()
    return said.where(said != "")


def _words(rows: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """A column as text, '' where it is missing or empty."""
    return np.asarray(words(rows, name).str.strip().fillna(""), dtype=object)


def _repeated(rows: pd.DataFrame) -> NDArray[np.bool_]:
    """Rows that repeat an earlier one: the same tag, day and minutes."""
    names = [name for name in ("asset_tag", "date", "elapsed_min", "hands_on_min") if name in rows]
    if "asset_tag" not in names or "date" not in names:
        return np.zeros(len(rows), dtype=bool)
    same = rows[names].astype("string").duplicated().to_numpy()
    return same & (_words(rows, "asset_tag") != "")
