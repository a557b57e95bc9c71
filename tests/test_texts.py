"""Texts for people are written one way throughout."""

import ast
import re
import tomllib
from pathlib import Path
from typing import Any

import nbformat
import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LANGUAGES = sorted((PACKAGE / "page" / "languages").glob("*.toml"))
CLOSE = re.compile(r"[\d}]%(?!\w)")  # "10%" where "10 %" is meant


def tight(program: str) -> list[str]:
    """Return the f-strings of a program that put a percent sign close to its number."""
    found = [node for node in ast.walk(ast.parse(program)) if isinstance(node, ast.JoinedStr)]
    texts = {node: ast.unparse(node) for node in found}
    return [text for text in texts.values() if CLOSE.search(text) or re.search(r"%\}", text)]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_percent_sign_stands_off_its_number(path: Path):
    assert tight(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_percent_sign_stands_off_its_number_in_a_notebook(path: Path):
    for cell in nbformat.read(path, as_version=4).cells:
        assert not (tight(cell.source) if cell.cell_type == "code" else CLOSE.search(cell.source))


@pytest.mark.parametrize("path", [*DOCUMENTS, *LANGUAGES], ids=lambda path: path.name)
def test_a_percent_sign_stands_off_its_number_in_a_text(path: Path):
    text = path.read_text(encoding="utf-8")
    said = leaves(tomllib.loads(text)) if path.suffix == ".toml" else text.splitlines()
    assert [one for one in said if CLOSE.search(one)] == []


def leaves(texts: Any) -> list[str]:
    """Return every text of a language's file."""
    if isinstance(texts, str):
        return [texts]
    parts = texts.values() if isinstance(texts, dict) else texts
    return [leaf for part in parts for leaf in leaves(part)]
