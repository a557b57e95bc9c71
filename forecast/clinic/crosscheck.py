"""Rules between rows and tables: what cannot be used is set aside, what contradicts is flagged.

A row is set aside when there is no telling what it belongs to: a repeated id, a session of no
course, a grading after a session that was not given. Everything else that cannot be true
(dates out of order, a gap in the numbers, two lasers' worth of regimes) leaves the row usable.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from forecast.clinic.cleaning import CleanTable
from forecast.clinic.contradictions import flag_contradictions
from forecast.clinic.courses import FOREIGN_KEYS, KEYS
from forecast.clinic.tolerance import CASE

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["cross_check"]

SAME_TATTOO = ["client_id", "body_site", "started_on", "inks", "tattoo_id", "half"]


def cross_check(tables: Mapping[str, CleanTable], *, cleared_at: float) -> None:
    """Apply the rules between rows and tables, in place."""
    courses = tables["courses"]
    for name in FOREIGN_KEYS:
        if name in tables:
            _align_ids(tables[name], courses)
    for table in tables.values():
        _set_aside_repeats(table)
    _set_aside_copies(courses)
    for name in FOREIGN_KEYS:
        if name in tables:
            _set_aside_orphans(tables[name], courses)
            _set_aside_beyond(tables[name], courses)
    flag_contradictions(tables, cleared_at=cleared_at)


def _align_ids(table: CleanTable, courses: CleanTable) -> None:
    """Read an unknown course_id as the one course whose id differs in case or spaces only."""
    ids = table.frame["course_id"]
    unknown = ids[~ids.isin(courses.known_ids)]
    if unknown.empty:
        return
    spelled: dict[str, list[str]] = {}
    for known in courses.known_ids:
        spelled.setdefault(_bare(known), []).append(known)
    found = unknown.map(lambda given: spelled.get(_bare(given), []))
    certain = found[found.map(len) == 1].map(lambda known: known[0])
    if len(certain):
        table.frame = table.frame.assign(
            course_id=ids.where(~ids.index.isin(certain.index), certain)
        )
        row = certain.index[0]
        table.tolerate("course_id", CASE, len(certain), int(row), unknown[row], certain[row])


def _bare(text: str) -> str:
    return "".join(text.lower().split())


def _set_aside_repeats(table: CleanTable) -> None:
    """Set aside exact copies of a row, and rows that share a key but differ."""
    columns = list(table.frame.columns)
    key = list(KEYS.get(table.name, columns))
    if not table.frame.duplicated(key).any():
        return
    table.refuse(
        table.frame.duplicated(columns),
        key[0],
        "each row once",
        f"Delete this copy: row {{}} says the same in every column of {table.name}.",
        other=_first_like(table.frame, columns),
    )
    named = " and ".join(key)
    table.refuse(
        table.frame.duplicated(key, keep=False),
        key[-1],
        f"one row for each {named}",
        f"Keep the right row, or correct {named} in the other: row {{}} has the same.",
        other=_another_like(table.frame, key),
    )


def _set_aside_copies(courses: CleanTable) -> None:
    """Find the same tattoo entered under two course ids; a true copy counts once."""
    if not courses.frame.duplicated(SAME_TATTOO).any():
        return
    everything = [name for name in courses.frame.columns if name != "course_id"]
    courses.refuse(
        courses.frame.duplicated(everything),
        "course_id",
        "each tattoo once",
        "Delete this course: row {} is the same in all but its id. Two tattoos that are alike "
        "need a tattoo_id each.",
        other=_first_like(courses.frame, everything),
    )
    courses.flag(
        courses.frame.duplicated(SAME_TATTOO, keep=False),
        "course_id",
        "each tattoo once: same client, site, start and inks",
        "Delete one if it is the same tattoo as in row {}; two tattoos need a tattoo_id each.",
        other=_another_like(courses.frame, SAME_TATTOO),
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
    orphans = ~table.frame["course_id"].isin(courses.frame["course_id"])
    if not orphans.any():
        return
    withheld = table.frame["course_id"].isin(courses.known_ids)
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
    given = courses.frame.set_index("course_id")["sessions_given"]
    table.refuse(
        table.frame[number] > table.frame["course_id"].map(given),
        number,
        "no more than the course's sessions_given",
        f"Correct {number}, or sessions_given in table courses.",
    )
