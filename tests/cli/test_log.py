"""Checking a log, fitting and assessing, and a daybook; every command says what was set aside."""

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.daybook import Daybook, read_promises

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


def test_a_map_in_a_third_language_can_be_written_again(
    tmp_path: Path, reword: Callable[..., None], capsys: pytest.CaptureFixture[str]
):
    reword("fr", {"# How the sheets of": "# Les feuilles de"})
    book, out = (
        Path(__file__).parents[2] / "synthetic_data/deutsche_praxis.xlsx",
        tmp_path / "m.toml",
    )
    asked = ["check", str(book), "--propose-map", str(out), "--language", "fr"]
    assert [main(asked), main(asked)] == [0, 0]
    assert out.read_text("utf-8").startswith("# Les feuilles de")
    out.write_text("# something else\n")
    assert main(asked) == 1
    capsys.readouterr()
    with pytest.raises(SystemExit):
        main(["check", "--help"])
    assert "--language en|de|fr" in capsys.readouterr().out


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


# A daybook: made, written out, checked, copied, looked back in, and made to forget.
def run(capsys: Shown, *arguments: object, code: int = 0) -> str:
    capsys.readouterr()
    assert main([str(one) for one in arguments]) == code
    shown = capsys.readouterr()
    return shown.err if code else shown.out


@pytest.fixture
def book(folder: Path, tmp_path: Path, capsys: Shown) -> Path:
    """Return a daybook made from the clinic's folder."""
    path = tmp_path / "book.sqlite"
    said = run(capsys, "daybook", path, "--from", folder)
    assert "119 courses, 0 promises" in said
    assert "could not be used and stay behind" in said
    return path


def test_every_command_that_takes_a_log_takes_a_daybook(
    book: Path, folder: Path, model: Path, capsys: Shown
):
    for command in (["fading"], ["reactions"], ["reach"], ["check"], ["share"]):
        written = ["-o", str(book.parent / "s.json")] if command == ["share"] else []
        run(capsys, *command, book, *written)
    told = [json.loads(run(capsys, "assess", model, one, "--json")) for one in (folder, book)]
    for one in told:
        one.pop("log_notes", None)
    assert told[0] == told[1]


def test_promises_kept_in_the_log_are_judged_beside_the_model(
    book: Path, model: Path, tmp_path: Path, capsys: Shown
):
    rows = forecast.read_log(book).courses.head(30)
    named = ["skin_type", "body_site", "inks", "ink_density", "layering"]
    asked = rows[["course_id", *named]].rename(columns={"course_id": "enquiry_id"})
    asked.to_csv(tmp_path / "asked.csv", index=False)
    run(capsys, "estimate", model, tmp_path / "asked.csv", "--register", book)
    assert [one.client_id for one in read_promises(book)] == rows["client_id"].tolist()
    assert "30 of 30 promises on record" in run(capsys, "assess", model, book)
    other = tmp_path / "promises.sqlite"
    run(capsys, "estimate", model, tmp_path / "asked.csv", "--register", other)
    said = run(capsys, "assess", model, book, "--register", other)
    assert "30 of 30 promises on record that became courses (30 issued after" in said
    run(capsys, "daybook", book, "--export", tmp_path / "log")
    run(capsys, "daybook", other, "--backup", tmp_path / "copy.sqlite")
    assert len(read_promises(tmp_path / "copy.sqlite")) == 30


def test_an_old_register_is_taken_over_into_a_daybook_that_is_there(
    book: Path, model: Path, tmp_path: Path, capsys: Shown
):
    course = forecast.read_log(book).courses["course_id"].iloc[0]
    line = {"enquiry_id": course, "issued_on": "2016-03-01", "goal": "clear", "level": 0.8}
    register = tmp_path / "old.jsonl"
    register.write_text(json.dumps({**line, "median": 5, "interval": [2, 9], "pmf": [0.1] * 10}))
    assert "1 promise" in run(capsys, "daybook", book, "--from", register)
    said = run(capsys, "assess", model, book)
    assert "1 of 1 promises on record that became courses:" in said
    said = run(capsys, "daybook", book, "--history", 1)
    assert "promise 1, 2 to 9 sessions in all" in said
    assert "taken over from a log by import at" in said
    german = run(capsys, "daybook", book, "--history", 1, "--language", "de")
    assert "Zusage 1, insgesamt 2 bis 9 Sitzungen" in german
    whole = json.loads(run(capsys, "daybook", book, "--check", "--json"))
    assert whole["file"] == []
    client = forecast.read_log(book).courses["client_id"].iloc[0]
    assert "Forgotten" in run(capsys, "daybook", book, "--forget", client)
    assert read_promises(book) == ()
    assert run(capsys, "daybook", book, "--forget", client, code=1).startswith("forecast: ")


