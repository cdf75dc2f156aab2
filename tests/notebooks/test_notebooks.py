"""The notebooks run cell by cell, also with a person's edits, and are committed without outputs."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat
import pytest

from advisor.benchlog import exported
from advisor.files import datasets

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
STEPS = [path for path in NOTEBOOKS if path.stem != "bench"]


def run(path: Path, folder: Path, edits: dict[str, str] | None = None):
    """Run a notebook; each edit replaces a piece of its text, as a person would."""
    nbclient = pytest.importorskip("nbclient")
    notebook = nbformat.read(path, as_version=4)
    for old, new in (edits or {}).items():
        assert sum(cell.source.count(old) for cell in notebook.cells) == 1, old
        for cell in notebook.cells:
            cell.source = cell.source.replace(old, new)
    where = {"metadata": {"path": str(folder)}}
    nbclient.NotebookClient(notebook, timeout=300, startup_timeout=180, resources=where).execute()
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def shown(cell, kind: str = "text/html") -> str:
    texts = [str(output.get("data", {}).get(kind, "")) for output in cell.outputs]
    return "".join(texts + [output.text for output in cell.outputs if output.output_type == "stream"])


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path / "home"))


def test_the_notebooks_are_there():
    assert {path.stem for path in NOTEBOOKS} >= {"bench", "intake_triage", "batch_scoring", "model_review"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_is_committed_without_outputs(path):
    cells = [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in cells)
    assert max(len(cell.source.splitlines()) for cell in cells) <= 8


@pytest.mark.parametrize("path", STEPS, ids=lambda path: path.stem)
def test_a_notebook_starts_with_a_sentence_and_ends_with_a_question_of_your_own(path):
    cells = nbformat.read(path, as_version=4).cells
    assert cells[0].cell_type == "markdown"
    assert cells[0].source.splitlines()[2].endswith((".", "?"))
    assert cells[-2].source.startswith("**Your own question**")
    assert cells[-1].cell_type == "code"


@pytest.mark.slow
def test_triage_with_another_shop_and_a_typed_unit(tmp_path):
    demo = datasets() / "demo" / "shop.toml"
    cells = run(
        FOLDER / "intake_triage.ipynb",
        tmp_path,
        {
            "advisor.read_shop()": f"advisor.read_shop({str(demo)!r})",
            "unit = advisor.capture()": (
                "unit = advisor.unit.Unit(cpu='i5-6300U', ram_gib=8, storage_kind='sata ssd', storage_gib=223.5,"
                " boot_mode='uefi 64-bit', form_factor='laptop')"
            ),
            "# advisor.benchlog": "advisor.benchlog",
        },
    )
    assert "240 GB" in shown(cells[0])
    assert "BENCH-1" in shown(cells[1])
    assert "INSTALL Cinnamon" in shown(cells[2])
    assert "Sheet of BENCH-1" in shown(cells[3])
    assert "MATE" in shown(cells[5])
    from advisor.benchlog import BenchLog

    with BenchLog() as log:
        assert [row["asset_tag"] for row in log.rows("SELECT asset_tag FROM job")] == ["BENCH-1"]


@pytest.mark.slow
def test_triage_as_it_comes_captures_this_machine(tmp_path):
    cells = run(FOLDER / "intake_triage.ipynb", tmp_path)
    assert "Processor" in shown(cells[0])
    assert "headline" in shown(cells[2])


@pytest.mark.slow
def test_batch_with_a_sheet_of_ones_own(tmp_path):
    tags = [f"OM-100{digit}" for digit in range(3, 10)]
    slow = "".join(f"{tag},i5-2520M,4,500 hdd\n" for tag in tags)
    (tmp_path / "mine.csv").write_text(f"tag,cpu,ram,disk\nM-1,i5-6300U,8,256 ssd\n{slow}")
    cells = run(FOLDER / "batch_scoring.ipynb", tmp_path, {'datasets() / "demo" / "intake.csv"': '"mine.csv"'})
    assert "8 units" in shown(cells[2])
    assert "<svg" in shown(cells[3])
    assert all(tag in shown(cells[5]) for tag in tags) and "..." not in shown(cells[5])  # Whose parts they are, whole
    assert "OM-1003" in shown(cells[6])
    assert (tmp_path / "scored.csv").read_text().splitlines()[1].startswith("M-1")
    assert (tmp_path / "standard.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.slow
def test_review_shows_its_pictures_without_a_press(tmp_path):
    cells = run(FOLDER / "model_review.ipynb", tmp_path)
    assert "At your bench" in shown(cells[0])
    pictures = [shown(cell) for cell in cells if "<svg" in shown(cell)]
    assert len(pictures) == 7
    assert all("<figcaption>" in picture for picture in pictures)
    assert not [output.text for cell in cells for output in cell.outputs if output.get("name") == "stderr"]
    judged, missed = shown(cells[-2]), shown(cells[-1])
    assert "median error [%]" in judged and "NaN" not in judged  # An edition only ever unpacked has no whole install
    assert all(edition in judged for edition in ("GNOME", "KDE Plasma", "LXQt", "Xfce"))
    names = re.findall(r"<td>([\w-]+)</td>\s*<td>[^<]*</td>\s*<td>(?:clone|live|packages)</td>", missed)
    assert names and len(names) == len(set(names))  # Each rehearsal once, not once a split


@pytest.mark.slow
def test_a_year_is_asked_from_an_exported_file(tmp_path, monkeypatch):
    """The sums of an invented centre of 5,000 units, added up here from the same frames."""
    pytest.importorskip("duckdb")
    monkeypatch.syspath_prepend(str(datasets() / "demo"))
    import many_units

    job, scored = many_units.many(5000, 300)
    exported.write(tmp_path / "year.duckdb", job, scored)
    cells = run(FOLDER / "year.ipynb", tmp_path)
    assert "5000" in shown(cells[0])
    hours = job.groupby(["maker", "model"])["elapsed_min"].sum().sort_values() / 60
    assert hours.index[-1][1] in shown(cells[1]) and f"{hours.iloc[-1]:.1f}" in shown(cells[1])
    assert hours.index[0][1] not in shown(cells[1])
    assert "SATA SSD 240 GB" in shown(cells[2])
    miss = 100 * (job["elapsed_min"] / job["predicted_min"] - 1).abs()
    of = [job[name] for name in ("maker", "model", "edition")]
    worst = miss.groupby(of).mean()[miss.groupby(of).size() >= 20].sort_values()
    assert worst.index[-1][1] in shown(cells[3]) and f"{worst.iloc[-1]:.1f}" in shown(cells[3])
    assert "time in the slot [min]" in shown(cells[4])
    assert all(month in shown(cells[5]) for month in set(job["date"].str[:7]))


@pytest.mark.slow
def test_a_missing_file_is_told_in_a_sentence_without_a_traceback(tmp_path):
    exceptions = pytest.importorskip("nbclient.exceptions")
    with pytest.raises(exceptions.CellExecutionError) as told:
        run(FOLDER / "year.ipynb", tmp_path)
    assert "There is no file year.duckdb." in told.value.traceback and "advisor log export" in told.value.traceback
    assert "Traceback" not in told.value.traceback and "exported.py" not in told.value.traceback


@pytest.mark.slow
def test_the_bench_is_a_widget(tmp_path):
    cells = run(FOLDER / "bench.ipynb", tmp_path)
    assert shown(cells[0], "application/vnd.jupyter.widget-view+json")
