"""Lines of CSV to the file that was asked for."""

from __future__ import annotations

import contextlib
import gzip
import io
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from advisor.advice import SCORED_COLUMNS
from advisor.bulk.source import arrow
from advisor.files import move_whole, writing

if TYPE_CHECKING:
    from advisor.bulk.machines import Layout
    from advisor.bulk.work import RunFolder

NUMBERS = {
    "cpu_year": "int64", "hands_on_min": "float64", "elapsed_min": "float64", "elapsed_low_min": "float64",
    "elapsed_high_min": "float64",
}  # fmt: skip
"""Types of the scored columns in Parquet, null where there is none; all others are text, '' where there is none."""


def write(out: Path, layout: Layout, work: RunFolder, late: dict[int, str]) -> None:
    """Write header and lines, whole or not at all; Parquet, gzip or zstd by the end of the name.

    Raises
    ------
    InputError
        When it cannot be written, or Parquet is asked for without pyarrow.
    """
    if out.suffix == ".parquet":
        arrow("pyarrow.parquet")
        with writing(out) as file:
            _parquet(file, layout.names, itertools.islice(work.lines(late), 1, None))
    elif out.suffix not in (".gz", ".zst") and not late:
        move_whole(work.made, out)
    else:
        with writing(out) as file, _packed(file, out.suffix) as packed:
            for piece in work.lines(late):
                packed.write(piece)


@contextlib.contextmanager
def _packed(file: BinaryIO, suffix: str) -> Iterator[BinaryIO]:
    if suffix == ".gz":
        # No time in it: the same rows are the same bytes.
        with gzip.GzipFile("", "wb", 6, file, mtime=0) as packed:
            yield cast("BinaryIO", packed)
    elif suffix == ".zst":
        import zstandard

        with zstandard.ZstdCompressor(3).stream_writer(file, closefd=False) as packed:
            yield cast("BinaryIO", packed)
    else:
        yield file


def _parquet(file: BinaryIO, names: list[str], pieces: Iterator[bytes]) -> None:
    arrow_, csv, parquet = arrow("pyarrow"), arrow("pyarrow.csv"), arrow("pyarrow.parquet")
    first = len(names) - len(SCORED_COLUMNS)
    types = [NUMBERS.get(name, "string") if at >= first else "string" for at, name in enumerate(names)]
    schema = arrow_.schema([(name, _type(arrow_, kind)) for name, kind in zip(names, types, strict=True)])
    how: dict[str, Any] = {
        "read_options": csv.ReadOptions(column_names=names),
        "parse_options": csv.ParseOptions(newlines_in_values=True),
        "convert_options": csv.ConvertOptions(column_types=schema, strings_can_be_null=False, null_values=[""]),
    }
    with parquet.ParquetWriter(file, schema, compression="zstd") as writer:
        for piece in pieces:
            writer.write_table(csv.read_csv(io.BytesIO(piece), **how))


def _type(arrow_: Any, kind: str) -> Any:
    return {"int64": arrow_.int64(), "float64": arrow_.float64(), "string": arrow_.string()}[kind]
