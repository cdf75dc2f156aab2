"""The column mapping as a plain text."""

from __future__ import annotations

import itertools

import pandas as pd

from advisor.phrases import counted, few

_MOST = 40
"""Lines that are shown."""


def mapping_report(columns: pd.DataFrame, problems: pd.DataFrame, notes: pd.DataFrame, rows: int) -> str:
    """Say how the columns of a sheet were understood.

    Parameters
    ----------
    columns, problems, notes : pandas.DataFrame
        As in `Understood`.
    rows : int
        Number of data rows.
    """
    head = ("column", "read as", "understood", "empty", "not understood", "how")
    body = []
    for record in columns.itertuples(index=False):
        known = isinstance(record.field, str)
        body.append(
            (
                _short(record.header, 28), _short(record.field, 28) if known else "(carried through)",
                str(record.understood) if known else "", str(record.empty) if known else "",
                str(record.not_understood) if known else "", _short(record.how, 100),
            )
        )  # fmt: skip
    widths = [max(len(line[i]) for line in [head, *body]) for i in range(len(head))]
    lines = [f"{counted(rows, 'row')}, {counted(len(columns), 'column')}", ""]
    for line in [head, *body]:
        cells = [
            cell.rjust(w) if 2 <= i <= 4 else cell.ljust(w)
            for i, (cell, w) in enumerate(zip(line, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    if len(problems):
        lines += ["", f"Not understood: {_cells(problems)}"]
        lines += _grouped(problems, "problem")
    if len(notes):
        lines += ["", f"Assumed: {_cells(notes)}"]
        lines += _grouped(notes, "note")
    return "\n".join(lines) + "\n"


def _cells(frame: pd.DataFrame) -> str:
    return f"{counted(len(frame), 'cell')} on {counted(frame['row'].nunique(), 'row')}"


def _grouped(frame: pd.DataFrame, what: str) -> list[str]:
    """One line for each column, value and reason, with its rows."""
    named = [name for name in ("column", "value", what, "accepted") if name in frame]
    groups = frame.groupby(named, sort=False)["row"]
    lines = []
    for (column, value, reason, *accepted), rows in itertools.islice(groups, _MOST):
        cell = f" {_short(value, 40)!r}" if value else ""
        lines.append(f"  row{'s' * (len(rows) > 1)} {few(rows.tolist(), 8)}: {_short(column, 24)}{cell}: {reason}")
        lines += [f"      accepted: {one}" for one in accepted if one]
    if groups.ngroups > _MOST:
        lines.append(f"  and {groups.ngroups - _MOST} more kinds")
    return lines


def _short(text: object, width: int) -> str:
    plain = "".join(one for one in " ".join(str(text).split()) if one.isprintable())
    return plain if len(plain) <= width else plain[: width - 3] + "..."
