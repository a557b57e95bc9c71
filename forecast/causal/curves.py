"""Weighted curves over steps, restricted means and their differences; the same by the g-formula."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.causal.strategies import Panel
from forecast.causal.weights import logistic_coefficients, sums_by, weighted_squares
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
    """Return the ``weight`` at risk and with the event ``observed`` at steps 1 to ``size``.

    A row is at risk in steps ``entry + 1`` to ``step``. Weights (..., n) give sums (..., size). No
    checks: for inner loops.
    """
    # someone whose entry is beyond the size is put in and taken out at the same place
    change = sums_by(np.minimum(entry, size), weight, size + 1)
    change -= sums_by(np.minimum(step, size), weight, size + 1)
    inside = observed & (step <= size)
    events = sums_by(step[inside] - 1, weight[..., inside], size)
    return change.cumsum(axis=-1)[..., :size], events


def weighted_curve(
    step: npt.ArrayLike,
    observed: npt.ArrayLike,
    *,
    entry: npt.ArrayLike | None = None,
    weight: npt.ArrayLike | None = None,
    horizon: int | None = None,
) -> WeightedCurve:
    """Return the weighted life table of rows at risk in steps ``entry + 1`` to ``step``.

    ``observed`` says where the event is at ``step``; the table ends at ``horizon``, else at the
    last step. Several rows of one subject, each with its own weight, make weights that change.

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

    ``observed`` says where a time is that of the event. The variance is ``sum A^2 d / (n (n - d))``
    with ``A`` the area from each event time to the horizon (Klein & Moeschberger 2003, equation
    4.5.2).

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


STATE = 4  # place of the state among the features


@dataclass(frozen=True, slots=True, eq=False)
class GFit:
    """Coefficients of one fit of ``HazardGFormula``, or of several, along a first axis."""

    hazard: FloatArray
    drift: FloatArray
    spread: FloatArray


