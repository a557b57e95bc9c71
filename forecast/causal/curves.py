"""Sums of life tables and restricted means; curves under a strategy by the g-formula."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray, shares, sums_by
from forecast.causal.weights import Panel, logistic_coefficients, running_sum, weighted_squares


def life_sums(
    step: IntArray, observed: BoolArray, entry: IntArray, weight: FloatArray, size: int
) -> tuple[FloatArray, FloatArray]:
    """Return the ``weight`` at risk and with the event ``observed`` at steps 1 to ``size``.

    A row is at risk in steps ``entry + 1`` to ``step``. Weights (..., n) give sums (..., size). No
    checks: for inner loops.

    Examples
    --------
    >>> step, observed, entry = np.array([2, 3, 3]), np.array([True, False, True]), np.zeros(3, int)
    >>> life_sums(step, observed, entry, np.ones(3), 3)
    (array([3., 3., 2.]), array([0., 1., 1.]))
    """
    # someone whose entry is beyond the size is put in and taken out at the same place
    change = sums_by(np.minimum(entry, size), weight, size + 1)
    change -= sums_by(np.minimum(step, size), weight, size + 1)
    inside = observed & (step <= size)
    events = sums_by(step[inside] - 1, weight[..., inside], size)
    return change.cumsum(axis=-1)[..., :size], events


def restricted_mean(at_risk: FloatArray, events: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mean of ``min(step of the event, horizon)`` in life tables, and its variance.

    Sums of weights ``at_risk`` and with ``events`` at steps 1 to the horizon, (..., horizon), give
    numbers of shape (...). The mean is the sum of the survival after steps 0 to the horizon less
    one. The variance is ``sum A^2 d / (n (n - d))`` with ``A`` the area beyond each step (Klein &
    Moeschberger 2003, equation 4.5.2), for weights of one.

    Examples
    --------
    >>> mean, variance = restricted_mean(np.array([3.0, 2.0, 1.0]), np.array([1.0, 1.0, 1.0]))
    >>> float(mean), round(float(variance), 3)
    (2.0, 0.222)
    """
    survival = np.cumprod(1 - shares(events, at_risk), axis=-1)
    inner = np.concatenate([survival[..., :-1], np.zeros_like(survival[..., :1])], axis=-1)
    area = inner[..., ::-1].cumsum(axis=-1)[..., ::-1]
    variance = shares(area**2 * events, at_risk * (at_risk - events)).sum(axis=-1)
    return 1 + survival[..., :-1].sum(axis=-1), variance


STATE = 4  # place of the state among the features
COPIES = 4  # simulated histories per subject
RIDGE = 1.0  # penalty on standardised coefficients of the hazard


@dataclass(frozen=True, slots=True, eq=False)
class GFit:
    """Coefficients of one fit of ``HazardGFormula``, or of several, along a first axis."""

    hazard: FloatArray
    drift: FloatArray
    spread: FloatArray


