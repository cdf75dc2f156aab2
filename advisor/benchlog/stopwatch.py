"""Stopwatch lists of real units beside what is predicted of them: the sheet's phases, desktop and browser."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from advisor import intake
from advisor.advice import Batch, assess
from advisor.benchlog import sheet_cells
from advisor.benchlog.cells import Cells
from advisor.columns import numbers, records
from advisor.comfort.model import STAGES
from advisor.errors import InputError
from advisor.intake.headers import Vocabulary, intake_words, map_headers, plain
from advisor.intake.parsed import UNKNOWN, Parsed
from advisor.nearest import choose
from advisor.phrases import few
from advisor.shop import Shop, default_shop
from advisor.timing.hands import phase_table
from advisor.timing.review import by_class

TIMED_COLUMNS = (
    "row", "asset_tag", "timed", "disk", "edition", "image", "parts", "actual_s", "predicted_s", "low_s", "high_s",
)  # fmt: skip
"""Columns of the rows compared: `row` as in the list, from 1; `parts` that are fitted as advised, '' for none; times in
seconds; `low_s` is 0 where the sheet says a bound alone."""

FEW = 20
"""Below so many the share inside an interval of 8 of 10 is known to no better than some 17 points either way: Wilson's
interval of 16 in 20, at 95 %."""

MOST_MISSES = 5

_HEADERS = {
    "asset_tag": ("asset tag",),
    "timed": ("timed", "phase", "what", "what was timed", "step"),
    "took": ("took", "seconds", "sec", "time", "measured", "stopwatch", "duration"),
    "edition": ("edition", "desktop edition"),
    "note": ("note", "notes", "who", "how", "by", "technician", "remark"),
}


@dataclass(frozen=True)
class Timings:
    """A stopwatch list beside its predictions."""

    rows: pd.DataFrame  # Columns `TIMED_COLUMNS`, a row a time that could be compared
    problems: pd.DataFrame  # row, column, value, problem, accepted: why the other rows could not
    certainty: float  # Of the bound that desktop and browser are to stay below [share of 1]

    def by_kind(self) -> pd.DataFrame:
        """What was timed, by class of disk, in the order of the work.

        Returns
        -------
        pandas.DataFrame
            timed, disk, n, predicted_s and actual_s (medians [s]), ratio (median of actual over predicted), inside,
            inside_low_pct and inside_high_pct (95 % Wilson interval of the share inside, see `review.by_class`).
        """
        rows = self.rows.assign(ratio=self.rows["actual_s"] / self.rows["predicted_s"])
        middles = ["predicted_s", "actual_s", "ratio"]
        out = []
        for (timed, disk), part in rows.groupby(["timed", "disk"], sort=False):
            [inside] = by_class(part, "timed").to_dict("records")
            count = round(inside["units"] * inside["covered_pct"] / 100)
            ends = (inside["covered_low_pct"], inside["covered_high_pct"])
            out.append((timed, disk, len(part), *part[middles].median(), count, *ends))
        table = pd.DataFrame(
            out, columns=["timed", "disk", "n", *middles, "inside", "inside_low_pct", "inside_high_pct"]
        )  # fmt: skip
        order = {name: at for at, name in enumerate(timed_names())}
        return table.sort_values(
            "timed", key=lambda column: column.map(order), kind="stable", ignore_index=True
        )  # fmt: skip

    def misses(self) -> pd.DataFrame:
        """The rows that lie furthest from their prediction by ratio, furthest first."""
        off = np.abs(np.log(self.rows["actual_s"].to_numpy() / self.rows["predicted_s"].to_numpy()))
        return self.rows.iloc[np.argsort(-off, kind="stable")[:MOST_MISSES]]


def timed_names() -> tuple[str, ...]:
    """What may be timed: the sheet's phases by their short names, then the stages of comfort."""
    return (*phase_table().names, *STAGES)


def read_timings(path: str | Path) -> pd.DataFrame:
    """Read a stopwatch list's cells, as `advisor.intake.read` does.

    Returns
    -------
    pandas.DataFrame
        Text cells under the headers found.
    """
    return intake.read(path, _vocabulary())


