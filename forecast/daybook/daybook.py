"""A clinic's daybook: promises kept, sessions written down, courses ended; nothing written over."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import count
from pathlib import Path
from secrets import token_hex
from threading import RLock
from typing import Any

from forecast._files import check_not_lost
from forecast._notes import Note, problem_and_remedy
from forecast.daybook.course import (
    ChangedError,
    Course,
    MisfitError,
    Visit,
    check_code,
    check_end,
    checked_visit,
)
from forecast.daybook.promises import Promise
from forecast.errors import DataError, RequestError
from forecast.log import ALL_TABLES, column_names
from forecast.log.files import APPLICATION_ID, make_file, opened, told, unguarded

OF_COURSE = tuple(name for name in ALL_TABLES if name != "lasers")
LATELY = timedelta(days=200)  # since their last entry: courses that are offered to be opened
JOURNAL_IN = "PRAGMA wal_checkpoint(TRUNCATE)"
Cells = Mapping[str, Any]
Clock = Callable[[], datetime]
ID_AT = 68  # bytes of an SQLite file before its application id


def make_daybook(path: str | os.PathLike[str]) -> Daybook:
    """Return a new, empty daybook at a place that is still free.

    Examples
    --------
    >>> with make_daybook(folder / "book.sqlite") as book:
    ...     book.last_entry()
    0
    """
    make_file(Path(path))
    return Daybook(path)


class Daybook:
    """A daybook that is open, to ``write`` if it must; several programs may have it open at once.

    Entries bear the time of its ``clock``, which a clinic that is only played may set. Raises
    DataError if there is none at ``path`` or it cannot be used, as `forecast.log.files.opened`.

    Examples
    --------
    >>> with forecast.make_daybook(folder / "book.sqlite") as book:
    ...     book.lately()
    []
    """

    def __init__(
        self, path: str | os.PathLike[str], *, clock: Clock = datetime.now, write: bool = True
    ) -> None:
        self.path, self.clock = Path(path), clock
        try:
            self.book = opened(self.path, write=True)  # which brings one of before up to date
        except DataError:
            if write:
                raise
            self.book = opened(self.path)
        self._lock = RLock()
        self._seen: Course | None = None  # the last one that was opened

    def __enter__(self) -> Daybook:
        return self

    def __exit__(self, *how: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.book.close()

    def today(self) -> date:
        """Return the day by the book's clock."""
        return self.clock().date()

    def _now(self) -> str:
        return self.clock().astimezone().isoformat(timespec="seconds")

    def rows(self, asked: str, *given: Any) -> list[dict[str, Any]]:
        """Return the rows that an SQL query finds."""
        with self._lock, told(self.path):
            found = self.book.execute(asked, given)
            names = [one[0] for one in found.description]
            return [dict(zip(names, row, strict=True)) for row in found]

    def _current(self, table: str, course_id: str) -> list[dict[str, Any]]:
        names = ", ".join(column_names(table))
        asked = f"SELECT row, {names} FROM {table} AS one WHERE course_id = ? AND NOT withdrawn "
        unless = f"SELECT 1 FROM {table} WHERE replaces = one.row"
        return self.rows(f"{asked} AND NOT EXISTS ({unless}) ORDER BY row", course_id)

    def _cleared_at(self) -> float:
        said = self.rows("SELECT value FROM about WHERE name = 'cleared_at'")
        return float(said[0]["value"]) if said else 95.0

    def last_entry(self) -> int:
        """Return the number of the last entry, 0 in an empty book."""
        return int(self.rows("SELECT max(entry) AS n FROM entries")[0]["n"] or 0)

    def find(self, text: str) -> list[str]:
        """Return every course that a promise's number, a course's code or a pseudonym means.

        Raises MisfitError if there is none.
        """
        given = " ".join(text.split())
        by_number = "SELECT course_id FROM promises_now WHERE promise_no = ?"
        found = self.rows(by_number, int(given)) if given.isdecimal() and len(given) < 9 else []
        by_code = "SELECT course_id FROM known WHERE course_id = ? OR client_id = ? ORDER BY 1"
        found += self.rows(by_code, given, given)
        if not found:
            raise MisfitError("code", Note("daybook.not_found"))
        return list(dict.fromkeys(str(one["course_id"]) for one in found))

    def lately(self) -> list[str]:
        """Return the courses under way that were entered to of late, the last one first."""
        found = self.rows(
            "SELECT course_id, max(entry) AS last FROM entries WHERE course_id IS NOT NULL AND "
            "entered_at > ? AND course_id NOT IN (SELECT course_id FROM courses_now WHERE outcome "
            "!= 'ongoing') GROUP BY course_id ORDER BY last DESC LIMIT 40",
            (self.clock() - LATELY).isoformat(),
        )
        return [one["course_id"] for one in found]

    def course(self, course_id: str, *, version: int | None = None) -> Course:
        """Return a course; raises MisfitError if there is none, ChangedError if changed since."""
        with self._lock, told(self.path):
            known = self.rows("SELECT client_id, own FROM known WHERE course_id = ?", course_id)
            now = self._version(course_id)
            of = {name: tuple(self._current(name, course_id)) for name in OF_COURSE}
        if not known:
            raise MisfitError("code", Note("daybook.not_found"))
        row = next(iter(of.pop("courses")), None)
        said = tuple(Promise.of_row(one, self.path) for one in of.pop("promises"))
        client, own = str(known[0]["client_id"]), json.loads(known[0]["own"] or "{}")
        self._seen = Course(course_id, client, now, row, promises=said, own=own, **of)
        if version not in (None, now):
            raise ChangedError(tuple(self.history(course_id, since=int(version or 0))))
        return self._seen

    def _before(self, course_id: str, version: int) -> Course:
        seen = self._seen
        if seen and (seen.course_id, seen.version) == (course_id, version):
            return seen  # where the book has another by now, the write itself is refused
        return self.course(course_id, version=version)

    def promise(self, number: int) -> Promise:
        """Return the promise of that number, or raise MisfitError."""
        found = self.rows("SELECT * FROM promises_now WHERE promise_no = ?", number)
        if not found:
            raise MisfitError("promise", Note("daybook.no_promise", values={"n": number}))
        return Promise.of_row(found[0], self.path)

    def _version(self, course_id: str) -> int:
        asked = "SELECT max(entry) FROM entries WHERE course_id = ?"
        return int(self.book.execute(asked, (course_id,)).fetchone()[0] or 0)

    @contextmanager
    def entry(
        self,
        what: str,
        by: str,
        course_id: str | None = None,
        *,
        version: int | None = None,
        undoes: int | None = None,
        client_id: str | None = None,
    ) -> Iterator[int]:
        """Make one entry: all that is written within it is kept, on the disk, or none of it.

        A ``client_id`` makes its course known, which gets a code of its own where it has none.
        """
        with self._lock, told(self.path):
            self.book.execute("BEGIN IMMEDIATE")
            try:
                if version is not None and course_id and self._version(course_id) != version:
                    raise ChangedError(tuple(self.history(course_id, since=version)))
                if client_id is not None:
                    course_id = course_id or self._new_code(client_id)
                    know = "INSERT OR IGNORE INTO known (course_id, client_id) VALUES (?, ?)"
                    self.book.execute(know, (course_id, client_id))
                asked = "INSERT INTO entries (course_id, what, entered_at, entered_by, undoes) "
                cells = (course_id, what, self._now(), by, undoes)
                made = self.book.execute(f"{asked} VALUES (?, ?, ?, ?, ?)", cells)
                yield int(made.lastrowid or 0)
                self.book.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.book.execute("ROLLBACK")
                raise

    def put(
        self, table: str, cells: Cells, entry: int, *, replaces: int | None = None, gone: int = 0
    ) -> dict[str, Any]:
        """Write one row within an entry, and return it as it is read."""
        row = {name: cells.get(name) for name in column_names(table)}
        into = f"INSERT INTO {table} (entry, replaces, withdrawn, {', '.join(row)}) VALUES "
        holes = f"(?, ?, ?{', ?' * len(row)})"
        made = self.book.execute(into + holes, (entry, replaces, gone, *row.values()))
        return {"row": made.lastrowid, **row}

    def keep(self, promise: Promise, *, by: str, version: int | None = None) -> Promise:
        """Keep a promise and return it with its number.

        Without a course it speaks of a new one, which gets a code made from the client's.
        """
        client, by = check_code(promise.client_id, "client_id"), check_code(by, "by")
        known = self.rows("SELECT client_id FROM known WHERE course_id = ?", promise.course_id)
        if known and client not in (known[0]["client_id"], promise.course_id):
            raise MisfitError("client_id", Note("daybook.other_client"))
        client = known[0]["client_id"] if known else client
        course = promise.course_id or None
        with self.entry("promise", by, course, version=version, client_id=client) as entry:
            top = self.book.execute("SELECT max(promise_no) FROM promises").fetchone()[0]
            asked = "SELECT course_id FROM entries WHERE entry = ?"
            course = self.book.execute(asked, (entry,)).fetchone()[0]
            kept = replace(promise, promise_no=(top or 0) + 1, course_id=course, client_id=client)
            self.put("promises", kept.cells(), entry)
        return kept

    def _new_code(self, client: str) -> str:
        taken = {one["course_id"] for one in self.rows("SELECT course_id FROM known")}
        return next(code for n in count(1) if (code := f"{client}-{n}") not in taken)

    def write_session(
        self, course_id: str, visit: Visit, *, version: int, by: str, sure: bool = False
    ) -> Course:
        """Write down a session, with what was graded and seen before it, and return the course.

        Raises MisfitError if it does not fit the course, and ChangedError if somebody else has
        written to it since ``version``.
        """
        by, before = check_code(by, "by"), self._before(course_id, version)
        cleared_at = 101 if sure else self._cleared_at()
        given = checked_visit(visit, before, self.today(), cleared_at=cleared_at)
        with self.entry("session", by, course_id, version=version) as entry:
            day, number = visit.treated_on.isoformat(), before.done + 1
            row = {**(before.row or before.begun(day)), "sessions_given": number}
            session = {**given, "course_id": course_id, "session_no": number, "treated_on": day}
            sessions = (*before.sessions, self.put("sessions", session, entry))
            return self._put_seen(before, row, given, day, entry, sessions=sessions)

    # the course's new row, and what was seen of it on a day: the course as it stands then
    def _put_seen(
        self, before: Course, row: Cells, given: Cells, day: str, entry: int, **found: Any
    ) -> Course:
        found["row"] = self.put("courses", row, entry, replaces=row.get("row"))
        seen = {**given, "course_id": before.course_id, "after_session": before.done}
        seen["graded_on"] = day
        for table, name in (("gradings", "fading_pct"), ("reactions", "reaction")):
            if given.get(name) is not None:
                found[table] = (*getattr(before, table), self.put(table, seen, entry))
        return replace(before, version=entry, **found)

    def end(
        self,
        course_id: str,
        *,
        outcome: str,
        version: int,
        by: str,
        stop_reason: str | None = None,
        graded: Visit | None = None,
        sure: bool = False,
    ) -> Course:
        """Write down that a course has ended, with the last grading if there is one.

        Raises MisfitError if it is not under way, a stop has no reason, or the last grading
        contradicts the outcome and nobody says to be ``sure``; ChangedError as `write_session`.
        """
        by, before = check_code(by, "by"), self._before(course_id, version)
        given = checked_visit(graded, before, self.today(), cleared_at=101) if graded else {}
        last = given.get("fading_pct", before.graded[-1][1] if before.graded else None)
        check_end(before, outcome, stop_reason, None if sure else last, self._cleared_at())
        why = stop_reason if outcome == "stopped" else None
        row = {**(before.row or {}), "outcome": outcome, "stop_reason": why}
        day = graded.treated_on.isoformat() if graded else ""
        with self.entry("ended", by, course_id, version=version) as entry:
            return self._put_seen(before, row, given, day, entry)

    def standing(self, course_id: str) -> dict[str, Any] | None:
        """Return the last entry of a course that was not taken back: the next to be undone."""
        found = self.rows(
            "SELECT entry, what, entered_at AS at, entered_by AS 'by' FROM entries AS one WHERE "
            "course_id = ? AND undoes IS NULL AND NOT EXISTS (SELECT 1 FROM entries WHERE undoes "
            "= one.entry) ORDER BY entry DESC LIMIT 1",
            course_id,
        )
        return next(iter(found), None)

    def undo(self, course_id: str, *, version: int, by: str) -> Course:
        """Take back the last entry of a course that still stands; the book keeps both.

        Raises MisfitError if nothing is left to be undone; ChangedError as `write_session`.
        """
        by, last = check_code(by, "by"), self.standing(course_id)
        if last is None:
            raise MisfitError("undo", Note("daybook.nothing_to_undo"))
        with self.entry("undone", by, course_id, version=version, undoes=last["entry"]) as entry:
            for table in OF_COURSE:
                asked = f"SELECT * FROM {table} WHERE course_id = ? AND entry = ?"
                for row in self.rows(asked, course_id, last["entry"]):
                    now = self._current(table, course_id) if table == "courses" else [row]
                    was = self.rows(f"SELECT * FROM {table} WHERE row = ?", row["replaces"])
                    here = (was or now)[0]
                    self.put(table, here, entry, replaces=now[0]["row"], gone=not was)
        return self.course(course_id)

    def history(self, course_id: str, *, since: int = 0) -> list[dict[str, Any]]:
        """Return every entry of a course after one, with the rows written, replaced and undone."""
        rows: dict[int, list[dict[str, Any]]] = {}
        for table in OF_COURSE:
            for row in self.rows(f"SELECT * FROM {table} WHERE course_id = ?", course_id):
                rows.setdefault(row["entry"], []).append({"table": table, **row})
        asked = (
            "SELECT entry, what, entered_at AS at, entered_by AS 'by', undoes FROM entries "
            "WHERE entry > ? AND (course_id = ? OR entry IN "
            f"({', '.join(map(str, rows)) or 'NULL'})) ORDER BY entry"
        )
        found = self.rows(asked, since, course_id)
        return [{**one, "rows": rows.get(one["entry"], [])} for one in found]

    def learnt(self, model: str, file: str = "", *, before: tuple[str, str] = ("", "")) -> None:
        """Keep that a model was learnt from the book, and where that ``before`` is kept now."""
        columns = "(model, learnt_at, entry, file) VALUES (?, ?, ?, ?)"
        with self._lock, told(self.path):
            cells = (model, self._now(), self.last_entry(), file or None)
            self.book.execute("UPDATE models SET file = ? WHERE model = ?", before[::-1])
            self.book.execute(f"INSERT OR REPLACE INTO models {columns}", cells)

    def forgotten_since(self, model: str) -> bool:
        """Return whether anybody was forgotten since a model, by its fingerprint, was learnt."""
        asked = "SELECT entry FROM entries WHERE what = 'forgotten' AND entry > coalesce("
        asked += "(SELECT entry FROM models WHERE model = ?), 0)"
        return bool(self.rows(asked, model))

    def forget(self, client_id: str, *, by: str) -> dict[str, Any]:
        """Take all rows and promises of a client out of the file for good.

        What stays is an entry that somebody was forgotten, without a code. Returned is how many
        courses and promises went, and the fingerprints of the models that learnt from them, with
        file and day in ``models``. Raises MisfitError if no client has that pseudonym.
        """
        by = check_code(by, "by")
        known = self.rows("SELECT course_id FROM known WHERE client_id = ?", client_id)
        if not known:
            raise MisfitError("client", Note("daybook.no_client"))
        courses = [one["course_id"] for one in known]
        of = f"course_id IN ({', '.join('?' * len(courses))})"
        promises = self.rows(f"SELECT count(*) AS n FROM promises WHERE {of}", *courses)[0]["n"]
        every = " UNION ALL ".join(f"SELECT entry, course_id FROM {name}" for name in OF_COURSE)
        first = f"SELECT min(entry) FROM ({every}) WHERE {of}"
        taught = f"SELECT * FROM models WHERE entry >= ({first}) ORDER BY learnt_at, entry"
        models = self.rows(taught, *courses)
        with self._lock:
            self._rewrite()  # while nothing is gone yet: a disk without room for it refuses here
            with self.entry("forgotten", by), unguarded(self.book):
                for name in (*OF_COURSE, "entries", "known"):
                    self.book.execute(f"DELETE FROM {name} WHERE {of}", courses)
            if not self._rewrite():
                raise RequestError(*problem_and_remedy("disk.still_read", {"path": str(self.path)}))
        self._seen = None
        learnt = {"learnt_by": [one["model"] for one in models], "models": models}
        return {"courses": len(courses), "promises": promises, **learnt}

    # false where another program still reads the file as it was
    def _rewrite(self) -> bool:
        with told(self.path):
            self.book.execute(JOURNAL_IN).fetchall()  # or both would take room at once
            self.book.execute("VACUUM")
            return not self.book.execute(JOURNAL_IN).fetchone()[0]

    def backup(self, path: str | os.PathLike[str]) -> None:
        """Copy the book to a file while it is in use; RequestError where another would be lost."""
        target = Path(path)
        if target.with_name(f"{target.name}-wal").exists():
            raise RequestError(*problem_and_remedy("disk.in_use", {"path": str(target)}))
        ours = APPLICATION_ID.to_bytes(4, "big")
        check_not_lost(target, what="a_daybook", known=lambda content: content[ID_AT:][:4] == ours)
        beside = target.absolute().parent / f".{target.name}.{token_hex(4)}.part"
        try:
            with told(target), closing(sqlite3.connect(beside)) as copy:
                self.book.backup(copy)
                copy.execute("PRAGMA journal_mode = DELETE")
            os.replace(beside, target)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
