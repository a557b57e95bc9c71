"""What is entered stays; what is corrected replaces; who is forgotten is gone."""

import json
import re
import sqlite3
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

import forecast
from forecast.daybook import (
    ChangedError,
    Daybook,
    MisfitError,
    check_book,
    export_daybook,
    history_lines,
    make_daybook,
    read_promises,
    take_over,
)
from forecast.errors import DataError, RequestError

from .conftest import ENQUIRY, TODAY, promised, visit

TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


def all_bytes(path: Path) -> bytes:
    return b"".join(part.read_bytes() for part in path.parent.glob(f"{path.name}*"))


def files_of(folder: Path) -> dict[str, bytes]:
    found = (path for path in folder.rglob("*") if path.is_file())
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def test_a_log_taken_over_reads_as_it_did(small_log, full_book):
    again = forecast.read_log(full_book.path)
    for name in TABLES:
        assert getattr(again, name).equals(getattr(small_log, name)), name
    assert again.cleared_at == small_log.cleared_at


def test_a_course_goes_from_promise_to_outcome(book):
    kept = book.keep(promised(), by="op1")
    assert (kept.promise_no, kept.course_id) == (1, "k900-1")
    assert book.find("1") == book.find("k900") == book.find("k900-1") == ["k900-1"]
    course = book.course("k900-1")
    assert (course.done, course.enquiry, course.goal) == (0, ENQUIRY, "clear")
    course = book.write_session("k900-1", visit(16, 0), version=course.version, by="op1")
    given = {"laser_id": "yag", "wavelengths_nm": "532, 1064", "reaction": "blister"}
    course = book.write_session("k900-1", visit(8, 30, **given), version=course.version, by="op2")
    assert course.graded == ((0, 0.0), (1, 30.0))
    assert course.last["wavelengths_nm"] == "532;1064"
    assert course.reactions[0]["after_session"] == 1
    end = {"outcome": "stopped", "stop_reason": "moved", "version": course.version, "by": "op1"}
    course = book.end("k900-1", **end)
    log = forecast.read_log(book.path)
    row = log.courses.iloc[0]
    assert (row["sessions_given"], row["outcome"], row["stop_reason"]) == (2, "stopped", "moved")
    assert row["enquired_on"].date() == TODAY - timedelta(days=200)
    assert (len(log.sessions), len(log.gradings), len(log.reactions)) == (2, 2, 1)
    assert book.keep(promised("k900"), by="op1").course_id == "k900-2"


def test_columns_of_the_clinics_own_come_with_the_first_promise_of_a_course(book):
    for client, sun in (("k900", "Often"), ("k901", None)):
        asked = replace(ENQUIRY, extra={"Sun exposure": sun, "visits": 3})
        kept = book.keep(promised(client, enquiry=asked), by="op1")
        course = book.course(kept.course_id)
        assert course.enquiry == asked
        course = book.write_session(kept.course_id, visit(8), version=course.version, by="op1")
        assert course.enquiry == asked
    courses = forecast.read_log(book.path).courses.set_index("course_id")
    assert courses["sun_exposure"].to_dict() == {"k900-1": "often", "k901-1": None}
    assert set(courses["visits"]) == {3.0}


