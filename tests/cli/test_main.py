"""The command line as a whole: what it offers, how it refuses, what it leaves behind."""

import argparse
import ast
import errno
import inspect
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from forecast._notes import languages, texts_of
from forecast.cli import main

ROOT = Path(__file__).parents[2]
OPTIONS = ROOT / "forecast" / "cli" / "options.toml"


def offered(capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Return the commands that the help lists."""
    with pytest.raises(SystemExit):
        main(["--help"])
    shown = capsys.readouterr().out.partition("COMMAND\n")[2].partition("\n\n")[0]
    return re.findall(r"^ {4}(\w+)", shown, re.MULTILINE)


def test_the_readme_describes_exactly_the_commands_on_offer(capsys: pytest.CaptureFixture[str]):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.partition("## Commands")[2].partition("\n## ")[0]
    described = set(re.findall(r"`forecast (\w+)", table))
    assert set(offered(capsys)) == described


def test_every_command_answers_in_json_when_asked(capsys: pytest.CaptureFixture[str]):
    for name in offered(capsys):
        with pytest.raises(SystemExit) as left:
            main([name, "--help"])
        assert left.value.code == 0
        assert "--json" in capsys.readouterr().out


@pytest.mark.parametrize("code", languages())
def test_every_option_is_explained_in_sentences(code: str, capsys: pytest.CaptureFixture[str]):
    for name in offered(capsys):
        with pytest.raises(SystemExit):
            main([name, "--help", "--language", code])
        _, says, *lists = capsys.readouterr().out.split("\n\n")
        options = [one for part in lists for one in re.split(r"\n  (?=\S)", part.rstrip())[1:]]
        assert [one for one in options if not re.search(r"\s{2,}[A-Z].*[.]$", one, re.S)] == [], (
            name
        )
        assert re.fullmatch(r"[A-Z].*[.]", " ".join(says.split())), name


MISUSES = [
    "",
    "divine",
    "estimate",
    "estimate a b --level most",
    "estimate a b --level",
    "estimate a b --json=3",
    "fit log -o x --goal bad",
    "compare log --horizon most",
    "check log --quietly",
    "update m --d",
    "daybook b --check --backup x",
]


def said_of_the_command_line(code: str, capsys: pytest.CaptureFixture[str]) -> str:
    """Return every help, and what is answered to what cannot be understood."""
    helps = [f"{name} --help" for name in ("", *offered(capsys))]
    for asked in (*helps, *MISUSES):
        with pytest.raises(SystemExit):
            main(["--language", code, *asked.split()])
    return "".join(capsys.readouterr())


def words_of_python() -> set[str]:
    """Return what Python itself says of a command line, in pieces without their holes."""
    calls = [one for one in ast.walk(ast.parse(inspect.getsource(argparse))) if is_said(one)]
    pieces = [piece for one in calls for piece in re.split(r"%(?:\(\w+\))?\w", one.args[0].value)]
    return {piece.strip() for piece in pieces if len(piece.split()) > 1}


def is_said(node: ast.AST) -> bool:
    named = isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "_"
    return named and isinstance(node.args[0], ast.Constant)


@pytest.mark.parametrize("code", sorted(set(languages()) - {"en"}))
def test_the_command_line_speaks_the_language_asked_for(
    code: str, capsys: pytest.CaptureFixture[str]
):
    texts, english = texts_of(code), texts_of("en")["help"]
    said, own = " ".join(said_of_the_command_line(code, capsys).split()), words_of_python()
    assert {"expected one argument", "unrecognized arguments:"} <= own
    assert [one for one in own if one in said] == []
    told = [
        text for table in english.values() if isinstance(table, dict) for text in table.values()
    ]
    assert [one for one in told if " ".join(one.split()) in said] == []
    named = set(re.findall(r"metavar = \"([^\"]+)\"", OPTIONS.read_text("utf-8")))
    alike = {"N", "K", "W", "NM", "A,B", "NAME,...", "LANGUAGES"}  # in every language
    assert named - alike - set(texts["command_line"]) == set()


def test_what_is_said_instead_of_pythons_words_has_their_holes():
    hole = re.compile(r"%(?:\(\w+\))?\w")
    for code in languages():
        for python, ours in texts_of(code)["command_line"].items():
            assert set(hole.findall(ours)) <= set(hole.findall(python)), (code, python)
            assert ours.count("%s") == python.count("%s"), (code, python)


def test_the_language_may_stand_before_the_command(capsys: pytest.CaptureFixture[str]):
    for asked in (["--language", "de", "price"], ["price", "--language=de"]):
        assert main(asked) == 1
        assert "Für Preise braucht es" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments", [[], ["divine"], ["estimate"], ["estimate", "a", "b", "--level", "most"]]
)
def test_a_command_that_is_not_understood_leaves_with_code_2(
    arguments: list[str], capsys: pytest.CaptureFixture[str]
):
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == 2
    shown = capsys.readouterr()
    assert shown.err.startswith("usage: forecast")
    assert not shown.out


def test_the_name_alone_says_where_the_commands_are_listed(capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit):
        main([])
    assert "forecast --help lists the commands" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        main(["estimate"])
    assert capsys.readouterr().err.startswith("usage: forecast estimate [-h]")


def test_the_version_is_that_of_the_distribution(capsys: pytest.CaptureFixture[str]):
    from importlib.metadata import version

    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out.split()[1] == version("session-forecast")


@pytest.mark.parametrize(
    "arguments",
    [
        ["estimate", "no-such-model.json", "no-such-enquiries.csv"],
        ["update", "no-such-model.json", "no-such.csv", "--sessions-done", "2"],
        ["price"],
        ["price", "no-such-model.json", "no-such.csv", "--tariff", "no-such.toml"],
    ],
    ids=" ".join,
)
def test_what_cannot_be_answered_is_said_on_stderr_with_code_1(
    arguments: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 1
    shown = capsys.readouterr()
    assert shown.err.startswith("forecast: ")
    assert "Traceback" not in shown.err
    assert not shown.out
    assert not list(tmp_path.iterdir())


def test_the_module_runs_as_the_command_does():
    done = subprocess.run(
        [sys.executable, "-m", "forecast", "estimate", "no-such.json", "no-such.csv"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert done.stderr.startswith("forecast: ")


def test_a_reader_who_leaves_early_is_not_an_error(tmp_path: Path):
    # the pipe is closed before anything is written to it
    code = (
        "import os, sys; read, write = os.pipe(); os.close(read); os.dup2(write, 1); "
        "from forecast.cli import main; sys.exit(main(['price', '--template', 'here.toml']))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("code", ["ENOSPC", "EFBIG"])
def test_a_full_disk_is_told_with_what_to_do(
    code: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    number = getattr(errno, code)

    def stopped(path: Path, content: bytes) -> None:
        raise OSError(number, os.strerror(number), str(path))

    monkeypatch.setattr("forecast.cli.log.write_whole", stopped)
    assert main(["workbook", str(tmp_path / "new.xlsx")]) == 1
    said = capsys.readouterr().err
    assert said.endswith(f"{os.strerror(number)}. Make room on the disk, or name another.\n")
