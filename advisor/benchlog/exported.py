"""The bench log and scored batches as tables that other programs read: an SQLite or DuckDB file with views, Parquet."""

from __future__ import annotations

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from advisor import tables
from advisor.benchlog.frames import phase_names
from advisor.errors import InputError, ToolError, library
from advisor.files import is_there, write_whole

if TYPE_CHECKING:
    import pandas as pd

_TYPES = {"text": ("string", "TEXT"), "whole": ("Int64", "BIGINT"), "number": ("Float64", "DOUBLE")}

ENDINGS = (".parquet", ".sqlite", ".duckdb")

VIEWS = {
    "unit_year": (
        "SELECT job.*, one.advice, one.part_wanted FROM job LEFT JOIN (SELECT asset_tag, max(advice) AS advice,"
        " max(part_wanted) AS part_wanted FROM scored GROUP BY asset_tag) AS one ON job.asset_tag = one.asset_tag"
    ),
    "cost_by_model": (
        "SELECT maker, model, count(*) AS units, sum(elapsed_min) / 60 AS elapsed_h, sum(hands_on_min) / 60 AS"
        " hands_on_h, avg(elapsed_min) AS mean_elapsed_min, 100.0 * count(CASE WHEN outcome IN ('slow', 'returned')"
        " THEN 1 END) / nullif(count(outcome), 0) AS not_fine_pct FROM job GROUP BY maker, model"
    ),
    "part_that_would_have_paid": (
        "SELECT part_wanted, count(*) AS units, count(CASE outcome WHEN 'slow' THEN 1 END) AS slow, count(CASE outcome"
        " WHEN 'returned' THEN 1 END) AS returned, sum(elapsed_min) / 60 AS elapsed_h FROM unit_year"
        " WHERE part_wanted <> '' AND coalesce(parts, '') = '' GROUP BY part_wanted"
    ),
    "misses": (
        "SELECT maker, model, edition, count(*) AS units, avg(100.0 * (elapsed_min / predicted_min - 1)) AS bias_pct,"
        " avg(100.0 * abs(elapsed_min / predicted_min - 1)) AS error_pct, 100.0 * count(CASE WHEN elapsed_min BETWEEN"
        " predicted_low_min AND predicted_high_min THEN 1 END) / count(*) AS inside_pct"
        " FROM job WHERE elapsed_min > 0 AND predicted_min > 0 GROUP BY maker, model, edition"
    ),
}
"""Views of an exported database: a log row with its advice; hours and outcomes by model; parts that were advised, not
fitted, and how those units fared; predicted beside actual minutes [%], and how many fell within the 80 % interval."""


_ORIGIN = r" \([^()]*(?:drawer|kept for this unit|to be bought)\)"
_PART = r"^(?:fit )?(.+?)(?:: .+ becomes |: [^:]+ as before| would give )"
"""Where a part comes from, and the parts alone, in the words of the column best_fix."""


def schema(table: str) -> dict[str, str]:
    """Columns of an exported table, 'job' or 'scored', each with its type: text, whole or number."""
    found = {row["column"]: row["type"] for row in tables.dicts("benchlog/columns") if row["table"] == table}
    return found | {f"{name}_min": "number" for name in phase_names()} if table == "job" else found


