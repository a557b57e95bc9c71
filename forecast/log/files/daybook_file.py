"""A daybook as an SQLite file: its tables, made from the column table, opened, and read whole.

Where things stand in a page of the file is told at https://www.sqlite.org/fileformat2.html, section
1.6 for a table's tree and 2.1 for a row. All rows are read from the pages at once, in less than
half the time in which SQLite hands them out one by one.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from functools import partial
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._notes import problem_and_remedy, sentence
from forecast.errors import DataError, RequestError
from forecast.log.cells import coded_texts
from forecast.log.columns import ALL_TABLES, TABLES, Column, column_names

if TYPE_CHECKING:
    import pandas as pd

APPLICATION_ID = 0x64_61_79_62  # tells a daybook from other SQLite files
VERSION = 1
HEAD = b"SQLite format 3\x00"
PATIENCE = 5.0  # seconds for another writer to end
OF_ROWS = ("replaces", "withdrawn")  # by which a row no longer stands
KINDS = {"integer": "INTEGER", "number": "REAL"}  # all else is text
# What SQLite's error codes mean for a daybook; 10 is also what a full quota gives.
WHY = {5: "busy", 6: "busy", 8: "read_only", 10: "not_taken", 11: "damaged", 13: "full"}
WHY |= {14: "not_opened", 15: "no_lock", 26: "no_sqlite"}
DAMAGED = ("damaged", "no_sqlite", "other")  # of which nothing is said to be whole
BASE = """
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE known (course_id TEXT PRIMARY KEY, client_id TEXT NOT NULL, own TEXT);
CREATE INDEX known_client ON known (client_id);
CREATE TABLE models (model TEXT PRIMARY KEY, learnt_at TEXT NOT NULL, entry INTEGER, file TEXT);
CREATE TABLE entries (entry INTEGER PRIMARY KEY, course_id TEXT REFERENCES known,
  what TEXT NOT NULL, entered_at TEXT NOT NULL, entered_by TEXT NOT NULL,
  undoes INTEGER REFERENCES entries);
CREATE UNIQUE INDEX entries_undoes ON entries (undoes) WHERE undoes IS NOT NULL;
CREATE INDEX entries_course ON entries (course_id);
"""
EXTRA = """
SELECT course_id, json_extract(CASE WHEN json_valid(enquiry) THEN enquiry END, '$.extra') AS extra
FROM promises_now WHERE extra IS NOT NULL ORDER BY promise_no DESC
"""
OWN = "SELECT course_id, own FROM known WHERE own IS NOT NULL"
TABLE = """
CREATE TABLE {name} (row INTEGER PRIMARY KEY, entry INTEGER NOT NULL REFERENCES entries,
  replaces INTEGER REFERENCES {name}, withdrawn INTEGER NOT NULL DEFAULT 0, {typed}{of});
CREATE UNIQUE INDEX {name}_replaces ON {name} (replaces) WHERE replaces IS NOT NULL;
{view};
"""
VIEW = (
    "CREATE VIEW {name}_now AS SELECT row, {named} FROM {name} WHERE NOT withdrawn AND row NOT IN "
    "(SELECT replaces FROM {name} WHERE replaces IS NOT NULL)"
)
GUARDED = [*product((*ALL_TABLES, "entries"), ("UPDATE", "DELETE"))]
GUARD = (
    "CREATE TRIGGER {name}_{event} BEFORE {event} ON {name} BEGIN SELECT RAISE(ABORT, "
    "'a daybook is never written over: enter what replaces it'); END"
)


def _view(name: str) -> str:
    return VIEW.format(name=name, named=", ".join(rule.name for rule in ALL_TABLES[name]))


def _typed(rule: Column) -> str:
    return f"{rule.name} {KINDS.get(rule.kind, 'TEXT')}"


def schema() -> str:
    """Return the SQL that makes an empty daybook."""
    parts = [BASE]
    for name, rules in ALL_TABLES.items():
        typed = ", ".join(_typed(rule) + " NOT NULL" * rule.required for rule in rules)
        of = "" if name == "lasers" else ", FOREIGN KEY (course_id) REFERENCES known"
        parts.append(TABLE.format(name=name, typed=typed, of=of, view=_view(name)))
        if of:
            parts.append(f"CREATE INDEX {name}_course ON {name} (course_id);")
    parts += [f"{GUARD.format(name=name, event=event)};" for name, event in GUARDED]
    return "\n".join(parts)


@contextmanager
def unguarded(book: sqlite3.Connection) -> Iterator[None]:
    """Let rows be taken away within a transaction, at whose end they are guarded again.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> with closing(opened(folder / "book.sqlite", write=True)) as book, unguarded(book):
    ...     book.execute("DELETE FROM entries").rowcount
    0
    """
    for name, event in GUARDED:
        book.execute(f"DROP TRIGGER {name}_{event}")
    yield
    for name, event in GUARDED:
        book.execute(GUARD.format(name=name, event=event))


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Raise what SQLite says as a DataError that names the file and the remedy.

    Examples
    --------
    >>> with told(Path("book.sqlite")):
    ...     raise sqlite3.DatabaseError("no such table: visits")
    Traceback (most recent call last):
    forecast.errors.DataError: Daybook book.sqlite: SQLite says: no such table: visits. Run ...
    """
    try:
        yield
    except sqlite3.DatabaseError as error:
        why = WHY.get(getattr(error, "sqlite_errorcode", 0) & 0xFF, "other")
        # what comes with a text would be what stands in the book
        values = {"path": str(path), "error": str(error).partition(" with text ")[0]}
        says, remedy = problem_and_remedy(f"disk.{why}", values)
        code = "disk.at" if why in DAMAGED else "disk.whole"
        raise DataError(sentence(code, {**values, "why": says}), remedy) from None


