"""Write the source column of processors.csv: what of each row another list says too.

The values themselves are from memory. Two lists are laid beside them, and the column says, row by row, which values
both hold; tests/outside/test_identify_names.py fails when it says more or less than that.

- cpu_specs.csv of the Python package boaviztapi (environmental footprints of devices): cores, threads, clock, year.
- The brand strings that R users sent in with their timings, in Debian's r-cran-benchmarkmedata: the base clock.

    pip download --no-deps boaviztapi==2.5.0 && apt-get download r-cran-benchmarkmedata && dpkg -x r-cran-*.deb FOLDER
    python datasets/identify/agreement.py boaviztapi-2.5.0-py3-none-any.whl FOLDER
"""

from __future__ import annotations

import gzip
import io
import struct
import sys
import warnings
import zipfile
import zlib
from pathlib import Path

import pandas as pd

from advisor.files import datasets, write_whole
from advisor.identify import from_text

BOAVIZTA = "boaviztapi 2.5.0"
BRANDS = "benchmarkmeData 1.0.4's brand strings"
CLOCK_STEP = 0.011
"""Clocks are given in steps of 10 MHz, here and there cut instead of rounded [GHz]."""


def specifications(wheel: Path) -> pd.DataFrame:
    """Rows of boaviztapi's list that name one processor of ours: `ours`, cores, threads, base_ghz, year, code_name."""
    with zipfile.ZipFile(wheel) as archive:
        rows = pd.read_csv(io.BytesIO(archive.read("boaviztapi/data/crowdsourcing/cpu_specs.csv")))
    clock = rows["frequency"].str.extract(r"^([\d.]+) (GHz|MHz)$")
    rows["base_ghz"] = pd.to_numeric(clock[0]) / clock[1].map({"GHz": 1.0, "MHz": 1000.0})
    rows["year"] = pd.to_numeric(rows["release_date"].str.extract(r"^(\d{4})")[0])
    return _named(rows, "name")


def timings(folder: Path, table: str) -> pd.DataFrame:
    """One of benchmarkmeData's tables, out of an R package's lazy-load database (offsets, zlib-compressed objects)."""
    import rdata

    data = folder / "usr/lib/R/site-library/benchmarkmeData/data"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of R classes that stand for plain tables
        index = rdata.conversion.convert(rdata.parser.parse_data(gzip.decompress((data / "Rdata.rdx").read_bytes())))
        start, length = (int(n) for n in index["variables"][table])
        chunk = (data / "Rdata.rdb").read_bytes()[start : start + length]
        plain = zlib.decompress(chunk[4:])
        if len(plain) != struct.unpack(">I", chunk[:4])[0]:
            raise ValueError(f"{table} in {data} is cut short")
        frame = rdata.conversion.convert(rdata.parser.parse_data(plain))
    frame.columns = [str(column) for column in frame.columns]
    return frame


def brands(folder: Path) -> pd.DataFrame:
    """Brand strings of R users' machines that name one processor of ours: `ours`, base_ghz."""
    found = pd.concat([timings(folder, table)["cpu"] for table in ("past_results", "past_results_v2")])
    rows = pd.DataFrame({"name": found.dropna().astype(str).unique()})
    rows["base_ghz"] = pd.to_numeric(rows["name"].str.extract(r"@ ([\d.]+)GHz")[0])
    return _named(rows, "name")


def _named(rows: pd.DataFrame, column: str) -> pd.DataFrame:
    answers = [from_text(str(name)) for name in rows[column]]
    rows["ours"] = [answer.name if answer.exact else None for answer in answers]
    return rows[rows["ours"].notna()]


def source_column(table: pd.DataFrame, listed: pd.DataFrame, branded: pd.DataFrame) -> list[str]:
    """The source of each row: 'from memory', and which values a list says too in all its rows of that processor."""
    labels = {"cores": "cores", "threads": "threads", "base_ghz": "base clock", "year": "year"}
    ours = table.set_index("name")
    agreed: dict[str, dict[str, list[str]]] = {name: {} for name in ours.index}
    for rows, where, columns in ((listed, BOAVIZTA, list(labels)), (branded, BRANDS, ["base_ghz"])):
        for column in columns:
            apart = (rows[column] - rows["ours"].map(pd.to_numeric(ours[column]))).abs()
            apart = apart[rows[column].notna()].groupby(rows["ours"]).max()
            for name in apart.index[apart < (CLOCK_STEP if column == "base_ghz" else 0.5)]:
                agreed[name].setdefault(where, []).append(labels[column])
    return ["; ".join(["from memory", *(f"{_list(what)} as in {where}" for where, what in agreed[name].items())])
            for name in ours.index]  # fmt: skip


def _list(words: list[str]) -> str:
    return " and ".join(part for part in (", ".join(words[:-1]), words[-1]) if part)


def main(wheel: Path, folder: Path) -> None:
    """Rewrite the column in place."""
    path = datasets() / "identify" / "processors.csv"
    table = pd.read_csv(path, dtype="string", keep_default_na=False)
    table["source"] = source_column(table, specifications(wheel), brands(folder))
    write_whole(path, table.to_csv(index=False, lineterminator="\n"))
    print(table["source"].value_counts().to_string())


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
