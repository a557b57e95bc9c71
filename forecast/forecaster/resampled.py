"""How sure is any number read off a log: the log with its clients drawn anew, again and again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import IntArray, cluster_counts
from forecast._checks import check_level, check_seed, check_whole_number
from forecast._plain import plain
from forecast.errors import ForecastError, RequestError
from forecast.log import OutcomeLog, check_log

if TYPE_CHECKING:
    import pandas as pd

LEAST_CLIENTS = 20  # of fewer, resamples are no measure of how clients differ
IDS = ("course_id", "client_id", "tattoo_id")


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """A statistic of a log, with its interval over resamples of clients.

    Attributes
    ----------
    estimate : float
        Of the log itself.
    interval : tuple of float, or of None
        The middle ``level`` of the resamples; None where clients are fewer than 20, where fewer
        than 9 of 10 resamples gave a number, or where all gave the same.
    level : float
    error : float or None
        Their standard deviation; None where there is no interval.
    replicates, unanswered : int
        Resamples, and those of which the statistic was no number or could not be had.
    clients : int
    """

    estimate: float
    interval: tuple[float, float] | tuple[None, None]
    level: float
    error: float | None
    replicates: int
    unanswered: int
    clients: int

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return {name: plain(getattr(self, name)) for name in self.__slots__}


def bootstrap(
    log: OutcomeLog,
    statistic: Callable[[OutcomeLog], float],
    *,
    replicates: int = 200,
    level: float = 0.95,
    seed: int = 0,
) -> Bootstrap:
    """Return a statistic of a log with its interval, clients drawn anew with all of theirs.

    Parameters
    ----------
    log : OutcomeLog
    statistic : callable
        Takes a log, gives a number. A client drawn twice stands in that log as two.
    replicates : int
        Resamples, at least 10.
    level : float
        Of the interval.
    seed : int
        Of the resamples.

    Raises
    ------
    RequestError
        If the statistic of the log itself is no finite number.

    Examples
    --------
    >>> found = bootstrap(log, lambda one: one.courses["sessions_given"].mean(), replicates=10)
    >>> found.interval[0] < found.estimate < found.interval[1], found.clients
    (True, 125)
    """
    replicates = check_whole_number(replicates, name="replicates", low=10)
    tail = (1 - check_level(level)) / 2
    estimate = _number(statistic(check_log(log)))
    if estimate is None:
        raise RequestError(
            "The statistic of the log itself is no finite number.",
            "Give a function of a log that returns one.",
        )
    clients = np.unique(log.courses["client_id"].to_numpy(dtype=str), return_inverse=True)[1]
    size = int(clients.max()) + 1
    found = []
    for times in cluster_counts(size, replicates, seed=check_seed(seed)):
        try:
            found.append(_number(statistic(_drawn(log, times[clients]))))
        except ForecastError:
            found.append(None)
    numbers = [one for one in found if one is not None]
    enough = size >= LEAST_CLIENTS and len(numbers) >= 0.9 * replicates
    spread = float(np.std(numbers, ddof=1)) if enough else 0.0
    ends = np.quantile(numbers, [tail, 1 - tail]).tolist() if spread else (None, None)
    return Bootstrap(
        estimate=estimate,
        interval=(ends[0], ends[1]),
        level=level,
        error=spread or None,
        replicates=replicates,
        unanswered=replicates - len(numbers),
        clients=size,
    )


def _number(value: Any) -> float | None:
    if isinstance(value, int | float | np.number) and isfinite(value):
        return float(value)
    return None


# The log with each course so many times, each copy a course of a client of its own.
def _drawn(log: OutcomeLog, times: IntArray) -> OutcomeLog:
    courses = log.courses.loc[log.courses.index.repeat(times)]
    copy = courses.groupby(level=0).cumcount().to_numpy()
    courses = courses.reset_index(drop=True)
    tag = np.where(copy > 0, np.char.add("~", copy.astype(str)), "")
    ids = {
        name: courses[name].where(courses[name].isna(), courses[name].astype(str) + tag)
        for name in IDS
    }
    renamed = courses[["course_id"]].assign(new=ids["course_id"])

    def copied(table: pd.DataFrame) -> pd.DataFrame:
        rows = renamed.merge(table, on="course_id")
        return rows.assign(course_id=rows["new"])[table.columns]

    return replace(
        log,
        courses=courses.assign(**ids),
        sessions=copied(log.sessions),
        gradings=copied(log.gradings),
        reactions=copied(log.reactions),
    )
