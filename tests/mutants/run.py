"""Make small changes one at a time in a copy of the tree, and see which of them the tests notice.

python tests/mutants/run.py advice timing --each 30     tries 30 changes of each room that were not tried yet
python tests/mutants/run.py --again                     tries again what survived
python tests/mutants/run.py --report                    killed by room, and what survived

Which changes are tried hangs on the seed and on the text that is changed. What came of each is kept, a line of JSON
each, in tests/mutants/results.jsonl; changes that no user could see are listed with the reason in equivalent.csv.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import contextlib
import csv
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from changes import Change, of_source, of_table  # noqa: E402
from warm import forget, swap  # noqa: E402

ROOT = HERE.parents[1]
RESULTS = HERE / "results.jsonl"
EQUIVALENT = HERE / "equivalent.csv"

ROOMS = {
    "advice": ["tests/advice", "tests/shop"],
    "comfort": ["tests/comfort"],
    "timing": ["tests/timing", "tests/benchlog"],
    "drivers": ["tests/drivers"],
    "identify": ["tests/identify"],
    "editions": ["tests/editions"],
}
"""Tests of each room; the golden tables run before them."""

THREADED = ["tests/benchlog/test_exported.py"]
"""Tests of a library whose threads do not live on in a child: it would wait for them for ever."""

OPTIONS = ["-x", "-q", "-p", "no:cacheprovider", *[f"--ignore={one}" for one in THREADED]]

SLOW = ["tests/advice/test_properties.py"]
"""Tests that take minutes and look for what no single change makes."""

TRAINING = ("comfort/design", "comfort/sessions", "timing/held_out")
"""Tables that are measurements to fit on: the refit tests guard them as a whole."""


def changes_of(room: str) -> dict[str, list[Change]]:
    """List a room's changes by file."""
    out = {}
    for path in sorted((ROOT / "advisor" / room).rglob("*.py")):
        name = str(path.relative_to(ROOT))
        out[name] = of_source(name, path.read_bytes())
    for path in sorted((ROOT / "datasets" / room).glob("*.csv")):
        name = str(path.relative_to(ROOT))
        if name.removeprefix("datasets/").removesuffix(".csv") not in TRAINING:
            out[name] = of_table(name, path.read_bytes())
    return out


def parses(one: Change) -> bool:
    """Tell whether a changed module can be read at all."""
    try:
        return not one.path.endswith(".py") or bool(ast.parse(one.made((ROOT / one.path).read_bytes())))
    except SyntaxError:
        return False


def sample(room: str, each: int, seed: str, known: set[str]) -> list[Change]:
    """Draw a room's next changes: three of four from code, one of four from tables, no two of one line."""
    by_file = changes_of(room)
    code = sorted((one for name, some in by_file.items() if name.endswith(".py") for one in some),
                  key=lambda one: one.rank(seed))  # fmt: skip
    tables = [sorted(some, key=lambda one: one.rank(seed)) for name, some in by_file.items() if name.endswith(".csv")]
    rounds = [one for turn in zip(*[some[:40] + [None] * (40 - len(some)) for some in tables], strict=True)
              for one in turn if one]  # fmt: skip
    drawn: list[Change] = []
    for some, most in ((code, each - each // 4), (rounds, each // 4)):
        lines: set[tuple[str, int]] = set()
        fresh = 0
        for one in some:
            if fresh == most:
                break
            if (one.path, one.line) in lines:
                continue
            lines.add((one.path, one.line))
            if one.name not in known and parses(one):
                drawn.append(one)
                fresh += 1
    return drawn


def preload(tree: Path, tests: list[str]) -> None:
    """Run what the children will run once, unchanged, so that a child finds everything imported and read."""
    import pytest

    os.chdir(tree)
    sys.path[:0] = [str(tree)]
    sys.dont_write_bytecode = True
    one_thread = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"), "1")  # pools of threads do not fork
    os.environ |= {"PYTHONPATH": str(tree), "ADVISOR_HOME": str(tree / "home"), **one_thread}
    with open(os.devnull, "w", encoding="utf-8") as quiet, contextlib.redirect_stdout(quiet):
        failed = pytest.main([*OPTIONS, *tests])
    if failed:
        raise SystemExit("These tests fail with nothing changed; no change can be told by them.")


class Watch:
    """Tells the first test that fails."""

    def __init__(self, pipe: int) -> None:
        self.pipe = pipe

    def pytest_runtest_logreport(self, report: object) -> None:
        if report.failed:  # type: ignore[attr-defined]
            os.write(self.pipe, report.nodeid.encode()[:300])  # type: ignore[attr-defined]

    def pytest_collectreport(self, report: object) -> None:
        self.pytest_runtest_logreport(report)


def child(room: str, one: Change, whole: bytes, tests: list[str], seconds: int, pipe: int) -> None:
    """Make a change in what is loaded, or load everything anew, run tests until one fails, and end."""
    import pytest

    os.setsid()
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 5))
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    warm = one.path.endswith(".py") and swap(one.path, whole, one.made(whole))
    if warm:
        forget(room)
    for name in list(sys.modules):
        if name.partition(".")[0] in ("tests", *([] if warm else ["advisor"])):
            del sys.modules[name]
    watch = Watch(pipe)
    done = pytest.main([*OPTIONS, *tests], plugins=[watch])
    if done == 0:  # what takes long last
        done = pytest.main([*OPTIONS, "-m", "slow", *[f"--ignore={one}" for one in SLOW], *tests], plugins=[watch])
    os._exit(0 if done in (0, pytest.ExitCode.NO_TESTS_COLLECTED) else 1)


