"""Checking a log, fitting and assessing; what was set aside is said by every command."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")
Shown = pytest.CaptureFixture[str]
SAID = "1 course and "
COMMANDS = {
    "compare": ["compare", "LOG", "--horizon", "6", "--replicates", "10"],
    "fading": ["fading", "LOG"],
    "reactions": ["reactions", "LOG"],
    "reach": ["reach", "LOG"],
    "share": ["share", "LOG", "-o", "share.json"],
    "assess": ["assess", "MODEL", "LOG"],
    "price": ["price", "MODEL", "ASKED", "--tariff", "tariff.toml", "--log", "LOG"],
}


@pytest.fixture(autouse=True)
def somewhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_the_check_counts_every_row_and_writes_those_set_aside(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["check", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    for counts in found["rows"].values():
        assert counts["in"] == counts["used"] + counts["set_aside"]
    assert found["rows"]["courses"]["set_aside"] == 1
    (wrong,) = [one for one in found["set_aside"] if one["table"] == "courses"]
    assert (wrong["row"], wrong["column"], wrong["value"]) == (2, "skin_type", "VII")
    assert found["written"] == "to-correct.xlsx"
    assert (tmp_path / "to-correct.xlsx").exists()


def test_the_check_says_in_words_what_to_correct(folder: Path, capsys: pytest.CaptureFixture[str]):
    assert main(["check", str(folder)]) == 0
    shown = capsys.readouterr().out
    assert "skin_type" in shown
    assert "VII" in shown
    assert "corrected.xlsx" in shown


def test_a_map_of_a_german_workbook_is_proposed_in_german(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    book = Path(__file__).parents[2] / "synthetic_data" / "deutsche_praxis.xlsx"
    asked = ["check", str(book), "--propose-map", str(tmp_path / "columns.toml")]
    assert main([*asked, "--language", "de"]) == 0
    said = capsys.readouterr().out
    assert "17 von 18 Überschriften erkannt; noch zu klären: 3 Wörter." in said
    assert "Das Blatt 'Preisliste' ist keine Tabelle der Daten." in said
    for english in ("headings", "to settle", "no table", "Written to", "then:"):
        assert english not in said


def test_a_fit_names_what_it_rests_on_and_can_be_loaded(
    fitted: tuple[Path, str], log: forecast.OutcomeLog
):
    path, words = fitted
    # one row of the folder is set aside
    assert f"{len(log.courses) - 1} courses of" in words
    assert "holds no client rows" in words
    reference = forecast.load_forecaster(path).log_summary
    assert reference.n_courses == len(log.courses) - 1


@pytest.mark.slow
def test_the_same_seed_writes_the_same_model(folder: Path):
    for name in ("one.json", "two.json"):
        assert main(["fit", str(folder), "-o", name, "--seed", "3"]) == 0
    assert Path("one.json").read_bytes() == Path("two.json").read_bytes()


@pytest.mark.parametrize(
    ("name", "text"),
    [
        pytest.param("notes.txt", "nothing", id="a folder without tables"),
        pytest.param("courses.csv", "", id="an empty file"),
        pytest.param("courses.csv", "course_id\n1\n", id="columns missing"),
    ],
)
def test_a_folder_that_is_no_log_is_refused_and_nothing_is_written(
    tmp_path: Path, name: str, text: str, capsys: pytest.CaptureFixture[str]
):
    (tmp_path / "log").mkdir()
    (tmp_path / "log" / name).write_text(text, encoding="utf-8")
    for command in (["check", "log"], ["fit", "log", "-o", "model.json"], ["reactions", "log"]):
        assert main(command) == 1
        shown = capsys.readouterr()
        assert shown.err.startswith("forecast: ")
        assert shown.err.count("\n") == 1
        assert not shown.out
    assert [path.name for path in tmp_path.iterdir()] == ["log"]


def test_a_model_that_could_not_be_saved_is_refused_before_the_fit(
    folder: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["fit", str(folder), "-o", "nowhere/model.json"]) == 1
    assert "does not exist" in capsys.readouterr().err


def test_a_later_log_says_whether_the_promise_was_kept(
    model: Path, later: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["assess", str(model), str(later), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert main(["assess", str(model), str(later), "--json", "--level", "0.5"]) == 0
    narrower = json.loads(capsys.readouterr().out)
    assert (found["coverage"]["level"], narrower["coverage"]["level"]) == (0.8, 0.5)
    assert narrower["coverage"]["tie_split"] < found["coverage"]["tie_split"] <= 1
    assert found["n_courses"] > found["n_reached"] > 0


def test_the_card_is_written_as_markdown_and_as_json(
    model: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    card = tmp_path / "card.md"
    assert main(["assess", str(model), str(later), "--card", str(card)]) == 0
    capsys.readouterr()
    assert card.read_text(encoding="utf-8").startswith("#")
    assert json.loads(card.with_suffix(".json").read_text(encoding="utf-8"))


def test_a_card_that_its_own_json_would_overwrite_is_refused(
    model: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    card = tmp_path / "card.json"
    assert main(["assess", str(model), str(later), "--card", str(card)]) == 1
    assert "CARD.md" in capsys.readouterr().err
    assert not card.exists()


def test_a_register_of_other_clients_is_refused(
    model: Path, later: Path, enquiries: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    register = tmp_path / "promises.sqlite"
    text = enquiries.read_text(encoding="utf-8").replace("easy,", "x1,").replace("hard,", "x2,")
    enquiries.write_text(text, encoding="utf-8")
    assert main(["estimate", str(model), str(enquiries), "--register", str(register)]) == 0
    assert main(["assess", str(model), str(later), "--register", str(register)]) == 1
    assert capsys.readouterr().err.startswith("forecast: ")


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
        assert capsys.readouterr().out.splitlines()[-1] == said


def test_the_fit_says_it_too(fitted: tuple[Path, str], folder: Path):
    last = fitted[1].splitlines()[-1]
    assert last.startswith(SAID)
    assert str(folder) in last


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
