"""What a start costs: the modules that a command loads; and that it asks no network."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date, timedelta

import pytest

import advisor
from advisor.cli import version
from advisor.files import datasets

LOADED = """
import sys
from advisor.cli import main
try:
    main()
except SystemExit as end:
    assert not end.code, end.code
print("loaded:", *sorted({name.partition(".")[0] for name in sys.modules}), file=sys.stderr)
"""
FRONT_END = {
    "dask",
    "duckdb",
    "sklearn",
    "scipy",
    "matplotlib",
    "IPython",
    "ipywidgets",
    "anywidget",
    "jupyter_client",
    "ortools",
}
FRAMES = {"pandas", "numpy", "typst", "jinja2", "openpyxl", "rapidfuzz", "PIL"}
SHEET = "asset_tag,cpu,ram_gib,storage_kind,storage_gib\nU-1,i5-6300U,8,ssd,240\nU-2,i3-2100,4,hdd,500\n"
BUDGET = [
    (["--version"], FRONT_END | FRAMES),
    (["log", "running"], FRONT_END | FRAMES),
    (["capture", "--out", "unit.json"], FRONT_END | FRAMES),
    (["sheet", "U-1", "--csv", "in.csv"], FRONT_END | {"typst", "openpyxl", "PIL"}),
    (["score", "in.csv", "--out", "scored.csv"], FRONT_END | {"typst", "openpyxl", "PIL"}),
]
"""Commands, and what none of them may load: each of these takes longer to import than a unit to read."""


@pytest.mark.slow
@pytest.mark.parametrize(("words", "heavy"), BUDGET, ids=[words[0] for words, _ in BUDGET])
def test_a_command_loads_nothing_that_it_does_not_need(words, heavy, tmp_path):
    (tmp_path / "in.csv").write_text(SHEET)
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *words],
        capture_output=True, text=True, cwd=tmp_path, env={**os.environ, "ADVISOR_HOME": str(tmp_path / "home")},
    )  # fmt: skip
    said = done.stderr.splitlines()[-1]
    assert said.startswith("loaded: ") and "advisor" in said.split(), done.stderr
    assert sorted(heavy & set(said.split())) == []


def test_versions_tell_how_old_tables_and_models_are(tmp_path, monkeypatch):
    """Dates as the meta files beside the tables have them; a table of the user's own takes the shipped one's place."""
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    own = tmp_path / "tables" / "drivers" / "kernel-debian-12.meta.toml"
    own.parent.mkdir(parents=True)
    shipped = (datasets() / "drivers" / own.name).read_text(encoding="utf-8")
    [dated] = [line for line in shipped.splitlines() if line.startswith("date = ")]
    day = date.fromisoformat(dated.split('"')[1])
    newer = day + timedelta(days=400)
    own.write_text(shipped.replace(dated, f'date = "{newer}"'), encoding="utf-8")
    said = version.everything(newer + timedelta(days=6)).splitlines()
    assert said[0] == f"advisor {advisor.__version__}, Python {sys.version.split()[0]}"
    [archive] = [line for line in said if line.startswith("Debian's archive")]
    assert f"{newer}, 6 days before today" in archive
    ages = {line[:32].strip(): line.split()[-1] for line in said if line[:1].isalpha()}
    assert ages["kernel debian-12"] == "0" and ages["kernel debian-13"] == "400"
    assert {"timing model", "comfort model", "ids pci", "firmware debian-13", "facts: timing"} <= set(ages)


OFFLINE = """
import sys
from advisor.cli import main
for words in {calls!r}:
    sys.argv = ["advisor", *words]
    try:
        main()
    except SystemExit as end:
        assert end.code in (0, 1), (words, end.code)
"""
CALLS = [
    ["score", "in.csv", "--out", "scored.csv"],
    ["capture", "--out", "unit.json"],
    ["sheet", "unit.json", "--out", "sheet.pdf"],
    ["plan", "in.csv", "--seconds", "1", "--out", "day.svg"],
    ["log", "add", "U-1", "--hands-on", "30", "--elapsed", "90"],
    ["log", "export", "log.csv"],
    ["handover", "--demo"],
    ["--version", "--verbose"],
]


@pytest.fixture
def offline(tmp_path):
    """Runs Python in a network namespace in which nothing but loopback is; unshare(1)."""
    if os.geteuid() != 0:
        pytest.skip("not root")
    environment = {**os.environ, "ADVISOR_HOME": str(tmp_path / "home"), "XDG_RUNTIME_DIR": str(tmp_path)}

    def start(code: str, *words: str) -> subprocess.Popen[str]:
        inside = ["sh", "-c", 'ip link set lo up && exec "$@"', "sh", sys.executable, "-u", "-c", code, *words]
        return subprocess.Popen(
            ["unshare", "--net", *inside], cwd=tmp_path, env=environment, text=True, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )  # fmt: skip

    return start


@pytest.mark.root
@pytest.mark.slow
def test_the_bench_needs_no_network(offline, tmp_path):
    (tmp_path / "in.csv").write_text(SHEET)
    process = offline(OFFLINE.format(calls=CALLS))
    said = process.communicate(timeout=300)[0]
    assert process.returncode == 0, said
    made = {path.name for path in tmp_path.iterdir()}
    assert {"scored.csv", "unit.json", "sheet.pdf", "day.svg", "log.csv"} <= made


@pytest.mark.root
@pytest.mark.slow
def test_the_page_needs_no_network(offline):
    process = offline("from advisor.cli import main; main()", "notebook", "--app", "--no-browser")
    lines = []
    for line in process.stdout:
        lines.append(line)
        if line.startswith("The view is at http://127.0.0.1:"):
            break
    process.terminate()
    process.communicate(timeout=60)
    assert lines[-1].startswith("The view is at"), lines


@pytest.mark.root
@pytest.mark.slow
def test_building_tables_needs_the_network_and_says_so(offline, tmp_path):
    process = offline(
        "from advisor.cli import main; main()", "tables", "build", "--kernel", "debian-13", "--cache", str(tmp_path)
    )
    said = process.communicate(timeout=300)[0]
    assert process.returncode == 2
    assert "apt could not fetch the package index" in said and "Check the network" in said
