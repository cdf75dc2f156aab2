"""Old log sheets, understood: loosely named columns to jobs, with what was read as what, and what was not."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from advisor import intake
from advisor.benchlog import sheet_cells
from advisor.benchlog.frames import FACTS, phase_names
from advisor.benchlog.headers import OWN, PREDICTED, fields, overridden, vocabulary
from advisor.benchlog.jobs import Job, check, plain, word
from advisor.benchlog.sheet_cells import Order
from advisor.errors import InputError
from advisor.intake import said
from advisor.intake.columns import NOTE_COLUMNS, Column, Ledger, is_none
from advisor.intake.headers import map_headers
from advisor.intake.headers import plain as plain_header
from advisor.intake.parsed import MISSING_WORDS, NONE_WORDS, Parsed, squeeze
from advisor.intake.report import mapping_report
from advisor.intake.safety import unguarded
from advisor.phrases import few
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
    return _Reading(raw, name, dates, unit, columns or {}, today).sheet()


class _Reading:
    """A log sheet on its way to jobs, column by column."""

    def __init__(
        self, raw: pd.DataFrame, name: str, dates: Order | None, unit: str, columns: Mapping[str, str],
        today: date | None,
    ) -> None:  # fmt: skip
        self.raw = raw.map(unguarded) if len(raw) else raw.copy()
        self.raw.attrs = {}
        self.as_read = said.positions(raw)
        self.name, self.dates, self.unit, self.today = plain(name)[:200], dates, unit, today
        headers = [str(header) for header in raw.columns]
        self.mapping = overridden(map_headers(headers, vocabulary()), columns)
        self.place = {mapped.field: at for at, mapped in enumerate(self.mapping) if mapped.field}
        self.exported = set(headers) >= _EXPORT
        self.ledger = Ledger()
        self.values: dict[str, np.ndarray] = {}
        self.bad = np.zeros(len(raw), dtype=bool)
        self.counts: dict[int, tuple[int, np.ndarray]] = {}
        self.about_facts = pd.DataFrame(columns=list(NOTE_COLUMNS))
        self.facts_columns: pd.DataFrame | None = None

    def sheet(self) -> LogSheet:
        self._needed()
        self._as_read()
        self._read("asset_tag", _text)
        self._read("date", lambda text: sheet_cells.day(text, self.dates, self.today))
        for name in ("hands_on_min", "elapsed_min", *(f"{one}_min" for one in phase_names())):
            self._minutes(name)
        self._read("outcome", sheet_cells.outcome)
        self._read("edition", sheet_cells.edition)
        for name in _TEXTS:
            self._read(name, _part if name == "parts" else _text if name != "note" else _kept)
        self._between()
        for name in OWN:
            if name in self.place and self.exported:
                self._read(name, _number if name in PREDICTED else _text)
        rows = self._rows(self._facts())
        columns = self._columns()
        notes = pd.concat([self.ledger.notes(), self.about_facts]).sort_values("row", kind="stable", ignore_index=True)
        return LogSheet(self.name, len(self.raw), rows, self.ledger.problems(), notes, columns)

    def _needed(self) -> None:
        phases = {f"{one}_min" for one in phase_names()}
        lacking = [
            words
            for words, names in (
                ("the asset tag", {"asset_tag"}),
                ("the day", {"date", "started", "finished"}),
                ("minutes", {"hands_on_min", "elapsed_min", "started", *phases}),
            )
            if not names & self.place.keys()
        ]
        if lacking:
            headers = ", ".join(repr(mapped.header[:40]) for mapped in self.mapping[:12]) or "none"
            raise InputError(
                f"No column is understood as {', or as '.join(lacking)}; the headers are {headers}.", _HINT
            )

    def _column(self, name: str) -> Column | None:
        at = self.place.get(name)
        return None if at is None else Column.of(self.raw, at, self.mapping[at])

    def _as_read(self) -> None:
        """A row that could not be read as it stands is no job."""
        rows, which, texts = self.as_read
        self.ledger.problem(rows, which, list(texts))
        self.bad[rows] = True

    def _read(self, name: str, parse: Any) -> None:
        column = self._column(name)
        if column is None:
            return
        if self.exported and name in _VERBATIM:
            parse = _verbatim
        elif self.exported and name in PREDICTED:
            parse = _exact
        self._store(name, column, [parse(text) for text in column.texts])

    def _store(self, name: str, column: Column, outcomes: list[Parsed]) -> None:
        self.values[name] = column.take([one.value for one in outcomes])
        bad = self.ledger.outcomes(column, outcomes)
        self.bad[bad] = True
        given = np.array([*(one.value is not None or bool(one.problem) for one in outcomes), False])
        self.counts[self.place[name]] = int(given[column.codes].sum()), bad

    def _minutes(self, name: str) -> None:
        column = self._column(name)
        if column is None:
            return
        words = vocabulary().units
        unit = column.mapped.unit or words.get(plain_header(column.mapped.header), "") or self.unit
        assumed = ""
        if not unit:
            numbers = [one for one in map(sheet_cells.bare, column.texts) if one]
            if numbers and min(numbers) >= _LEAST_BARE:
                unit, assumed = "min", "no unit is stated; read as minutes"
        outcomes = [_exact(text) if self.exported else sheet_cells.minutes(text, unit) for text in column.texts]
        if assumed:
            outcomes = [
                one._replace(note="; ".join(filter(None, (one.note, assumed))))
                if one.value is not None and sheet_cells.bare(text) is not None
                else one
                for text, one in zip(column.texts, outcomes, strict=True)
            ]
        if name == "elapsed_min":
            accepted = "minutes above 0, or an empty cell"
            outcomes = [
                Parsed(None, "no unit is done in no time", accepted) if one.value == 0 else one for one in outcomes
            ]
        self._store(name, column, outcomes)

    def _between(self) -> None:
        """Minutes in the slot between start and finish, and the day of the finish, where no cell gives them."""
        ends = {name: self._column(name) for name in ("started", "finished")}
        if ends["started"] is None and ends["finished"] is None:
            return
        days: dict[str, np.ndarray] = {}
        clocks: dict[str, np.ndarray] = {}
        for name, column in ends.items():
            if column is None:
                days[name] = clocks[name] = np.full(len(self.raw), None, dtype=object)
                continue
            clocks[name] = column.take([sheet_cells.clock(text) for text in column.texts])
            outcomes = [self._end(text) for text in column.texts]
            self._store(name, column, outcomes)
            days[name] = self.values.pop(name)
            given = np.array([*(squeeze(text) not in MISSING_WORDS for text in column.texts), False])
            self.counts[self.place[name]] = int(given[column.codes].sum()), self.counts[self.place[name]][1]
        have = self._have("date")
        for name in ("finished", "started"):
            have = np.where(is_none(have), days[name], have)
        self.values["date"] = have
        took = self._have("elapsed_min").copy()
        for row in range(len(self.raw)):
            first, last = clocks["started"][row], clocks["finished"][row]
            if took[row] is not None or first is None or last is None:
                continue
            begin, end = days["started"][row], days["finished"][row]
            apart = (date.fromisoformat(end) - date.fromisoformat(begin)).days * 1440 if begin and end else 0
            took[row] = float(last - first + apart)
            if not 0 < took[row] <= sheet_cells.MOST_MIN:
                took[row] = None
                self._refuse(row, "finished", "finished not after it was started", "times with their days beside them")
        self.values["elapsed_min"] = took

    def _end(self, text: str) -> Parsed:
        if sheet_cells.is_clock(text):
            return Parsed(None)
        found = sheet_cells.day(text, self.dates, self.today)
        if found.problem == "is no day":
            return Parsed(
                None, "is no time of day, with its day or without", "a time such as 09:30 or 2026-03-04 09:30"
            )
        return found

    def _have(self, name: str) -> np.ndarray:
        found = self.values.get(name)
        return np.full(len(self.raw), None, dtype=object) if found is None else found

    def _refuse(self, row: int, name: str, problem: str, accepted: str) -> None:
        at = self.place.get(name)
        header = self.mapping[at].header if at is not None else name
        value = "" if at is None else str(self.raw.iloc[row, at])
        self.ledger.problem(np.array([row]), np.array([0]), [(header, value, problem, accepted)])
        self.bad[row] = True

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
        self.facts_columns = found.columns.set_index("header")
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
        have = {name: self._have(name).tolist() for name in (*names, *(f"{one}_min" for one in phases))}
        out = []
        for row in np.flatnonzero(~self.bad).tolist():
            cells = {name: values[row] for name, values in have.items()}
            timed = {one: cells[f"{one}_min"] for one in phases if cells[f"{one}_min"] is not None}
            self._whole(row, cells, timed)
            if self.bad[row]:
                continue
            if cells["reason"] and not cells["outcome"]:
                cells["note"] = "; ".join(filter(None, (cells["note"], cells["reason"])))
            job = Job(
                cells["asset_tag"], cells["date"], cells["hands_on_min"], cells["elapsed_min"], cells["edition"],
                cells["image"], cells["parts"], cells["technician"], cells["note"], timed, cells["outcome"],
                cells["reason"] if cells["outcome"] else None,
                cells["source"] or cells["provenance"] or self._marked(row),
            )  # fmt: skip
            scored = {"model": cells["model_version"]} | {new: cells[old] for old, new in PREDICTED.items()}
            try:
                check(job)
            except InputError as error:
                self._refuse(
                    row, "asset_tag", error.message.partition(": ")[2].rstrip(".") or error.message, error.hint
                )
                continue
            known = {key: one for key, one in scored.items() if one is not None}
            out.append(SheetRow(row + 1, job, facts[row], known, self.exported))
        return out

    def _whole(self, row: int, cells: Mapping[str, Any], timed: Mapping[str, float]) -> None:
        """Refuse a row that is no job, though each of its cells was understood."""
        if cells["asset_tag"] is None:
            self._refuse(row, "asset_tag", "no asset tag", "the unit's tag")
        if cells["date"] is None:
            self._refuse(row, "date", "no day is given", "a day such as 2026-03-04")
        hands, elapsed = cells["hands_on_min"], cells["elapsed_min"]
        if hands is None and elapsed is None and not timed:
            self._refuse(row, "elapsed_min", "no minutes are given", "minutes in the slot, or hands-on minutes")
        if hands is not None and elapsed is not None and hands > elapsed:
            words = f"more than the {elapsed:g} minutes in the slot"
            self._refuse(row, "hands_on_min", words, "hands-on minutes within those in the slot")

    def _marked(self, row: int) -> str:
        """The sheet's name; an invented log's rows go on saying that they are invented."""
        for name in ("provenance", "source"):
            at = self.place.get(name)
            if at is not None and "invented" in str(self.raw.iloc[row, at]).lower():
                return f"{self.name} (invented)"
        return self.name

    def _columns(self) -> pd.DataFrame:
        other = self.facts_columns
        records = []
        for at, mapped in enumerate(self.mapping):
            filled, bad = self.counts.get(at, (0, np.array([], dtype=int)))
            known: Any = mapped.field
            if known in OWN and at not in self.counts:
                known = None
            record = [mapped.header, known, mapped.how, max(filled - len(bad), 0), len(self.raw) - filled]
            if at not in self.counts and other is not None and mapped.header in other.index and known:
                theirs = other.loc[mapped.header]
                record[1:5] = [theirs["field"], mapped.how, theirs["understood"], theirs["empty"]]
            how = mapped.how.replace("carried through", "left aside") if known is None else mapped.how
            if known is None and mapped.field:
                how = "left aside: only an exported log has it"
            record[2] = how
            records.append((*record, len(bad), few((bad + 1).tolist(), 12)))
        names = ["header", "field", "how", "understood", "empty", "not_understood", "rows"]
        return pd.DataFrame(records, columns=names)


def _text(text: str) -> Parsed:
    return Parsed(word(text))


def _part(text: str) -> Parsed:
    return Parsed(None) if squeeze(text) in NONE_WORDS else _text(text)


def _kept(text: str) -> Parsed:
    return Parsed(plain(text) or None)


def _verbatim(text: str) -> Parsed:
    return Parsed(text or None)


def _exact(text: str) -> Parsed:
    """A number as an export writes it, to the last digit; else minutes as somebody may have corrected them."""
    return Parsed(float(text)) if _EXACT.fullmatch(text) and abs(float(text)) <= sheet_cells.MOST_MIN else _number(text)


def _number(text: str) -> Parsed:
    return sheet_cells.minutes(text, "min")
