"""One notebook for each user runs from its first cell to its last, and shows what it says it shows."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from tests.conftest import TOP

NOTEBOOKS = TOP / "diagnose" / "guide" / "notebooks"
SHOWN = {  # what stands in some output of each
    "owner": ("data:image/jpeg;base64,", "Most likely rabbit or hare", "<svg", "cost"),
    "adviser": ("Saved as observation", "end_diameter_mm_sigma", "p_rabbit_or_hare"),
    "crew": ("<svg", "Not needed yet: at most 24 % of leaders were browsed", "design effect"),
}


def test_every_user_has_a_notebook() -> None:
    assert {file.stem for file in NOTEBOOKS.glob("*.ipynb")} == set(SHOWN)


@pytest.mark.parametrize("name", SHOWN)
def test_a_notebook_runs_and_shows_its_results(name: str, tmp_path: Path) -> None:
    notebook = nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)
    assert not any(cell.get("outputs") for cell in notebook.cells), "keep it without outputs: they are made by running it"
    NotebookClient(notebook, timeout=110, kernel_name="python3", resources={"metadata": {"path": str(TOP)}}).execute()
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", ())]
    shown = "".join(str(one.get("text", "")) + "".join(map(str, one.get("data", {}).values())) for one in outputs)
    assert [words for words in SHOWN[name] if words not in shown] == []