def test_who_is_forgotten_is_told_which_files_learnt_from_them(
    book: Path, model: Path, tmp_path: Path, capsys: Shown
):
    mine = tmp_path / "mine.json"
    first, second, third, fourth = forecast.read_log(book).courses["client_id"].unique()[:4]
    assert "Learnt with" not in run(capsys, "daybook", book, "--forget", first)
    run(capsys, "fit", book, "-o", mine)
    before = forecast.load_forecaster(mine).fingerprint
    day = f"{date.today().day} {date.today():%b %Y}"
    said = run(capsys, "daybook", book, "--forget", second)
    assert f"to fit anew: mine.json of {day} ({before}).\n" in said
    run(capsys, "refresh", mine, book)
    now = forecast.load_forecaster(mine).fingerprint
    assert (tmp_path / f"mine.{before}.json").exists()
    said = run(capsys, "daybook", book, "--forget", third)
    assert f"to fit anew: mine.{before}.json of {day} ({before}).\n" in said
    assert f"to fit anew: mine.json of {day} ({now}).\n" in said
    run(capsys, "daybook", book, "--export", tmp_path / "out")
    run(capsys, "daybook", tmp_path / "again.sqlite", "--from", tmp_path / "out")
    found = json.loads(
        run(capsys, "daybook", tmp_path / "again.sqlite", "--forget", fourth, "--json")
    )
    assert [one["file"] for one in found["models"]] == [f"mine.{before}.json", "mine.json"]
    with Daybook(book) as old:  # of before the names of files were kept
        old.learnt("abc")
        old.book.execute("ALTER TABLE models DROP COLUMN file")
    said = run(capsys, "daybook", book, "--forget", fourth, "--language", "de")
    assert "dessen Datei nicht bekannt ist (abc)" in said


def test_what_does_not_fit_is_named_as_the_page_names_it(book: Path, capsys: Shown):
    said = run(capsys, "daybook", book, "--forget", "zz9", code=1)
    assert said.startswith("forecast: There is no client of that pseudonym in the daybook. Give")
    said = run(capsys, "daybook", book, "--history", "zz9", code=1)
    assert said.startswith("forecast: There is no promise, course or pseudonym of that number")
    named = [book, "--forget", "P1", "--by", "Anna Schmidt", "--language", "de"]
    said = run(capsys, "daybook", *named, code=1)
    assert said.startswith("forecast: Ihr Kürzel: Das sieht wie ein Name aus.")


def test_what_cannot_be_made_says_why(book: Path, tmp_path: Path, capsys: Shown):
    assert "is there already" in run(capsys, "daybook", book, code=1)
    assert "There is no" in run(capsys, "daybook", tmp_path / "n.sqlite", "--from", "x", code=1)
    assert "has entries" not in run(capsys, "daybook", tmp_path / "m.sqlite")
    assert "No course yet" in run(capsys, "daybook", tmp_path / "m.sqlite", "--check")
    assert "no promise" in run(capsys, "daybook", book, "--history", "zz9", code=1)


@pytest.mark.parametrize(("language", "what"), [("en", "birth dates"), ("de", "Geburtsdaten")])
def test_birth_dates_as_pseudonyms_are_refused_by_the_check_and_by_a_daybook(
    language: str, what: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    courses = forecast.simulate_log(20, seed=9).courses
    courses["client_id"] = [f"0{1 + n % 9}.03.{1960 + n}" for n in range(20)]
    (tmp_path / "log").mkdir()
    courses.to_csv(tmp_path / "log" / "courses.csv", index=False)
    for command in (["check", "log"], ["daybook", "b.sqlite", "--from", "log"]):
        assert main([*command, "--language", language]) == 1
        assert f"courses.client_id ({what})" in capsys.readouterr().err
    assert not (tmp_path / "b.sqlite").exists()