def laid(table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Bring a log's frame, or a scored one with a sheet's own headers, to the columns and types of `schema`.

    Parameters
    ----------
    table : str
        'job' or 'scored'.
    frame : pandas.DataFrame
        A column that it lacks is empty; one that is in no schema, such as a sheet's own, is left out.
    """
    import pandas as pd

    from advisor.intake.headers import map_headers

    columns = schema(table)
    unknown = [str(name) for name in frame.columns if name not in columns]
    meant = {one.header: one.field for one in map_headers(unknown) if one.field in columns} if table == "scored" else {}
    if "best_fix" in frame:
        fixes = frame["best_fix"].astype("string").str.replace(_ORIGIN, "", regex=True)
        frame = frame.assign(part_wanted=fixes.str.extract(_PART)[0])
    named = frame.rename(columns={header: field for header, field in meant.items() if field not in frame})
    named = named.loc[:, ~named.columns.duplicated()].reindex(columns=list(columns))
    for name, kind in columns.items():
        cells = named[name] if kind == "text" else pd.to_numeric(named[name], errors="coerce")
        named[name] = cells.astype(_TYPES[kind][0])  # type: ignore[call-overload]
    return named


def write(path: str | Path, job: pd.DataFrame, scored: pd.DataFrame | None = None) -> Path:
    """Write a log, and a scored batch beside it, for other programs.

    Parameters
    ----------
    path : path-like
        Ending in .sqlite, .duckdb or .parquet; the last holds the log alone.
    job : pandas.DataFrame
        As `advisor.benchlog.frame` gives it.
    scored : pandas.DataFrame, optional
        As `advisor.score` gives it; an empty table when left out.

    Raises
    ------
    InputError
        When the ending is another, or the file cannot be written.
    ToolError
        When DuckDB is needed and not installed.
    """
    import pandas as pd

    path, suffix = Path(path), Path(path).suffix.lower()
    if suffix not in ENDINGS:
        raise InputError(f"{path} does not say what to write.", f"Let its name end in one of {', '.join(ENDINGS)}.")
    if suffix == ".parquet" and scored is not None:
        raise InputError("A Parquet file holds one table.", "Let the name end in .duckdb or .sqlite.")
    frames = {"job": laid("job", job), "scored": laid("scored", pd.DataFrame() if scored is None else scored)}
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made"
        if suffix == ".sqlite":
            _sqlite(made, frames)
        else:
            _duckdb(made, frames, parquet=suffix == ".parquet")
        return write_whole(path, made.read_bytes())


def ask(path: str | Path, sql: str) -> pd.DataFrame:
    """Ask an exported database, which is opened for reading alone.

    Parameters
    ----------
    path : path-like
        Ending in .duckdb; any other is taken for SQLite.
    sql : str
        Tables are job, scored and column_meaning; views are `VIEWS`.

    Raises
    ------
    InputError
        When there is no such file, or it cannot be asked that.
    """
    import pandas as pd

    if not is_there(Path(path)):
        raise InputError(f"There is no file {path}.", "Make it: advisor log export FILE")
    try:
        if Path(path).suffix.lower() == ".duckdb":
            with _engine().connect(str(path), read_only=True, config=_OFFLINE) as base:
                return base.sql(sql).df()
        with closing(sqlite3.connect(f"{Path(path).absolute().as_uri()}?mode=ro", uri=True)) as base:
            return pd.read_sql_query(sql, base)
    except ToolError:
        raise
    except Exception as error:
        raise InputError(
            f"{path} cannot be asked that: {error}", "Tables and views: see advisor log export --help."
        ) from error


_OFFLINE = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
"""DuckDB fetches extensions by itself unless told otherwise."""


def _engine() -> Any:
    return library("duckdb", "duckdb is not installed.", "many")


def _finish(base: Any) -> None:
    """Put the meanings and the views beside the tables."""
    base.execute("CREATE TABLE column_meaning (table_name TEXT, column_name TEXT, type TEXT, meaning TEXT)")
    meanings = [(row["table"], row["column"], row["type"], row["meaning"]) for row in tables.dicts("benchlog/columns")]
    meanings += [("job", f"{name}_min", "number", f"minutes of the phase {name} [min]") for name in phase_names()]
    base.executemany("INSERT INTO column_meaning VALUES (?, ?, ?, ?)", meanings)
    for name, sql in VIEWS.items():
        base.execute(f"CREATE VIEW {name} AS {sql}")


def _sqlite(path: Path, frames: dict[str, pd.DataFrame]) -> None:
    with closing(sqlite3.connect(path)) as base:
        for table, frame in frames.items():
            types = {name: _TYPES[kind][1] for name, kind in schema(table).items()}
            frame.to_sql(table, base, index=False, dtype=types)
        _finish(base)
        base.commit()


def _duckdb(path: Path, frames: dict[str, pd.DataFrame], *, parquet: bool) -> None:
    with _engine().connect(":memory:" if parquet else str(path), config=_OFFLINE) as base:
        for table, frame in frames.items():
            base.register("given", frame)
            typed = (f'CAST("{name}" AS {_TYPES[kind][1]}) AS "{name}"' for name, kind in schema(table).items())
            base.execute(f"CREATE TABLE {table} AS SELECT {', '.join(typed)} FROM given")
            base.unregister("given")
        _finish(base)
        if parquet:
            base.table("job").write_parquet(str(path), compression="zstd")
