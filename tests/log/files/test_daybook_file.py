"""A daybook as a file: what is refused, what came later, and that it reads as any log.

Columns from the pages of an SQLite file are what SQLite itself gives, row by row.
"""

import os
import random
import shutil
import sqlite3
import threading
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

import forecast
from forecast.daybook import Daybook, check_book, make_daybook, read_promises
from forecast.errors import DataError, ForecastError, RequestError
from forecast.log.files.daybook_file import Pages, read_tables
from tests.daybook.conftest import ENQUIRY, promised, visit


@pytest.fixture
def book(tmp_path):
    return make_daybook(tmp_path / "book.sqlite")


def test_what_is_no_daybook_is_told(book, tmp_path):
    kept = book.keep(promised(), by="op1")
    book.close()
    (tmp_path / "text.sqlite").write_text("hello")
    with closing(sqlite3.connect(tmp_path / "other.sqlite")) as other:
        other.execute("CREATE TABLE x (y)")
    later = tmp_path / "later.sqlite"
    shutil.copy(book.path, later)
    with closing(sqlite3.connect(later)) as made:
        made.execute("PRAGMA user_version = 99")
    wrong = {
        "text.sqlite": "no SQLite file", "other.sqlite": "no daybook", "no.sqlite": "There is no",
        "later.sqlite": "version 99, this program knows 1",
    }  # fmt: skip
    for name, said in wrong.items():
        with pytest.raises(ForecastError, match=said):
            Daybook(tmp_path / name)
    for name in ("other.sqlite", "later.sqlite"):
        with pytest.raises(DataError, match=wrong[name]):
            forecast.read_log(tmp_path / name)
    content = bytearray(book.path.read_bytes())
    content[4096:20480] = b"\xff" * 16384
    (tmp_path / "torn.sqlite").write_bytes(content)
    with pytest.raises(DataError, match=r"damaged|cannot be used"):
        check_book(tmp_path / "torn.sqlite")
    with pytest.raises(RequestError, match="is there already"):
        make_daybook(book.path)
    with pytest.raises(RequestError, match="does not exist"):
        make_daybook(tmp_path / "nowhere" / "book.sqlite")
    assert read_promises(book.path) == (kept,)


# A drive that cannot lock is played by an SQLite file system of Unix. What is said of it is the
# same everywhere, as the other tests of what cannot be opened are.
@pytest.mark.skipif(os.name != "posix", reason="Windows' SQLite has no such way of locking")
def test_a_drive_that_cannot_lock_is_named_and_nothing_is_left_on_it(book, monkeypatch):
    """SQLite without shared memory, as on a network drive, is SQLite's own "unix-dotfile"."""
    kept = book.keep(promised(), by="op1")
    book.close()
    connect = sqlite3.connect

    def connect_there(place, **given):
        mode = "" if "?" in str(place) else "?mode=rwc"
        address = str(place) if "?" in str(place) else place.absolute().as_uri()
        return connect(f"{address}{mode}&vfs=unix-dotfile", **{**given, "uri": True})

    monkeypatch.setattr(sqlite3, "connect", connect_there)
    with pytest.raises(DataError, match="a network drive that cannot lock"):
        Daybook(book.path)
    with pytest.raises(DataError, match="a network drive that cannot lock"):
        make_daybook(book.path.with_name("new.sqlite"))
    monkeypatch.undo()
    assert [one.name for one in book.path.parent.iterdir()] == [book.path.name]
    assert read_promises(book.path) == (kept,)


def test_a_column_that_came_later_is_added_to_a_book_that_is_there(book):
    kept = book.keep(promised(), by="op1")
    book.close()
    with closing(sqlite3.connect(book.path)) as old:
        old.execute("DROP VIEW gradings_now")
        old.execute("ALTER TABLE gradings DROP COLUMN basis")
        names = "row, course_id, after_session, graded_on, fading_pct, grader_id"
        old.execute(f"CREATE VIEW gradings_now AS SELECT {names} FROM gradings WHERE NOT withdrawn")
    with Daybook(book.path) as again:
        course = again.course(kept.course_id)
        given = {"version": course.version, "by": "op1"}
        course = again.write_session(kept.course_id, visit(2, 0, basis="in_person"), **given)
        assert course.gradings[0]["basis"] == "in_person"
    assert forecast.read_log(book.path).gradings["basis"].tolist() == ["in_person"]


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


