"""A daybook as files and back: taken over from a log, written out whole, checked."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._files import checksums, read_json, sum_of, write_whole
from forecast._notes import problem_and_remedy
from forecast.daybook.daybook import Daybook, make_daybook
from forecast.daybook.promises import DAYS, Promise, read_promises, read_register
from forecast.errors import DataError, RequestError
from forecast.log import (
    ALL_TABLES,
    LONE_NAMES,
    TABLES,
    Extra,
    OutcomeLog,
    column_names,
    read_book,
    read_log,
    write_log,
)
from forecast.log.files import opened, remove_file, rows_ever, told, unguarded

if TYPE_CHECKING:
    pass

HISTORY = "history"  # the folder of an export that holds every row ever entered
EVERY = ("about", "known", "models", "entries", *ALL_TABLES)
PROMISED = list(column_names("promises"))
BY = "import"  # who takes a log over


def export_daybook(path: Path, folder: Path) -> OutcomeLog:
    """Write the daybook at ``path`` as a Frictionless Data Package, and return its log.

    The tables as they now stand and ``promises.csv`` are the package; ``history`` beside them
    holds every row ever entered, from which `take_over` makes the same daybook again, to the byte
    of its own export. Raises RequestError if the folder holds something else.

    Examples
    --------
    >>> make_daybook(folder / "book.sqlite").close()
    >>> export_daybook(folder / "book.sqlite", folder / "out")
    <OutcomeLog: 0 courses, 0 sessions>
    """
    import pandas as pd

    ours = folder / HISTORY / "entries.csv"
    if folder.exists() and not ours.is_file() and (folder.is_file() or any(folder.iterdir())):
        raise RequestError(*problem_and_remedy("disk.no_export", {"folder": str(folder)}))
    (folder / HISTORY).mkdir(parents=True, exist_ok=True)
    sums = {}
    with closing(opened(path)) as book, told(path):
        book.execute("BEGIN")
        for name in EVERY:
            found = rows_ever(book, name)
            out = io.StringIO()
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow([column[0] for column in found.description])
            writer.writerows(found)
            write_whole(folder / HISTORY / f"{name}.csv", out.getvalue())
            sums[f"{HISTORY}/{name}.csv"] = sum_of(out.getvalue().encode())
        log = read_book(path)
        promises = pd.DataFrame([one.cells() for one in read_promises(path)], columns=PROMISED)
        last = "SELECT max(entry) FROM entries"
        with closing(opened(path)) as now:
            if now.execute(last).fetchone() != book.execute(last).fetchone():
                raise RequestError(*problem_and_remedy("disk.meanwhile", {"path": str(path)}))
    for name in DAYS:
        promises[name] = pd.to_datetime(promises[name])
    write_log(log, folder, title="Daybook", promises=promises, beside=sums)
    for name in TABLES:
        if getattr(log, name).empty:  # of an export before
            (folder / f"{name}.csv").unlink(missing_ok=True)
    return log


def begin_daybook(path: Path, source: Path | None = None) -> dict[str, Any]:
    """Make a daybook at ``path``, from a ``source`` where a log, export or register is named.

    A register may go into one that is there. Nothing is left behind where that fails: raises
    RequestError or DataError. Returned is what `take_over` returns.

    Examples
    --------
    >>> begin_daybook(folder / "book.sqlite")
    {'courses': 0, 'promises': 0}
    """
    if source is not None and not source.exists():
        raise RequestError(*problem_and_remedy("disk.no_source", {"source": str(source)}))
    grows = path.exists() and source is not None and source.suffix.lower() == ".jsonl"
    with Daybook(path) if grows else make_daybook(path) as book:
        try:
            return take_over(book, source) if source else {"courses": 0, "promises": 0}
        except BaseException:
            if not grows:
                remove_file(path)
            raise


def take_over(book: Daybook, source: Path) -> dict[str, Any]:
    """Put the ``source``, a log, an export or an old register of promises, into the ``book``.

    Returned are the numbers of ``courses`` and ``promises`` taken over, of rows ``set_aside``,
    which stay behind, and which lines of a register are ``torn``. Raises RequestError where a
    daybook with entries is to take over a log, DataError if an export has changed since.
    """
    if source.suffix.lower() == ".jsonl":
        return _take_register(book, source)
    if book.last_entry():
        values = {"path": str(book.path), "source": str(source)}
        raise RequestError(*problem_and_remedy("disk.has_entries", values))
    if (source / HISTORY / "entries.csv").is_file():
        _take_history(book, source)
        tables = ("courses", "promises")
        return {table: len(book.rows(f"SELECT 1 FROM {table}_now")) for table in tables}
    log = read_log(source)
    for note in log.report.notes:
        if note.code == LONE_NAMES:
            values = {"source": str(source), **note.values}
            raise DataError(*problem_and_remedy("disk.names", values))
    promises = read_promises(source)
    said = {"cleared_at": repr(log.cleared_at), "cleared_judged": log.cleared_judged}
    with book.entry("taken_over", BY) as entry:
        stated = [(name, value) for name, value in said.items() if value]
        book.book.executemany("INSERT OR REPLACE INTO about VALUES (?, ?)", stated)
        _insert(book, "known", ("course_id", "client_id", "own"), _known(log, promises))
        for name, rules in TABLES.items():
            frame, dates = getattr(log, name), [rule.name for rule in rules if rule.kind == "date"]
            days = {date: frame[date].dt.strftime("%Y-%m-%d") for date in dates}
            # what is missing is NaN or None, and both are NULL to SQLite
            cells = frame.assign(**days, entry=entry)[["entry", *column_names(name)]]
            _insert(book, name, tuple(cells), cells.itertuples(index=False, name=None))
        for one in promises:
            book.put("promises", one.cells(), entry)
    aside = sum(count.set_aside for count in log.report.rows.values())
    return {"courses": len(log.courses), "promises": len(promises), "set_aside": aside}


# Each course once: whose it is, and what the log says in columns of the clinic's own.
def _known(log: OutcomeLog, promises: Iterable[Promise]) -> Iterable[tuple[str, str, str | None]]:
    found: dict[str, tuple[str, str | None]]
    found = {one.course_id: (one.client_id, None) for one in promises}
    own = [name for name in log.courses.columns if name not in column_names("courses")]
    for row in log.courses[["course_id", "client_id", *own]].to_dict("records"):
        said = Extra({name: row[name] for name in own})
        found[row["course_id"]] = row["client_id"], json.dumps(said) if said else None
    return ((course, *of) for course, of in found.items())


def _insert(book: Daybook, name: str, columns: Sequence[str], rows: Iterable[Any]) -> None:
    holes = ", ".join("?" * len(columns))
    asked = f"INSERT INTO {name} ({', '.join(columns)}) VALUES ({holes})"
    book.book.executemany(asked, rows)


def _take_register(book: Daybook, source: Path) -> dict[str, Any]:
    promises, torn = read_register(source)
    there = {(one.course_id, one.issued_on, one.median) for one in read_promises(book.path)}
    taken = 0
    with book.entry("taken_over", BY) as entry:
        top = book.book.execute("SELECT max(promise_no) FROM promises").fetchone()[0] or 0
        for one in promises:
            if (one.course_id, one.issued_on, one.median) in there:
                continue  # the register was taken over before
            taken += 1
            known = "INSERT OR IGNORE INTO known (course_id, client_id) VALUES (?, ?)"
            book.book.execute(known, (one.course_id, one.client_id))
            book.put("promises", {**one.cells(), "promise_no": top + taken}, entry)
    return {"courses": 0, "promises": taken, "torn": torn}


def _take_history(book: Daybook, folder: Path) -> None:
    file = folder / "datapackage.json"
    described = read_json(file) if file.is_file() else None
    sums = checksums(described if isinstance(described, dict) else {})
    there = {
        one.relative_to(folder).as_posix(): sum_of(one.read_bytes())
        for one in folder.rglob("*.csv")
    }
    changed = [name for name, sum_told in sums.items() if there.get(name) != sum_told]
    if changed or not sums:
        values = {"folder": str(folder), "files": changed or ["datapackage.json"]}
        raise DataError(*problem_and_remedy("disk.changed", values))
    with book.entry("taken_over", BY):
        book.book.execute("PRAGMA defer_foreign_keys = ON")
        with unguarded(book.book):
            book.book.execute("DELETE FROM entries")  # the one this is made within
        book.book.execute("DELETE FROM about")
        for name in EVERY:
            text = (folder / HISTORY / f"{name}.csv").read_text(encoding="utf-8")
            rows = list(csv.reader(io.StringIO(text, newline="")))
            numbers = {rule.name for rule in ALL_TABLES.get(name, ()) if rule.kind == "number"}
            exact = [_number if heading in numbers else str for heading in rows[0]]
            cells = (
                [None if one == "" else read(one) for read, one in zip(exact, row, strict=True)]
                for row in rows[1:]
            )
            _insert(book, name, rows[0], cells)


# exactly: SQLite's own reading of a text misses the last bit of some numbers
def _number(cell: str) -> float | str:
    with suppress(ValueError):
        return float(cell)
    return cell


def check_book(path: Path) -> tuple[list[str], OutcomeLog | None]:
    """Return what is wrong with the file itself, and its log, None where it has no course yet.

    Raises DataError where it cannot be opened, or a row of it is no promise.

    Examples
    --------
    >>> make_daybook(folder / "book.sqlite").close()
    >>> check_book(folder / "book.sqlite")
    ([], None)
    """
    with closing(opened(path)) as book, told(path):
        found = [row[0] for row in book.execute("PRAGMA integrity_check") if row[0] != "ok"]
        loose = book.execute("PRAGMA foreign_key_check").fetchall()
        found += [f"table {row[0]}, row {row[1]}: belongs to nothing in {row[2]}" for row in loose]
        empty = not book.execute("SELECT 1 FROM courses_now LIMIT 1").fetchall()
    read_promises(path)
    return found, None if empty else read_log(path)
