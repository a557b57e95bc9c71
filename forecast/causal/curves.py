"""Weighted curves over steps, restricted means, and their differences."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.errors import DataError, RequestError


@dataclass(frozen=True, slots=True, eq=False)
class WeightedCurve:
    """A discrete life table with weights.

    Attributes
    ----------
    at_risk, events : ndarray of shape (horizon,)
        Sums of weights at steps 1 to ``horizon``.
    n_at_risk : ndarray of shape (horizon,), int
        Rows with a weight at each step: what the hazard there rests on.
    """

    at_risk: FloatArray
    events: FloatArray
    n_at_risk: IntArray

    @property
    def hazard(self) -> FloatArray:
        """Chance of the event at each step for those who reach it; 0 where nobody does."""
        zero = np.zeros_like(self.events)
        hazard: FloatArray = np.divide(self.events, self.at_risk, out=zero, where=self.at_risk > 0)
        return hazard

    @property
    def survival(self) -> FloatArray:
        """Share without the event after steps 0 to ``horizon``, shape (horizon + 1,)."""
        return np.concatenate([[1.0], np.cumprod(1 - self.hazard)])

    def restricted_mean(self, horizon: int) -> float:
        """Return the mean of ``min(step of the event, horizon)``.

        For counts this is the sum of the survival after steps 0 to ``horizon - 1``.
        """
        check_whole_number(horizon, name="horizon", low=1, high=len(self.events))
        return float(self.survival[:horizon].sum())

    def supported_to(self, least: int = 5) -> int:
        """Return the last step with at least ``least`` rows at risk in it and all before."""
        thin = np.flatnonzero(self.n_at_risk < least)
        return int(thin[0]) if thin.size else len(self.n_at_risk)


def life_sums(
    step: IntArray, observed: BoolArray, entry: IntArray, weight: FloatArray, size: int
) -> tuple[FloatArray, FloatArray]:
    """Return the weights at risk and with the event at steps 1 to ``size``.

    A row is at risk in steps ``entry + 1`` to ``step``. No checks: for inner loops.
    """
    last = np.minimum(step, size)
    change = np.bincount(np.minimum(entry, size), weights=weight, minlength=size + 1)[: size + 1]
    change = change - np.bincount(last, weights=weight, minlength=size + 1)[: size + 1]
    # someone whose entry is beyond the size was put in and taken out at the same place
    at_risk: FloatArray = change.cumsum()[:size]
    inside = observed & (step <= size)
    events = np.bincount(step[inside] - 1, weights=weight[inside], minlength=size)[:size]
    return at_risk.astype(np.float64), events.astype(np.float64)


def weighted_curve(
    step: npt.ArrayLike,
    observed: npt.ArrayLike,
    *,
    entry: npt.ArrayLike | None = None,
    weight: npt.ArrayLike | None = None,
    horizon: int | None = None,
) -> WeightedCurve:
    """Return the weighted life table of rows at risk in steps ``entry + 1`` to ``step``.

    Several rows of one subject, each with its own weight, make weights that change by step.

    Raises
    ------
    DataError
        If a step is below 1, an entry is not before its step, a weight is negative or missing.

    Examples
    --------
    >>> curve = weighted_curve([1, 2, 2], [True, True, False])
    >>> curve.survival.round(3)
    array([1.   , 0.667, 0.333])
    >>> round(curve.restricted_mean(2), 3)
    1.667
    """
    steps = np.asarray(step, dtype=np.int64)
    start = np.zeros_like(steps) if entry is None else np.asarray(entry, dtype=np.int64)
    rows = np.ones(len(steps)) if weight is None else np.asarray(weight, dtype=np.float64)
    if not len(steps):
        raise DataError("There are no rows.", "Give at least one row at risk.")
    if (steps < 1).any() or (start < 0).any() or (start >= steps).any():
        raise DataError(
            "A row has a step below 1 or an entry outside 0 to step - 1.",
            "Leave out rows that were never at risk.",
        )
    if not (rows >= 0).all():
        raise DataError("A weight is negative or missing.", "Give weights of 0 or more.")
    size = (
        int(steps.max()) if horizon is None else check_whole_number(horizon, name="horizon", low=1)
    )
    happened = np.asarray(observed, dtype=bool)
    at_risk, events = life_sums(steps, happened, start, rows, size)
    counted, _ = life_sums(steps, happened, start, (rows > 0).astype(np.float64), size)
    return WeightedCurve(at_risk, events, np.rint(counted).astype(np.int64))


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """The mean time to the event, counted up to a horizon, and its standard error."""

    estimate: float
    error: float
    horizon: float


def restricted_mean(
    time: npt.ArrayLike, observed: npt.ArrayLike, *, horizon: float
) -> RestrictedMean:
    """Return the area under the Kaplan-Meier curve up to ``horizon``, times of any kind.

    The variance is ``sum A^2 d / (n (n - d))`` with ``A`` the area from each event time to the
    horizon (Klein & Moeschberger 2003, equation 4.5.2).

    Raises
    ------
    RequestError
        If the horizon lies beyond the last time seen while the curve is above 0 there.

    Examples
    --------
    >>> restricted_mean([1, 2, 3], [True, True, True], horizon=3).estimate
    2.0
    """
    times = np.asarray(time, dtype=np.float64)
    happened = np.asarray(observed, dtype=bool)
    points = np.unique(times[happened & (times <= horizon)])
    at_risk = np.array([(times >= t).sum() for t in points], dtype=np.float64)
    events = np.array([(happened & (times == t)).sum() for t in points], dtype=np.float64)
    survival = np.cumprod(1 - events / at_risk)
    if horizon > times.max() and (not len(survival) or survival[-1] > 0):
        raise RequestError(
            f"The horizon {horizon:g} lies beyond the last time seen, {times.max():g}.",
            "Ask for a horizon within the data: nothing is known beyond them.",
        )
    edges = np.concatenate([[0.0], points, [horizon]])
    areas = np.diff(edges) * np.concatenate([[1.0], survival])
    beyond = areas[::-1].cumsum()[::-1][1:]  # area from each event time to the horizon
    scale = at_risk * (at_risk - events)
    terms = np.divide(beyond**2 * events, scale, out=np.zeros_like(beyond), where=scale > 0)
    return RestrictedMean(float(areas.sum()), float(terms.sum() ** 0.5), float(horizon))
