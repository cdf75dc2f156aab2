"""Rows that are alike in all that decides: which cells those are, what is scored once, and the lines made of it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from advisor.advice import SCORED_COLUMNS, assess
from advisor.columns import numbers
from advisor.intake.carried import carried
from advisor.intake.elsewhere import MOST, is_free_text, scored_before, telling
from advisor.intake.headers import map_headers
from advisor.intake.parsing import plain_text
from advisor.intake.reading import NO_HEADER
from advisor.intake.safety import FORMULA_STARTS, safe_cell, safe_frame
from advisor.unit import Advice, Status

if TYPE_CHECKING:
    from advisor.shop import Shop
    from advisor.timing import TimingModel

ADVICE, STATUS = tuple(map(str, Advice)), tuple(map(str, Status))

BETWEEN = "\x1f"
"""Between the cells of a row that is told or sent as one text."""

_PLAIN = r"(?:[A-Za-z0-9][A-Za-z0-9 ._/#-]*)?"
"""Cells that a CSV holds as they are."""

_TAG = r"(?=[^\n]*\d)[A-Za-z0-9][A-Za-z0-9._/#-]{0,60}"
"""Tags that are surely tags: with a digit, unlike all words for 'unknown', and tidy."""

_SPECIAL = ('"', "\r", "\n", *(f",{start}" for start in FORMULA_STARTS))
"""What a line of typed cells, with a comma before it, holds where one must be quoted or made harmless."""

_ONE_TAG = re.compile(_TAG)
_ALL_PLAIN, _ALL_TAGS = (re.compile(rf"{one}(?:\n{one})*") for one in (_PLAIN, _TAG))
"""The cells of a column, a line each."""


class Scored(NamedTuple):
    """What is written and counted of a row."""

    line: str  # The scored cells as CSV, with the line's end
    # advice, status: Position in `ADVICE` and `STATUS`, -1 for none.
    advice: int
    status: int
    # hands_on_min, elapsed_min: NaN where nothing is done.
    hands_on_min: float
    elapsed_min: float
    wishes: bool = False  # What it gets hangs on who else wants a part of the drawer


def lines_of(columns: Iterable[Sequence[Any]]) -> list[str]:
    """Columns as lines of CSV: the standard writer's bytes, in a quarter of the time where texts are long."""
    return [f"{','.join(row)}\n" for row in zip(*map(_fields, columns), strict=True)]


def _fields(column: Sequence[Any]) -> list[str]:
    """The cells of a column as CSV; most columns hold none that must be quoted."""
    texts = list(map(str, column))
    whole = "".join(texts)
    return list(map(quoted, texts)) if any(one in whole for one in ',"\n\r') else texts


def quoted(value: object) -> str:
    """One cell as CSV, quoted where it must be."""
    text = str(value)
    if "," in text or '"' in text or "\n" in text or "\r" in text:
        text = text.replace('"', '""')
        return f'"{text}"'
    return text


@lru_cache(65_536)
def _field(cell: str) -> str:
    """One cell as CSV, harmless to spreadsheets."""
    return quoted(safe_cell(cell))


def scored_rows(
    frame: pd.DataFrame, shop: Shop, model: TimingModel | None = None, raw_text: bool = False, apart: bool = False
) -> list[Scored]:
    """Score intake rows as typed: a pure function of its arguments and the tables; `raw_text` leaves cells that a
    spreadsheet would run, `apart` takes each row by itself as `advisor.advice.assess` does.
    """
    batch = assess(frame, shop, model, apart=apart)
    scored = batch.scored
    safe = scored if raw_text else safe_frame(scored)
    columns = [safe[name].astype(object).where(safe[name].notna(), "").tolist() for name in SCORED_COLUMNS]
    hands, elapsed = (numbers(scored[name]).tolist() for name in ("hands_on_min", "elapsed_min"))
    words = [pd.Categorical(scored[name], categories=all_) for name, all_ in (("advice", ADVICE), ("status", STATUS))]
    lines = lines_of(columns)
    advice, status = (one.codes.tolist() for one in words)
    return list(map(Scored, lines, advice, status, hands, elapsed, batch.shares.wishes.tolist()))


def score_partition(frame: pd.DataFrame, shop: Shop | None = None, model: TimingModel | None = None) -> pd.DataFrame:
    """Add the scored columns to a part of a sheet, each row by itself: for ``map_partitions`` of a cluster's frame.

    Parameters
    ----------
    shop : Shop, optional
        One without a drawer: parts are shared over a whole batch, which a part does not see.

    Returns
    -------
    pandas.DataFrame
        Same rows under the same index.

    Raises
    ------
    InputError
        When the shop has parts in its drawer.
    """
    from advisor.errors import InputError

    if shop is not None and any(part.count for part in shop.stock):
        raise InputError(
            "The drawer is shared over a whole batch, which a part of one does not see.",
            "Use a shop without stock, or `advisor score --cluster`, which shares it at the end.",
        )
    out = assess(frame, shop, model, apart=True).frame
    return out.set_axis(frame.index, axis=0)


class Restart(Exception):
    """What was taken for granted of a sheet does not hold: begin anew with this."""

    def __init__(self, width: int, unread: frozenset[int]) -> None:
        super().__init__()
        self.width, self.unread = width, unread


class Template:
    """A machine as the sheet describes it: its line, with gaps where the cells of each row's own stand."""

    __slots__ = ("form", "scored")

    def __init__(self, form: str, scored: Scored | None = None) -> None:
        self.form = form
        self.scored: Scored | None = None
        if scored is not None:
            self.settle(scored)

    def settle(self, scored: Scored) -> None:
        """Take over what was scored: `form % own` is a row's line, with its own cells as they are written."""
        self.form += _literal(scored.line)
        self.scored = scored


