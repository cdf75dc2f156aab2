"""Every table of the user's own, damaged in many ways: it means the same as before, or is refused with its name."""

from __future__ import annotations

import csv
import io
import os
import re
from pathlib import Path

import pytest

from advisor import tables
from advisor.errors import TableError
from advisor.files import datasets

NAMES = sorted(
    str(path.relative_to(datasets())).removesuffix(".csv")
    for path in datasets().rglob("*.csv")
    if path.parent.name != "demo" and path.name != "design.csv"
)
"""Tables whose rows a user may add to."""


def shipped(name: str) -> list[list[str]]:
    with open(datasets() / f"{name}.csv", newline="", encoding="utf-8") as file:
        return list(csv.reader(file))


def text(rows: list[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def swapped(rows: list[list[str]], first: int, second: int) -> str:
    return text([[*(row[{first: second, second: first}.get(at, at)] for at in range(len(row)))] for row in rows])


def filled(rows: list[list[str]], column: int, cell: str) -> str:
    return text([rows[0], *([*row[:column], cell, *row[column + 1 :]] for row in rows[1:2])])


def damages(name: str) -> dict[str, bytes]:
    """Ways in which a file of a user's own rows may be wrong, each with its bytes."""
    rows = shipped(name)[:20]
    whole = text(rows)
    made: dict[str, str | bytes] = {
        "whole": whole,
        "with a byte order mark": "\ufeff" + whole,
        "with carriage returns": whole.replace("\n", "\r\n"),
        "with a remark and blank lines": "# mine\n\n" + whole + "\n\n# end\n",
        "empty": "",
        "header alone": text(rows[:1]),
        "cut in the header": whole[:5],
        "cut in a row": whole[: len(text(rows[:3])) - len(rows[2][-1]) - 2],
        "cut in a quoted cell": text(rows[:2]) + '"abc',
        "rows twice": text([*rows, rows[1]]),
        "one key twice": text([*rows[:2], [*rows[1][:-1], "another source"]]),
        "a column short": text([row[:-1] for row in rows]),
        "a cell short": text([rows[0], rows[1][:-1]]),
        "a cell too many": text([rows[0], [*rows[1], "x"]]),
        "columns in another order": text([row[::-1] for row in rows]),
        "semicolons": whole.replace(",", ";"),
        "UTF-16": whole.encode("utf-16"),
        "Windows-1252": text([rows[0], [*rows[1][:-1], "Zettel für Löwen"]]).encode("cp1252"),
        "bytes of nothing": b"\x00" * 500,
        "noise": bytes(range(256)) * 4,
        "a NUL in it": whole.replace(rows[1][-1], rows[1][-1] + "\x00", 1),
        "JSON": '{"a": [1, 2]}',
        "a huge cell": text([rows[0], ["9" * 200_000, *rows[1][1:]]]),
    }
    for at, column in enumerate(rows[0]):
        for what, cell in {
            "blank": "", "a space": " ", "NaN": "nan", "infinite": "inf", "huge": "9" * 400, "negative": "-1",
            "a word": "gnorb", "nested": "[[]]", "a bad pattern": "(", "no id": "pci:xyz", "far digits": "\u0663\u0664",
        }.items():  # fmt: skip
            made[f"{column} {what}"] = filled(rows, at, cell)
    made["first columns exchanged"] = swapped(rows, 0, 1)
    return {what: one if isinstance(one, bytes) else one.encode() for what, one in made.items()}


@pytest.fixture
def own(tmp_path, monkeypatch):
    """Put bytes where a user's own rows of a table are read."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))

    def put(name: str, content: bytes) -> Path:
        path = tmp_path / "tables" / f"{name}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        forget()
        return path

    yield put
    monkeypatch.undo()
    forget()


def forget() -> None:
    tables.load.cache_clear()
    tables.rows.cache_clear()


PLAIN = {name: set(tables.rows(name)) for name in NAMES}

HARMLESS = {
    "whole", "with a byte order mark", "with carriage returns", "with a remark and blank lines", "header alone",
}  # fmt: skip
"""Ways that leave the meaning alone."""

ALWAYS = {
    "empty", "cut in the header", "cut in a row", "cut in a quoted cell", "rows twice", "a column short",
    "a cell short", "a cell too many", "columns in another order", "semicolons", "UTF-16", "Windows-1252",
    "bytes of nothing", "noise",
    "a NUL in it", "JSON", "a huge cell",
}  # fmt: skip
"""Ways that no table can be read after."""


@pytest.mark.parametrize("name", NAMES)
def test_every_pattern_that_ships_compiles(name):
    """A start does not ask this of shipped tables again."""
    checks = tables.meta(datasets() / f"{name}.meta.toml").get("checks", {})
    header, *rows = shipped(name)
    patterns = [row[header.index(column)] for column, kind in checks.items() if kind == "pattern" for row in rows]
    assert all(re.compile(pattern) for pattern in patterns)
    assert patterns or "pattern" not in checks.values()


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_damaged_table_means_the_same_or_is_refused_by_name(own, name):
    for what, content in damages(name).items():
        path = own(name, content)
        try:
            rows = tables.rows(name)
        except TableError as error:
            assert what not in HARMLESS, (what, error)
            assert str(path) in error.message and error.hint, (what, error)
            assert len(error.message) < 1200, what
            continue
        assert what not in ALWAYS, what
        if what in HARMLESS:
            assert set(rows) == PLAIN[name], what


@pytest.mark.parametrize("name", NAMES)
def test_numbers_patterns_and_words_of_closed_sets_are_checked(own, name):
    """What a column is used as is what it is checked for: nothing else in it is let through."""
    about = tables.meta(datasets() / f"{name}.meta.toml")
    rows = shipped(name)
    for column, wanted in about["checks"].items() if "checks" in about else ():
        at = rows[0].index(column)
        bad = "(" if wanted == "pattern" else "gnorb!"
        path = own(name, filled(rows, at, bad).encode())
        with pytest.raises(TableError) as caught:
            tables.rows(name)
        assert f"{path}, line 2, column {column}: {bad!r}" in caught.value.message


@pytest.mark.parametrize("name", NAMES)
def test_a_row_without_its_source_is_refused(own, name):
    rows = shipped(name)
    for at, column in enumerate(rows[0]):
        if column == "source" or column.endswith("_source"):
            path = own(name, filled(rows, at, "").encode())
            with pytest.raises(TableError, match=column) as caught:
                tables.rows(name)
            assert str(path) in caught.value.message


def test_figures_that_do_not_rise_are_refused(own):
    rows = shipped("timing/storage_rates")
    low, high = rows[0].index("read_low"), rows[0].index("read_high")
    own("timing/storage_rates", text([rows[0], rows[1]]).encode())
    assert tables.rows("timing/storage_rates")
    own("timing/storage_rates", swapped(rows, low, high).replace("read_high", "x").replace("read_low", "read_high")
        .replace("x", "read_low", 1).encode())  # fmt: skip
    with pytest.raises(TableError, match="do not rise"):
        tables.rows("timing/storage_rates")


def test_a_row_that_nothing_would_read_is_refused(own):
    row = ["cpu_sped", "1", "1", "1", "x", "from memory: mine"]
    own("timing/assumed", text([shipped("timing/assumed")[0], row]).encode())
    with pytest.raises(TableError, match="cpu_sped"):
        tables.rows("timing/assumed")


@pytest.mark.parametrize("what", ["folder", "pipe", "loop"])
def test_a_table_that_is_no_file_is_refused_and_nothing_hangs(own, what):
    path = own("timing/phases", b"")
    path.unlink()
    {"folder": os.mkdir, "pipe": os.mkfifo, "loop": lambda path: os.symlink(path, path)}[what](path)
    with pytest.raises(TableError) as caught:
        tables.rows("timing/phases")
    assert str(path) in caught.value.message


def test_words_of_the_checks_are_those_of_the_code():
    from advisor.benchlog.jobs import OUTCOMES
    from advisor.drivers.kinds import Kind
    from advisor.drivers.needs import Lack
    from advisor.drivers.quirks import Effect
    from advisor.identify.level import LEVELS
    from advisor.shop import Edition, PartKind
    from advisor.unit import FormFactor

    sets = {
        ("advice/parts", "kind"): PartKind,
        ("benchlog/outcomes", "outcome"): OUTCOMES,
        ("drivers/names", "kind"): Kind,
        ("drivers/severity", "severity"): Lack,
        ("drivers/chips", "severity"): Lack,
        ("drivers/chips_kernel", "severity"): Lack,
        ("drivers/quirks", "effect"): Effect,
        ("drivers/quirks_packages", "effect"): Effect,
        ("identify/processors", "level"): LEVELS,
        ("identify/series", "level"): LEVELS,
        ("identify/microarchitectures", "level"): LEVELS,
        ("comfort/sessions", "edition"): Edition,
    }
    for (name, column), words in sets.items():
        assert set(tables.meta(datasets() / f"{name}.meta.toml")["checks"][column]) == set(words), (name, column)
    boxes = tables.meta(datasets() / "capture/smbios.meta.toml")["checks"]["form_factor"]
    assert set(boxes) <= set(FormFactor)