def compare_timings(raw: pd.DataFrame, shop: Shop | None = None, units: pd.DataFrame | None = None) -> Timings:
    """Lay times off a stopwatch beside what `advisor.assess` predicts of the same units.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_times, any)
        Text cells as `read_timings` gives them: an asset tag, what was timed (`timed_names`, or a phase's title), how
        long it took, and optionally the edition that was installed, where it is not the one advised; then the unit is
        taken as it stands, with no part fitted.
    shop : Shop, optional
        The built-in settings when left out.
    units : pandas.DataFrame, optional
        An intake sheet's cells, a row a unit, joined by the tag; the list's own columns when left out.

    Returns
    -------
    Timings
        A phase is compared with its minutes in the slot. Its interval is made of the unit's own: the half-width of the
        hands-on minutes for the phase's hands, that of the slot for the rest.

    Raises
    ------
    InputError
        When no column is understood as the tag, what was timed, or how long it took.
    """
    shop = shop or default_shop()
    sheet = _Times(raw, shop)
    facts, at = _units_of(sheet, units)
    compared: list[tuple[Any, ...]] = []
    for edition in dict.fromkeys(sheet.have("edition")[~sheet.bad].tolist()):
        rows = np.flatnonzero(~sheet.bad & (sheet.have("edition") == edition))
        some, places = np.unique(at[rows], return_inverse=True)
        batch = assess(facts.iloc[some].reset_index(drop=True), _installing(shop, edition) if edition else shop)
        compared += _beside(sheet, rows, batch, places)
    found = pd.DataFrame(compared, columns=list(TIMED_COLUMNS)).astype(dict.fromkeys(TIMED_COLUMNS[-4:], float))
    found = found.sort_values("row", kind="stable", ignore_index=True)
    return Timings(found, sheet.ledger.problems(), shop.thresholds.certainty)


def _vocabulary() -> Vocabulary:
    words = intake_words()
    known = {**words.known, **{plain(word): field for field, each in _HEADERS.items() for word in each}}
    units = dict.fromkeys(("s", "sec", "secs", "seconds"), "s") | dict.fromkeys(("min", "mins", "minutes"), "min")
    return replace(words, known=known, exact=words.exact - {"notes"} | set(_HEADERS), units={**words.units, **units})


class _Times(Cells):
    """A list's own columns on their way to values."""

    def __init__(self, raw: pd.DataFrame, shop: Shop) -> None:
        needed = {
            "the asset tag": ("asset_tag",), "what was timed": ("timed",), "how long it took": ("took",),
        }  # fmt: skip
        mapping = map_headers([str(header) for header in raw.columns], _vocabulary())
        super().__init__(raw, mapping, needed, "Name the columns asset_tag, timed and seconds.")
        titles = dict(zip(phase_table().titles, phase_table().names, strict=True))
        there = {str(edition) for image in shop.images for edition in image.editions}
        installable = tuple(str(edition) for edition in shop.richness if edition in there)
        self.read("asset_tag", _tag)
        self.read("timed", partial(_word, timed_names(), titles))
        self.read("took", partial(_took, mapping[self.place["took"]].unit or "s"))
        self.read("edition", partial(_edition, installable))


def _tag(text: str) -> Parsed:
    return Parsed(" ".join(text.split()).casefold()) if text.strip() else Parsed(None, "no asset tag", "the unit's tag")


def _word(accepted: tuple[str, ...], also: dict[str, str], text: str) -> Parsed:
    try:
        return Parsed(choose(text, accepted, "", also))
    except InputError as error:
        nearest = error.message.partition("is not known")[2].rstrip(".")
        return Parsed(None, f"is not known{nearest}", error.hint.removeprefix("Accepted: "))


def _took(unit: str, text: str) -> Parsed:
    found = sheet_cells.minutes(text, unit if sheet_cells.bare(text) is not None else "s")
    if found.problem or found.value:
        return found if found.value is None else found._replace(value=60 * found.value)
    return Parsed(None, "says no time", "a time above 0, such as 94, 94 s or 1:34")


