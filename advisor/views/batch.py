"""The state behind the batch view: one sheet, scored in pieces, and what is shown of it. No widgets here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from advisor.errors import InputError
from advisor.shop import Shop, default_shop
from advisor.unit import Advice, StorageKind
from advisor.views.charts import Bar
from advisor.views.files_in import Sheet, read_file
from advisor.views.findings import Findings, findings, word
from advisor.views.markup import duration
from advisor.views.paged import PAGE, Choice, chosen, search_text

if TYPE_CHECKING:
    from advisor.advice import Assessment
    from advisor.intake import Understood

PIECE = 500
"""Rows scored at a time, so that the progress bar moves."""

MOST_SHEETS = 2000
"""Most sheets made into one PDF; more are narrowed first."""

SHOWN = (
    "tag",
    "machine",
    "advice",
    "edition",
    "image_used",
    "hands_on_min",
    "elapsed_min",
    "elapsed_low_min",
    "elapsed_high_min",
    "reasons",
    "best_fix",
    "status",
)
"""Columns kept ready for the table."""

MEMORY_STEPS = (0.0, 2.0, 4.0, 8.0, 16.0, np.inf)
"""Edges of the memory classes [GiB]."""

MEMORY_NAMES = ("under 2", "2 to under 4", "4 to under 8", "8 to under 16", "16 and more", "unknown")


@dataclass
class Scored:
    """A scored batch.

    Attributes
    ----------
    name : str
        File name of the sheet.
    understood : Understood
    pieces : list of (int, Assessment)
        First row of each piece, and its assessment.
    frame : pandas.DataFrame
        Intake columns as they came, and the scored ones.
    view : pandas.DataFrame
        Columns `SHOWN`.
    searched : pandas.Series of str
    """

    name: str
    understood: Understood
    pieces: list[tuple[int, Assessment]]
    frame: pd.DataFrame
    view: pd.DataFrame
    searched: pd.Series[str]

    def at(self, row: int) -> tuple[Assessment, int]:
        """The assessment that holds a row, and the row's position in it."""
        start, assessment = next((start, one) for start, one in reversed(self.pieces) if start <= row)
        return assessment, row - start

    def units(self) -> pd.DataFrame:
        """Unit frame of the whole batch."""
        return pd.concat([one.units for _, one in self.pieces], ignore_index=True)