def _literal(text: str) -> str:
    return text.replace("%", "%%")


class Keyed(NamedTuple):
    """Rows, taken apart."""

    keys: list[str]  # What decides; the same for machines that are alike
    own: list[tuple[str, ...]]  # The cells that are a row's own, as they are written
    tags: list[str]  # By which it may be the same unit as another; '' for none


def _all(pattern: re.Pattern[str], cells: Sequence[str]) -> bool:
    """Whether each cell of a column is such a one."""
    text = "\n".join(cells)
    return text.count("\n") == len(cells) - 1 and pattern.fullmatch(text) is not None


class Layout:
    """Which columns of a sheet are a row's own, and how its lines are put together.

    A column that is no field and holds no notes is a row's own: what a cell of it says of the machine, such as 'no
    charger', goes into the key instead. One with more texts than `MOST` is not read, as the whole sheet's is not.
    """

    def __init__(self, header: list[str], unread: frozenset[int], raw_text: bool) -> None:
        self.header, self.unread = header, unread
        mapped = map_headers(header)
        self.tag = next((at for at, one in enumerate(mapped) if one.field == "asset_tag"), None)
        told_before = scored_before(header)
        self.loose = [
            at for at, one in enumerate(mapped)
            if one.field is None and not is_free_text(one.header) and not one.header.startswith(NO_HEADER)
        ]  # fmt: skip
        self.silent = {at for at in self.loose if header[at] in told_before} | unread
        self.told: dict[int, dict[str, tuple[str, str]]] = {at: {} for at in self.loose if at not in self.silent}
        self.own = sorted({*self.loose, *([] if self.tag is None else [self.tag])})
        # In the order of the columns, which writing out keeps.
        places = carried(pd.DataFrame([range(len(header))], columns=header), SCORED_COLUMNS)
        self.stay = [int(at) for at in places.iloc[0]]
        self.field: Callable[[str], str] = quoted if raw_text else _field
        self.written = set(self.stay) & set(self.own)
        self.names = [str(name if raw_text else safe_cell(name)) for name in (*places.columns, *SCORED_COLUMNS)]

    def keyed(self, rows: Sequence[list[str]]) -> Keyed:
        """What decides of rows, and what is their own; Restart when a column has more texts than are read."""
        columns: list[Sequence[str]] = list(zip(*rows, strict=True))
        own, tags = [], [""] * len(rows)
        for at in self.own:
            cells = columns[at]
            if at == self.tag:
                columns[at], texts, tags = self._tags(cells)
            elif told := self._told(at, cells):
                columns[at], texts = ([told[cell][part] for cell in cells] for part in (0, 1))
            else:
                columns[at] = [""] * len(rows)
                texts = list(cells) if _all(_ALL_PLAIN, cells) else list(map(self.field, cells))
            if at in self.written:
                own.append(texts)
        keys = list(map(BETWEEN.join, zip(*columns, strict=True)))
        if sum(key.count(BETWEEN) for key in keys) > len(keys) * (len(columns) - 1):
            keys = list(map(repr, zip(*columns, strict=True)))
        return Keyed(keys, list(zip(*own, strict=True)) if own else [()] * len(rows), tags)

    def _tags(self, cells: Sequence[str]) -> tuple[list[str], list[str], list[str]]:
        """What a column of tags adds to the keys, how it is written, and the tags."""
        if _all(_ALL_TAGS, cells):
            return [""] * len(cells), list(cells), list(cells)
        tidy = [_ONE_TAG.fullmatch(cell) is not None for cell in cells]
        return (
            ["" if one else f"tag {cell}" for one, cell in zip(tidy, cells, strict=True)],
            list(map(self.field, cells)),
            [cell if one else plain_text(cell, "asset_tag") or "" for one, cell in zip(tidy, cells, strict=True)],
        )

    def _told(self, at: int, cells: Sequence[str]) -> dict[str, tuple[str, str]] | None:
        """What each cell of a loose column says of the machine, and how it is written; None where it is not read."""
        told = self.told.get(at)
        if told is None:
            return None
        for cell in dict.fromkeys(cells):
            if cell in told:
                continue
            if len(told) >= MOST:
                if any(said for said, _ in told.values()):
                    raise Restart(len(self.header), self.unread | {at})
                self.silent.add(at)
                del self.told[at]
                return None
            told[cell] = (telling(cell, self.header[at]) or "", self.field(cell))
        return told

    def header_line(self) -> bytes:
        """The line of headers, as it is written."""
        return f"{','.join(map(quoted, self.names))}\n".encode()

    def form(self, cells: list[str]) -> str:
        """A row's line as far as it is typed, with '%s' for each cell of its own."""
        gaps = cells.copy()
        for at in self.written:
            gaps[at] = "%s"
        line = f",{','.join([gaps[at] for at in self.stay])},"
        # Most rows hold no cell that must be quoted, made harmless or told from a gap.
        plain = line.count(",") == len(self.stay) + 1 and line.count("%") == len(self.written)
        if plain and not any(one in line for one in _SPECIAL):
            return line[1:]
        return "".join("%s," if at in self.written else _literal(f"{self.field(cells[at])},") for at in self.stay)

    def of_machine(self, number: int, cells: list[str]) -> list[str]:
        """The row that stands for a machine: a tag that no other has, nothing that only seems to be said."""
        out = cells.copy()
        for at in self.silent:
            out[at] = ""
        if self.tag is not None and _ONE_TAG.fullmatch(cells[self.tag]):
            out[self.tag] = f"machine {number}"
        return out
