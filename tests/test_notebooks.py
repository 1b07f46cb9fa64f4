"""Every notebook runs from top to bottom, is small, and names no machine."""

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

PROJECT = Path(__file__).parents[1]
NOTEBOOKS = sorted((PROJECT / "notebooks").glob("*.ipynb"))
LARGEST = 400_000  # [bytes]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning", "ignore::UserWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path, tmp_path):
    """Its last cell asserts the numbers that its text quotes."""
    notebook = nbformat.read(path, as_version=4)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in code] == list(range(1, len(code) + 1)), (
        "commit it as run once, in order"
    )
    assert "assert " in code[-1].source
    assert not any(output.output_type == "error" for cell in code for output in cell.outputs)
    NotebookClient(notebook, timeout=120, kernel_name="python3").execute(cwd=str(tmp_path))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_fit_to_be_kept(path):
    text = path.read_text(encoding="utf-8")
    assert len(text) < LARGEST
    assert not re.search(
        r"/(home|root|tmp|Users|work)/|https?://(?!creativecommons)[^\s\"]*(pypi|mirror|index)", text
    )
