"""Of which sessions the result is known, and the part of a log that something rests on."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log.outcome_log import OutcomeLog
    from forecast.survival import Durations

# With so many courses the coverage of an interval is known to less than a percentage point. On
# simulated logs the model chosen was the same as on twice as many, or one that predicts 0.001
# log points a session worse, the simpler of two that are hard to tell apart.
MOST_TO_CHECK = 5_000


def judged_sessions(log: OutcomeLog) -> npt.NDArray[np.int64]:
    """Return how many of the sessions given here have a known result, one number per course.

    What a session did is seen at the next visit, which a running course has not had. Unless it
    was graded after its last session, that session counts for nothing yet: as "not cleared" it
    would make every forecast too long, most of all in a young clinic, where many courses run.
    """
    courses = log.courses
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    waiting = (courses["outcome"] == "ongoing").to_numpy()
    if waiting.any() and len(log.gradings):
        running = courses.loc[waiting, ["course_id"]].assign(given=given[waiting])
        graded = log.gradings.loc[
            log.gradings["course_id"].isin(running["course_id"]), ["course_id", "after_session"]
        ]
        last = graded.groupby("course_id")["after_session"].max()
        seen = running["course_id"].map(last).to_numpy(dtype=np.float64)
        waiting[waiting] = ~(seen >= given[waiting])
    return given - waiting


def is_judged(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows of ``course_rows`` have a session here whose result is known."""
    known: npt.NDArray[np.bool_] = (rows["step"] > rows["entry"]).to_numpy()
    return known


def judged_part(log: OutcomeLog, rows: pd.DataFrame) -> tuple[OutcomeLog, pd.DataFrame]:
    """Return the log and its model rows without the courses of which no result is known yet."""
    judged = is_judged(rows)
    if judged.all():
        return log, rows
    return _part_of(log, np.flatnonzero(judged)), rows[judged].reset_index(drop=True)


def some_clients(
    log: OutcomeLog, rows: pd.DataFrame, durations: Durations, *, seed: int
) -> tuple[OutcomeLog, pd.DataFrame, Durations]:
    """Return the log, its model rows and durations, of clients drawn until there are enough.

    Whole clients are drawn, up to `MOST_TO_CHECK` courses; a smaller log comes back as it is.
    """
    if len(rows) <= MOST_TO_CHECK:
        return log, rows, durations
    clients, of_row = np.unique(rows["client_id"].to_numpy().astype(str), return_inverse=True)
    place = np.random.default_rng([seed, 11]).permutation(len(clients))
    courses = np.bincount(of_row)
    taken = np.cumsum(courses[place]) <= MOST_TO_CHECK
    chosen = np.zeros(len(clients), dtype=bool)
    chosen[place[taken]] = True
    keep = np.flatnonzero(chosen[of_row])
    return _part_of(log, keep), rows.iloc[keep].reset_index(drop=True), durations.take(keep)


def folds_for(n_courses: int) -> tuple[int, int]:
    """Return how many folds the courses are put into, and how often.

    Repeats take away the chance in who comes into which fold. Among as many courses as are
    checked of a very large log there is little of it.
    """
    return (10, 2) if n_courses <= MOST_TO_CHECK else (5, 1)


def _part_of(log: OutcomeLog, places: npt.NDArray[np.int64]) -> OutcomeLog:
    courses = log.courses.iloc[places].reset_index(drop=True)
    ids = courses["course_id"]
    return replace(
        log,
        courses=courses,
        sessions=_of_courses(log.sessions, ids),
        gradings=_of_courses(log.gradings, ids),
        reactions=_of_courses(log.reactions, ids),
    )


def _of_courses(table: pd.DataFrame, ids: pd.Series[str]) -> pd.DataFrame:
    return table[table["course_id"].isin(ids)].reset_index(drop=True)
