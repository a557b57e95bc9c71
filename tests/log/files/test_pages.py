"""Columns from the pages of an SQLite file are what SQLite itself gives, row by row."""

import random
import sqlite3
from contextlib import closing

import numpy as np
import pytest

from forecast.log.files.pages import Pages

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