@dataclass
class Batch:
    """One sheet and what is shown of it.

    Parameters
    ----------
    shop : Shop, optional
    assess : callable, optional
        From a frame and a shop to an Assessment; `advisor.advice.assess` when left out.
    """

    shop: Shop = field(default_factory=default_shop)
    assess: Callable[[pd.DataFrame, Shop], Assessment] | None = None
    scored: Scored | None = None
    choice: Choice = field(default_factory=Choice)
    row: int | None = None

    def score(self, name: str, content: bytes, progress: Callable[[int, int], None]) -> str:
        """Read a sheet and score it, telling how far it is.

        Parameters
        ----------
        name : str
        content : bytes
        progress : callable
            Called with rows done and rows in all.

        Returns
        -------
        str
            What was done.
        """
        got = read_file(name, content)
        if not isinstance(got, Sheet):
            raise InputError(
                f"{name} is a capture, not a sheet.", "Open it in the triage view, or hand in a CSV or Excel file."
            )
        return self.score_frame(got.name, got.raw, progress)

    def score_frame(self, name: str, raw: pd.DataFrame, progress: Callable[[int, int], None]) -> str:
        """Score a sheet's cells; see `score`."""
        from advisor import intake

        if not len(raw):
            raise InputError(
                f"{name} has a header but no rows.", "Add a row a unit, with at least its tag and processor."
            )
        understood = intake.understand(raw)
        pieces: list[tuple[int, Assessment]] = []
        progress(0, len(raw))
        for start, assessment in self._pieces(raw):
            pieces.append((start, assessment))
            progress(min(start + PIECE, len(raw)), len(raw))
        frame = pd.concat([one.scored for _, one in pieces], ignore_index=True)
        view = _view(frame, understood.units)
        self.scored = Scored(name, understood, pieces, frame, view, search_text(view, SHOWN))
        self.choice, self.row = Choice(), None
        unreadable = int(view["status"].eq("unreadable").sum())
        return f"{len(frame)} rows of {name} scored" + (
            f"; {unreadable} could not be read and say why." if unreadable else "."
        )

    def _pieces(self, raw: pd.DataFrame) -> Iterator[tuple[int, Assessment]]:
        from advisor import intake
        from advisor.advice import assess

        score = self.assess or assess
        for number, piece in enumerate(intake.in_pieces(raw, PIECE)):
            yield number * PIECE, score(piece, self.shop)

    def rows(self) -> np.ndarray:
        """Positions of the rows the table shows, over all pages."""
        scored = self._here()
        return chosen(scored.view, scored.searched, self.choice)

    def page(self) -> np.ndarray:
        """Positions of the rows on the page in view."""
        rows = self.rows()
        last = max(0, -(-len(rows) // PAGE) - 1)
        self.choice = replace(self.choice, page=min(self.choice.page, last))
        return rows[self.choice.page * PAGE : (self.choice.page + 1) * PAGE]

    def found(self) -> Findings | None:
        """What was found out about the row in view."""
        if self.row is None:
            return None
        return findings(*self._here().at(self.row))

    def csv(self) -> tuple[str, bytes]:
        """The scored CSV: file name and bytes; cells that a spreadsheet would run are made harmless."""
        from advisor import intake

        scored = self._here()
        stem = scored.name.rsplit(".", 1)[0]
        return f"{stem}-scored.csv", intake.safe_frame(scored.frame).to_csv(index=False).encode("utf-8")

    def sheets(self, progress: Callable[[int, int], None]) -> tuple[str, bytes]:
        """The sheets of all rows shown as one PDF: file name and bytes.

        Parameters
        ----------
        progress : callable
            Called with sheets composed and sheets in all.
        """
        from advisor import sheet

        scored, rows = self._here(), self.rows()
        if not len(rows):
            raise InputError("No row is shown, so there is no sheet to make.", "Take the words out of 'Narrow'.")
        if len(rows) > MOST_SHEETS:
            raise InputError(
                f"{len(rows)} sheets are too many for one PDF (at most {MOST_SHEETS}).",
                "Narrow the table first, such as to one advice.",
            )
        composed = []
        for number, row in enumerate(rows):
            composed.append(sheet.compose(*scored.at(int(row))))
            if number % 25 == 0:
                progress(number, len(rows))
        pdf = bytes(sheet.render_pdf(composed))
        progress(len(rows), len(rows))
        stem = scored.name.rsplit(".", 1)[0]
        return f"{stem}-sheets.pdf", pdf

    def _here(self) -> Scored:
        if self.scored is None:
            raise InputError("No sheet is loaded.", "Open an intake sheet first.")
        return self.scored


def _view(frame: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    name = units["maker"].fillna("").str.cat(units["model"].fillna(""), sep=" ").str.strip()
    out = frame[[column for column in SHOWN if column in frame.columns]].copy()
    out.insert(0, "tag", units["asset_tag"].to_numpy())
    out.insert(1, "machine", name.to_numpy())
    return out


def advice_grid(units: pd.DataFrame, advice: pd.Series[str]) -> pd.DataFrame:
    """Count units by storage, memory and advice.

    Parameters
    ----------
    units : pandas.DataFrame, shape (n_units, ...)
        A Unit frame.
    advice : pandas.Series of str, shape (n_units,)

    Returns
    -------
    pandas.DataFrame
        Index: (kind of storage or 'unknown', memory class of `MEMORY_NAMES`); a column an advice; counts.
    """
    ram = units["ram_gib"].to_numpy(dtype="float64", na_value=np.nan)
    step = np.searchsorted(np.array(MEMORY_STEPS[1:-1]), ram, side="right")
    names = np.array(MEMORY_NAMES)[np.where(np.isnan(ram), len(MEMORY_NAMES) - 1, step)]
    memory = pd.Categorical(names, categories=list(MEMORY_NAMES))
    kinds = [str(kind) for kind in StorageKind] + ["unknown"]
    storage = pd.Categorical(units["storage_kind"].fillna("unknown").astype(str), categories=kinds)
    return pd.crosstab(
        [pd.Series(storage, name="storage"), pd.Series(memory, name="memory")],
        pd.Series(pd.Categorical(advice.astype(str), categories=[str(one) for one in Advice]), name="advice"),
        dropna=False,
    )


def hours_by_advice(view: pd.DataFrame) -> list[Bar]:
    """Sum up bench hours by advice, with their interval.

    Parameters
    ----------
    view : pandas.DataFrame
        Columns advice, hands_on_min, elapsed_min, elapsed_low_min, elapsed_high_min.

    Returns
    -------
    list of Bar
        An advice that has minutes each. The ends are sums of the units' 80 % ends: that is the 80 % interval of the sum
        when the units' errors go together (quantiles of comonotonic variables add up), and wider than needed when they
        do not.
    """
    out = []
    for advice in Advice:
        rows = view[view["advice"].eq(str(advice)).fillna(False)]
        minutes = rows["elapsed_min"].dropna()
        if not len(rows):
            continue
        if not len(minutes):
            out.append(Bar(str(advice), 0, f"{len(rows)} units, no minutes"))
            continue
        low, high = rows["elapsed_low_min"].sum() / 60, rows["elapsed_high_min"].sum() / 60
        out.append(
            Bar(
                label=str(advice),
                value=float(minutes.sum() / 60),
                note=f"{minutes.sum() / 60:.0f} h, {len(rows)} units",
                low=float(low),
                high=float(high),
                part=float(rows["hands_on_min"].sum() / 60),
            )
        )
    return out


def parts_that_pay(pieces: list[tuple[int, Assessment]], most: int = 8) -> list[Bar]:
    """Count the units that each part helps.

    Parameters
    ----------
    pieces : list of (int, Assessment)
    most : int
        Most parts shown.

    Returns
    -------
    list of Bar
        Most units first; the hatched part are units that it cures of what blocks them.
    """
    frames = [one.parts.assign(unit=one.parts["row"] + start) for start, one in pieces if len(one.parts)]
    if not frames:
        return []
    every = pd.concat(frames, ignore_index=True)
    grouped = every.groupby("part", sort=False).agg(
        units=("unit", "nunique"), cured=("cures", "sum"), drawer=("in_stock", "any"), fit=("fit_min", "median")
    )
    best = grouped.sort_values("units", ascending=False, kind="stable").head(most)
    return [
        Bar(
            label=word(name)[:30],
            value=float(row["units"]),
            note=f"{int(row['units'])}" + (", in the drawer" if row["drawer"] else ""),
            part=float(row["cured"]) or None,
        )
        for name, row in best.iterrows()
    ]


def summary(view: pd.DataFrame) -> str:
    """Say in a sentence what the batch is.

    Parameters
    ----------
    view : pandas.DataFrame

    Returns
    -------
    str
    """
    hands, slot = view["hands_on_min"].sum(), view["elapsed_min"].sum()
    return (
        f"{len(view)} units: {duration(hands)} hands-on and {duration(slot)} in slots; units without minutes add none."
    )
