"""Do clients who prepaid stop less often? Drop-out by what was sold, for the tariff's rules."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.clinic.log import OutcomeLog

__all__ = ["StopFactor", "stop_factors"]

FloatArray = npt.NDArray[np.float64]
PRIOR_STOPS = 5.0  # a package with few stops is drawn to 1 as if 5 more had come as expected


@dataclass(frozen=True, slots=True)
class StopFactor:
    """How much more or less often clients of one package stop, sessions held alike.

    Attributes
    ----------
    package : str
        As the log's column calls it.
    factor : float
        For ``stop_factor`` of a package: below 1 where its clients keep coming.
    low, high : float
        Interval.
    stops : int
        Clients who stopped.
    expected : float
        How many would have, had they stopped like all clients of the log.
    """

    package: str
    factor: float
    low: float
    high: float
    stops: int
    expected: float


def stop_factors(log: OutcomeLog, *, level: float = 0.9) -> tuple[StopFactor, ...]:
    """Return how often clients stop by package, against all clients at the same session.

    Observed over expected stops (indirect standardisation by session number), shrunk towards 1
    as a gamma-Poisson mean (Clayton and Kaldor 1987) and so with a gamma interval. It describes
    who chose which package; it does not say what the package would do to others.

    Parameters
    ----------
    log : OutcomeLog
        With the column ``package`` filled.
    level : float
        Of the interval.

    Raises
    ------
    RequestError
        No package is recorded.
    """
    from scipy.stats import gamma

    courses = log.courses[log.courses["package"].notna()]
    if courses.empty:
        raise RequestError(
            "No course says which package was sold.", "Fill the column package of courses."
        )
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    stopped = (courses["outcome"] == "stopped").to_numpy()
    # whether a client comes back after the last session is known of those who stopped only
    chances = np.where(stopped, given, given - 1)
    hazard = _hazard(chances, given[stopped])
    expected_by = np.concatenate([[0.0], np.cumsum(hazard)])[chances]
    tail = (1 - check_level(level)) / 2
    found = []
    packages = courses["package"].astype(str).to_numpy()
    for package in sorted(set(packages)):
        mine = packages == package
        stops, expected = int(stopped[mine].sum()), float(expected_by[mine].sum())
        shape, rate = stops + PRIOR_STOPS, expected + PRIOR_STOPS
        low, high = gamma.ppf([tail, 1 - tail], shape, scale=1 / rate)
        factor = StopFactor(package, shape / rate, float(low), float(high), stops, expected)
        found.append(factor)
    return tuple(found)


def _hazard(chances: npt.NDArray[np.int64], stops: npt.NDArray[np.int64]) -> FloatArray:
    """Return the share of clients that stop after each session they could have stopped after."""
    longest = int(max(chances.max(initial=0), 1))
    at_risk = (chances[:, None] >= np.arange(1, longest + 1)).sum(axis=0)
    happened = np.bincount(stops, minlength=longest + 1)[1 : longest + 1]
    return np.asarray(happened / np.maximum(at_risk, 1), dtype=np.float64)
