"""The notebooks run from top to bottom without a display, and are committed without outputs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import nbformat
import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_the_three_notebooks_are_there():
    assert {path.stem for path in NOTEBOOKS} >= {"intake_triage", "batch_scoring", "model_review"}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_thin_and_holds_no_output(path):
    cells = [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert 1 <= len(cells) <= 2
    assert sum(len(cell.source.splitlines()) for cell in cells) <= 12
    assert all(not cell.outputs and cell.execution_count is None for cell in cells)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs_from_top_to_bottom(path, tmp_path, monkeypatch):
    nbclient = pytest.importorskip("nbclient")
    monkeypatch.setenv("ADVISOR_HOME", str(tmp_path))
    notebook = nbformat.read(path, as_version=4)
    nbclient.NotebookClient(
        notebook, timeout=300, startup_timeout=180, resources={"metadata": {"path": str(tmp_path)}}
    ).execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert any("application/vnd.jupyter.widget-view+json" in output.get("data", {}) for output in outputs)
    assert not [output for output in outputs if output.output_type == "error"]


def test_importing_the_package_imports_no_widget_library():
    rooms = ", ".join(
        f"advisor.views.{name}" for name in ("bench", "triage_view", "batch_view", "review_view", "server")
    )
    code = f"import sys, {rooms}; print([m for m in ('ipywidgets', 'anywidget', 'IPython') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
