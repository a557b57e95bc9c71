"""How many paths a model of so many parameters needs, and how many parameters a log can bear."""

from __future__ import annotations

import math
from dataclasses import dataclass

from forecast._checks import check_level, check_whole_number
from forecast.errors import RequestError

__all__ = ["SampleSize", "most_parameters", "smallest_sample"]

SLOPE = 0.9


@dataclass(frozen=True, slots=True)
class SampleSize:
    """The smallest sample by each criterion of Riley et al. (2019), and by all.

    Attributes
    ----------
    shrinkage : int
        Paths needed for a calibration slope of at least 0.9.
    optimism : int
        Paths needed for a difference of at most 0.05 between apparent and true R-squared.
    paths : int
        The larger of the two.
    events, events_per_parameter : float
        What ``paths`` means at the given rate.
    """

    shrinkage: int
    optimism: int
    paths: int
    events: int
    events_per_parameter: float


def smallest_sample(
    parameters: int, *, r2_cs: float, rate: float, follow_up: float, slope: float = SLOPE
) -> SampleSize:
    """Return the smallest sample for developing a time-to-event model.

    Criteria 1 and 2 of Riley et al. (2019, Stat Med 38:1276; 2020, BMJ 368:m441).

    Parameters
    ----------
    parameters : int
        Parameters that the model may use.
    r2_cs : float
        Cox-Snell R-squared that can be expected.
    rate : float
        Events per path and unit of time.
    follow_up : float
        Mean time watched, in the same unit.
    slope : float
        The calibration slope wanted.

    Examples
    --------
    >>> needed = smallest_sample(30, r2_cs=0.051, rate=0.065, follow_up=2.07)
    >>> needed.paths, needed.events, round(needed.events_per_parameter, 2)
    (5143, 692, 23.07)
    """
    parameters = check_whole_number(parameters, name="parameters", low=1)
    check_level(r2_cs, name="r2_cs")
    if not (rate > 0 and follow_up > 0):
        raise RequestError(
            f"rate is {rate!r} and follow_up {follow_up!r}.", "Both must be above 0."
        )
    shrinkage = math.ceil(_paths(parameters, r2_cs, check_level(slope, name="slope")))
    # The largest R-squared that events at this rate allow: 1 - exp(2 lnL0 / n) with
    # lnL0 = E log(E / n) - E, as pmsampsize 1.1.3 computes it.
    per_path = rate * follow_up
    largest = 1 - math.exp(2 * (per_path * math.log(per_path) - per_path))
    wanted = r2_cs / (r2_cs + 0.05 * largest)
    optimism = math.ceil(_paths(parameters, r2_cs, wanted))
    paths = max(shrinkage, optimism)
    events = paths * per_path
    return SampleSize(shrinkage, optimism, paths, math.ceil(events), events / parameters)


def _paths(parameters: int, r2_cs: float, slope: float) -> float:
    if slope <= r2_cs:
        raise RequestError(
            f"r2_cs is {r2_cs!r}, not below the slope {slope!r}.", "Expect less of the model."
        )
    return parameters / ((slope - 1) * math.log(1 - r2_cs / slope))


def most_parameters(paths: int, *, r2_cs: float, slope: float = SLOPE) -> float:
    """Return how many parameters ``paths`` paths can bear by criterion 1, not rounded.

    Examples
    --------
    >>> round(most_parameters(100, r2_cs=0.2), 1)
    2.5
    """
    paths = check_whole_number(paths, name="paths", low=1)
    return paths / _paths(1, check_level(r2_cs, name="r2_cs"), check_level(slope, name="slope"))
