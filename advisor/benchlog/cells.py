"""A raw sheet's columns on their way to values, each distinct text parsed once; rows that cannot be read are named."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from advisor.errors import InputError
from advisor.intake import said
from advisor.intake.columns import Column, Ledger
from advisor.intake.headers import Mapped
from advisor.intake.parsed import Parsed


class Cells:
    """A sheet's values so far; `bad` tells the rows that cannot be read.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_rows, any)
        Text cells as `intake.read` gives them.
    mapping : sequence of Mapped
        What each header was understood as.
    needed : mapping of str to collection of str
        In words what must be there, and the fields of which one will do.
    hint : str
        How to name the columns.

    Raises
    ------
    InputError
        When something needed is not there.
    """

    def __init__(
        self, raw: pd.DataFrame, mapping: Sequence[Mapped], needed: Mapping[str, Collection[str]], hint: str
    ) -> None:
        self.raw, self.mapping, self.ledger = raw, mapping, Ledger()
        self.place = {one.field: at for at, one in enumerate(mapping) if one.field}
        lacking = [words for words, names in needed.items() if not any(name in self.place for name in names)]
        if lacking:
            headers = ", ".join(repr(one.header[:40]) for one in mapping[:12]) or "none"
            raise InputError(f"No column is understood as {', or as '.join(lacking)}; the headers are {headers}.", hint)
        self.values: dict[str, np.ndarray] = {}
        self.counts: dict[int, tuple[int, np.ndarray]] = {}
        """By column that was read: cells that say something, and rows whose cell was not understood."""
        self.bad = np.zeros(len(raw), dtype=bool)
        torn, which, texts = said.positions(raw)
        self.ledger.problem(torn, which, list(texts))
        self.bad[torn] = True

    def column(self, name: str) -> Column:
        """The column of a field that is there."""
        at = self.place[name]
        return Column.of(self.raw, at, self.mapping[at])

    def read(self, name: str, parse: Callable[[str], Parsed]) -> None:
        """Parse a field's column, where there is one."""
        if name not in self.place:
            return
        column = self.column(name)
        outcomes = [parse(text) for text in column.texts]
        self.values[name] = column.take([one.value for one in outcomes])
        bad = self.ledger.outcomes(column, outcomes)
        self.bad[bad] = True
        given = np.array([*(one.value is not None or bool(one.problem) for one in outcomes), False])
        self.counts[self.place[name]] = int(given[column.codes].sum()), bad

    def have(self, name: str) -> np.ndarray:
        """Values of a field by row; None where nothing is known."""
        found = self.values.get(name)
        return np.full(len(self.raw), None, dtype=object) if found is None else found

    def refuse(self, row: int, name: str, problem: str, accepted: str) -> None:
        """Leave a row out, and say why by one of its fields."""
        at = self.place.get(name)
        header, value = (name, "") if at is None else (self.mapping[at].header, str(self.raw.iloc[row, at]))
        self.ledger.problem(np.array([row]), np.array([0]), [(header, value, problem, accepted)])
        self.bad[row] = True
