"""A part of a very large log, by client: enough to choose a model, check it, compare strategies."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.clinic.judged import is_judged

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog
    from forecast.survival import Durations

__all__ = ["MOST_TO_CHECK", "folds_for", "judged_part", "some_clients"]

# With so many courses the coverage of an interval is known to less than a percentage point. On
# simulated logs the model chosen was the same as on twice as many, or one that predicts 0.001
# log points a session worse, the simpler of two that are hard to tell apart.
MOST_TO_CHECK = 5_000


def folds_for(n_courses: int) -> tuple[int, int]:
    """Return how many folds the courses are put into, and how often.

    Repeats take away the chance in who comes into which fold. Among as many courses as are
    checked of a very large log there is little of it.
    """
    return (10, 2) if n_courses <= MOST_TO_CHECK else (5, 1)


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
    return part_of(log, keep), rows.iloc[keep].reset_index(drop=True), durations.take(keep)


def judged_part(log: OutcomeLog, rows: pd.DataFrame) -> tuple[OutcomeLog, pd.DataFrame]:
    """Return the log and its model rows without the courses of which no result is known yet."""
    judged = is_judged(rows)
    if judged.all():
        return log, rows
    return part_of(log, np.flatnonzero(judged)), rows[judged].reset_index(drop=True)


def part_of(log: OutcomeLog, places: npt.NDArray[np.int64]) -> OutcomeLog:
    """Return the log of the courses at some places."""
    courses = log.courses.iloc[places].reset_index(drop=True)
    ids = courses["course_id"]
    return replace(
        log,
        courses=courses,
        sessions=of_courses(log.sessions, ids),
        gradings=of_courses(log.gradings, ids),
        reactions=of_courses(log.reactions, ids),
    )


def of_courses(table: pd.DataFrame, ids: pd.Series[str]) -> pd.DataFrame:
    """Return the rows of a table that belong to some courses."""
    return table[table["course_id"].isin(ids)].reset_index(drop=True)
