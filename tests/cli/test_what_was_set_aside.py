"""Every command that reads a log says in one line what it could not use of it."""

import json
from pathlib import Path

import pytest

from forecast.cli import main

Shown = pytest.CaptureFixture[str]
SAID = "1 course and "


@pytest.fixture(autouse=True)
def somewhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


COMMANDS = {
    "compare": ["compare", "LOG", "--horizon", "6", "--replicates", "10"],
    "fading": ["fading", "LOG"],
    "reactions": ["reactions", "LOG"],
    "reach": ["reach", "LOG"],
    "share": ["share", "LOG", "-o", "share.json"],
    "assess": ["assess", "MODEL", "LOG"],
    "price": ["price", "MODEL", "ASKED", "--tariff", "tariff.toml", "--log", "LOG"],
}


@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_a_command_says_what_was_set_aside(
    command: list[str], folder: Path, model: Path, enquiries: Path, capsys: Shown
):
    if command[0] == "price":
        assert main(["price", "--template"]) == 0
    known = {"LOG": str(folder), "MODEL": str(model), "ASKED": str(enquiries)}
    typed = [known.get(word, word) for word in command]
    capsys.readouterr()
    assert main([*typed, "--json"]) == 0
    shown = capsys.readouterr()
    (said,) = json.loads(shown.out)["log_notes"]
    assert said.startswith(SAID)
    assert said.endswith(f"forecast check {folder} lists them.")
    assert not shown.err
    if command[0] in ("reactions", "reach"):  # the quick ones
        assert main(typed) == 0
        assert capsys.readouterr().out.splitlines()[0] == said


def test_the_fit_says_it_too(fitted: tuple[Path, str], folder: Path):
    first = fitted[1].splitlines()[0]
    assert first.startswith(SAID)
    assert str(folder) in first


def test_the_check_itself_needs_no_such_line(folder: Path, capsys: Shown):
    assert main(["check", str(folder), "--json"]) == 0
    assert "log_notes" not in json.loads(capsys.readouterr().out)


def test_the_check_warns_of_a_log_of_cleared_courses_only(folder: Path, capsys: Shown):
    import pandas as pd

    Path("rosy").mkdir()
    courses = pd.read_csv(folder / "courses.csv").query("outcome == 'cleared'")
    courses.to_csv("rosy/courses.csv", index=False)
    assert main(["check", "rosy"]) == 0
    assert "too rosy: log them" in capsys.readouterr().out
