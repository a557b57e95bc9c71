"""The notebooks are stored clean and give what their text claims when run from the top."""

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONGEST_CELL = 15
LONGEST_RUN_SECONDS = 300
RUN = "from nbclient.cli import main; main()"

each_notebook = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def read(path: Path) -> Any:
    import nbformat  # three seconds of every worker, if it stood above

    return nbformat.read(path, as_version=4)


@each_notebook
def test_a_notebook_is_stored_without_outputs(path: Path):
    notebook = read(path)
    assert set(notebook.metadata) <= {"kernelspec", "language_info"}
    for cell in notebook.cells:
        assert not cell.metadata, cell.source
        assert not cell.get("outputs"), cell.source
        assert cell.get("execution_count") is None, cell.source


@each_notebook
def test_a_notebook_is_plain_short_python(path: Path):
    notebook = read(path)
    for cell in notebook.cells:
        if cell.cell_type != "code":
            continue
        lines = cell.source.splitlines()
        assert len(lines) <= LONGEST_CELL, cell.source
        for line in lines:
            assert not line.lstrip().startswith(("%", "!", "def ", "class ")), line


@each_notebook
def test_a_notebook_asks_in_its_title_and_checks_its_own_claim(path: Path):
    notebook = read(path)
    assert notebook.cells[0].cell_type == "markdown"
    assert notebook.cells[0].source.splitlines()[0].startswith("# ")
    code = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    assert any(line.startswith("assert ") for cell in code for line in cell.splitlines())


IMPORTED = re.compile(r"^\s*(?:from|import) (forecast[\w.]*)(?: import (.+))?", re.MULTILINE)
OFFERED = {"forecast.figures", "forecast.survival", "forecast.assess", "forecast.causal"}


@each_notebook
def test_a_notebook_imports_what_the_readme_lists_and_nothing_else(path: Path):
    code = [cell.source for cell in read(path).cells if cell.cell_type == "code"]
    found = IMPORTED.findall("\n".join(code))
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert {room for room, _ in found} <= {"forecast", *OFFERED}
    assert [room for room in OFFERED if f"`{room}`" not in readme] == []
    assert {name for room, name in found if room == "forecast"} <= {"", "figures as draw"}


@each_notebook
def test_a_notebook_lets_its_figures_show_in_what_is_exported(path: Path):
    first = next(cell.source for cell in read(path).cells if cell.cell_type == "code")
    assert first.splitlines()[-1] == "show_in_exports()"


def test_the_e_value_is_said_to_be_about_the_share_cleared():
    (path,) = (path for path in NOTEBOOKS if path.stem.startswith("05"))
    told = [cell.source for cell in read(path).cells]
    (paragraph,) = (text for text in told if "E-value" in text)
    assert "share cleared" in paragraph
    assert "not the number of sessions" in paragraph


def run_notebook(path: Path) -> str:
    """Run a notebook from the top without saving it and return what went wrong, or nothing."""
    environment = {**os.environ, "JUPYTER_PLATFORM_DIRS": "1", "FORECAST_WORKERS": "1"}
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(path), f"--timeout={LONGEST_RUN_SECONDS}"],
        cwd=path.parent,
        env=environment,
        capture_output=True,
        text=True,
        timeout=2 * LONGEST_RUN_SECONDS,
    )
    return done.stderr if done.returncode else ""


@pytest.mark.slow
@each_notebook
def test_a_notebook_runs_from_the_top(path: Path):
    problem = run_notebook(path)
    assert not problem, problem