def test_nothing_is_written_over_and_an_undone_entry_is_still_told(book):
    kept = book.keep(promised(), by="op1")
    course = book.course(kept.course_id)
    versions = []
    for weeks in (24, 16, 8):
        versions.append(course)
        course = book.write_session(
            kept.course_id, visit(weeks, 10), version=course.version, by="op1"
        )
    for before in reversed(versions):
        course = book.undo(kept.course_id, version=course.version, by="op2")
        assert (course.done, course.graded) == (before.done, before.graded)
    history = book.history(kept.course_id)
    assert [one["what"] for one in history] == ["promise", *["session"] * 3, *["undone"] * 3]
    course = book.write_session(kept.course_id, visit(4, 5), version=course.version, by="op1")
    assert course.done == 1
    for table in ("sessions", "courses", "gradings", "entries", "promises"):
        for change in (f"UPDATE {table} SET entry = 1", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.IntegrityError, match="never written over"):
                book.book.execute(change)
    course = book.undo(kept.course_id, version=course.version, by="op1")
    course = book.undo(kept.course_id, version=course.version, by="op1")
    assert course.promises == ()
    with pytest.raises(MisfitError, match="Nothing of this course is left"):
        book.undo(kept.course_id, version=course.version, by="op1")


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", ["an estimate kept by op1 at 09:30, 5 Mar 2024", "promise 1, 5 to more than 10 "
                "sessions in all: block_6, 780, EUR", "course begun on 5 Mar 2024",
                "session 1 on 5 Mar 2024: nanosecond (ns), Laser yag, Wavelengths 1064 nm, op1",
                "10 % faded after session 0: op2, a photograph",
                "a session by op1 at 09:30, 5 Mar 2024 (taken back)", "entry 3 no longer holds",
                "after session 1 blister: mild", "outcome stopped: moved away"]),
        ("de", ["eine Schätzung, festgehalten von op1 um 09:30, 05.03.2024",
                "Zusage 1, insgesamt 5 bis mehr als 10 Sitzungen: block_6, 780, EUR",
                "Sitzung 1 am 05.03.2024: Nanosekunden (ns), Laser yag, Wellenlängen 1064 nm, op1",
                "eine Sitzung von op1 um 09:30, 05.03.2024 (zurückgenommen)",
                "Eintrag 3 gilt nicht mehr", "nach Sitzung 1 Blase: leicht",
                "Ergebnis abgebrochen: weggezogen"]),
    ],
)  # fmt: skip
def test_a_history_says_in_words_what_was_entered_when_and_by_whom(book, language, said):
    day = datetime(2024, 3, 5, 9, 30)
    with Daybook(book.path, clock=lambda: day) as played:
        quoted = {"package": "block_6", "price": 780.0, "currency": "EUR"}
        course = played.course(played.keep(promised(**quoted), by="op1").course_id)
        given = {"treated_on": day.date(), "operator_id": "op1"}
        laser = {"laser_id": "yag", "wavelengths_nm": "1064"}
        first = visit(0, 10, grader_id="op2", basis="photograph", **laser, **given)
        second = visit(0, 30, reaction="blister", severity="mild", **given)
        for one in (first, second, None, second):
            given = {"version": course.version, "by": "op1"}
            if one is None:
                course = played.undo("k900-1", **given)
            else:
                course = played.write_session("k900-1", one, sure=True, **given)
        end = {"outcome": "stopped", "stop_reason": "moved", "by": "op1"}
        played.end("k900-1", version=course.version, **end)
        lines = history_lines(played.history("k900-1"), language)
    text = "\n".join(lines)
    for one in said:
        assert one in text
    assert not re.search(r"[a-z]_[a-z]|None|withdrawn|\d+\.0\b", text.replace("block_6", ""))


def test_the_second_of_two_tablets_is_told_what_changed_and_loses_nothing(book):
    kept = book.keep(promised(), by="op1")
    with Daybook(book.path) as other:
        seen = other.course(kept.course_id)
        book.write_session(kept.course_id, visit(8, 0), version=seen.version, by="op1")
        with pytest.raises(ChangedError, match=r"session, .*, by op1") as told:
            other.write_session(kept.course_id, visit(7, 5), version=seen.version, by="op2")
        rows = told.value.entries[0]["rows"]
        assert {row["table"] for row in rows} == {"courses", "sessions", "gradings"}
        version = other.course(kept.course_id).version
        course = other.write_session(kept.course_id, visit(7, 5), version=version, by="op2")
    assert course.done == 2


