"""Understand a raw sheet: a Unit frame, what was not understood, and how the columns were mapped."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from advisor.intake.columns import NOTE_COLUMNS, PROBLEM_COLUMNS, table
from advisor.unit import DTYPES, UNIT_COLUMNS, pandas_dtypes


@dataclass
class Understood:
    """A sheet, understood."""

    units: pd.DataFrame  # A Unit frame, a row a raw row, same order, shape (n_rows, len(UNIT_COLUMNS)
    # row (data row, counted from 1), column (header as found), value, problem, accepted: what was not understood.
    problems: pd.DataFrame
    notes: pd.DataFrame  # row, column, value, note: what was understood under an assumption, or chosen among several
    # header, field (NA when not recognised), how, understood, empty, not_understood (numbers of rows), rows (the data
    # rows not understood, as text, the first few).
    columns: pd.DataFrame
    extra: pd.DataFrame = field(default_factory=pd.DataFrame)  # Columns that are no fields, as they came

    def report(self) -> str:
        """Say in plain text how the columns were understood, and which rows were not."""
        from advisor.intake.report import mapping_report

        return mapping_report(self.columns, self.problems, self.notes, len(self.units))


def understand(raw: pd.DataFrame) -> Understood:
    """Understand a sheet of units.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_rows, any)
        Text cells as `read` gives them; numbers, booleans and NA are taken too. A Unit frame comes back as it is.

    Raises
    ------
    InputError
        When no column can be understood as the asset tag or the processor.
    """
    if _is_unit_frame(raw):
        return _typed(raw)
    # What reads typed cells is not needed for a capture, and takes long to bring in.
    from advisor.intake.parsing import Parsing

    sheet = Parsing(raw)
    units = sheet.read()
    return Understood(units, sheet.ledger.problems(), sheet.ledger.notes(), sheet.columns(), sheet.extra)


def _is_unit_frame(raw: pd.DataFrame) -> bool:
    if not set(raw.columns) >= set(UNIT_COLUMNS) or not raw.columns.is_unique:
        return False
    return all(str(raw[name].dtype) == DTYPES[name] for name in UNIT_COLUMNS if DTYPES[name] != "string")


def _typed(raw: pd.DataFrame) -> Understood:
    only = list(raw.columns) == list(UNIT_COLUMNS)
    units = (raw if only else raw[list(UNIT_COLUMNS)]).reset_index(drop=True)
    # Only text comes in several dtypes; converting what is converted already costs a good part of a correction.
    other = {name: dtype for name, dtype in pandas_dtypes().items() if units[name].dtype != dtype}
    units = units.astype(other) if other else units
    extra = raw[[name for name in raw.columns if name not in UNIT_COLUMNS]].reset_index(drop=True)
    filled = units.notna().to_numpy().sum(axis=0)
    names = list(UNIT_COLUMNS)
    columns = pd.DataFrame(
        {
            "header": pd.array(names, dtype="string"),
            "field": pd.array(names, dtype="string"),
            "how": "already typed",
            "understood": filled,
            "empty": len(units) - filled,
            "not_understood": 0,
            "rows": "",
        }
    )
    return Understood(units, table([], PROBLEM_COLUMNS), table([], NOTE_COLUMNS), columns, extra)
