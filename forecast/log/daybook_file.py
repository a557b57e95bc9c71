"""A daybook as an SQLite file: its tables, made from the column table, and how it is opened."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.errors import DataError, RequestError
from forecast.log.columns import ALL_TABLES, TABLES, Column

if TYPE_CHECKING:
    import pandas as pd

APPLICATION_ID = 0x64_61_79_62  # tells a daybook from other SQLite files
VERSION = 1
HEAD = b"SQLite format 3\x00"
PATIENCE = 5.0  # seconds for another writer to end
KINDS = {"integer": "INTEGER", "number": "REAL"}  # all else is text
OWN = ("row", "entry", "replaces", "withdrawn")  # columns of every table beside the log's
AFTER = {"FULL": 13, "READONLY": 8, "CANTOPEN": 14, "BUSY": 5, "LOCKED": 6, "IOERR": 10}
AFTER |= {"PROTOCOL": 15, "CORRUPT": 11, "NOTADB": 26}
WHY = {
    "FULL": ("The disk is full", "Free some space and enter it again"),
    "READONLY": ("It is read-only, or its folder is", "Give this user the right to write there"),
    "CANTOPEN": ("It cannot be opened, or its folder written to", "Check the path and its rights"),
    "BUSY": ("Another program has been writing to it for seconds", "Try again in a moment"),
    "IOERR": (
        "The disk does not take it: it is full, or a network drive that cannot lock",
        "Keep the daybook on a disk of this computer",
    ),
    "CORRUPT": ("It is damaged", "Restore the last backup"),
    "NOTADB": ("It is no SQLite file, or damaged", "Give a daybook, or restore the last backup"),
}
WHY |= {"LOCKED": WHY["BUSY"], "PROTOCOL": WHY["IOERR"]}


def _columns(rules: tuple[Column, ...]) -> Iterator[str]:
    for rule in rules:
        needed = " NOT NULL" if rule.required else ""
        yield f"{rule.name} {KINDS.get(rule.kind, 'TEXT')}{needed}"


def schema() -> str:
    """Return the SQL that makes an empty daybook."""
    parts = [
        "CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);",
        "CREATE TABLE known (course_id TEXT PRIMARY KEY, client_id TEXT NOT NULL);",
        "CREATE INDEX known_client ON known (client_id);",
        "CREATE TABLE models (model TEXT PRIMARY KEY, learnt_at TEXT NOT NULL, entry INTEGER);",
        "CREATE TABLE entries (entry INTEGER PRIMARY KEY AUTOINCREMENT, course_id TEXT REFERENCES "
        "known, what TEXT NOT NULL, entered_at TEXT NOT NULL, entered_by TEXT NOT NULL, "
        "undoes INTEGER UNIQUE REFERENCES entries);",
        "CREATE INDEX entries_course ON entries (course_id);",
    ]
    for name, rules in ALL_TABLES.items():
        named = ", ".join(rule.name for rule in rules)
        of = "" if name == "lasers" else ", FOREIGN KEY (course_id) REFERENCES known"
        parts.append(
            f"CREATE TABLE {name} (row INTEGER PRIMARY KEY, entry INTEGER NOT NULL REFERENCES "
            f"entries, replaces INTEGER UNIQUE REFERENCES {name}, withdrawn INTEGER NOT NULL "
            f"DEFAULT 0, {', '.join(_columns(rules))}{of});\n"
            f"CREATE VIEW {name}_now AS SELECT row, {named} FROM {name} AS one WHERE NOT withdrawn "
            f"AND NOT EXISTS (SELECT 1 FROM {name} WHERE replaces = one.row) ORDER BY row;"
        )
        parts.append(f"CREATE INDEX {name}_entry ON {name} (entry);")
        if of:
            parts.append(f"CREATE INDEX {name}_course ON {name} (course_id);")
    return "\n".join([*parts, *guards()])


def guards() -> Iterator[str]:
    """Yield the triggers by which nothing entered is written over or taken away."""
    for name in (*ALL_TABLES, "entries"):
        for event in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {name}_{event} BEFORE {event} ON {name} BEGIN SELECT "
                "RAISE(ABORT, 'a daybook is never written over: enter what replaces it'); END;"
            )


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Raise what SQLite says as an error that names the file and the remedy."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        for name, number in AFTER.items():
            if code == number:
                why, remedy = WHY[name]
                raise DataError(
                    f"The daybook {path} cannot be used as asked. {why}; what was in it is whole, "
                    "and this entry is not in it.",
                    f"{remedy}.",
                ) from None
        raise DataError(
            f"The daybook {path} cannot be used as asked ({error}).",
            "Run forecast daybook --check.",
        ) from None


def is_daybook(path: Path) -> bool:
    """Say whether a file is SQLite's, by its first bytes."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(HEAD)) == HEAD