class HazardGFormula:
    """A hazard of the event and a drift of one confounder that the choices answer to.

    Histories are simulated, four per subject; their random parts are drawn once and shared by all
    strategies and refits, so that differences carry no noise of their own (Robins 1986, Math Model
    7:1393).

    Parameters
    ----------
    panel : Panel
        Whose ``event`` and ``group`` are modelled.
    baseline : ndarray of shape (n_subjects, p)
        Covariates before the first step.
    state, state_after : ndarray of shape (n,)
        The confounder as known before and after each step.
    fresh : ndarray of bool, shape (n,)
        Whether it was measured then; other rows take no part in the drift.
    horizon : int
        Steps of a history.
    seed : int
        Of their random parts.

    Examples
    --------
    >>> falls = {"state": np.zeros(4), "state_after": -np.ones(4), "fresh": np.full(4, True)}
    >>> model = HazardGFormula(panel, baseline=np.zeros((2, 1)), horizon=2, **falls)
    >>> model.survival(model.whole, [1]).round(2)  # of two subjects after steps 0, 1 and 2
    array([[1.  , 0.86, 0.65],
           [1.  , 0.86, 0.65]])
    """

    def __init__(
        self,
        panel: Panel,
        *,
        baseline: FloatArray,
        state: FloatArray,
        state_after: FloatArray,
        fresh: BoolArray,
        horizon: int,
        seed: int = 0,
    ) -> None:
        self.panel = panel
        centred = baseline - baseline.mean(axis=0)
        spread = baseline.std(axis=0)
        self._baseline = centred[:, spread > 0] / spread[spread > 0]
        first = panel.first
        opens = np.flatnonzero(first)
        self._first = opens[np.argsort(panel.subject[opens])]  # by code, which need not rise
        states = state, np.where(first, state, np.roll(state, 1)), state[self._first][panel.subject]
        past = running_sum(panel.group, first) - panel.group
        parts = _features(panel.step, panel.group, past, *states)
        self._scale = (parts.mean(axis=0), np.where(parts.std(axis=0) > 0, parts.std(axis=0), 1.0))
        parts = (parts - self._scale[0]) / self._scale[1]
        self._design = np.hstack([np.ones((len(parts), 1)), parts, self._baseline[panel.subject]])
        self._width = 1 + parts.shape[1]
        self._fresh = fresh & ~panel.event
        self._after = state_after - state
        self._range = (float(min(state.min(), state_after.min())), float(state.max()))
        self._steps = horizon
        rng = np.random.default_rng(seed)
        self._noise = rng.standard_normal((horizon, panel.n_subjects * COPIES))

    @cached_property
    def whole(self) -> GFit:
        """The fit to each row once."""
        return self.fit()

    def fit(self, rows: FloatArray | None = None, *, start: GFit | None = None) -> GFit:
        """Return the fit when each row counts ``rows`` times, (n,) or (k, n)."""
        given = np.ones(len(self.panel.step)) if rows is None else rows
        count = np.atleast_2d(given)
        happened = count @ self.panel.event
        hazard = np.zeros((len(count), self._design.shape[1]))
        hazard[:, 0] = np.where(happened == 0, -35.0, 35.0)
        varies = (happened > 0) & (happened < count.sum(axis=1))  # not so in every resample
        if varies.any():
            hazard[varies] = logistic_coefficients(
                self._design,
                self.panel.event,
                count[varies],
                ridge=RIDGE,
                start=None if start is None else start.hazard,
                tolerance=1e-6,
            )
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

    def survival(self, fit: GFit, wanted: npt.ArrayLike) -> FloatArray:
        """Return each subject's survival after steps 0 to the horizon under a strategy.

        Shape (..., n_subjects, horizon + 1): the mean over the subject's simulated histories.
        """
        plan = np.asarray(wanted, dtype=np.int64)
        own = [
            np.repeat(part[..., self._width :] @ self._baseline.T, COPIES, axis=-1)
            for part in (fit.hazard, fit.drift)
        ]
        # the state column is kept inside the design; undo its scaling
        opening = self._design[self._first, 1 + STATE]
        opening = np.repeat(opening * self._scale[1][STATE] + self._scale[0][STATE], COPIES)
        state = earlier = np.broadcast_to(opening, own[0].shape)
        shape = (*fit.spread.shape, self.panel.n_subjects)
        surviving = np.ones((*shape, self._steps + 1))
        still, past = np.ones(own[0].shape), 0.0
        # features of nothing, and of one unit of state, state before and opening state
        units = np.vstack([np.zeros(3), np.eye(3)]).T
        for place in range(self._steps):
            group = int(plan[min(place, len(plan) - 1)])
            parts = _features(np.full(4, place + 1), np.full(4, group), np.full(4, past), *units)
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
            surviving[..., place + 1] = still.reshape(*shape, COPIES).mean(axis=-1)
            moved = state + linear[1] + fit.spread[..., None] * self._noise[place]
            earlier, state = state, np.clip(moved, *self._range)
            past += group
        return surviving


# The columns that hazard and drift share, the state at its place, of the states now, before and at
# first.
def _features(step: IntArray, group: IntArray, past: AnyArray, *states: FloatArray) -> FloatArray:
    (state, earlier, opening), done = states, np.maximum(step - 1, 1)
    moved = state - earlier, (state - opening) / done
    return np.column_stack([np.log(step), step, group, past / done, state, *moved, group * state])
