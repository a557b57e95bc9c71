"""Texts for people are written one way throughout, in sentences that are read at once."""

import ast
import json
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nbformat
import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "forecast"
MODULES = sorted(PACKAGE.rglob("*.py"))
README = ROOT / "README.md"
DOCUMENTS = [README, ROOT / "DEVELOPERS.md"]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LANGUAGES = sorted((PACKAGE / "languages").glob("*.toml"))
PRINTED = sorted((ROOT / "tests" / "golden").glob("*-text.json"))
USUAL, LONGEST = 25, 40  # words of a sentence
HOUSE_WORDS = {  # what only its makers would say
    "en": re.compile(
        r"\b(foretold|foretell\w*|mend(s|ed|ing)?|(speaks?|spoken|spoke) of|stands? (in )?for"
        r"|nought|told|worked off)\b|\w\(s\)"
    ),
    "de": re.compile(
        r"\b(geweissagt|vorausgesagt|ausbessern|steh(t|en) für|(spricht|sprechen|gesprochen) von"
        r"|abgearbeitet)\b|\w\((s|en|n)\)"
    ),
}
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
    if not isinstance(texts, dict | list):
        return []
    parts = texts.values() if isinstance(texts, dict) else texts
    return [leaf for part in parts for leaf in leaves(part)]


def lengths(texts: Any) -> dict[str, int]:
    """Return the words of each sentence, tables and the rows of lists left out."""
    lines = [line for text in texts for line in text.splitlines()]
    prose = [line for line in lines if "  " not in line]
    sentences = [one for line in prose for one in re.split(r"(?<=[.!?])\s+", line) if one]
    return {one: len(one.split()) for one in sentences}


def printed() -> list[str]:
    """Return what the commands print, as it is kept to be compared with."""
    kept = [json.loads(path.read_text("utf-8"))["printed"] for path in PRINTED]
    return [line for lines in kept for line in lines]


def paragraphs(text: str) -> list[str]:
    """Return the paragraphs and points of a text in Markdown, each on one line; no tables."""
    prose = re.sub(r"```.*?```", "\n\n", text, flags=re.DOTALL)
    blocks = re.split(r"\n\s*\n|\n(?=[-#|] ?|\d+\. )", prose)
    return [" ".join(block.split()) for block in blocks if not block.lstrip().startswith("|")]


def explained(path: Path) -> list[str]:
    """Return the paragraphs of a notebook."""
    cells = nbformat.read(path, as_version=4).cells
    return [
        one for cell in cells if cell.cell_type == "markdown" for one in paragraphs(cell.source)
    ]


@pytest.mark.parametrize("path", [*DOCUMENTS, *NOTEBOOKS], ids=lambda path: path.stem)
def test_what_documents_and_notebooks_explain_can_be_read_at_once(path: Path):
    said = explained(path) if path in NOTEBOOKS else paragraphs(path.read_text("utf-8"))
    words = lengths(said)
    assert len(words) > 10
    assert [one for one, number in words.items() if number > LONGEST] == []
    assert sum(words.values()) / len(words) <= USUAL


@pytest.mark.parametrize("path", LANGUAGES, ids=lambda path: path.stem)
def test_sentences_of_a_language_can_be_read_at_once(path: Path):
    words = lengths(leaves(tomllib.loads(path.read_text(encoding="utf-8"))))
    assert [one for one, number in words.items() if number > LONGEST] == []
    assert sum(words.values()) / len(words) <= USUAL


WRITTEN = {
    "what a command prints": printed,
    "what a program says": lambda: [
        text for path in MODULES for text in said_by(ast.parse(path.read_text("utf-8")))
    ],
}


@pytest.mark.parametrize("said", WRITTEN.values(), ids=WRITTEN)
def test_what_is_said_outside_the_languages_can_be_read_at_once(said: Callable[[], list[str]]):
    words = lengths(said())
    assert len(words) > 100
    assert [one for one, number in words.items() if number > LONGEST] == []
    assert sum(words.values()) / len(words) <= USUAL


def test_no_text_for_people_uses_a_house_word():
    texts = {path.stem: leaves(tomllib.loads(path.read_text("utf-8"))) for path in LANGUAGES}
    texts["en"] += printed() + paragraphs(README.read_text("utf-8"))
    programs = [path.read_text(encoding="utf-8") for path in MODULES]
    for path in NOTEBOOKS:
        texts["en"] += explained(path)
        cells = nbformat.read(path, as_version=4).cells
        programs += [cell.source for cell in cells if cell.cell_type == "code"]
    for program in programs:
        texts["en"] += said_by(ast.parse(program))
    for code, said in texts.items():
        assert [one for one in said if HOUSE_WORDS[code].search(one)] == []


def said_by(program: ast.Module) -> list[str]:
    """Return the texts of a program that have more than one word, its docstrings left out."""
    statements = [one for one in ast.walk(program) if isinstance(one, ast.Expr)]
    own = {id(one.value) for one in statements}
    texts = [
        one.value
        for one in ast.walk(program)
        if isinstance(one, ast.Constant) and isinstance(one.value, str) and id(one) not in own
    ]
    return [text for text in texts if " " in text.strip()]
