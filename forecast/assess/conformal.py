"""Interval ends by Kaplan-Meier on the predicted ranks: no map, no shape, one level at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.assess.outcomes import Outcomes
from forecast.assess.pit import pit_ranges
from forecast.survival import CountDistribution

__all__ = ["ConformalBounds", "conformal_bounds"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ConformalBounds:
    """Where to cut a predicted distribution so that the interval covers ``level``.

    Attributes
    ----------
    level : float
        What the two-sided interval promises.
    low, high : float
        The ranks at which to cut; ``high`` is ``inf`` when the curve never came down far enough.
    at_most : float
        The rank at which to cut for a one-sided "at most N" of the same level.
    n_events : int
        Events behind them.
    """

    level: float
    low: float
    high: float
    at_most: float
    n_events: int

    def interval(self, distribution: CountDistribution) -> FloatArray:
        """Return interval ends, shape (n, 2): first step reaching ``low``, first above ``high``."""
        by_step = distribution.cdf()
        low = _first(by_step >= self.low - 1e-9)
        return np.column_stack([low, np.maximum(low, _first(by_step > self.high + 1e-9))])

    def upper(self, distribution: CountDistribution) -> FloatArray:
        """Return N for "at most N steps", shape (n,), ``inf`` beyond the horizon."""
        return _first(distribution.cdf() > self.at_most + 1e-9)


def conformal_bounds(
    distribution: CountDistribution, outcomes: Outcomes, *, level: float
) -> ConformalBounds:
    """Return the cuts for intervals of ``level`` from out-of-fold predictions.

    The scores F(T) at the lower end and F(T - 1) at the upper respect ties without random
    numbers; a path censored at C has scores of at least F(C). Each curve is a Kaplan-Meier
    estimate with one path added to every risk set, the finite-sample slack of conformal
    prediction. It assumes that dropping out does not depend on the rank. Discreteness makes the
    interval cover a few points more than ``level``.
    """
    tail = (1 - check_level(level)) / 2
    low, high = pit_ranges(distribution, outcomes)
    reached = np.where(outcomes.up_to(distribution.horizon).observed, high, low)
    seen = outcomes.up_to(distribution.horizon)
    return ConformalBounds(
        level=level,
        low=_quantile(reached, seen, tail),
        high=_quantile(low, seen, 1 - tail),
        at_most=_quantile(low, seen, level),
        n_events=seen.n_events,
    )


def _quantile(score: FloatArray, seen: Outcomes, level: float) -> float:
    values, place = np.unique(score.round(12), return_inverse=True)
    happened = np.bincount(place, weights=seen.weight * seen.observed, minlength=len(values))
    present = np.bincount(place, weights=seen.weight, minlength=len(values))[::-1].cumsum()[::-1]
    reached = np.flatnonzero(1 - np.cumprod(1 - happened / (present + 1)) >= level - 1e-12)
    return float(values[reached[0]]) if len(reached) else float("inf")


def _first(reached: npt.NDArray[np.bool_]) -> FloatArray:
    return np.where(reached.any(axis=1), reached.argmax(axis=1) + 1.0, np.inf)