# One that is in use has its journal beside it. It must not be looked into: closing it would give up
# the locks that this process may hold on it, and another would take the journal away.
def is_daybook(path: Path) -> bool:
    """Say whether a file is SQLite's, by its first bytes.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> is_daybook(folder / "book.sqlite"), is_daybook(folder)
    (True, False)
    """
    if not path.is_file() or path.with_name(f"{path.name}-wal").exists():
        return path.is_file()
    with path.open("rb") as file:
        return file.read(len(HEAD)) == HEAD


def opened(path: Path, *, write: bool = False) -> sqlite3.Connection:
    """Return a connection to the daybook at ``path``, to ``write`` if wanted, or raise DataError.

    It is refused where there is none, or it is no daybook, damaged, of a later version, or on a
    drive that cannot lock.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> with closing(opened(folder / "book.sqlite")) as book:
    ...     book.execute("SELECT count(*) FROM sessions_now").fetchone()
    (0,)
    """
    if not is_daybook(path):
        code = "disk.no_daybook" if path.exists() else "disk.none"
        raise DataError(*problem_and_remedy(code, {"path": str(path)}))
    with told(path):
        book = _connected(path, write=write)
        try:
            if book.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                raise DataError(*problem_and_remedy("disk.other_sqlite", {"path": str(path)}))
            version = book.execute("PRAGMA user_version").fetchone()[0]
            if version > VERSION:
                values = {"path": str(path), "version": version, "known": VERSION}
                raise DataError(*problem_and_remedy("disk.version", values))
            if write:
                _make_safe(book, path)
        except BaseException:
            book.close()
            raise
    return book


def _connected(path: Path, *, write: bool) -> sqlite3.Connection:
    address = f"{path.absolute().as_uri()}?mode={'rw' if write else 'ro'}"
    given: dict[str, Any] = {"uri": True, "timeout": PATIENCE, "isolation_level": None}
    given["check_same_thread"] = False
    book: sqlite3.Connection = sqlite3.connect(address, **given)
    try:
        book.execute("PRAGMA application_id")
    except sqlite3.OperationalError:
        book.close()
        # a folder that cannot be written to has no place for what readers share
        beside = path.with_name(f"{path.name}-wal")
        if write or (beside.exists() and beside.stat().st_size):
            raise
        book = sqlite3.connect(f"{address}&immutable=1", **given)
    return book


def _columns_of(book: sqlite3.Connection, name: str) -> list[str]:
    return [row[1] for row in book.execute(f"PRAGMA table_info({name})")]


def rows_ever(book: sqlite3.Connection, name: str) -> sqlite3.Cursor:
    """Return every row ever entered in the table ``name``, with the columns that it has today.

    By its first column; what a ``book`` of before lacks is NULL.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> with closing(opened(folder / "book.sqlite")) as book:
    ...     [column[0] for column in rows_ever(book, "lasers").description][:5]
    ['row', 'entry', 'replaces', 'withdrawn', 'laser_id']
    """
    with closing(sqlite3.connect(":memory:")) as today:
        today.executescript(schema())
        columns = _columns_of(today, name)
    there = _columns_of(book, name)
    asked = ", ".join(one if one in there else f"NULL AS {one}" for one in columns)
    return book.execute(f"SELECT {asked} FROM {name} ORDER BY 1")


