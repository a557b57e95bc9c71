"""A clinic's daybook: promises kept, sessions written down, courses ended; nothing written over."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from pathlib import Path
from secrets import token_hex
from threading import RLock
from typing import TYPE_CHECKING, Any

from forecast._files import check_not_lost
from forecast._notes import Note
from forecast.daybook.course import (
    ChangedError,
    Course,
    MisfitError,
    Visit,
    check_code,
    check_day,
    checked_visit,
)
from forecast.daybook.promises import Promise
from forecast.log import (
    ALL_TABLES,
    APPLICATION_ID,
    column_names,
    guards,
    make_file,
    opened,
    told,
)

if TYPE_CHECKING:
    from types import TracebackType

FOUND = "NOT withdrawn AND NOT EXISTS (SELECT 1 FROM {0} WHERE replaces = one.row)"
OF_COURSE = tuple(name for name in ALL_TABLES if name != "lasers")
LATELY = timedelta(days=200)  # since their last entry: courses that are offered to be opened
ID_AT = 68  # bytes of an SQLite file before its application id


def make_daybook(path: str | os.PathLike[str]) -> Daybook:
    """Return a new, empty daybook at a place that is still free."""
    make_file(Path(path))
    return Daybook(path)


class Daybook:
    """A daybook that is open for writing; several programs may have it open at once.

    Parameters
    ----------
    path : str or path
        An SQLite file that ``forecast daybook`` made.

    Raises
    ------
    DataError
        If there is none, or it cannot be used; see `forecast.log.opened`.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self.book = opened(self.path, write=True)
        self._lock = RLock()

    def __enter__(self) -> Daybook:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.book.close()

    def _all(self, asked: str, *given: Any) -> list[dict[str, Any]]:
        with self._lock, told(self.path):
            found = self.book.execute(asked, given)
            names = [one[0] for one in found.description]
            return [dict(zip(names, row, strict=True)) for row in found]

    def _current(self, table: str, course_id: str) -> list[dict[str, Any]]:
        names = ", ".join(column_names(table))
        now = FOUND.format(table)
        asked = (
            f"SELECT row, {names} FROM {table} AS one WHERE course_id = ? AND {now} ORDER BY row"
        )
        return self._all(asked, course_id)

    def about(self) -> dict[str, str]:
        """Return what the book says of itself: ``cleared_at``, ``cleared_judged``."""
        return {one["name"]: one["value"] for one in self._all("SELECT * FROM about")}

    def state(self, said: Mapping[str, str]) -> None:
        """Keep what the book says of itself."""
        with self._lock, told(self.path):
            for name, value in said.items():
                self.book.execute("INSERT OR REPLACE INTO about VALUES (?, ?)", (name, value))

    def last_entry(self) -> int:
        """Return the number of the last entry, 0 in an empty book."""
        return int(self._all("SELECT max(entry) AS n FROM entries")[0]["n"] or 0)

    def find(self, text: str) -> list[str]:
        """Return the courses that a promise's number, a course's code or a pseudonym means.

        Raises
        ------
        MisfitError
            If there is none.
        """
        given = " ".join(text.split())
        by_number = "SELECT course_id FROM promises_now WHERE promise_no = ?"
        found = self._all(by_number, int(given)) if given.isdecimal() and len(given) < 9 else []
        by_code = "SELECT course_id FROM known WHERE course_id = ? OR client_id = ? ORDER BY 1"
        found = found or self._all(by_code, given, given)
        if not found:
            raise MisfitError("code", Note("daybook.not_found"))
        return list(dict.fromkeys(str(one["course_id"]) for one in found))

    def lately(self, most: int = 40) -> list[str]:
        """Return the courses under way that were entered to of late, the last one first."""
        since = (datetime.now() - LATELY).isoformat()
        found = self._all(
            "SELECT course_id, max(entry) AS last FROM entries WHERE course_id IS NOT NULL AND "
            "entered_at > ? GROUP BY course_id ORDER BY last DESC LIMIT ?",
            since, 3 * most,
        )  # fmt: skip
        running = (one["course_id"] for one in found)
        ended = {
            one["course_id"]
            for one in self._all("SELECT course_id FROM courses_now WHERE outcome != 'ongoing'")
        }
        return [one for one in running if one not in ended][:most]

    def lasers(self) -> list[dict[str, Any]]:
        """Return the clinic's lasers."""
        return self._all("SELECT * FROM lasers_now")

    def course(self, course_id: str) -> Course:
        """Return a course as it stands.

        Raises
        ------
        MisfitError
            If there is none of that code.
        """
        with self._lock:
            known = self._all("SELECT client_id FROM known WHERE course_id = ?", course_id)
            if not known:
                raise MisfitError("code", Note("daybook.not_found"))
            of = {name: self._current(name, course_id) for name in OF_COURSE}
            where = f"Promise of course {course_id} in {self.path}"
            return Course(
                course_id=course_id,
                client_id=known[0]["client_id"],
                version=self._version(course_id),
                row=of["courses"][0] if of["courses"] else None,
                sessions=tuple(of["sessions"]),
                gradings=tuple(of["gradings"]),
                reactions=tuple(of["reactions"]),
                promises=tuple(Promise.of_row(row, where) for row in of["promises"]),
            )

    def promise(self, number: int) -> Promise:
        """Return the promise of that number, or raise MisfitError."""
        found = self._all("SELECT * FROM promises_now WHERE promise_no = ?", number)
        if not found:
            raise MisfitError("promise", Note("daybook.no_promise", values={"n": number}))
        return Promise.of_row(found[0], f"Promise {number} in {self.path}")

    def _version(self, course_id: str) -> int:
        asked = "SELECT max(entry) AS n FROM entries WHERE course_id = ?"
        return int(self._all(asked, course_id)[0]["n"] or 0)

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
                    know = "INSERT OR IGNORE INTO known VALUES (?, ?)"
                    self.book.execute(know, (course_id, client_id))
                now = datetime.now().astimezone().isoformat(timespec="seconds")
                cells = (course_id, what, now, by, undoes)
                made = self.book.execute(
                    "INSERT INTO entries (course_id, what, entered_at, entered_by, undoes) "
                    "VALUES (?, ?, ?, ?, ?)",
                    cells,
                )
                yield int(made.lastrowid or 0)
                self.book.execute("COMMIT")
            except BaseException:
                with suppress(sqlite3.Error):
                    self.book.execute("ROLLBACK")
                raise

    def put(
        self,
        table: str,
        cells: Mapping[str, Any],
        entry: int,
        *,
        replaces: int | None = None,
        withdrawn: bool = False,
    ) -> None:
        """Write one row within an entry."""
        given = {name: cells[name] for name in column_names(table) if cells.get(name) is not None}
        row = {"entry": entry, "replaces": replaces, "withdrawn": int(withdrawn), **given}
        holes = ", ".join("?" * len(row))
        asked = f"INSERT INTO {table} ({', '.join(row)}) VALUES ({holes})"
        self.book.execute(asked, tuple(row.values()))

    def keep(self, promise: Promise, *, by: str, version: int | None = None) -> Promise:
        """Keep a promise and return it with its number.

        Without a course it speaks of a new one, which gets a code made from the client's.
        """
        client = check_code(promise.client_id, "client_id")
        by = check_code(by, "by")
        known = "SELECT client_id FROM known WHERE course_id = ?"
        if any(one["client_id"] != client for one in self._all(known, promise.course_id)):
            raise MisfitError("client_id", Note("daybook.other_client"))
        course = promise.course_id or None
        with self.entry("promise", by, course, version=version, client_id=client) as entry:
            top = self.book.execute("SELECT max(promise_no) FROM promises").fetchone()[0]
            asked = "SELECT course_id FROM entries WHERE entry = ?"
            course = self.book.execute(asked, (entry,)).fetchone()[0]
            kept = replace(promise, promise_no=(top or 0) + 1, course_id=course, client_id=client)
            self.put("promises", kept.cells(), entry)
        return kept

    def _new_code(self, client: str) -> str:
        taken = {one["course_id"] for one in self._all("SELECT course_id FROM known")}
        number = 1
        while f"{client}-{number}" in taken:
            number += 1
        return f"{client}-{number}"

    def write_session(
        self, course_id: str, visit: Visit, *, version: int, by: str, sure: bool = False
    ) -> Course:
        """Write down a session, with what was graded and seen before it, and return the course.

        Raises
        ------
        MisfitError
            If it does not fit the course: dated before the last session or in the future, the
            course has ended, or nothing is known of the tattoo.
        ChangedError
            If somebody else has written to the course since ``version``.
        """
        by = check_code(by, "by")
        given = checked_visit(visit)
        before = self.course(course_id)
        check_day(before, visit.treated_on, "treated_on")
        if before.outcome != "ongoing":
            raise MisfitError("treated_on", Note("daybook.has_ended"))
        if before.done and visit.reaction is None and visit.severity:
            raise MisfitError("reaction", Note("daybook.which_reaction"))
        if visit.reaction and not before.done:
            raise MisfitError("reaction", Note("daybook.reaction_first"))
        if "fading_pct" in given and not sure:
            self._check_fading(before, given["fading_pct"])
        with self.entry("session", by, course_id, version=version) as entry:
            day, number = visit.treated_on.isoformat(), before.done + 1
            if before.row is None:
                self.put("courses", self._begun(before, day), entry)
            else:
                row = {**before.row, "sessions_given": number}
                self.put("courses", row, entry, replaces=before.row["row"])
            session = {"course_id": course_id, "session_no": number, "treated_on": day}
            self.put("sessions", {**given, **session}, entry)
            seen = {"course_id": course_id, "after_session": before.done, "graded_on": day}
            if visit.fading_pct is not None:
                self.put("gradings", {**given, **seen}, entry)
            if visit.reaction is not None:
                self.put("reactions", {**given, **seen}, entry)
        return self.course(course_id)

    def _begun(self, course: Course, day: str) -> dict[str, Any]:
        first = next(iter(course.promises), None)
        if first is None or first.enquiry is None:
            raise MisfitError("treated_on", Note("daybook.nothing_known"))
        issued = first.issued_on.isoformat()
        return {
            **asdict(first.enquiry), "course_id": course.course_id, "client_id": course.client_id,
            "started_on": day, "goal": first.goal, "sessions_given": 1, "outcome": "ongoing",
            "package": first.package, "enquired_on": issued if issued <= day else None,
        }  # fmt: skip

    def _check_fading(self, course: Course, percent: float) -> None:
        bound = float(self.about().get("cleared_at", 95))
        if percent >= bound and course.goal == "clear":
            values = {"percent": percent, "cleared_at": bound}
            raise MisfitError(
                "fading_pct", Note("daybook.clear_already", values=values), askable=True
            )

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

        Raises
        ------
        MisfitError
            If it has not begun or has ended, a stop has no reason, or the last grading
            contradicts the outcome and nobody says to be ``sure``.
        ChangedError
            If somebody else has written to the course since ``version``.
        """
        by = check_code(by, "by")
        before = self.course(course_id)
        if before.row is None or before.outcome != "ongoing":
            raise MisfitError("outcome", Note("daybook.not_under_way"))
        if outcome not in ("cleared", "lightened", "stopped"):
            raise MisfitError("outcome", Note("daybook.which_outcome"))
        if outcome == "stopped" and not stop_reason:
            raise MisfitError("stop_reason", Note("daybook.which_reason"))
        seen = checked_visit(graded) if graded else {}
        if graded:
            check_day(before, graded.treated_on, "treated_on")
        last = seen.get("fading_pct") or (before.graded[-1][1] if before.graded else None)
        bound = float(self.about().get("cleared_at", 95))
        told_apart = outcome == "cleared" or before.goal == "clear"
        if (
            last is not None
            and not sure
            and told_apart
            and (outcome == "cleared") != (last >= bound)
        ):
            values = {"percent": last, "cleared_at": bound}
            note = Note(f"daybook.contradicts_{outcome}", values=values)
            raise MisfitError("outcome", note, askable=True)
        with self.entry("ended", by, course_id, version=version) as entry:
            reason = stop_reason if outcome == "stopped" else None
            row = {**before.row, "outcome": outcome, "stop_reason": reason}
            self.put("courses", row, entry, replaces=before.row["row"])
            if graded and seen.get("fading_pct") is not None:
                at = {"course_id": course_id, "after_session": before.done}
                day = {"graded_on": graded.treated_on.isoformat()}
                self.put("gradings", {**seen, **at, **day}, entry)
        return self.course(course_id)

    def undo(self, course_id: str, *, version: int, by: str) -> Course:
        """Take back the last entry of a course that still stands; the book keeps both.

        Raises
        ------
        MisfitError
            If nothing is left to be undone.
        ChangedError
            If somebody else has written to the course since ``version``.
        """
        by = check_code(by, "by")
        last = self._all(
            "SELECT max(entry) AS n FROM entries AS one WHERE course_id = ? AND undoes IS NULL AND "
            "NOT EXISTS (SELECT 1 FROM entries WHERE undoes = one.entry)",
            course_id,
        )[0]["n"]
        if last is None:
            raise MisfitError("undo", Note("daybook.nothing_to_undo"))
        with self.entry("undone", by, course_id, version=version, undoes=last) as entry:
            for table in OF_COURSE:
                for row in self._all(f"SELECT * FROM {table} WHERE entry = ?", last):
                    now = self._current(table, course_id) if table == "courses" else [row]
                    was = None
                    if row["replaces"] is not None:
                        was = self._all(f"SELECT * FROM {table} WHERE row = ?", row["replaces"])[0]
                    at = now[0]["row"]
                    self.put(table, was or now[0], entry, replaces=at, withdrawn=was is None)
        return self.course(course_id)

    def history(self, course_id: str, *, since: int = 0) -> list[dict[str, Any]]:
        """Return every entry of a course after one, with the rows written, replaced and undone."""
        rows: dict[int, list[dict[str, Any]]] = {}
        for table in OF_COURSE:
            for row in self._all(f"SELECT * FROM {table} WHERE course_id = ?", course_id):
                rows.setdefault(row["entry"], []).append({"table": table, **row})
        asked = (
            "SELECT entry, what, entered_at AS at, entered_by AS 'by', undoes FROM entries "
            "WHERE entry > ? AND (course_id = ? OR entry IN "
            f"({', '.join(map(str, rows)) or 'NULL'})) ORDER BY entry"
        )
        found = self._all(asked, since, course_id)
        return [{**one, "rows": rows.get(one["entry"], [])} for one in found]

    def learnt(self, model: str) -> None:
        """Keep that a model was learnt from the book as it now is."""
        with self._lock, told(self.path):
            now = datetime.now().astimezone().isoformat(timespec="seconds")
            cells = (model, now, self.last_entry())
            self.book.execute("INSERT OR REPLACE INTO models VALUES (?, ?, ?)", cells)

    def forget(self, client_id: str, *, by: str) -> dict[str, Any]:
        """Take all rows and promises of a client out of the file for good.

        What stays is an entry that somebody was forgotten, without a code. Returned is how many
        courses and promises went, and the fingerprints of the models that knew them.

        Raises
        ------
        MisfitError
            If no client has that pseudonym.
        """
        by = check_code(by, "by")
        known = self._all("SELECT course_id FROM known WHERE client_id = ?", client_id)
        if not known:
            raise MisfitError("client_id", Note("daybook.no_client"))
        courses = [one["course_id"] for one in known]
        of = f"course_id IN ({', '.join('?' * len(courses))})"
        counts = self._all(f"SELECT count(*) AS n FROM promises WHERE {of}", *courses)
        first = min(
            (
                self._all(f"SELECT min(entry) AS n FROM {table} WHERE {of}", *courses)[0]["n"]
                or 2**62
            )
            for table in OF_COURSE
        )
        learnt = "SELECT model FROM models WHERE entry >= ?"
        models = {str(one["model"]) for one in self._all(learnt, first)}
        told_by = f"SELECT model FROM promises WHERE {of} AND model IS NOT NULL"
        spoke = {str(one["model"]) for one in self._all(told_by, *courses)} - models
        with self._lock, told(self.path):
            with self.entry("forgotten", by):
                for name in (*ALL_TABLES, "entries"):
                    for event in ("UPDATE", "DELETE"):
                        self.book.execute(f"DROP TRIGGER {name}_{event}")
                for name in OF_COURSE:
                    self.book.execute(f"DELETE FROM {name} WHERE {of}", courses)
                for name in ("entries", "known"):
                    self.book.execute(f"DELETE FROM {name} WHERE {of}", courses)
                for guard in guards():
                    self.book.execute(guard)
            self.book.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self.book.execute("VACUUM")
            self.book.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return {
            "courses": len(courses),
            "promises": counts[0]["n"],
            "learnt_by": sorted(models),
            "spoken_to_by": sorted(spoke),
        }

    def backup(self, path: str | os.PathLike[str]) -> None:
        """Copy the book to a file while it is in use; what others write goes on.

        Raises
        ------
        RequestError
            If ``path`` has a file that is no daybook: it would be lost.
        """
        target = Path(path)
        check_not_lost(target, what="a daybook", known=_is_daybook)
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


def _is_daybook(content: bytes) -> bool:
    return content[ID_AT : ID_AT + 4] == APPLICATION_ID.to_bytes(4, "big")
