"""Texts for people are written one way throughout."""

import ast
import re
import tomllib
from pathlib import Path
from typing import Any

import nbformat

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LANGUAGES = sorted((PACKAGE / "languages").glob("*.toml"))
CLOSE = re.compile(r"[\d}]%(?!\w)")  # "10%" where "10 %" is meant


def tight(program: str) -> list[str]:
    """Return the f-strings of a program that put a percent sign close to its number."""
    found = [node for node in ast.walk(ast.parse(program)) if isinstance(node, ast.JoinedStr)]
    texts = {node: ast.unparse(node) for node in found}
    return [text for text in texts.values() if CLOSE.search(text) or re.search(r"%\}", text)]


def test_a_percent_sign_stands_off_its_number():
    found = {str(path.relative_to(ROOT)): tight(path.read_text("utf-8")) for path in MODULES}
    assert {name: texts for name, texts in found.items() if texts} == {}


def test_a_percent_sign_stands_off_its_number_in_a_notebook():
    close = [
        f"{path.stem}: {cell.source}"
        for path in NOTEBOOKS
        for cell in nbformat.read(path, as_version=4).cells
        if (tight(cell.source) if cell.cell_type == "code" else CLOSE.search(cell.source))
    ]
    assert close == []


def test_a_percent_sign_stands_off_its_number_in_a_text():
    close = []
    for path in [*DOCUMENTS, *LANGUAGES]:
        text = path.read_text(encoding="utf-8")
        said = leaves(tomllib.loads(text)) if path.suffix == ".toml" else text.splitlines()
        close += [f"{path.name}: {one}" for one in said if CLOSE.search(one)]
    assert close == []


def leaves(texts: Any) -> list[str]:
    """Return every text of a language's file."""
    if isinstance(texts, str):
        return [texts]
    parts = texts.values() if isinstance(texts, dict) else texts
    return [leaf for part in parts for leaf in leaves(part)]