def _edition(known: tuple[str, ...], text: str) -> Parsed:
    found = sheet_cells.edition(text)
    if found == UNKNOWN or found.value in known:
        return found
    return Parsed(None, "is no edition of the shop's images", f"{', '.join(known)}; empty for the one that is advised")


def _units_of(sheet: _Times, units: pd.DataFrame | None) -> tuple[pd.DataFrame, np.ndarray]:
    """A row of facts a unit, and the position of each time's unit among them; 0 where the time is left out."""
    tags = sheet.values["asset_tag"]
    if units is None:
        own = [at for name, at in sheet.place.items() if name in _HEADERS and name != "asset_tag"]
        facts = sheet.raw.drop(columns=sheet.raw.columns[own])
        first = _agreed(sheet, facts)
        facts, known = facts.iloc[first], [tags[row] for row in first]
    else:
        facts = units
        known = [None if pd.isna(tag) else _tag(str(tag)).value for tag in intake.understand(units).units["asset_tag"]]
    at, times = np.zeros(len(tags), dtype=int), Counter(known)
    place = {tag: row for row, tag in enumerate(known)}
    for row in np.flatnonzero(~sheet.bad).tolist():
        tag = tags[row]
        if times[tag] == 1:
            at[row] = place[tag]
        else:
            problem = f"stands on {times[tag]} rows of the units" if times[tag] else "is on no row of the units"
            sheet.refuse(row, "asset_tag", problem, "the tag of one row of the units")
    return facts.reset_index(drop=True), at


def _agreed(sheet: _Times, facts: pd.DataFrame) -> list[int]:
    """First row of each tag; a row whose facts say otherwise than that one is left out, empty cells apart."""
    tag_at = sheet.place["asset_tag"]
    cells = {str(name): facts[name].astype(str).str.strip().tolist() for name in facts}
    cells.pop(str(sheet.raw.columns[tag_at]))
    first: dict[str, int] = {}
    for row in np.flatnonzero(~sheet.bad).tolist():
        begun = first.setdefault(sheet.values["asset_tag"][row], row)
        for name, said_of in cells.items():
            before, now = said_of[begun], said_of[row]
            if now and now.casefold() != before.casefold():
                problem = f"its {name[:40]} is {now[:40]!r}, on row {begun + 1} of the same unit {before[:40]!r}"
                sheet.refuse(row, "asset_tag", problem, "the same facts on each row of a unit, or on the first")
                break
    return list(first.values())


def _installing(shop: Shop, edition: str) -> Shop:
    """The shop where it installs one edition alone on units as they stand, whatever it would think of that."""
    images = tuple(
        one.model_copy(update={"editions": (edition,)}) for one in shop.images if edition in one.editions
    )  # fmt: skip
    names = [one.name for one in images]
    return shop.model_copy(update={
        "images": images, "richness": (edition,), "default_edition": None, "stock": (), "buys_parts": False,
        "default_image": shop.default_image if shop.default_image in names else "".join(names[:1]),
        "thresholds": shop.thresholds.model_copy(update={"slow_limit": 1e6, "disk_left_pct": 0.0}),
    })  # fmt: skip


def _beside(sheet: _Times, rows: np.ndarray, batch: Batch, places: np.ndarray) -> list[tuple[Any, ...]]:
    """Lay some rows beside the units of a batch that they belong to; rows without a prediction are refused."""
    known = _predicted(batch)
    kinds = batch.cases.prepared["storage_kind"].fillna("unknown").astype(str).tolist()
    out = []
    for row, place in zip(rows.tolist(), places.tolist(), strict=True):
        case, timed = int(batch.case[place]), sheet.values["timed"][row]
        seconds = known.get((case, timed))
        if not batch.cases.works[case]:
            why = f"is not predicted: {batch[place].headline}"
            sheet.refuse(row, "asset_tag", why, "a unit that is prepared, its facts known; or the edition it got")
        elif seconds is None:
            sheet.refuse(row, "timed", "takes no time on this unit, as predicted", "a phase of the unit's sheet")
        else:
            tag = " ".join(str(sheet.raw.iloc[row, sheet.place["asset_tag"]]).split())
            parts = ", ".join(one.name for one in batch.cases.parts_of(case))
            about = kinds[case], batch.cases.rows[case]["edition"], batch.cases.image_used[case], parts
            out.append((row + 1, tag, timed, *about, sheet.values["took"][row], *seconds))
    return out