def _keep_journal(book: sqlite3.Connection, path: Path) -> None:
    if book.execute("PRAGMA journal_mode = WAL").fetchone()[0] != "wal":
        why, remedy = problem_and_remedy("disk.no_lock")
        raise DataError(sentence("disk.at", {"path": str(path), "why": why}), remedy)


# Columns that a later column table has are added; none is ever taken away.
def _make_safe(book: sqlite3.Connection, path: Path) -> None:
    _keep_journal(book, path)
    for pragma in ("synchronous = FULL", "foreign_keys = ON", "secure_delete = ON"):
        book.execute(f"PRAGMA {pragma}")
    for name, added in (("known", "own"), ("models", "file")):
        if added not in _columns_of(book, name):
            book.execute(f"ALTER TABLE {name} ADD COLUMN {added} TEXT")
    for name, rules in ALL_TABLES.items():
        there = _columns_of(book, name)
        lacking = [rule for rule in rules if rule.name not in there]
        for rule in lacking:
            book.execute(f"ALTER TABLE {name} ADD COLUMN {_typed(rule)}")
        if lacking:
            book.execute(f"DROP VIEW {name}_now")
            book.execute(_view(name))


def make_file(path: Path) -> None:
    """Make an empty daybook, or raise RequestError where a file is or the folder is not there.

    A failure leaves nothing; DataError is raised where the drive does not take it.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> is_daybook(folder / "book.sqlite")
    True
    """
    if path.exists() or not path.absolute().parent.is_dir():
        code = "disk.there_already" if path.exists() else "disk.no_folder"
        raise RequestError(*problem_and_remedy(code, {"path": str(path)}))
    try:
        with told(path), closing(sqlite3.connect(path, isolation_level=None)) as book:
            _keep_journal(book, path)
            book.executescript(
                f"BEGIN IMMEDIATE; {schema()} PRAGMA application_id = {APPLICATION_ID}; "
                f"PRAGMA user_version = {VERSION}; COMMIT;"
            )
    except DataError:
        remove_file(path)
        raise


def remove_file(path: Path) -> None:
    """Take away a daybook that was never used, and what SQLite keeps beside it.

    Examples
    --------
    >>> make_file(folder / "book.sqlite")
    >>> remove_file(folder / "book.sqlite")
    >>> list(folder.iterdir())
    []
    """
    for end in ("", "-wal", "-shm"):
        with suppress(OSError):
            path.with_name(path.name + end).unlink()


