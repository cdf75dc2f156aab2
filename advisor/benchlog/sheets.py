"""Old log sheets, understood: loosely named columns to jobs, with what was read as what, and what was not."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from advisor import intake
from advisor.benchlog import sheet_cells
from advisor.benchlog.cells import Cells
from advisor.benchlog.database import PREDICTED
from advisor.benchlog.frames import FACTS, phase_names
from advisor.benchlog.headers import OWN, fields, overridden, vocabulary
from advisor.benchlog.jobs import Job, faults, word
from advisor.benchlog.sheet_cells import Order
from advisor.columns import records
from advisor.intake.columns import NOTE_COLUMNS
from advisor.intake.headers import map_headers, plain
from advisor.intake.parsed import NONE_WORDS, UNKNOWN, Parsed, squeeze
from advisor.intake.report import mapping_report
from advisor.intake.safety import unguarded
from advisor.phrases import few, tidy_text
from advisor.unit import DTYPES, UNIT_COLUMNS

_TEXTS = ("technician", "image", "parts", "note", "reason")
_VERBATIM = {*_TEXTS, "asset_tag", "edition", "source", "provenance", "model_version"}
_EXPORT = {"job", "asset_tag", "date", "source", "model_version"}
_LEAST_BARE = 15.0
"""A column whose unit-less numbers all reach this counts minutes: nobody's bench hours all do [1]."""

_EXACT = re.compile(r"-?[0-9]+(?:\.[0-9]+)?(?:e[+-]?[0-9]{1,3})?")
_HINT = "Name the columns asset_tag, date and elapsed_min or hands_on_min, or say --column 'HEADER=FIELD'."


@dataclass(frozen=True)
class SheetRow:
    """One good row of a sheet."""

    number: int  # Data row, counted from 1
    job: Job
    facts: dict[str, Any] = field(default_factory=dict)  # What the sheet says of the unit, fields of the Unit
    # What had been predicted, as far as the sheet says: 'model' and the names of `PREDICTED`.
    scored: dict[str, Any] = field(default_factory=dict)
    exported: bool = False  # The sheet is an exported log


@dataclass(frozen=True)
class LogSheet:
    """A log sheet, understood."""

    name: str
    length: int  # Data rows
    rows: list[SheetRow]  # The good ones, in the sheet's order
    problems: pd.DataFrame  # row, column, value, problem, accepted: why the other rows are none
    notes: pd.DataFrame  # row, column, value, note: what was read under an assumption, or left out of a good row
    columns: pd.DataFrame  # header, field, how, understood, empty, not_understood, rows

    def report(self) -> str:
        """Say in plain text how the columns were understood, and which rows were not."""
        return mapping_report(self.columns, self.problems, self.notes, self.length)


def understand(
    raw: pd.DataFrame, name: str, *, dates: Order | None = None, unit: str = "",
    columns: Mapping[str, str] | None = None, today: date | None = None,
) -> LogSheet:  # fmt: skip
    """Understand a log sheet.

    Parameters
    ----------
    raw : pandas.DataFrame, shape (n_rows, any)
        Text cells as `read_sheet` gives them.
    name : str
        The sheet's name, kept with every job.
    dates : Order, optional
        Order of numeric dates that would be ambiguous.
    unit : str
        'min' or 'h': what numbers count whose column and cell state no unit.
    columns : mapping of str to str, optional
        Header to field ('' for none), over what its words would give.

    Returns
    -------
    LogSheet
        A row with a cell of the job that is not understood is no job; a fact of the unit that is not understood is
        left out, and said.

    Raises
    ------
    InputError
        When no column is understood as the tag, the day, or minutes.
    """
    return _LogCells(raw, name, dates, unit, columns or {}, today).sheet()


@dataclass(frozen=True)
class _End:
    """When a job began or ended."""

    day: str | None
    minute: int | None  # Of the day [min]


