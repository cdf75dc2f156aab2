"""The changes that the mutation tool makes are the ones it names, and leave all else as it stands."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

from advisor import tables
from advisor.advice import parts
from advisor.identify import traps as traps_module
from tests.mutants.changes import of_source, of_table
from tests.mutants.run import ROOMS, ROOT, equivalent
from tests.mutants.warm import forget, swap

CASES = [
    ("x = a < b", "a < b", "a <= b"), ("x = a is not b", "a is not b", "a is b"), ("x = 1", "1", "2"),
    ("x = 0.5", "0.5", "0.75"), ("x = a and b", "and", "or"), ("x = ~a & b", "~", ""), ("x = a & b", "&", "|"),
    ("x = min(a)", "min", "max"), ("x = True", "True", "False"), ("if a:\n    b()", "if a", "if not (a)"),
    ("a += b", "a += b", "pass"), ("x = 'a word'", "word", "word not"), ("x = (1, 2)", "(1, 2)", "(1)"),
    ("x = f'{a:.1f}'", ".1f", ".2f"), ("x = {'a': 1, 'b': 2}", ", 'b': 2", ""), ("x = a[K.ONE], K.TWO", "TWO", "ONE"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "old", "new"), CASES)
def test_a_change_of_a_source_is_made(text: str, old: str, new: str) -> None:
    made = [one.made(text.encode()).decode() for one in of_source("x.py", text.encode())]
    assert text.replace(old, new, 1) in made
    for one in made:
        ast.parse(one)


@pytest.mark.parametrize("text", ["'''A docstring.'''", "__all__ = ['a b']", "x: 'a b'", "@cache\ndef f(): ...",
                                  "x = zip(a, b, strict=True)", "raise ValueError('a b')"])  # fmt: skip
def test_what_no_user_sees_is_let_be(text: str) -> None:
    assert not of_source("x.py", text.encode())


def test_changes_of_a_table() -> None:
    text = b'name,figure,source\n"a, b",2,here\nc,0.5,there\n'
    made = {one.kind + one.place: one.made(text).decode() for one in of_table("x.csv", text)}
    assert made["figurerow 1"] == 'name,figure,source\n"a, b",4,here\nc,0.5,there\n'
    assert made["figurerow 2"] == 'name,figure,source\n"a, b",2,here\nc,0.75,there\n'
    assert made["namerow 2"] == 'name,figure,source\n"a, b",2,here\n"a, b",0.5,there\n'
    assert made["row left outrow 1"] == "name,figure,source\nc,0.5,there\n"
    assert not any(name.startswith("source") for name in made)


def test_names_hold_when_lines_move() -> None:
    text = b"def f():\n    return a < 1\n"
    moved = b"import b\n\n" + text
    assert [one.name for one in of_source("x.py", text)] == [one.name for one in of_source("x.py", moved)]


def test_rooms_and_equivalents_are_there() -> None:
    for room, tests in ROOMS.items():
        assert (ROOT / "advisor" / room).is_dir() and all((ROOT / one).exists() for one in tests)
    assert all(reason for reason in equivalent().values())


MODULE = """\
from functools import lru_cache


@lru_cache
def twice(a):
    return a + a


class K:
    limit = 3

    def over(self, a):
        return [one for one in a if one > self.limit]


plain = lambda a, b=1: a - b
"""


@pytest.mark.parametrize(
    ("old", "new", "swapped"),
    [("a + a", "a * 3", True), ("one > self", "one >= self", True), ("a - b", "a + b", True), ("= 3", "= 4", False),
     ("b=1", "b=2", False), ("@lru_cache\n", "", False)],
)  # fmt: skip
def test_the_inside_of_a_function_is_changed_where_it_is_loaded(
    old: str, new: str, swapped: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / f"made_{abs(hash((old, new)))}.py"
    path.write_text(MODULE)
    monkeypatch.syspath_prepend(tmp_path)
    loaded = importlib.import_module(path.stem)

    def says() -> tuple[int, list[int], int]:
        return loaded.twice.__wrapped__(5), loaded.K().over([3, 4]), loaded.plain(3)

    before = says()
    assert swap(path.name, MODULE.encode(), MODULE.replace(old, new).encode()) is swapped
    assert (says() != before) is swapped


def test_what_builds_on_a_room_is_forgotten_and_what_it_builds_on_is_kept() -> None:
    tables.dicts("identify/likely")
    traps_module._traps()
    parts.usual_parts()
    forget("advice")
    assert traps_module._traps.cache_info().currsize == 1 and parts.usual_parts.cache_info().currsize == 0
    forget("identify")
    assert traps_module._traps.cache_info().currsize == 0 and tables.meta.cache_info().currsize > 0
