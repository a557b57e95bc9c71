"""The command that makes a daybook, writes it out, checks, copies, looks back and forgets."""

import json
from datetime import date
from pathlib import Path

import pytest

import forecast
from forecast.cli import main
from forecast.daybook import Daybook, read_promises

Shown = pytest.CaptureFixture[str]


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