class HazardGFormula:
    """A hazard of the event and a drift of one confounder that the choices answer to.

    Parameters
    ----------
    panel : Panel
        ``event`` and ``group`` are used.
    baseline : ndarray of shape (n_subjects, p)
        Covariates before the first step.
    state : ndarray of shape (n,)
        The confounder as known before each step.
    state_after : ndarray of shape (n,)
        The same after the step; rows where ``fresh`` is false were not measured then and take
        no part in the drift.
    fresh : ndarray of shape (n,), bool
    copies : int
        Simulated histories per subject; their random parts are drawn once from ``seed`` and
        shared by all strategies and refits, so that differences carry no noise of their own.
    ridge : float
        Penalty on standardised coefficients of the hazard.
    """

    __slots__ = (
        "_after",
        "_baseline",
        "_design",
        "_fresh",
        "_noise",
        "_range",
        "_scale",
        "_steps",
        "_width",
        "panel",
        "ridge",
    )

    def __init__(
        self,
        panel: Panel,
        *,
        baseline: FloatArray,
        state: FloatArray,
        state_after: FloatArray,
        fresh: BoolArray,
        horizon: int,
        copies: int = 4,
        ridge: float = 1.0,
        seed: int = 0,
    ) -> None:
        self.panel, self.ridge = panel, ridge
        centred = baseline - baseline.mean(axis=0)
        spread = baseline.std(axis=0)
        self._baseline = centred[:, spread > 0] / spread[spread > 0]
        first = panel.first
        begin = np.flatnonzero(first)
        own_first = np.repeat(begin, np.diff(np.append(begin, len(first))))
        earlier = np.where(first, state, np.concatenate([[0.0], state[:-1]]))
        ones = np.concatenate([[0.0], panel.group.cumsum()])
        past = ones[:-1] - ones[own_first]
        parts = _features(panel.step, panel.group, past, state, earlier, state[own_first])
        self._scale = (parts.mean(axis=0), np.where(parts.std(axis=0) > 0, parts.std(axis=0), 1.0))
        parts = (parts - self._scale[0]) / self._scale[1]
        ones = np.ones((len(parts), 1))
        self._design = np.hstack([ones, parts, self._baseline[panel.subject]])
        self._width = 1 + parts.shape[1]
        self._fresh = fresh & ~panel.event
        self._after = state_after - state
        self._range = (float(min(state.min(), state_after.min())), float(state.max()))
        self._steps = horizon
        rng = np.random.default_rng(seed)
        self._noise = rng.standard_normal((horizon, panel.n_subjects * copies))

    def fit(self, rows: FloatArray | None = None, *, start: GFit | None = None) -> GFit:
        """Return the fit when each row counts ``rows`` times, (n,) or (k, n)."""
        given = np.ones(len(self.panel.step)) if rows is None else rows
        count = np.atleast_2d(given)
        hazard = self._fit_hazard(count, start)
        design, change = self._design[self._fresh], self._after[self._fresh]
        used = count[:, self._fresh]
        enough = used.sum(axis=1) > 2 * design.shape[1]
        drift, spread = np.zeros((len(used), design.shape[1])), np.zeros(len(used))
        if enough.any():
            used = used[enough]
            square = weighted_squares(design, used) + 1e-3 * np.eye(design.shape[1])
            drift[enough] = np.linalg.solve(square, ((used * change) @ design)[..., None])[..., 0]
            rest = change - drift[enough] @ design.T
            spread[enough] = ((used * rest**2).sum(axis=1) / used.sum(axis=1)) ** 0.5
        shape = given.shape[:-1]
        return GFit(hazard.reshape(*shape, -1), drift.reshape(*shape, -1), spread.reshape(shape))

    def _fit_hazard(self, count: FloatArray, start: GFit | None) -> FloatArray:
        happened = count @ self.panel.event
        found = np.zeros((len(count), self._design.shape[1]))
        found[:, 0] = np.where(happened == 0, -35.0, 35.0)
        varies = (happened > 0) & (happened < count.sum(axis=1))  # not so in every resample
        if varies.any():
            found[varies] = logistic_coefficients(
                self._design,
                self.panel.event,
                weight=count[varies],
                ridge=self.ridge,
                start=None if start is None else start.hazard,
                tolerance=1e-6,
            )
        return found

    def survival(self, fit: GFit, wanted: npt.ArrayLike) -> FloatArray:
        """Return each subject's survival after steps 0 to the horizon under a strategy.

        Shape (..., n_subjects, horizon + 1): the mean over the subject's simulated histories.
        """
        plan = np.asarray(wanted, dtype=np.int64)
        copies = self._noise.shape[1] // self.panel.n_subjects
        own = [
            np.repeat(part[..., self._width :] @ self._baseline.T, copies, axis=-1)
            for part in (fit.hazard, fit.drift)
        ]
        opening = np.repeat(self._first_state(), copies)
        state = earlier = np.broadcast_to(opening, own[0].shape)
        shape = (*fit.spread.shape, self.panel.n_subjects)
        surviving = np.ones((*shape, self._steps + 1))
        still, past = np.ones(own[0].shape), 0.0
        # features of nothing, and of one unit of state, state before and opening state
        units = np.vstack([np.zeros(3), np.eye(3)]).T
        for place in range(self._steps):
            group = int(plan[min(place, len(plan) - 1)])
            same = np.full(4, 1)
            parts = _features(same * (place + 1), same * group, same * past, *units)
            parts[0] -= self._scale[0]
            parts[1:] -= parts[0] + self._scale[0]
            parts /= self._scale[1]
            by = np.hstack([np.eye(4)[:, :1], parts]).T
            linear = []
            for mine, part in zip(own, (fit.hazard, fit.drift), strict=True):
                level, *slopes = np.moveaxis((part[..., : self._width] @ by)[..., None], -2, 0)
                moves = (k * x for k, x in zip(slopes, (state, earlier, opening), strict=True))
                linear.append(mine + level + sum(moves))
            still = still / (1 + np.exp(np.clip(linear[0], -35, 35)))
            surviving[..., place + 1] = still.reshape(*shape, copies).mean(axis=-1)
            moved = state + linear[1] + fit.spread[..., None] * self._noise[place]
            earlier, state = state, np.clip(moved, *self._range)
            past += group
        return surviving

    def _first_state(self) -> FloatArray:
        # the state column is kept inside the design; undo its scaling
        column = self._design[self.panel.first, 1 + STATE]
        state: FloatArray = column * self._scale[1][STATE] + self._scale[0][STATE]
        return state


def _features(
    step: IntArray,
    group: IntArray,
    past: FloatArray,
    state: FloatArray,
    earlier: FloatArray,
    opening: FloatArray,
) -> FloatArray:
    """Return the columns that hazard and drift share; ``STATE`` is the place of the state."""
    done = np.maximum(step - 1, 1)
    return np.column_stack(
        [
            np.log(step),
            step.astype(np.float64),
            group.astype(np.float64),
            past / done,
            state,
            state - earlier,
            (state - opening) / done,
            group * state,
        ]
    )
