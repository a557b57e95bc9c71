"""Rules between rows and tables: what cannot be used is set aside, what contradicts is flagged.

A row is set aside when there is no telling what it belongs to: a repeated id, a session of no
course, a grading after a session that was not given. Everything else that cannot be true
(dates out of order, a gap in the numbers, two lasers' worth of regimes) leaves the row usable.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.clinic.cells import Ids
from forecast.clinic.cleaning import CleanTable, of_course
from forecast.clinic.contradictions import flag_contradictions
from forecast.clinic.courses import FOREIGN_KEYS, KEYS
from forecast.clinic.tolerance import CASE

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["cross_check"]

# What a log holds has happened; a date to come is a slip of the pen, and would move "now".
HAPPENED = {
    "courses": ("started_on", "a course that is only booked is logged from its first session on"),
    "sessions": ("treated_on", "a session that is only booked is logged once it was given"),
    "gradings": ("graded_on", "a grading is logged once it was made"),
}
ONE_DAY = timedelta(days=1)  # between two ends of the world
SAME_TATTOO = ["client_id", "body_site", "started_on", "inks", "tattoo_id", "half"]
# Rows that repeat another agree in these at least; they are told apart quickly.
NARROW = {
    "courses": ("course_id",),
    "sessions": ("course_id", "session_no"),
    "gradings": ("course_id", "after_session"),
    "reactions": ("course_id", "after_session"),
    "lasers": ("laser_id",),
}


def cross_check(tables: Mapping[str, CleanTable], *, cleared_at: float, today: date) -> None:
    """Apply the rules between rows and tables, in place."""
    courses = tables["courses"]
    for name in FOREIGN_KEYS:
        if name in tables:
            _align_ids(tables[name], courses)
    for name, (column, otherwise) in HAPPENED.items():
        if name in tables:
            _set_aside_future(tables[name], column, otherwise, today)
    for table in tables.values():
        _set_aside_repeats(table)
    _set_aside_copies(courses)
    for name in FOREIGN_KEYS:
        if name in tables:
            _set_aside_orphans(tables[name], courses)
            _set_aside_beyond(tables[name], courses)
    flag_contradictions(tables, cleared_at=cleared_at)


def _set_aside_future(table: CleanTable, column: str, otherwise: str, today: date) -> None:
    """Set aside rows about what has not happened yet."""
    table.refuse(
        table.frame[column] > np.datetime64(today + ONE_DAY),
        column,
        "a date that has come",
        f"Correct the year or the day (the log was read on {today}); {otherwise}.",
    )


def _align_ids(table: CleanTable, courses: CleanTable) -> None:
    """Give the ids of a table the numbers they have in courses, the unknown ones those after.

    An unknown id is read as the one course whose id differs in case or spaces only.
    """
    import pandas as pd

    known, own = courses.ids["course_id"].distinct, table.ids["course_id"]
    place = pd.Index(known, dtype=object).get_indexer(pd.Index(own.distinct, dtype=object))
    unknown = np.flatnonzero(place < 0)
    if len(unknown):
        spelled: dict[str, list[int]] = {}
        for number, text in enumerate(known):
            spelled.setdefault(_bare(text), []).append(number)
        alike = {code: spelled.get(_bare(own.distinct[code]), []) for code in unknown.tolist()}
        certain = {code: found[0] for code, found in alike.items() if len(found) == 1}
        _respell(table, certain, known)
        place[list(certain)] = list(certain.values())
    left = np.flatnonzero(place < 0)
    place[left] = np.arange(len(known), len(known) + len(left))
    distinct = np.append(known, own.distinct[left])
    table.ids["course_id"] = Ids(distinct, np.append(place, -1)[own.codes])


def _respell(table: CleanTable, certain: dict[int, int], known: npt.NDArray[np.object_]) -> None:
    """Write the ids of some codes as those of courses, and list it."""
    codes = table.codes("course_id")
    rows = np.flatnonzero(np.isin(codes, list(certain)))
    if len(rows):
        written = table.frame["course_id"].to_numpy(copy=True)
        first = written[rows[0]]
        written[rows] = known[[certain[code] for code in codes[rows].tolist()]]
        table.frame = table.frame.assign(course_id=written)
        where = int(table.frame.index[rows[0]])
        table.tolerate("course_id", CASE, len(rows), where, first, written[rows[0]])


def _bare(text: str) -> str:
    return "".join(text.lower().split())


def _set_aside_repeats(table: CleanTable) -> None:
    """Set aside exact copies of a row, and rows that share a key but differ."""
    columns = list(table.frame.columns)
    key = list(KEYS.get(table.name, columns))
    alike = table.frame[_repeated(table, NARROW[table.name])]
    if not alike.duplicated(key).any():
        return
    copies = alike.duplicated(columns)
    table.refuse(
        _of_all(copies, table),
        key[0],
        "each row once",
        f"Delete this copy: row {{}} says the same in every column of {table.name}.",
        other=_first_like(alike, columns),
    )
    alike = alike[~copies]
    named = " and ".join(key)
    table.refuse(
        _of_all(alike.duplicated(key, keep=False), table),
        key[-1],
        f"one row for each {named}",
        f"Keep the right row, or correct {named} in the other: row {{}} has the same.",
        other=_another_like(alike, key),
    )


def _repeated(table: CleanTable, columns: tuple[str, ...]) -> npt.NDArray[np.bool_]:
    """Return which rows agree with another in some columns of ids, whole numbers or dates."""
    key = np.zeros(len(table.frame), dtype=np.int64)
    for name in columns:
        if name in table.ids:
            values = table.codes(name).astype(np.int64)
        else:
            values = table.frame[name].to_numpy()
            days = values.dtype.kind == "M"
            values = (values.astype("datetime64[D]") if days else values).astype(np.int64)
        values -= values.min(initial=0)
        span = int(values.max(initial=0)) + 1
        key = key * span + values
    repeated = np.zeros(len(key), dtype=bool)
    if (key[1:] > key[:-1]).all():  # as most files are written
        return repeated
    order = np.argsort(key, kind="stable")
    same = np.diff(key[order]) == 0
    repeated[order[1:]] = same
    repeated[order[:-1]] |= same
    return repeated


def _of_all(some: pd.Series[bool], table: CleanTable) -> pd.Series[bool]:
    """Return a mask of all rows of a table, from one of some of them."""
    return some.reindex(table.frame.index, fill_value=False)


def _set_aside_copies(courses: CleanTable) -> None:
    """Find the same tattoo entered under two course ids; a true copy counts once."""
    alike = courses.frame[_repeated(courses, ("client_id", "started_on"))]
    if not alike.duplicated(SAME_TATTOO).any():
        return
    everything = [name for name in courses.frame.columns if name != "course_id"]
    copies = alike.duplicated(everything)
    courses.refuse(
        _of_all(copies, courses),
        "course_id",
        "each tattoo once",
        "Delete this course: row {} is the same in all but its id. Two tattoos that are alike "
        "need a tattoo_id each.",
        other=_first_like(alike, everything),
    )
    alike = alike[~copies]
    courses.flag(
        _of_all(alike.duplicated(SAME_TATTOO, keep=False), courses),
        "course_id",
        "each tattoo once: same client, site, start and inks",
        "Delete one if it is the same tattoo as in row {}; two tattoos need a tattoo_id each.",
        other=_another_like(alike, SAME_TATTOO),
    )


def _first_like(frame: pd.DataFrame, key: list[str]) -> pd.Series[Any]:
    """Return, for each row, the first row with the same key."""
    rows = frame.index.to_series()
    return rows.groupby(_groups(frame, key)).transform("first")


def _another_like(frame: pd.DataFrame, key: list[str]) -> pd.Series[Any]:
    """Return, for each row, another row with the same key."""
    rows = frame.index.to_series()
    alike = rows.groupby(_groups(frame, key))
    first, last = alike.transform("first"), alike.transform("last")
    return last.where(rows == first, first)


def _groups(frame: pd.DataFrame, key: list[str]) -> pd.Series[Any]:
    return frame.groupby(key, dropna=False, sort=False).ngroup()


def _set_aside_orphans(table: CleanTable, courses: CleanTable) -> None:
    """Set aside rows whose course is unknown, or was set aside itself."""
    import pandas as pd

    number = table.codes("course_id")
    used = np.zeros(len(table.ids["course_id"].distinct), dtype=bool)
    used[courses.codes("course_id")] = True
    orphans = pd.Series(~used[number], table.frame.index)
    if not orphans.any():
        return
    withheld = number < len(courses.ids["course_id"].distinct)
    table.refuse(
        orphans & withheld,
        "course_id",
        "a course whose own row is used",
        "Mend the course's row in table courses; this row then comes with it.",
    )
    table.refuse(
        orphans[table.frame.index],
        "course_id",
        "a course of table courses",
        "Correct the course_id, or add the course to table courses.",
    )


def _set_aside_beyond(table: CleanTable, courses: CleanTable) -> None:
    """Set aside rows that follow, or are, a session that the course did not have."""
    number = "session_no" if table.name == "sessions" else "after_session"
    table.refuse(
        table.frame[number] > of_course(courses, "sessions_given", table),
        number,
        "no more than the course's sessions_given",
        f"Correct {number}, or sessions_given in table courses.",
    )
