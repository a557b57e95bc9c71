"""What the README shows is run, in order, as a reader would type it."""

import re
import shlex
from pathlib import Path

import pytest

from forecast.cli import main

from .conftest import Toured

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
SHELL = {"sh", "bash", "shell"}


def blocks() -> list[tuple[str, str]]:
    """Return the language and the text of every code block, in order."""
    return BLOCK.findall(README.read_text(encoding="utf-8"))


def commands(text: str) -> list[list[str]]:
    """Return the forecast commands among the lines of a shell block."""
    lines = text.replace("\\\n", " ").splitlines()
    split = [shlex.split(line, comments=True) for line in lines]
    return [words for words in split if words and words[0] == "forecast"]


def wordings(text: str) -> list[str]:
    """Return the lines of an output with every number masked: their last digits may move."""
    return [re.sub(r"\d+(?:[.,]\d+)*", "#", line).rstrip() for line in text.splitlines()]


def assert_shown(shown: str, printed: str) -> None:
    """Check that each line shown was printed, in that order; a line "…" stands for any."""
    rest = iter(wordings(printed))
    for line in wordings(shown):
        if line not in ("…", ""):
            assert line in rest, f"not printed, or not in this order: {line}\n\n{printed}"


def test_the_readme_runs_from_top_to_bottom_and_shows_what_is_printed(
    toured: Toured, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.chdir(toured.place)
    names: dict[str, object] = {"__name__": "readme"}
    printed = ""
    for language, text in blocks():
        if language == "python":
            exec(compile(text, str(README), "exec"), names)
        elif language in SHELL:
            for words in commands(text):
                if words == ["forecast", "tour"]:
                    print(toured.printed)
                    continue
                code = main(words[1:])
                assert code == 0, f"{shlex.join(words)}\n{capsys.readouterr().err}"
        elif language == "text":
            assert_shown(text, printed)
        printed = capsys.readouterr().out or printed


def test_the_readme_links_to_files_that_exist():
    text = README.read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", text):
        assert (ROOT / target).exists(), target
    assert "\\" not in "".join(re.findall(r"\]\(([^)]+)\)", text))