def test_what_does_not_fit_is_told_at_its_field(book):
    kept = book.keep(promised(), by="op1")
    course = book.course(kept.course_id)
    course = book.write_session(kept.course_id, visit(8, 0), version=course.version, by="op1")

    def refused(field, **given):
        sure = given.pop("sure", False)
        cells = {"weeks_ago": 1, **given}
        with pytest.raises(MisfitError) as told:
            book.write_session(
                kept.course_id, visit(**cells), version=course.version, by="op1", sure=sure
            )
        assert told.value.field == field

    refused("treated_on", weeks_ago=9)
    refused("treated_on", weeks_ago=-3)
    refused("regime", regime="")
    refused("wavelengths_nm", wavelengths_nm="20")
    refused("passes", passes=50)
    refused("operator_id", operator_id="Anna Schmidt")
    refused("grader_id", percent=10, grader_id="peter")
    refused("laser_id", laser_id="call 0171 5551234")
    refused("reaction", severity="mild")
    refused("fading_pct", percent=140)
    refused("fading_pct", percent=97)
    for outcome, field in (("cleared", "outcome"), ("stopped", "stop_reason"), ("x", "outcome")):
        with pytest.raises(MisfitError) as told:
            book.end(kept.course_id, outcome=outcome, version=course.version, by="op1")
        assert told.value.field == field
    assert book.course(kept.course_id).version == course.version
    sure = {"version": course.version, "by": "op1", "sure": True}
    assert book.end(kept.course_id, outcome="cleared", **sure).outcome == "cleared"
    with pytest.raises(MisfitError, match="has ended"):
        book.write_session(kept.course_id, visit(1), version=course.version + 1, by="op1")
    for asked in ("2", "k901", "anna"):
        with pytest.raises(MisfitError, match="no promise, course or pseudonym"):
            book.find(asked)
    for name in ("Anna", "anna schmidt", "schmidt1", "a@b.example", "0171 5551234", "", "x" * 60):
        with pytest.raises(MisfitError):
            book.keep(promised(name), by="op1")
        with pytest.raises(MisfitError):
            book.keep(promised(), by=name)
    assert len(read_promises(book.path)) == 1


def test_an_export_taken_over_gives_the_same_export_to_the_byte(full_book, tmp_path):
    kept = full_book.keep(promised(facts="infection;minor", price=780.0), by="op1")
    course = full_book.course(kept.course_id)
    for weeks in (16, 8):
        course = full_book.write_session(
            kept.course_id, visit(weeks, 5), version=course.version, by="op1"
        )
    full_book.undo(kept.course_id, version=course.version, by="op2")
    export_daybook(full_book.path, tmp_path / "one")
    with make_daybook(tmp_path / "again.sqlite") as again:
        assert take_over(again, tmp_path / "one")["promises"] == 1
        assert again.history(kept.course_id) == full_book.history(kept.course_id)
        export_daybook(again.path, tmp_path / "two")
        next_one = again.keep(promised(), by="op1")
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    assert next_one.promise_no == 2
    assert read_promises(tmp_path / "one") == read_promises(full_book.path)
    described = json.loads((tmp_path / "one" / "datapackage.json").read_text())
    assert [one["name"] for one in described["resources"]][-1] == "promises"
    csv = tmp_path / "one" / "sessions.csv"
    csv.write_text(csv.read_text() + "\n")
    with (
        make_daybook(tmp_path / "third.sqlite") as third,
        pytest.raises(DataError, match="changed"),
    ):
        take_over(third, tmp_path / "one")
    with pytest.raises(RequestError, match="no export"):
        export_daybook(full_book.path, tmp_path)


@pytest.mark.parametrize("undone", [False, True])
def test_promises_without_a_course_go_out_and_come_back_to_the_byte(book, tmp_path, undone):
    kept = [book.keep(promised(f"k{number}", price=780.5), by="op1") for number in range(3)]
    if undone:  # a course that was begun and taken back is none either
        course = book.course(kept[0].course_id)
        course = book.write_session("k0-1", visit(2, 0), version=course.version, by="op1")
        book.undo("k0-1", version=course.version, by="op1")
    book.book.execute("INSERT INTO about VALUES ('cleared_at', '90.0')")
    assert len(export_daybook(book.path, tmp_path / "one").courses) == 0
    with make_daybook(tmp_path / "again.sqlite") as again:
        assert take_over(again, tmp_path / "one") == {"courses": 0, "promises": 3}
        export_daybook(again.path, tmp_path / "two")
        assert again.course("k1-1").promises == book.course("k1-1").promises
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")
    assert read_promises(tmp_path / "one") == tuple(kept)
    described = json.loads((tmp_path / "one" / "datapackage.json").read_text())
    assert [one["name"] for one in described["resources"]] == ["promises"]
    assert described["cleared_at"] == 90


