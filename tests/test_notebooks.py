"""Every notebook runs as it is stored."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


@pytest.fixture(params=NOTEBOOKS, ids=lambda path: path.name)
def notebook(request):
    return nbformat.read(request.param, as_version=4)


def code_in(notebook) -> list:
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def test_there_is_a_notebook():
    assert NOTEBOOKS


def test_a_notebook_is_stored_without_output(notebook):
    assert [cell.source for cell in code_in(notebook) if cell.outputs or cell.execution_count is not None] == []


def test_a_notebook_ends_in_an_assert(notebook):
    assert code_in(notebook)[-1].source.splitlines()[-1].startswith("assert ")


@pytest.mark.slow
def test_a_notebook_runs_and_shows_figures(notebook):
    NotebookClient(notebook, timeout=300, resources={"metadata": {"path": FOLDER}}).execute()
    kinds = {kind for cell in code_in(notebook) for output in cell.outputs for kind in output.get("data", {})}
    assert "image/png" in kinds
