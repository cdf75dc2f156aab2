"""One sheet on its way to units: column by column, each distinct text parsed once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from advisor.columns import distinct
from advisor.errors import InputError
from advisor.intake import described, elsewhere, said
from advisor.intake.columns import Column, Ledger
from advisor.intake.device_ids import item as device_id
from advisor.intake.disk_columns import disk_cells
from advisor.intake.disks import Disks, disks
from advisor.intake.headers import DISK_COLUMNS, DISK_KINDS, MERGED, STORAGE, Mapped, map_headers
from advisor.intake.parsed import MISSING_WORDS, UNKNOWN, Parsed, squeeze
from advisor.intake.reading import NO_HEADER
from advisor.intake.values import TEXT_FIELDS, parser
from advisor.phrases import few, tidy_text
from advisor.unit import pandas_dtypes

_KEEPS_NONE = frozenset({"wireless", "graphics", "ethernet", "tpm", "screen", "notes"})
_DISK_FIELDS = "storage_kind, storage_gib"
_SHOWN = dict.fromkeys((STORAGE, *DISK_KINDS), _DISK_FIELDS) | {MERGED: f"model, cpu, ram_gib, {_DISK_FIELDS}"}
_MAX_TEXT = 20_000
_OWN_TAG = "a tag of its own for each unit"
_MAX_FACT = 500
"""Longest cell read as a fact, devices and notes apart [character]; from memory: a whole unit takes some 200."""


def plain_text(text: str, name: str) -> str | None:
    """A field that is kept as text: spaces squeezed, words for unknown emptied."""
    tidy = tidy_text(text)
    small = tidy.lower()
    unknown = (small in MISSING_WORDS and name != "notes") or (small == "none" and name not in _KEEPS_NONE)
    return None if unknown else tidy[:_MAX_TEXT] or None


class Parsing:
    """A raw sheet and what has been made of it so far.

    Raises
    ------
    InputError
        When no column can be understood as the asset tag or the processor.
    """

    def __init__(self, raw: pd.DataFrame) -> None:
        self.raw = raw
        self.length = len(raw)
        self.mapping = map_headers([str(name) for name in raw.columns])
        fields = {mapped.field for mapped in self.mapping}
        if not fields & {"asset_tag", "cpu", MERGED}:
            headers = ", ".join(repr(mapped.header[:40]) for mapped in self.mapping[:12]) or "none"
            raise InputError(
                f"No column is understood as the asset tag or the processor; the headers are {headers}.",
                "Name two columns asset_tag and cpu; the others are optional.",
            )
        self.ledger = Ledger()
        self.values: dict[str, np.ndarray] = {}
        self.bad: dict[int, np.ndarray] = {}
        self.filled: dict[int, int] = {}
        self._columns: dict[int, Column] = {}
        self.told: list[tuple[Column, list[Parsed]]] = []
        """Outcomes that may state other fields beside their own."""
        self.extra = raw.iloc[:, [i for i, mapped in enumerate(self.mapping) if mapped.field is None]].reset_index(
            drop=True
        )
        self._shorten()

    def _shorten(self) -> None:
        """Cells too long for a fact are read as far as that goes, and said; the sheet itself is left as it is."""
        for place, mapped in enumerate(self.mapping):
            if mapped.field in (None, "devices", "notes"):
                continue
            column = self.column(place)
            rows = column.rows([at for at, text in enumerate(column.texts) if len(text) > _MAX_FACT])
            if not len(rows):
                continue
            rest = _MAX_FACT if mapped.field in TEXT_FIELDS or mapped.field == MERGED else 0
            did = f"the first {rest} were read" if rest else "it was not read"
            accepted = f"a cell of up to {_MAX_FACT} characters"
            told = [(mapped.header, one, f"{len(one)} characters are no fact; {did}", accepted) for one in column.texts]
            self.ledger.problem(rows, column.codes[rows], told)
            self.mark(place, rows)
            kept = [text if len(text) <= _MAX_FACT else text[:rest] for text in column.texts]
            self._columns[place] = replace(column, texts=kept)

    def read(self) -> pd.DataFrame:
        """Read all columns.

        Returns
        -------
        pandas.DataFrame
            A Unit frame.
        """
        for position, mapped in enumerate(self.mapping):
            if mapped.field is None or mapped.field in DISK_COLUMNS or mapped.field == MERGED:
                continue
            column = self.column(position)
            if mapped.field in TEXT_FIELDS:
                self._plain(position, column)
            else:
                parse = parser(mapped.field, mapped.unit, mapped.header)
                self._store(position, column, mapped.field, [parse(text) for text in column.texts])
        self._disks()
        described.read_all(self)
        self._beside()
        self._ids_in_names()
        elsewhere.read_all(self)
        self._lacking("asset_tag", "no asset tag; the row is kept", _OWN_TAG)
        self._repeated()
        self._lacking("cpu", "no processor is given", "a processor such as 'i5-6300U' or 'Ryzen 5 3500U'")
        self._stray_cells()
        self._tell(*said.positions(self.raw))
        dtypes = pandas_dtypes()
        unknown = {kind: pd.Series(pd.NA, index=range(self.length), dtype=kind).array for kind in set(dtypes.values())}
        made = {
            name: pd.array(self.values[name], dtype=kind) if name in self.values else unknown[kind].copy()
            for name, kind in dtypes.items()
        }
        return pd.DataFrame(made, copy=False)

    def columns(self) -> pd.DataFrame:
        """Say how each column was understood, and how much of it.

        Returns
        -------
        pandas.DataFrame
            See `Understood.columns`.
        """
        records = []
        for position, mapped in enumerate(self.mapping):
            rows = np.flatnonzero(self.bad.get(position, False))
            filled = self.filled.get(position, 0)
            records.append(
                (
                    mapped.header, _SHOWN.get(mapped.field or "", mapped.field), mapped.how,
                    max(filled - len(rows), 0), self.length - filled if mapped.field else 0, len(rows),
                    few((rows + 1).tolist(), 12),
                )
            )  # fmt: skip
        names = ["header", "field", "how", "understood", "empty", "not_understood", "rows"]
        texts = dict.fromkeys(("header", "field", "how", "rows"), "string")
        return pd.DataFrame(records, columns=names).astype(texts)

    def column(self, position: int) -> Column:
        """One raw column, factorised once."""
        if position not in self._columns:
            self._columns[position] = Column.of(self.raw, position, self.mapping[position])
        return self._columns[position]

    def have(self, name: str) -> np.ndarray:
        """Values of a field so far; None where it has none."""
        have = self.values.get(name)
        return np.full(self.length, None, dtype=object) if have is None else have

    def fill(self, name: str, values: np.ndarray, rows: np.ndarray | bool = True) -> np.ndarray:
        """Give a field the values where it has none yet, on these rows; tells where that happened."""
        have = self.have(name)
        taken: np.ndarray = pd.isna(have) & ~pd.isna(values) & rows
        if taken.any() or name not in self.values:
            self.values[name] = np.where(taken, values, have)
        return taken

    def take(
        self, column: Column, field: str, values: list[str | None], note: str, rows: np.ndarray | bool = True
    ) -> np.ndarray:
        """Fill a field from a column meant for another, where these rows have none yet, and say so; tells where."""
        taken = self.fill(field, column.take(values), rows)
        if taken.any():
            notes = [Parsed(None, note=note.format(value) if value else "") for value in values]
            self.ledger.outcomes(column, notes, among=taken)
        return taken

    def record(self, position: int, column: Column, outcomes: list[Parsed]) -> None:
        """Write down what is said of a column's cells."""
        self.mark(position, self.ledger.outcomes(column, outcomes))

    def mark(self, position: int, rows: np.ndarray) -> None:
        """Remember which rows of a column were not understood."""
        if len(rows):
            self.bad.setdefault(position, np.zeros(self.length, dtype=bool))[rows] = True

    def count(self, position: int, column: Column, empty: list[bool] | None = None) -> None:
        """Count the filled cells of a column."""
        blank = [squeeze(text) in MISSING_WORDS for text in column.texts] if empty is None else empty
        self.filled[position] = int((~np.array([*blank, True]))[column.codes].sum())

    def _plain(self, position: int, column: Column) -> None:
        name = str(column.mapped.field)
        values = [plain_text(text, name) for text in column.texts]
        self.values[name] = column.take(values)
        self.count(position, column, [value is None for value in values])

    def _store(self, position: int, column: Column, name: str, outcomes: list[Parsed]) -> None:
        self.values[name] = column.take([outcome.value for outcome in outcomes])
        self.told.append((column, outcomes))
        self.record(position, column, outcomes)
        self.count(position, column)

    def _beside(self) -> None:
        """Fill what is still unknown from what cells say beside their own field, such as DDR4 beside the memory."""
        for column, outcomes in self.told:
            for name in dict.fromkeys(name for outcome in outcomes for name, _ in outcome.also):
                self.fill(name, column.take([dict(outcome.also).get(name) for outcome in outcomes]))

    def _disks(self) -> None:
        places: dict[str, int] = {}
        for position, mapped in enumerate(self.mapping):
            if mapped.field in DISK_COLUMNS:
                places.setdefault(str(mapped.field), position)
        if len(places) == 1:
            (name, position), *_ = places.items()
            column = self.column(position)
            hint = name if name in DISK_KINDS else ""
            found = [disks(text, column.mapped.unit, hint) for text in column.texts]
            if name != "storage_kind":
                found = [disk.with_size_asked() for disk in found]
            self._keep_disks(column, found)
            self.record(position, column, [disk.outcome for disk in found])
            self.count(position, column)
        elif places:
            self._disks_of_several(places)

    def _keep_disks(self, column: Column, found: list[Disks]) -> None:
        kinds = [disk.kind for disk in found]
        self.values["storage_kind"] = column.take([None if k.value is None else str(k.value) for k in kinds])
        self.values["storage_gib"] = column.take([disk.size.value for disk in found])
        self.told.append((column, kinds))

    def _disks_of_several(self, places: dict[str, int]) -> None:
        """Columns about disks, read as one: '240' under 'SSD' beside '1000' under 'HDD', or kind and size apart."""
        parts = {name: self.column(position) for name, position in places.items()}
        combined, first = distinct((part.codes for part in parts.values()), self.length)
        found: list[Disks] = []
        shown: list[str] = []
        units = tuple((name, part.mapped.unit) for name, part in parts.items())
        for row in first:
            cells = {name: part.texts[part.codes[row]] if part.codes[row] >= 0 else "" for name, part in parts.items()}
            found.append(disk_cells(tuple(cells.items()), units))
            shown.append(" | ".join(" ".join(text.split()) for text in cells.values() if text.strip()))
        size_place = next(places[n] for n in ("storage_gib", STORAGE, *DISK_KINDS, "storage_kind") if n in places)
        kind_place = places.get("storage_kind", size_place)
        joined = Column(self.mapping[size_place], combined, shown)
        self._keep_disks(joined, found)
        self.record(kind_place, Column(self.mapping[kind_place], combined, shown), [disk.kind for disk in found])
        self.record(size_place, joined, [size if size.problem != kind.problem else UNKNOWN for kind, size in found])
        for name, part in parts.items():
            self.count(places[name], part)

    def _ids_in_names(self) -> None:
        """A chip given by its id, in a column meant for its name, joins the list of devices."""
        for position, mapped in enumerate(self.mapping):
            if mapped.field not in ("wireless", "graphics", "ethernet"):
                continue
            column = self.column(position)
            found = [device_id(text)[0] if ":" in text or "\\" in text else "" for text in column.texts]
            ids = column.take([device or None for device in found])
            rows = np.flatnonzero(~pd.isna(ids))
            if not len(rows):
                continue
            devices, kept = self.have("devices").copy(), self.have(mapped.field).copy()
            for row in rows:
                listed = f"{devices[row] or ''};{ids[row]}".split(";")
                devices[row] = ";".join(dict.fromkeys(filter(None, listed)))
            kept[rows] = None
            self.values |= {"devices": devices, mapped.field: kept}
            self.ledger.outcomes(
                column,
                [Parsed(None, note=f"{device} put in the list of devices" if device else "") for device in found],
            )

    def _repeated(self) -> None:
        """Rows whose tag stands on another row too."""
        position = next((i for i, mapped in enumerate(self.mapping) if mapped.field == "asset_tag"), None)
        if position is None:
            return
        header = self.mapping[position].header
        codes, distinct = pd.factorize(self.have("asset_tag"))
        counts = np.bincount(codes[codes >= 0], minlength=1)
        rows = np.flatnonzero((codes >= 0) & (counts[codes] > 1))
        used, which = np.unique(codes[rows], return_inverse=True)
        texts = [(header, str(distinct[one]), f"{said.TAG_TWICE} {counts[one]} rows", _OWN_TAG) for one in used]
        self._tell(rows, which, texts)

    def _tell(self, rows: np.ndarray, which: np.ndarray, texts: Sequence[tuple[str, ...]]) -> None:
        """Take over what the reader, or a look at the whole batch, found wrong with rows."""
        if not len(rows):
            return
        self.ledger.problem(rows, which, texts)
        places = {mapped.header: place for place, mapped in reversed(list(enumerate(self.mapping)))}
        of_text = np.array([places.get(column, -1) for column, *_ in texts])
        for place in set(of_text[which].tolist()) - {-1}:
            self.mark(place, rows[of_text[which] == place])

    def _lacking(self, field: str, problem: str, accepted: str) -> None:
        """Rows that do not give a field are said."""
        rows = np.flatnonzero(pd.isna(self.have(field)))
        header = next((mapped.header for mapped in self.mapping if mapped.field == field), field)
        self.ledger.problem(rows, np.zeros(len(rows), dtype=int), [(header, "", problem, accepted)])

    def _stray_cells(self) -> None:
        """Cells beyond the last header: a separator inside a value has probably torn the row."""
        for place, name in enumerate(self.extra.columns):
            if not str(name).startswith(NO_HEADER):
                continue
            column = Column.of(self.extra, place, Mapped(str(name), None, ""))
            accepted = "a header over every column, and quotes around values that hold the separator"
            torn = Parsed(None, "a cell under no header; the row may be shifted", accepted)
            self.ledger.outcomes(column, [torn if text.strip() else UNKNOWN for text in column.texts])