Places = npt.NDArray[np.integer[Any]]  # in the file, one for each row
LEAF, INNER, DEEPEST = 13, 5, 20  # kinds of page of a table, and how many may lie one below another
NUMBERS, REAL, ONE = range(1, 8), 7, 9  # types of a value; 0 is NULL, 8 is the number 0, 9 is 1
TEXT = 12  # from here on a text is odd and else no text
WIDTHS = (0, 1, 2, 3, 4, 6, 8, 8, 0, 0, 0, 0)  # in bytes, by type
BYTES = np.array([*WIDTHS, *np.arange(128 - TEXT) // 2], dtype=np.int32)
LONGEST = 64  # bytes of a text up to which all texts of a column are cut out at once
NO_TEXT = "a cell that should be a text is none"


class Pages:
    """The pages of a database, as `sqlite3.Connection.serialize` gives them: journal and all."""

    def __init__(self, image: bytes) -> None:
        self.bytes = np.frombuffer(image, dtype=np.uint8)
        size = int(self._number(np.array([16]), 2)[0])
        self.size = 65536 if size == 1 else size
        self.usable = self.size - int(self.bytes[20])

    def columns(self, root: int, kinds: Sequence[str | None]) -> tuple[Places, list[Any]]:
        """Return the row numbers of the table whose tree has a ``root``, and its cells by column.

        They are in the order of row numbers. A column of the ``kinds`` integer or number is an
        array of numbers, any other an Arrow array of texts, as is one of numbers with a text in it;
        one of no kind is left out.
        """
        try:
            size, at = self._varint(self._cells(root))
            rows, at = self._varint(at)
            if (np.diff(rows) <= 0).any() or size.max(initial=0) > len(self.bytes):
                raise IndexError
            return rows, [*self._decoded(self._joined(size, at), kinds)]
        except (IndexError, ValueError):
            raise sqlite3.DatabaseError("database disk image is malformed") from None

    def _cut(self, at: Places, width: int) -> npt.NDArray[np.uint8]:
        if at.min(initial=0) < 0:
            raise IndexError
        every = np.ndarray(len(self.bytes) - width + 1, f"V{width}", self.bytes, strides=(1,))
        return every[at].view(np.uint8).reshape(len(at), width)

    def _number(self, at: Places, width: int) -> Places:
        whole = np.zeros((len(at), 8), dtype=np.uint8)
        whole[:, 8 - width :] = self._cut(at, width)
        return whole.view(">i8")[:, 0].astype(np.int64)

    def _varint(self, at: Places) -> tuple[Places, Places]:
        byte = self.bytes[at]
        value, at, more = (byte & 127).astype(np.int64), at + 1, byte > 127
        for _ in range(8):
            if not more.any():
                return value, at
            byte = self.bytes[at]
            value, at = np.where(more, value << 7 | byte & 127, value), at + more
            more &= byte > 127
        raise IndexError

    # where the rows of a table begin: down its tree, whose leaves are all at one depth
    def _cells(self, root: int) -> Places:
        pages = np.array([root])
        for _ in range(DEEPEST):
            at = (pages - 1) * self.size
            kind = self.bytes[at]
            if (kind == LEAF).all():
                return self._pointed(at, 8)
            if (kind != INNER).any() or len(at) * self.size > len(self.bytes):
                break
            below, n = self._number(self._pointed(at, 12), 4), self._number(at + 3, 2)
            pages = np.insert(below, np.cumsum(n), self._number(at + 8, 4))
        raise IndexError

    def _pointed(self, at: Places, head: int) -> Places:
        n = self._number(at + 3, 2)
        page = np.repeat(at, n)
        place = np.arange(len(page)) - np.repeat(np.cumsum(n) - n, n)
        return page + self._number(page + head + 2 * place, 2)

    # a row that is too long for its page goes on in others: it is joined behind the last page
    def _joined(self, size: Places, at: Places) -> Places:
        most, least = self.usable - 35, (self.usable - 12) * 32 // 255 - 23
        for row in np.flatnonzero(size > most):
            left, start = int(size[row]), int(at[row])
            here = least + (left - least) % (self.usable - 4)
            here = here if here <= most else least
            parts, follows = [self.bytes[start : start + here]], start + here
            while (left := left - here) > 0:
                page = self._number(np.array([follows]), 4)
                follows, here = int(page[0] - 1) * self.size, min(left, self.usable - 4)
                parts.append(self._cut(np.array([follows + 4]), here)[0])
            at[row] = len(self.bytes)
            self.bytes = np.concatenate([self.bytes, *parts])
        return at

    def _decoded(self, at: Places, kinds: Sequence[str | None]) -> Iterator[Any]:
        long, head = self._varint(at)
        types, at = self._types(head, at + long, len(kinds)), at + long
        for kind, of in zip(kinds, types, strict=True):
            each = of[:1] if (of == of[:1]).all() else of  # often of one type, and as wide
            wide = BYTES.take(each, mode="clip")
            if each.max(initial=0) > 127:
                wide = np.where(each > 127, (each - TEXT) // 2, wide)
            end = at + wide
            if wide.min(initial=0) < 0 or end.max(initial=0) > len(self.bytes):
                raise IndexError
            yield kind and self._column(kind, of, at, end - at)
            at = end

    # A row's head has the types of its values, mostly a byte each. Rows of before a column came in
    # end without it.
    def _types(self, head: Places, end: Places, n: int) -> Places:
        plain = self._cut(np.minimum(head, len(self.bytes) - n), n)
        odd = np.flatnonzero((end - head != n) | (plain > 127).any(axis=1))
        types: Places = np.array(plain.T, dtype=np.int32 if len(odd) else np.uint8, order="C")
        place, end = head[odd], end[odd]
        for column in types if len(odd) else ():
            there = place < end
            value, behind = self._varint(np.where(there, place, 0))
            column[odd], place = np.where(there, value, 0), np.where(there, behind, place)
        return types

    def _column(self, kind: str, types: Places, at: Places, wide: Places) -> Any:
        import pyarrow as pa

        if kind not in ("integer", "number"):
            return self._texts(types, at, wide)
        said = types >= TEXT
        if not said.any():
            return self._numbers(types, at, whole=kind == "integer")
        numbers = self._numbers(np.where(said, 0, types), at, whole=kind == "integer")
        texts = self._texts(np.where(said, types, 0), at, np.where(said, wide, 0)).to_pylist()
        both = zip(texts, numbers.tolist(), types, strict=True)
        cells = (text if of >= TEXT else None if of == 0 else str(one) for text, one, of in both)
        return pa.array(cells, pa.string()).dictionary_encode()

    def _numbers(self, types: Places, at: Places, *, whole: bool) -> npt.NDArray[Any]:
        whole &= bool(((types != 0) & (types != REAL)).all())
        found = np.where(types == 0, np.nan, types == ONE).astype(np.int64 if whole else np.float64)
        for of in NUMBERS:
            rows = np.flatnonzero(types == of)
            if len(rows):
                value, unused = self._number(at[rows], WIDTHS[of]), 64 - 8 * WIDTHS[of]
                signed = value << unused >> unused
                found[rows] = value.view(np.float64) if of == REAL else signed
        return found

    def _texts(self, types: Places, at: Places, wide: Places) -> Any:
        import pyarrow as pa

        if not types.any():
            return pa.nulls(len(at), pa.string()).dictionary_encode()
        there = types > 0
        if ((types & 1 == 1) != there).any() or (there & (types < TEXT)).any():
            raise sqlite3.DatabaseError(NO_TEXT)
        most, ends = int(wide.max()), np.append(0, np.cumsum(wide))
        if 0 < most <= LONGEST:
            cut = self._cut(at + wide - most, most)
            short = (most - wide).astype(np.uint8)[:, None]
            data = cut[np.arange(most, dtype=np.uint8) >= short] if short.any() else cut
        else:
            data = self.bytes[np.repeat(at - ends[:-1], wide) + np.arange(ends[-1])]
        given = np.packbits(there, bitorder="little")
        parts = [pa.py_buffer(part) for part in (given, ends.astype(np.int32), data)]
        texts = pa.Array.from_buffers(pa.string(), len(at), parts).dictionary_encode()
        try:
            texts.dictionary.validate(full=True)
        except pa.ArrowInvalid:
            raise sqlite3.DatabaseError(NO_TEXT) from None
        return texts


# By columns: numbers as they are, texts coded; where a date is none, all are texts.
def _cells(kind: str, cells: Any) -> Any:
    import pyarrow as pa

    if isinstance(cells, np.ndarray):
        return cells
    if kind == "date":
        with suppress(pa.ArrowInvalid):
            days = cells.dictionary.cast(pa.timestamp("ns"))
            return days.take(cells.indices).to_numpy(zero_copy_only=False)
    return coded_texts(pa.chunked_array([cells]))


def _frame(image: bytes, name: str, root: int, there: list[str]) -> pd.DataFrame:
    import pandas as pd

    kinds = {rule.name: rule.kind for rule in TABLES[name]} | dict.fromkeys(OF_ROWS, "integer")
    rows, cells = Pages(image).columns(root, [kinds.get(one) for one in there])
    found = dict(zip(there, cells, strict=True))
    replaced, withdrawn = (found[one] for one in OF_ROWS)
    now = ~np.isin(rows, replaced[replaced > 0]) & (withdrawn == 0)
    named = {one: _cells(kinds[one], found[one]) for one in column_names(name) if one in found}
    frame = pd.DataFrame(named, index=rows, copy=False)
    return frame if now.all() else frame[now]


def read_tables(path: Path) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Return the log's tables as they now stand, by the number of their row, and what it says.

    Of the promises the codes, by their number.
    """
    import pandas as pd

    with told(path), closing(opened(path)) as book, ThreadPoolExecutor(2) as at_once:
        book.execute("BEGIN")  # one moment for all tables
        root = "SELECT rootpage FROM sqlite_master WHERE name = ?"
        roots = [book.execute(root, (name,)).fetchone()[0] for name in TABLES]
        there = [_columns_of(book, name) for name in TABLES]
        frames = at_once.map(partial(_frame, book.serialize()), TABLES, roots, there)
        tables = dict(zip(TABLES, frames, strict=True))
        codes = ["promise_no", "course_id", "client_id"]
        promised = book.execute(f"SELECT {', '.join(codes)} FROM promises_now").fetchall()
        tables["promises"] = pd.DataFrame(promised, columns=codes).set_index("promise_no")
        about = dict(book.execute("SELECT name, value FROM about"))
        if "cleared_at" in about:
            about["cleared_at"] = float(about["cleared_at"])
        # columns of the clinic's own: as taken over, else as the first promise of a course has them
        said = list(book.execute(EXTRA))
        if "own" in _columns_of(book, "known"):
            said += book.execute(OWN)
        own = {course: json.loads(extra) for course, extra in said}
    if own and len(tables["courses"]):
        found = pd.DataFrame.from_dict(own, orient="index")
        found = found[found.columns.difference([*column_names("courses")])]
        tables["courses"] = tables["courses"].astype({"course_id": object})
        tables["courses"] = tables["courses"].join(found, on="course_id")
    return tables, about