class _LogCells(Cells):
    """A log sheet on its way to jobs, column by column."""

    def __init__(
        self, raw: pd.DataFrame, name: str, dates: Order | None, unit: str, columns: Mapping[str, str],
        today: date | None,
    ) -> None:  # fmt: skip
        self.name, self.dates, self.unit, self.today = tidy_text(name)[:200], dates, unit, today
        headers = [str(header) for header in raw.columns]
        self.exported = set(headers) >= _EXPORT
        self.minutes = ("hands_on_min", "elapsed_min", *(f"{one}_min" for one in phase_names()))
        needed = {
            "the asset tag": ("asset_tag",), "the day": ("date", "started", "finished"),
            "minutes": (*self.minutes, "started"),
        }  # fmt: skip
        super().__init__(raw, overridden(map_headers(headers, vocabulary()), columns), needed, _HINT)
        self.raw = raw.map(unguarded) if len(raw) else raw.copy()
        self.raw.attrs = {}
        self.about_facts = pd.DataFrame(columns=list(NOTE_COLUMNS))
        self.facts_columns: dict[str, dict[str, Any]] = {}

    def sheet(self) -> LogSheet:
        self.read("asset_tag", _text)
        self.read("date", self._day)
        for name in self.minutes:
            self._minutes(name)
        self.read("outcome", sheet_cells.outcome)
        self.read("edition", sheet_cells.edition)
        for name in _TEXTS:
            self.read(name, _part if name == "parts" else _text if name != "note" else _kept)
        self._between()
        for name in OWN if self.exported else ():
            self.read(name, _exact if name in PREDICTED else _text)
        rows = self._rows(self._facts())
        notes = pd.concat([self.ledger.notes(), self.about_facts]).sort_values("row", kind="stable", ignore_index=True)
        return LogSheet(self.name, len(self.raw), rows, self.ledger.problems(), notes, self._columns())

    def read(self, name: str, parse: Callable[[str], Parsed]) -> None:
        super().read(name, _verbatim if self.exported and name in _VERBATIM else parse)

    def _day(self, text: str) -> Parsed:
        return sheet_cells.day(text, self.dates, self.today)

    def _minutes(self, name: str) -> None:
        if name not in self.place:
            return
        column = self.column(name)
        unit = column.mapped.unit or vocabulary().units.get(plain(column.mapped.header), "") or self.unit
        bare = [one for one in map(sheet_cells.bare, column.texts) if one]
        assumed = not unit and min(bare, default=0) >= _LEAST_BARE

        def parse(text: str) -> Parsed:
            found = _exact(text) if self.exported else sheet_cells.minutes(text, "min" if assumed else unit)
            if not assumed or found.value is None or sheet_cells.bare(text) is None:
                return found
            return found._replace(note="; ".join(filter(None, (found.note, "no unit is stated; read as minutes"))))

        self.read(name, parse)

    def _between(self) -> None:
        """Minutes in the slot between start and finish, and the day of the finish, where no cell gives them."""
        if not {"started", "finished"} & self.place.keys():
            return
        for name in ("started", "finished"):
            self.read(name, self._end)
        days, took, none = self.have("date").copy(), self.have("elapsed_min").copy(), _End(None, None)
        for row, ends in enumerate(zip(self.have("started"), self.have("finished"), strict=True)):
            first, last = (end or none for end in ends)
            days[row] = days[row] or last.day or first.day
            if took[row] is not None or first.minute is None or last.minute is None:
                continue
            dated = [date.fromisoformat(end.day) for end in (first, last) if end.day]
            apart = (dated[1] - dated[0]).days * 1440 if len(dated) == 2 else 0
            minutes = float(last.minute - first.minute + apart)
            if 0 < minutes <= sheet_cells.MOST_MIN:
                took[row] = minutes
            else:
                self.refuse(row, "finished", "finished not after it was started", "times with their days beside them")
        self.values |= {"date": days, "elapsed_min": took}

    def _end(self, text: str) -> Parsed:
        minute, alone = sheet_cells.clock(text)
        if alone:
            return Parsed(_End(None, minute))
        found = self._day(text)
        if found == UNKNOWN:
            return found
        if found.problem == "is no day":
            hint = "a time such as 09:30 or 2026-03-04 09:30"
            found = Parsed(None, "is no time of day, with its day or without", hint)
        return found._replace(value=_End(found.value, minute))

    def _facts(self) -> list[dict[str, Any]]:
        """What the sheet says of the units, read as an intake sheet; a cell not understood costs its fact alone."""
        known = {*fields(), *OWN} - {"asset_tag"}
        wanted = [at for at, one in enumerate(self.mapping) if one.field is not None and one.field not in known]
        if wanted == [self.place["asset_tag"]] or not len(self.raw):
            return [{} for _ in range(len(self.raw))]
        found = intake.understand(self.raw.iloc[:, wanted])
        tag = self.mapping[self.place["asset_tag"]].header
        costs = found.problems[(found.problems["value"] != "") & (found.problems["column"] != tag)]
        cost = costs["problem"] + "; the row is kept without this fact"
        self.about_facts = pd.concat([costs.assign(note=cost)[list(NOTE_COLUMNS)], found.notes])
        self.facts_columns = {one["header"]: one for one in records(found.columns)}
        units = found.units[[name for name in UNIT_COLUMNS if name not in ("asset_tag", "notes", "image")]]
        out: list[dict[str, Any]] = [{} for _ in range(len(units))]
        if self.exported:
            return self._facts_exported(out)
        for name, column in units.dropna(axis="columns", how="all").items():
            for row, value in zip(np.flatnonzero(column.notna()), column.dropna().tolist(), strict=True):
                out[row][str(name)] = value
        return out

    def _facts_exported(self, out: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """An export's own columns of facts, as the log had them."""
        for name in FACTS:
            at = self.place.get(name)
            if at is None or self.mapping[at].header != name:
                continue
            for row, text in enumerate(self.raw.iloc[:, at]):
                if text:
                    number = DTYPES[name] != "string" and _EXACT.fullmatch(text)
                    out[row][name] = json.loads(text) if number else text
        return out

    def _rows(self, facts: list[dict[str, Any]]) -> list[SheetRow]:
        phases = [name for name in phase_names() if f"{name}_min" in self.values]
        names = ("asset_tag", "date", "hands_on_min", "elapsed_min", "edition", "outcome", *_TEXTS, *OWN)
        have = {name: self.have(name).tolist() for name in (*names, *(f"{one}_min" for one in phases))}
        out = []
        for row in np.flatnonzero(~self.bad).tolist():
            cells = {name: values[row] for name, values in have.items()}
            timed = {one: cells[f"{one}_min"] for one in phases if cells[f"{one}_min"] is not None}
            if cells["reason"] and not cells["outcome"]:
                cells["note"] = "; ".join(filter(None, (cells["note"], cells["reason"])))
            job = Job(
                cells["asset_tag"] or "", cells["date"] or "", cells["hands_on_min"], cells["elapsed_min"],
                cells["edition"], cells["image"], cells["parts"], cells["technician"], cells["note"], timed,
                cells["outcome"], cells["reason"] if cells["outcome"] else None,
                cells["source"] or cells["provenance"] or self._marked(row),
            )  # fmt: skip
            for fault in faults(job):
                self.refuse(row, *fault)
            if self.bad[row]:
                continue
            scored = {"model": cells["model_version"]} | {new: cells[old] for old, new in PREDICTED.items()}
            known = {key: one for key, one in scored.items() if one is not None}
            out.append(SheetRow(row + 1, job, facts[row], known, self.exported))
        return out

    def _marked(self, row: int) -> str:
        """The sheet's name; an invented log's rows go on saying that they are invented."""
        for name in ("provenance", "source"):
            at = self.place.get(name)
            if at is not None and "invented" in str(self.raw.iloc[row, at]).lower():
                return f"{self.name} (invented)"
        return self.name

    def _columns(self) -> pd.DataFrame:
        rows = []
        for at, mapped in enumerate(self.mapping):
            filled, bad = self.counts.get(at, (0, np.array([], dtype=int)))
            known, how, good, empty = mapped.field, mapped.how, filled - len(bad), len(self.raw) - filled
            if known is None:
                how = how.replace("carried through", "left aside")
            elif known in OWN and at not in self.counts:
                known, how = None, "left aside: only an exported log has it"
            elif at not in self.counts and (theirs := self.facts_columns.get(mapped.header)):
                known, good, empty = (theirs[name] for name in ("field", "understood", "empty"))
            rows.append((mapped.header, known, how, good, empty, len(bad), few((bad + 1).tolist(), 12)))
        names = ["header", "field", "how", "understood", "empty", "not_understood", "rows"]
        return pd.DataFrame(rows, columns=names)


def _text(text: str) -> Parsed:
    return Parsed(word(text))


def _part(text: str) -> Parsed:
    return Parsed(None) if squeeze(text) in NONE_WORDS else _text(text)


def _kept(text: str) -> Parsed:
    return Parsed(tidy_text(text) or None)


def _verbatim(text: str) -> Parsed:
    return Parsed(text or None)


def _exact(text: str) -> Parsed:
    """A number as an export writes it, to the last digit; else minutes as somebody may have corrected them."""
    return Parsed(float(text)) if _EXACT.fullmatch(text) and abs(float(text)) <= sheet_cells.MOST_MIN else _number(text)


def _number(text: str) -> Parsed:
    return sheet_cells.minutes(text, "min")
