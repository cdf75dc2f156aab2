"""Rows of a sheet of any size: CSV, plain or compressed, or Parquet, told by their first bytes."""

from __future__ import annotations

import contextlib
import gzip
import io
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, cast

from advisor.errors import InputError, library
from advisor.files import opened
from advisor.intake.columns import text_of
from advisor.intake.encoding import SAVE_AS, ZIP
from advisor.intake.reading import headers, rows_of
from advisor.intake.records import Row, tidied

GZIP, ZSTD, PARQUET = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PAR1"

_ROWS = 20_000
"""Rows of a Parquet file taken into memory at a time."""


class Source:
    """A sheet that can be read anew, row by row.

    Attributes
    ----------
    size : int
        Of the file [byte].
    read : int
        How far it was read [byte]; 0 where that is not known.
    """

    def __init__(self, path: Path) -> None:
        self.path, self.read = path, 0
        with opened(path) as file:
            self.start = file.read(4)
            self.size = file.seek(0, io.SEEK_END)

    def table(self, stack: contextlib.ExitStack) -> tuple[list[str], Iterator[Row]]:
        """Header and rows; what is open is closed by the stack.

        Raises
        ------
        InputError
            When it is no table, or damaged.
        """
        self.read = 0
        if self.start == PARQUET:
            return self._parquet(stack)
        if self.start == ZIP:
            raise InputError(f"{self.path} is an Excel file, which is read as a whole only.", SAVE_AS)
        header, rows = rows_of(lambda: self._open(stack), self.path.name)
        return header, self._whole(rows)

    def _open(self, stack: contextlib.ExitStack) -> BinaryIO:
        plain = cast("BinaryIO", io.BufferedReader(_Told(stack.enter_context(opened(self.path)), self), 1 << 20))
        if self.start.startswith(GZIP):
            return cast("BinaryIO", io.BufferedReader(_Sound(gzip.GzipFile(fileobj=plain), self.path), 1 << 20))
        if self.start == ZSTD:
            return cast("BinaryIO", io.BufferedReader(_Sound(_Frames(plain), self.path), 1 << 20))
        return plain

    def _whole(self, rows: Iterator[Row]) -> Iterator[Row]:
        yield from rows
        self.read = self.size

    def _parquet(self, stack: contextlib.ExitStack) -> tuple[list[str], Iterator[Row]]:
        parquet = arrow("pyarrow.parquet")
        try:
            file = stack.enter_context(parquet.ParquetFile(self.path))
        except (OSError, ValueError) as problem:
            raise InputError(f"{self.path} is no Parquet file that can be read: {problem}.") from problem
        names = [str(name) for name in file.schema_arrow.names]
        return headers(names, len(names)), self._batches(file, parquet)

    def _batches(self, file: Any, parquet: Any) -> Iterator[Row]:
        done, every = 0, max(file.metadata.num_rows, 1)
        for batch in file.iter_batches(batch_size=_ROWS):
            columns = [[text_of(value) for value in column.to_pylist()] for column in batch.columns]
            for cells in zip(*columns, strict=True):
                yield Row(*tidied(list(cells)))
            done += batch.num_rows
            self.read = self.size * done // every


class _Told(io.RawIOBase):
    """A file that tells how far it was read."""

    def __init__(self, file: BinaryIO, source: Source) -> None:
        self._file, self._source = file, source

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(len(buffer))
        buffer[: len(data)] = data
        self._source.read = self._file.tell()
        return len(data)


class _Frames:
    """The content of zstd frames; unlike the library's own reader it tells a file that was cut off."""

    def __init__(self, file: BinaryIO) -> None:
        self._file, self._left, self._next = file, b"", b""
        self._frame: Any = None

    def read(self, size: int) -> bytes:
        from zstandard import ZstdDecompressor

        while not self._left:
            # Little at a time: a few bytes may stand for very many.
            data = self._next or self._file.read(4096)
            self._next = b""
            if not data:
                if self._frame is not None:
                    raise EOFError("it ends in the midst of a frame")
                break
            self._frame = self._frame or ZstdDecompressor().decompressobj()
            self._left = self._frame.decompress(data)
            if self._frame.eof:
                self._next, self._frame = self._frame.unused_data, None
        out, self._left = self._left[:size], self._left[size:]
        return out


class _Sound(io.RawIOBase):
    """What a compressed file holds; a sentence where it is damaged or ends too soon."""

    def __init__(self, reader: Any, path: Path) -> None:
        self._reader, self._path = reader, path

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        from zstandard import ZstdError

        try:
            data = self._reader.read(len(buffer))
        except (EOFError, gzip.BadGzipFile, zlib.error, ZstdError) as problem:
            raise InputError(f"{self._path} is damaged, or was cut off: {problem}.", "Copy it anew.") from problem
        buffer[: len(data)] = data
        return len(data)


def arrow(module: str) -> Any:
    """A module of pyarrow, InputError when it is not installed."""
    beside = ", or hand in CSV, plain or compressed."
    return library(module, "Parquet needs the extra 'many'.", "many", InputError, beside)
