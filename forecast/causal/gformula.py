"""The g-formula: model the outcome and the confounders, then set the choices.

The second road to what weights estimate (Hernán & Robins, *What If*, chapters 13 and 21). It
leans on models of outcome and history where weighting leans on models of choice and loss, so
the two fail for different reasons.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._types import BoolArray, FloatArray, IntArray
from forecast.causal.panel import Panel
from forecast.causal.weights import logistic_coefficients, logistic_probability

STATE = 4  # place of the state among the features


@dataclass(frozen=True, slots=True, eq=False)
class GFit:
    """Coefficients of one fit of ``HazardGFormula``."""

    hazard: FloatArray
    drift: FloatArray
    spread: float


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
        self._design = self._join((parts - self._scale[0]) / self._scale[1], panel.subject)
        self._fresh = fresh & ~panel.event
        self._after = state_after - state
        self._range = (float(min(state.min(), state_after.min())), float(state.max()))
        self._steps = horizon
        rng = np.random.default_rng(seed)
        self._noise = rng.standard_normal((horizon, panel.n_subjects * copies))

    def fit(self, rows: FloatArray | None = None, *, start: GFit | None = None) -> GFit:
        """Return the fit when each row counts ``rows`` times."""
        panel = self.panel
        count = np.ones(len(panel.step)) if rows is None else rows
        hazard = self._fit_hazard(count, start)
        design, change = self._design[self._fresh], self._after[self._fresh]
        used = count[self._fresh]
        if not used.sum() > 2 * design.shape[1]:
            return GFit(hazard, np.zeros(design.shape[1]), 0.0)
        square = (design * used[:, None]).T @ design
        square[np.diag_indices_from(square)] += 1e-3
        drift = np.linalg.solve(square, design.T @ (used * change))
        rest = change - design @ drift
        return GFit(hazard, drift.astype(np.float64), float((used @ rest**2 / used.sum()) ** 0.5))

    def _fit_hazard(self, count: FloatArray, start: GFit | None) -> FloatArray:
        happened = float(count @ self.panel.event)
        if not 0 < happened < count.sum():  # a resample without an event, or with nothing else
            certain = np.zeros(self._design.shape[1])
            certain[0] = -35.0 if happened == 0 else 35.0
            return certain
        return logistic_coefficients(
            self._design,
            self.panel.event,
            weight=count,
            ridge=self.ridge,
            start=None if start is None else start.hazard,
            tolerance=1e-6,
        )

    def survival(self, fit: GFit, wanted: npt.ArrayLike) -> FloatArray:
        """Return each subject's survival after steps 0 to the horizon under a strategy.

        Shape (n_subjects, horizon + 1): the mean over the subject's simulated histories.
        """
        plan = np.asarray(wanted, dtype=np.int64)
        copies = self._noise.shape[1] // self.panel.n_subjects
        subject = np.repeat(np.arange(self.panel.n_subjects), copies)
        state = np.repeat(self._first_state(), copies)
        opening, earlier = state, state
        past = np.zeros(len(subject))
        surviving = np.ones((self._steps + 1, len(subject)))
        for place in range(self._steps):
            group = np.full(len(subject), plan[min(place, len(plan) - 1)])
            step = np.full(len(subject), place + 1)
            parts = _features(step, group, past, state, earlier, opening)
            design = self._join((parts - self._scale[0]) / self._scale[1], subject)
            hazard = logistic_probability(design, fit.hazard)
            surviving[place + 1] = surviving[place] * (1 - hazard)
            moved = state + design @ fit.drift + fit.spread * self._noise[place]
            earlier, state = state, np.clip(moved, *self._range)
            past = past + group
        mean: FloatArray = surviving.reshape(self._steps + 1, -1, copies).mean(axis=2).T
        return mean

    def _first_state(self) -> FloatArray:
        # the state column is kept inside the design; undo its scaling
        column = self._design[self.panel.first, 1 + STATE]
        state: FloatArray = column * self._scale[1][STATE] + self._scale[0][STATE]
        return state

    def _join(self, parts: FloatArray, subject: IntArray) -> FloatArray:
        return np.hstack([np.ones((len(subject), 1)), parts, self._baseline[subject]])


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