def opened(path: Path, *, write: bool = False) -> sqlite3.Connection:
    """Return a connection to a daybook, checked to be one of this version or an earlier one.

    Raises
    ------
    DataError
        If there is none, or it is no daybook, damaged, of a later version, or on a drive that
        cannot lock.
    """
    if not path.is_file():
        raise DataError(f"There is no daybook {path}.", f"Make one: forecast daybook {path}")
    if not is_daybook(path):
        raise DataError(f"{path} is no daybook: it is no SQLite file.", "Give a daybook.")
    with told(path):
        return _connected(path, write=write)


def _connected(path: Path, *, write: bool) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode={'rw' if write else 'ro'}"
    for asked in (address, f"{address}&immutable=1"):
        book = sqlite3.connect(
            asked, uri=True, timeout=PATIENCE, isolation_level=None, check_same_thread=False
        )
        try:
            kind = book.execute("PRAGMA application_id").fetchone()[0]
            version = book.execute("PRAGMA user_version").fetchone()[0]
            break
        except sqlite3.OperationalError:
            book.close()
            # a folder that cannot be written to has no place for what readers share
            beside = path.with_name(f"{path.name}-wal")
            if write or asked != address or (beside.exists() and beside.stat().st_size):
                raise
    try:
        _check_kind(path, kind, version)
        if write:
            if book.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
                raise DataError(
                    f"The daybook {path} is on a drive that cannot lock.",
                    "Keep it on a disk of this computer, and only backups on the network.",
                )
            for pragma in ("synchronous = FULL", "foreign_keys = ON", "secure_delete = ON"):
                book.execute(f"PRAGMA {pragma}")
            _add_columns(book)
    except BaseException:
        book.close()
        raise
    return book


def _check_kind(path: Path, kind: int, version: int) -> None:
    if kind != APPLICATION_ID:
        raise DataError(f"{path} is an SQLite file, but no daybook.", "Give a daybook.")
    if version > VERSION:
        raise DataError(
            f"The daybook {path} has version {version}, this program knows {VERSION}.",
            "Update session-forecast; nothing was changed.",
        )


# Columns that a later column table has are added; none is ever taken away.
def _add_columns(book: sqlite3.Connection) -> None:
    for name, rules in ALL_TABLES.items():
        there = {row[1] for row in book.execute(f"PRAGMA table_info({name})")}
        lacking = [rule for rule in rules if rule.name not in there]
        for rule in lacking:
            kind = KINDS.get(rule.kind, "TEXT")
            book.execute(f"ALTER TABLE {name} ADD COLUMN {rule.name} {kind}")
        if lacking:
            book.execute(f"DROP VIEW {name}_now")
            start = schema().partition(f"CREATE VIEW {name}_now")
            book.execute(start[1] + start[2].partition(";")[0])


def make_file(path: Path) -> None:
    """Make an empty daybook where there is no file yet; nothing is left behind where it fails."""
    if path.exists():
        raise RequestError(f"{path} is there already.", "Name a new file.")
    if not path.absolute().parent.is_dir():
        raise RequestError(f"The folder of {path} does not exist.", "Make it, or name another.")
    try:
        with told(path), closing(sqlite3.connect(path, isolation_level=None)) as book:
            book.execute("PRAGMA journal_mode = WAL")
            book.executescript(
                f"BEGIN IMMEDIATE; {schema()} PRAGMA application_id = {APPLICATION_ID}; "
                f"PRAGMA user_version = {VERSION}; COMMIT;"
            )
    except DataError:
        remove_file(path)
        raise


def remove_file(path: Path) -> None:
    """Take away a daybook that was never used, and what SQLite keeps beside it."""
    for end in ("", "-wal", "-shm"):
        with suppress(OSError):
            path.with_name(path.name + end).unlink()


def read_tables(path: Path) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Return the log's tables as they now stand, by the number of their row, and what it says."""
    import pandas as pd

    tables = {}
    with closing(opened(path)) as book, told(path):
        book.execute("BEGIN")  # one moment for all tables
        about = dict(book.execute("SELECT name, value FROM about"))
        if "cleared_at" in about:
            about["cleared_at"] = float(about["cleared_at"])
        for name in TABLES:
            found = book.execute(f"SELECT * FROM {name}_now")
            names = [column[0] for column in found.description]
            rows = found.fetchall()
            columns = dict(zip(names, zip(*rows, strict=True), strict=True)) if rows else {}
            frame = pd.DataFrame(columns, columns=names).set_index("row")
            tables[name] = frame.rename_axis(None)
    return tables, about
