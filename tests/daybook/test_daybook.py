"""What is entered stays; what is corrected replaces; who is forgotten is gone."""

import re
import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest

import forecast
from forecast.daybook import (
    ChangedError,
    Course,
    Daybook,
    MisfitError,
    check_book,
    make_daybook,
    read_promises,
)
from forecast.errors import RequestError

from .conftest import ENQUIRY, TABLES, TODAY, promised, visit


def all_bytes(path: Path) -> bytes:
    return b"".join(part.read_bytes() for part in path.parent.glob(f"{path.name}*"))


def as_read(book: Daybook, course: Course) -> Course:
    """Return a course that a write gave back, once it is found to be what the book reads."""
    again = book.course(course.course_id)
    for name in Course.__slots__:
        assert getattr(course, name) == getattr(again, name), name
    return course


def test_a_course_goes_from_promise_to_outcome(book):
    kept = book.keep(promised(), by="op1")
    assert (kept.promise_no, kept.course_id) == (1, "k900-1")
    assert book.find("1") == book.find("k900") == book.find("k900-1") == ["k900-1"]
    course = book.course("k900-1")
    assert (course.done, course.enquiry, course.goal) == (0, ENQUIRY, "clear")
    course = as_read(book, book.write_session("k900-1", visit(16, 0), version=1, by="op1"))
    given = {"laser_id": "yag", "wavelengths_nm": "532, 1064", "reaction": "blister"}
    course = book.write_session("k900-1", visit(8, 30, **given), version=course.version, by="op2")
    as_read(book, course)
    assert course.graded == ((0, 0.0), (1, 30.0))
    assert course.last["wavelengths_nm"] == "532;1064"
    assert course.reactions[0]["after_session"] == 1
    end = {"outcome": "stopped", "stop_reason": "moved", "version": course.version, "by": "op1"}
    as_read(book, book.end("k900-1", graded=visit(0, 35), **end))
    log = forecast.read_log(book.path)
    row = log.courses.iloc[0]
    assert (row["sessions_given"], row["outcome"], row["stop_reason"]) == (2, "stopped", "moved")
    assert row["enquired_on"].date() == TODAY - timedelta(days=200)
    assert (len(log.sessions), len(log.gradings), len(log.reactions)) == (2, 3, 1)
    assert book.keep(promised("k900"), by="op1").course_id == "k900-2"


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


def test_the_second_of_two_tablets_is_told_what_changed_and_loses_nothing(book):
    kept = book.keep(promised(), by="op1")
    with Daybook(book.path) as other:
        seen = other.course(kept.course_id)
        book.write_session(kept.course_id, visit(8, 0), version=seen.version, by="op1")
        with pytest.raises(ChangedError, match=r"session, .*, by op1") as told:
            other.write_session(kept.course_id, visit(8, 5), version=seen.version, by="op2")
        assert re.search(r"geändert: Sitzung, .*, von op1\.", told.value.problem.say("de"))
        rows = told.value.entries[0]["rows"]
        assert {row["table"] for row in rows} == {"courses", "sessions", "gradings"}
        version = other.course(kept.course_id).version
        course = other.write_session(kept.course_id, visit(7, 5), version=version, by="op2")
    assert course.done == 2


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
    other = make_daybook(tmp_path / "other.sqlite")
    assert other.last_entry() == 0
    for used in (full_book.path, other.path):
        with pytest.raises(RequestError, match="in use"):
            full_book.backup(used)
    other.close()
    full_book.backup(other.path)
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(RequestError, match="would be lost"):
        full_book.backup(tmp_path / "notes.txt")