def attempt(room: str, one: Change, whole: bytes, tests: list[str], seconds: int) -> tuple[str, str]:
    """Run tests in a child: 'survived', 'killed' or 'too long', and the test that failed."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            child(room, one, whole, tests, seconds, writing)
        finally:
            os._exit(99)
    os.close(writing)
    _, status = os.waitpid(pid, 0)
    with open(reading, "rb", closefd=True) as pipe:
        os.set_blocking(reading, False)
        by = (pipe.read() or b"").decode(errors="replace")
    with contextlib.suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)
    if os.WIFSIGNALED(status):
        return "too long", by
    return ("survived" if os.WEXITSTATUS(status) == 0 else "killed"), by


def copied(folder: Path) -> Path:
    """Copy what the tests read, compiled."""
    tree = folder / "tree"
    for name in ("advisor", "datasets", "tests", "notebooks", ".ci"):
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("results.jsonl"))
    for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE"):
        shutil.copy2(ROOT / name, tree / name)
    compileall.compile_dir(tree / "advisor", quiet=2)
    return tree


def run(changes: list[tuple[str, Change]], only: list[str], seconds: int, until: float) -> None:
    """Try changes until the time is up, and write down what came of each."""
    changed = sorted({room for room, _ in changes})
    with tempfile.TemporaryDirectory() as folder:
        tree = copied(Path(folder))
        preload(tree, only or ["tests/golden", *dict.fromkeys(test for room in changed for test in ROOMS[room])])
        for room, one in changes:
            if time.time() > until:
                print("The time is up; the same command goes on.")
                return
            file = tree / one.path
            whole, times = file.read_bytes(), file.stat()
            file.write_bytes(one.made(whole))
            began = time.time()
            result, by = attempt(room, one, whole, only or ["tests/golden", *ROOMS[room]], seconds)
            file.write_bytes(whole)
            os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))
            row = {"room": room, "name": one.name, "line": one.line, "result": result, "by": by,
                   "seconds": round(time.time() - began)}  # fmt: skip
            with RESULTS.open("a", encoding="utf-8") as kept:
                kept.write(json.dumps(row) + "\n")
            print(f"{result:9} {row['seconds']:4} s  {one.path}:{one.line} {one.place}: {one.kind} "
                  f"{one.old[:60]!r} -> {one.new[:60]!r}  {by[:90]}", flush=True)  # fmt: skip


def results() -> dict[str, dict[str, object]]:
    """The last result of every change that was tried."""
    if not RESULTS.exists():
        return {}
    rows = [json.loads(line) for line in RESULTS.read_text(encoding="utf-8").splitlines()]
    return {row["name"]: row for row in rows}


def equivalent() -> dict[str, str]:
    """Changes that no user could see, by name, with the reason."""
    with EQUIVALENT.open(newline="", encoding="utf-8") as file:
        return {row["change"]: row["reason"] for row in csv.DictReader(file)}


def report() -> None:
    """Print what was killed by room, and what survived."""
    alike, here = equivalent(), {one.name for room in ROOMS for some in changes_of(room).values() for one in some}
    by_room: dict[str, list[dict[str, object]]] = defaultdict(list)
    for name, row in results().items():
        if name in here and name not in alike:
            by_room[str(row["room"])].append(row)
    for rows in by_room.values():
        for row in rows:
            if row["result"] == "survived":
                print(f"survived  line {row['line']}: {row['name']}")
    print("\n| room | changes tried | killed | share |\n| --- | --- | --- | --- |")
    for room, rows in sorted(by_room.items()):
        killed = sum(row["result"] != "survived" for row in rows)
        print(f"| {room} | {len(rows)} | {killed} | {killed / len(rows):.0%} |")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("rooms", nargs="*", help="rooms; all when left out")
    parser.add_argument("--each", type=int, default=20, help="changes a room")
    parser.add_argument("--seed", default="1")
    parser.add_argument("--cpu-s", type=int, default=300, help="processor seconds that a change may take")
    parser.add_argument("--minutes", type=float, default=1e6, help="no change is begun after that")
    parser.add_argument("--again", action="store_true", help="try what survived again")
    parser.add_argument("--only", nargs="*", default=[], help="run these tests instead of all that see the room")
    parser.add_argument("--report", action="store_true")
    asked = parser.parse_args()
    rooms = asked.rooms or list(ROOMS)
    known = results()
    until = time.time() + 60 * asked.minutes
    if asked.report:
        report()
    elif asked.again:
        here = {one.name: one for room in rooms for some in changes_of(room).values() for one in some}
        left = [(str(row["room"]), here[name]) for name, row in known.items()
                if row["result"] == "survived" and name in here and name not in equivalent()]  # fmt: skip
        run(left, asked.only, asked.cpu_s, until)
    else:
        tried = set(known) | set(equivalent())
        drawn = [(room, one) for room in rooms for one in sample(room, asked.each, asked.seed, tried)]
        run(drawn, asked.only, asked.cpu_s, until)


if __name__ == "__main__":
    main()