def write_over(book, *changes):
    """Write into a closed daybook past its guards, as another program might."""
    book.close()
    with closing(sqlite3.connect(book.path)) as damaged, damaged:
        damaged.execute("DROP TRIGGER IF EXISTS sessions_UPDATE")
        for row, (name, cell) in enumerate(changes, start=1):
            damaged.execute(f"UPDATE sessions SET {name} = ? WHERE row = ?", (cell, row))


def with_sessions(book, n):
    """Return the book with a course of so many sessions, ten weeks apart."""
    version = 1
    kept = book.keep(promised(), by="op1")
    for number in range(n):
        done = visit(10 * (n - number), operator_id="op1")
        version = book.write_session(kept.course_id, done, version=version, by="op1").version
    return book


def test_numbers_come_back_to_the_last_bit_and_texts_to_the_letter(book):
    numbers = [0.1 + 0.2, 1 / 3, 4.350000000000001, 3.0, 1e-300, 2.0**53, None]
    texts = ['o"\\1\n', "œ😀1", "a\x001", "", None, "x,1", "2"]
    write_over(with_sessions(book, 7), *[("fluence_j_cm2", number) for number in numbers])
    write_over(book, *[("laser_id", text) for text in texts])
    sessions = read_tables(book.path)[0]["sessions"]
    read = sessions[["fluence_j_cm2", "laser_id"]].astype(object)
    assert read.where(read.notna(), None).to_numpy().T.tolist() == [numbers, texts]


def test_what_another_program_spoilt_is_named_by_its_row(book):
    spoilt = [
        ("spot_mm", "wide"),
        ("session_no", 2.5),
        ("treated_on", "last May"),
        ("spot_mm", 9e999),
    ]
    write_over(with_sessions(book, 5), *spoilt)
    report = forecast.read_log(book.path).report
    told = {(one.row, one.column) for one in report.flagged.itertuples() if one.blanked}
    assert told == {(1, "spot_mm"), (4, "spot_mm")}
    aside = set(report.set_aside[["row", "column"]].itertuples(index=False, name=None))
    assert aside == {(2, "session_no"), (3, "treated_on")}


@pytest.mark.parametrize("cell", [b"\xffAnna", "CAST(x'FF41' AS TEXT)"])
def test_a_cell_that_is_no_text_is_told_without_what_stands_beside_it(book, cell):
    write_over(with_sessions(book, 2), ("operator_id", "zz77"), ("operator_id", b"\xffA"))
    if isinstance(cell, str):
        with closing(sqlite3.connect(book.path)) as damaged, damaged:
            damaged.execute(f"UPDATE sessions SET operator_id = {cell} WHERE row = 2")
    with pytest.raises(DataError, match="SQLite says") as told:
        forecast.read_log(book.path)
    assert "zz77" not in str(told.value)
    assert "is whole" not in str(told.value)


def test_all_tables_are_read_at_one_moment_while_another_writes(book):
    with_sessions(book, 1)
    done = threading.Event()

    def write():
        with Daybook(book.path) as other:
            for number in range(60):
                kept = other.keep(promised(f"k{number}"), by="op1")
                other.write_session(
                    kept.course_id, visit(1, 5), version=other.last_entry(), by="op1"
                )
        done.set()

    writing = threading.Thread(target=write)
    writing.start()
    counts = set()
    while not done.is_set():
        tables = read_tables(book.path)[0]
        assert len(tables["courses"]) == len(tables["sessions"]) == len(tables["gradings"]) + 1
        counts.add(len(tables["courses"]))
    writing.join()
    assert len(counts) > 2