def _predicted(batch: Batch) -> dict[tuple[int, str], tuple[float, float, float]]:
    """Seconds, low and high of all that may be timed, by case; what takes no time is left out."""
    timing, every = batch.timing, batch.wording.every
    slot, hands = (
        np.log(numbers(high) / np.maximum(numbers(middle), 0.1))
        for high, middle in (
            (timing.elapsed_high_min, timing.elapsed_min), (timing.hands_high_min, timing.hands_on_min)
        )
    )  # fmt: skip
    out: dict[tuple[int, str], tuple[float, float, float]] = {}
    for one in records(timing.phases):
        case, seconds, busy = int(one["row"]), 60 * one["machine_min"], one["hands_on_min"]
        if seconds > 0:
            ends = busy * hands[case], (one["machine_min"] - busy) * slot[case]
            width = float(np.exp(np.hypot(*ends) / one["machine_min"]))
            out[case, str(one["phase"])] = (seconds, seconds / width, seconds * width)
    for case in np.flatnonzero(batch.cases.works).tolist():
        at = every.editions.index(batch.cases.rows[case]["edition"])
        for stage in STAGES:
            usual, high = (float(every.figures[f"{stage}{end}"][case, at]) for end in ("_s", "_high_s"))
            if np.isfinite(usual):
                out[case, stage] = (usual, 0.0, high)
    return out


def lines(found: Timings) -> list[str]:
    """Say what a stopwatch list tells, as a table and sentences."""
    if not len(found.rows):
        return ["No time could be compared."]
    kinds = found.by_kind()
    out = [
        f"{'timed':<16}{'disk':<16}{'n':>4}{'predicted':>11}{'measured':>10}{'ratio':>7}{'inside':>9}  of 100 (95 %)"
    ]
    for one in records(kinds):
        inside, ends = f"{one['inside']} of {one['n']}", (one["inside_low_pct"], one["inside_high_pct"])
        out.append(
            f"{one['timed']:<16}{one['disk']:<16}{one['n']:>4}{one['predicted_s']:>9.0f} s{one['actual_s']:>8.0f} s"
            f"{one['ratio']:>7.2f}{inside:>9}  {ends[0]:.0f} to {ends[1]:.0f}"
        )
    out += [
        "Medians; ratio is measured over predicted. Inside: a phase within the 80 % interval of its unit's minutes, of",
        "which a phase alone may vary more; desktop and browser not above the bound that holds with "
        f"{100 * found.certainty:.0f} % certainty.",
        "Largest misses:",
    ]
    for one in records(found.misses()):
        times = f"took {one['actual_s']:.0f} s, predicted {one['predicted_s']:.0f} s"
        out.append(f"  {one['asset_tag']}, {one['timed']}: {times}")
    with_parts = list(dict.fromkeys(found.rows.loc[found.rows["parts"].ne(""), "asset_tag"]))
    if with_parts:
        out += [
            f"Predicted with the parts fitted that are advised: {few(with_parts, 8)}.",
            "If it was timed without them, give its edition in a column of the list.",
        ]
    if kinds["n"].min() < FEW:
        out += [
            f"Few times tell little: with fewer than {FEW} in a line of the table, the share inside is known no better",
            "than its last column says.",
        ]
    return out


def problem_lines(problems: pd.DataFrame) -> list[str]:
    """A sentence for each row that could not be compared."""
    return [
        f"Row {one['row']}, {one['column']} {one['value']!r}: {one['problem']}; "
        f"accepted: {one['accepted'].rstrip('.')}."
        for one in records(problems)
    ]