def test_who_is_forgotten_is_in_no_byte_of_the_file(full_book):
    kept = full_book.keep(promised("zz77", price=4321.0), by="op1")
    course = full_book.course(kept.course_id)
    course = full_book.write_session(kept.course_id, visit(8, 0), version=course.version, by="op1")
    full_book.learnt("model-before")
    before = {name: len(getattr(forecast.read_log(full_book.path), name)) for name in TABLES}
    with pytest.raises(MisfitError, match="no client"):
        full_book.forget("zz78", by="op1")
    gone = full_book.forget("zz77", by="op1")
    assert gone["learnt_by"] == ["model-before"]
    assert (gone["courses"], gone["promises"]) == (1, 1)
    full_book.close()
    assert b"zz77" not in all_bytes(full_book.path)
    log = forecast.read_log(full_book.path)
    less = {"courses": 1, "sessions": 1, "gradings": 1}
    assert {name: before[name] - len(getattr(log, name)) for name in less} == less
    assert check_book(full_book.path)[0] == []
    assert read_promises(full_book.path) == ()
    with Daybook(full_book.path) as again:
        said = again.book.execute("SELECT what, course_id FROM entries ORDER BY entry").fetchall()
        assert said == [("taken_over", None), ("forgotten", None)]
        with pytest.raises(sqlite3.IntegrityError):
            again.book.execute("DELETE FROM entries")


def test_a_copy_is_made_while_the_book_is_written_to(full_book, tmp_path):
    with Daybook(full_book.path) as other, other.entry("promise", "op1", None):
        full_book.backup(tmp_path / "copy.sqlite")
    kept = full_book.keep(promised(), by="op1")
    full_book.backup(tmp_path / "copy.sqlite")
    assert read_promises(tmp_path / "copy.sqlite") == (kept,)
    assert check_book(tmp_path / "copy.sqlite")[0] == []
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(RequestError, match="would be lost"):
        full_book.backup(tmp_path / "notes.txt")


def register_line(name: str, day: str, high: int = 9) -> str:
    chances = [0.1] * 10
    entry = {"enquiry_id": name, "issued_on": day, "goal": "clear", "level": 0.8}
    return json.dumps({**entry, "median": 5, "interval": [2, high], "pmf": chances})


def test_an_old_register_is_read_once_torn_lines_and_all(book, tmp_path):
    lines = [register_line("c1", "2025-03-01"), register_line("c1", "2025-06-01", 8)]
    lines += ['{"enquiry_id": "x", "pm', register_line("c2", "2025-04-01")]
    register = tmp_path / "old.jsonl"
    register.write_text("\n".join(lines) + "\n")
    assert take_over(book, register) == {"courses": 0, "promises": 3, "torn": [3]}
    kept = read_promises(book.path)
    assert [(one.promise_no, one.course_id, one.high) for one in kept] == [
        (1, "c1", 9), (2, "c1", 8), (3, "c2", 9),
    ]  # fmt: skip
    assert kept[0].chances == pytest.approx([n / 10 for n in range(1, 11)])
    assert take_over(book, register)["promises"] == 0
    register.write_text("{}\n")
    with pytest.raises(DataError, match=r"Line 1 of .* is no promise"):
        take_over(book, register)


@pytest.mark.parametrize(
    ("now", "median", "slow", "said"),
    [
        ((5, 9), 7, False, "5 to more than 10; now 5 to 9: within what was promised."),
        ((3, 4), 3, False, "now 3 to 4: shorter than was promised."),
        ((12, None), None, True, "now 12 to more than 10: within what was promised."),
    ],
)
def test_a_promise_stands_against_now_on_one_line(now, median, slow, said):
    note = promised().against(now, median, slow=slow)
    assert str(note).endswith(said)
    day = TODAY - timedelta(days=200)
    assert str(note).startswith(f"On {day.day} {day:%b %Y} promised ")


def test_a_course_that_needs_longer_is_to_be_told_and_why():
    kept = promised(median=6, low=4, high=8)
    slower = kept.against((10, 14), 12, slow=True)
    assert "fades more slowly than 9 of 10" in str(slower)
    assert slower.severity == "caution"
    assert "longer than was promised" in str(kept.against((10, None), None, slow=False))
    assert kept.against((6, 9), 8, slow=True).severity == "info"