KINDS = ("integer", "integer", "number", "text")
WHOLE = (0, 1, -1, 127, -128, 2**15, -(2**23), 2**31, -(2**47), 2**62, -(2**63), None)
PARTS = (0.0, 0.1 + 0.2, -1 / 3, 1e300, 5e-324, 7.0, float("inf"), None)
TEXTS = ("", "a", "œ😀", "x" * 57, "y" * 58, "z" * 64, "w" * 500, None)


def filled(rows, page_size=4096, longest=3000):
    """Return a database with a table of so many rows, some taken out and others put in again."""
    draw = random.Random(rows)
    book = sqlite3.connect(":memory:")
    book.execute(f"PRAGMA page_size = {page_size}")
    book.execute("CREATE TABLE other (x)")
    book.execute("CREATE TABLE t (row INTEGER PRIMARY KEY, a INTEGER, b REAL, c TEXT)")

    def cells():
        long = "é" * draw.randrange(longest) if draw.random() < 0.05 else draw.choice(TEXTS)
        return draw.choice(WHOLE), draw.choice(PARTS), long

    for _ in range(rows):
        book.execute("INSERT INTO t (a, b, c) VALUES (?, ?, ?)", cells())
    book.execute("DELETE FROM t WHERE row % 7 = 3")
    for row in range(3, rows, 14):
        book.execute("INSERT INTO t VALUES (?, ?, ?, ?)", (row, *cells()))
    return book


def read(image, book, kinds=KINDS, name="t"):
    (root,) = book.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
    rows, columns = Pages(image).columns(root, kinds)
    lists = (one.tolist() if isinstance(one, np.ndarray) else one.to_pylist() for one in columns)
    cells = [[None if one != one else one for one in column] for column in lists]
    return list(zip(rows.tolist(), *cells[1:], strict=True))


def as_floats(rows):
    """Return rows whose whole numbers are what a column with a number missing can hold."""
    return [(row, a if a is None else float(a), *rest) for row, a, *rest in rows]


@pytest.mark.parametrize("page_size", [512, 4096, 65536])
@pytest.mark.parametrize("rows", [0, 1, 40, 3000])
def test_every_cell_is_what_sqlite_says(rows, page_size):
    with closing(filled(rows, page_size)) as book:
        expected = book.execute("SELECT row, a, b, c FROM t ORDER BY row").fetchall()
        assert as_floats(read(book.serialize(), book)) == as_floats(expected)


def test_whole_numbers_without_a_gap_are_exact_and_later_columns_empty_before():
    with closing(filled(300)) as book:
        book.execute("UPDATE t SET a = coalesce(a, 2) ")
        book.execute("ALTER TABLE t ADD COLUMN d TEXT")
        book.execute("INSERT INTO t VALUES (9999, 1, 2.5, 'c', 'd')")
        expected = book.execute("SELECT * FROM t ORDER BY row").fetchall()
        assert read(book.serialize(), book, (*KINDS, "text")) == expected


def test_what_stands_in_the_journal_alone_is_read(tmp_path):
    with (
        closing(sqlite3.connect(tmp_path / "x")) as book,
        closing(sqlite3.connect(tmp_path / "x")) as other,
    ):
        book.execute("PRAGMA journal_mode = WAL")
        book.execute("CREATE TABLE t (row INTEGER PRIMARY KEY, a INTEGER, b REAL, c TEXT)")
        book.commit()
        book.execute("INSERT INTO t VALUES (1, 2, 3.0, 'x')")
        assert read(other.serialize(), other) == []
        book.commit()
        assert read(other.serialize(), other) == [(1, 2, 3.0, "x")]


def test_a_damaged_file_is_told_and_never_misleads_the_reader():
    """Whatever byte is wrong: an answer of as many columns, or what SQLite calls it, no other."""
    draw, told = random.Random(3), 0
    with closing(filled(400, 512)) as book:
        good = book.serialize()
        for _ in range(600):
            image = bytearray(good)
            for _ in range(draw.choice((1, 3, 200))):
                image[draw.randrange(100, len(image))] = draw.choice((0, 255, draw.randrange(256)))
            try:
                read(bytes(image), book)
            except sqlite3.DatabaseError:
                told += 1
    assert told > 200
