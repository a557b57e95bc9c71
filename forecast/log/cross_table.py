"""Rules between rows and tables: what belongs nowhere is set aside, what contradicts is flagged.

Rows that cannot count, such as copies or sessions of no course, are set aside. What cannot be
true of rows that are used all the same is flagged: gradings above 100 percent count as 100, or not.
What a cell says by itself was judged before, in ``cleaning``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import IntArray
from forecast.log.cells import CASE, Ids, in_fractions, rule_of
from forecast.log.cleaning import CleanTable
from forecast.log.columns import KEYS, OF_COURSES, column

if TYPE_CHECKING:
    import pandas as pd

# What a log holds has happened; a date to come is a slip of the pen, and would move "now".
HAPPENED = {"courses": "started_on", "sessions": "treated_on", "gradings": "graded_on"}
ONE_DAY = timedelta(days=1)  # between two ends of the world
SAME_TATTOO = ["client_id", "body_site", "started_on", "inks", "tattoo_id", "half"]
# Rows that repeat another agree in these at least; they are told apart quickly.
NARROW = KEYS | dict.fromkeys(("gradings", "reactions"), ("course_id", "after_session"))
ENOUGH = 20  # dates of a table, before one can be far from the others
FAR_DAYS = 731
ALL_GONE = 100.0  # percent faded
MOST_STEPS = 1_000  # more than a course has sessions
MOST_GENEROUS = 110.0  # beyond it no eye was generous: what was meant is not known


def cross_check(tables: Mapping[str, CleanTable], *, cleared_at: float, today: date) -> None:
    """Apply the rules between rows and tables, in place."""
    courses = tables["courses"]
    of_courses = [tables[name] for name in OF_COURSES if name in tables]
    for table in of_courses:
        _align_ids(table, courses)
    for name, day in HAPPENED.items():
        if name in tables:
            to_come = tables[name].frame[day] > np.datetime64(today + ONE_DAY)
            tables[name].refuse(to_come, day, f"future_{name}", None, {"today": str(today)})
    for table in tables.values():
        _set_aside_repeats(table)
    _set_aside_copies(courses)
    for table in of_courses:
        _set_aside_orphans(table, courses)
    _flag_contradictions(tables, cleared_at=cleared_at)


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
        codes = table.codes("course_id")
        rows = np.flatnonzero(np.isin(codes, list(certain)))
        if len(rows):
            written = table.frame["course_id"].to_numpy(copy=True)
            first = written[rows[0]]
            written[rows] = known[[certain[code] for code in codes[rows].tolist()]]
            table.frame = table.frame.assign(course_id=written)
            where = int(table.frame.index[rows[0]])
            table.tolerate("course_id", CASE, len(rows), where, first, written[rows[0]])
        place[list(certain)] = list(certain.values())
    left = np.flatnonzero(place < 0)
    place[left] = np.arange(len(known), len(known) + len(left))
    distinct = np.append(known, own.distinct[left])
    table.ids["course_id"] = Ids(distinct, np.append(place, -1)[own.codes])


def _bare(text: str) -> str:
    return "".join(text.lower().split())


def _set_aside_repeats(table: CleanTable) -> None:
    columns = list(table.frame.columns)
    key = list(KEYS.get(table.name, columns))
    alike = table.frame[_repeated(table, NARROW[table.name])]
    if alike.duplicated(key).any():
        copies, first = alike.duplicated(columns), _another_like(alike, columns)
        table.refuse(_of_all(copies, table), key[0], "once", first, {"table": table.name})
        alike = alike[~copies]
        unlike = _of_all(alike.duplicated(key, keep=False), table)
        table.refuse(unlike, key[-1], "one_row_each", _another_like(alike, key), {"key": key})


def _set_aside_copies(courses: CleanTable) -> None:
    alike = courses.frame[_repeated(courses, ("client_id", "started_on"))]
    if alike.duplicated(SAME_TATTOO).any():
        everything = [name for name in courses.frame.columns if name != "course_id"]
        copies, first = alike.duplicated(everything), _another_like(alike, everything)
        courses.refuse(_of_all(copies, courses), "course_id", "copied_course", first)
        alike = alike[~copies]
        same, other = alike.duplicated(SAME_TATTOO, keep=False), _another_like(alike, SAME_TATTOO)
        courses.flag(_of_all(same, courses), "course_id", "alike_courses", other)


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
    return some.reindex(table.frame.index, fill_value=False)


# the row of another that agrees in a key: the first one, of the first itself the last
def _another_like(frame: pd.DataFrame, key: list[str]) -> pd.Series[Any]:
    rows = frame.index.to_series()
    alike = rows.groupby(frame.groupby(key, dropna=False, sort=False).ngroup())
    first, last = alike.transform("first"), alike.transform("last")
    return last.where(rows == first, first)


# Rows of a course that is not there or not used, and rows beyond its sessions.
def _set_aside_orphans(table: CleanTable, courses: CleanTable) -> None:
    course = table.codes("course_id")
    used = np.zeros(len(table.ids["course_id"].distinct), dtype=bool)
    used[courses.codes("course_id")] = True
    orphans = ~used[course]
    withheld = orphans & (course < len(courses.ids["course_id"].distinct))
    table.refuse(withheld, "course_id", "course_withheld")
    table.refuse(orphans[~withheld], "course_id", "no_such_course")
    number = "session_no" if table.name == "sessions" else "after_session"
    beyond = table.frame[number] > table.of_course(courses, "sessions_given")
    table.refuse(beyond, number, "beyond_given", None, {"number": number})


def _flag_contradictions(tables: Mapping[str, CleanTable], *, cleared_at: float) -> None:
    """List what cannot be true in rows that are used all the same."""
    courses = tables["courses"]
    _within_courses(courses)
    _clients(courses)
    for name, day in HAPPENED.items():
        if name in tables:
            _lonely_dates(tables[name], day)
    if "sessions" in tables:
        _session_order(tables["sessions"], courses)
        if "lasers" in tables:
            _lasers(tables["sessions"], tables["lasers"].frame)
    if "gradings" in tables:
        _grading_dates(tables["gradings"], tables.get("sessions"), courses)
        _percents(tables["gradings"])
        _outcomes(courses, tables["gradings"], cleared_at)


def _within_courses(courses: CleanTable) -> None:
    frame = courses.frame
    unasked = frame["stop_reason"].notna() & (frame["outcome"] != "stopped")
    courses.flag(unasked, "stop_reason", "reason_without_stop")
    older = frame["tattoo_age_years"] > frame["age_years"]
    courses.flag(older, "tattoo_age_years", "tattoo_before_birth")
    courses.flag(frame["enquired_on"] > frame["started_on"], "enquired_on", "enquired_after_start")
    halves = frame[frame["half"].notna()]
    tattoo = halves.groupby("tattoo_id")
    both = tattoo["half"].transform("nunique") == 2
    two = tattoo["half"].transform("size") == 2
    one_client = tattoo["client_id"].transform("nunique") == 1
    courses.flag(_of_all(~(both & two & one_client), courses), "half", "halves")


def _clients(courses: CleanTable) -> None:
    import pandas as pd

    distinct, client = courses.ids["client_id"].distinct, courses.codes("client_id")
    used = pd.unique(client)
    small = pd.Series(distinct[used], used, dtype="string[pyarrow]").str.lower()
    twice = np.zeros(len(distinct), dtype=bool)
    if small.nunique() < len(small):
        twice[small.index[small.duplicated(keep=False)]] = True
    courses.flag(twice[client], "client_id", "two_spellings")
    skin, _ = pd.factorize(courses.frame["skin_type"])
    last, differs = np.full(len(distinct), -1), np.zeros(len(distinct), dtype=bool)
    last[client[skin >= 0]] = skin[skin >= 0]
    differs[client[(skin >= 0) & (skin != last[client])]] = True
    courses.flag(differs[client], "skin_type", "two_skin_types")


def _lonely_dates(table: CleanTable, column: str) -> None:
    """Flag dates far from nearly all others, such as 2052 for 2025."""
    dates = table.frame[column].to_numpy()
    known = dates[~np.isnat(dates)]
    if len(known) < ENOUGH:
        return
    ends = [math.ceil(0.01 * (len(known) - 1)), math.floor(0.99 * (len(known) - 1))]
    # as whole numbers: dates are put in order many times more slowly
    early, late = np.partition(known.view(np.int64), ends)[ends].view(known.dtype)
    far = np.timedelta64(FAR_DAYS, "D")
    table.flag((dates < early - far) | (dates > late + far), column, "lonely_date")


def _session_order(sessions: CleanTable, courses: CleanTable) -> None:
    course, number = sessions.codes("course_id"), sessions.frame["session_no"].to_numpy()
    order = np.argsort(_steps(sessions, "session_no"), kind="stable")
    before = np.full(len(order), -1)  # the row of the session before, -1 for the first
    before[order[1:]] = np.where(course[order[1:]] == course[order[:-1]], order[:-1], -1)
    later, last = before >= 0, np.where(before >= 0, number[before], 0)
    sessions.flag(number - last > 1, "session_no", "gap_in_numbers")
    parts = number == last
    n_courses = len(courses.ids["course_id"].distinct)
    counted = np.bincount(course[~parts], minlength=n_courses)
    other = courses.frame["sessions_given"] != counted[courses.codes("course_id")]
    courses.flag(other, "sessions_given", "sessions_not_listed")
    day = sessions.frame["treated_on"].to_numpy()
    then = day[before]
    sessions.flag(later & ~parts & (day <= then), "treated_on", "session_not_later")
    sessions.flag(parts & (day != then), "treated_on", "parts_on_days")
    early = day < sessions.of_course(courses, "started_on")
    sessions.flag(early, "treated_on", "session_before_start")


def _lasers(sessions: CleanTable, lasers: pd.DataFrame) -> None:
    if lasers.empty:
        return
    import pandas as pd

    frame, named = sessions.frame, lasers.set_index("laser_id")
    laser = sessions.codes("laser_id")
    own = named.index.get_indexer(pd.Index(sessions.ids["laser_id"].distinct, dtype=object))
    place = np.append(own, -1)[laser]
    known, theirs = place >= 0, {name: named[name].to_numpy()[place] for name in named}
    sessions.flag((laser >= 0) & ~known, "laser_id", "no_such_laser")
    sessions.flag(known & (theirs["regime"] != frame["regime"]), "regime", "regime_of_laser")
    sessions.flag(
        known & (frame["treated_on"] < theirs["in_use_from"]), "treated_on", "laser_not_there_yet"
    )
    used, sets = pd.factorize(frame["wavelengths_nm"])
    foreign = np.zeros((len(sets) + 1, len(named) + 1), dtype=bool)  # the last are of none
    for one, laser in np.ndindex(len(sets), len(named)):
        offered = str(named["wavelengths_nm"].iloc[laser]).split(";")
        foreign[one, laser] = not {*str(sets[one]).split(";")} <= {*offered}
    sessions.flag(foreign[used, place], "wavelengths_nm", "wavelength_of_laser")


def _grading_dates(gradings: CleanTable, sessions: CleanTable | None, courses: CleanTable) -> None:
    import pandas as pd

    frame, step = gradings.frame, _steps(gradings, "after_session")
    started = gradings.of_course(courses, "started_on")
    before = (frame["graded_on"] < started) & (frame["after_session"] > 0)
    after = pd.Series(False, frame.index)
    if sessions is not None and len(sessions.frame):
        steps, days = _steps(sessions, "session_no"), sessions.frame["treated_on"].to_numpy()
        before |= frame["graded_on"] < _looked_up(steps, days, step, frame.index)
        after |= frame["graded_on"] > _looked_up(steps, days, step + 1, frame.index)
    gradings.flag(before, "graded_on", "grading_before_session")
    gradings.flag(after, "graded_on", "grading_after_next")


def _steps(table: CleanTable, number: str) -> IntArray:
    """Return one number for the course and the session of each row."""
    return np.asarray(table.codes("course_id") * MOST_STEPS + table.frame[number].to_numpy())


def _looked_up(
    keys: IntArray, values: npt.NDArray[Any], wanted: IntArray, index: pd.Index[Any]
) -> pd.Series[Any]:
    """Return the value of the first row with each key wanted, missing where there is none."""
    import pandas as pd

    known, first = np.unique(keys, return_index=True)
    at = np.minimum(np.searchsorted(known, wanted), len(known) - 1)
    return pd.Series(values[first[at]], index).where(known[at] == wanted)


# Percents that fall from one session to the next, that are fractions, or more than all there is.
def _percents(gradings: CleanTable) -> None:
    frame, step = gradings.frame, _steps(gradings, "after_session")
    faded = frame["fading_pct"]
    known, possible = faded <= MOST_GENEROUS, faded <= ALL_GONE
    if known.any():
        steps, of = np.unique(step[known], return_inverse=True)
        lowest = np.full(len(steps), np.inf)
        np.minimum.at(lowest, of, faded[known])
        before = np.full(len(steps), np.nan)
        same = np.flatnonzero(np.diff(steps // MOST_STEPS) == 0)
        before[same + 1] = lowest[same]
        then = _looked_up(steps, before, step, frame.index)
        gradings.flag(then.clip(upper=ALL_GONE) > faded, "fading_pct", "falls", then)
    if in_fractions([faded[possible].max()]):
        gradings.flag((faded > 0) & possible, "fading_pct", "fractions")
    allowed = {"rule": rule_of(column("gradings", "fading_pct"))}
    slips = {**allowed, "counts_as": ALL_GONE}
    gradings.flag(known & ~possible, "fading_pct", "above", None, slips)
    gradings.flag(faded > MOST_GENEROUS, "fading_pct", "far_above", None, allowed)


def _outcomes(courses: CleanTable, gradings: CleanTable, cleared_at: float) -> None:
    """Flag outcomes that the last gradings contradict; gradings never change an outcome."""
    known = (gradings.frame["fading_pct"] <= MOST_GENEROUS).to_numpy()
    course = gradings.codes("course_id")[known]
    number = gradings.frame["after_session"].to_numpy()[known]
    faded = gradings.frame["fading_pct"].clip(upper=ALL_GONE).to_numpy()[known]
    last = np.full(len(gradings.ids["course_id"].distinct), -1)
    np.maximum.at(last, course, number)
    best, worst = np.full(len(last), -np.inf), np.full(len(last), np.inf)
    at_end = number == last[course]
    np.maximum.at(best, course[at_end], faded[at_end])
    np.minimum.at(worst, course[at_end], faded[at_end])
    own = courses.codes("course_id")
    graded, cleared = last[own] >= 0, courses.frame["outcome"] == "cleared"
    stated = {"cleared_at": cleared_at}
    low, high = best[own] < cleared_at, worst[own] >= cleared_at
    courses.flag(cleared & graded & low, "outcome", "cleared_below", None, stated)
    courses.flag(~cleared & graded & high, "outcome", "not_cleared_above", None, stated)
