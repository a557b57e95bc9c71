"""What a path seen so far says about the step at which it first passes a threshold.

Given the step T of the first passage, the path from the start is a bridge: it climbs evenly to
the threshold, which it passes within step T, half-way on average, and wanders on the way there.
Levels are measured with error. Chances of T from elsewhere, times the chance of the levels seen
given T, are the chances of T given both (Bayes).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.errors import DataError

__all__ = ["PassageBridge"]

FloatArray = npt.NDArray[np.float64]

# Paths that have not passed by the last step may pass at so many times it, or later.
BEYOND = (1.25, 1.6, 2.5)
START = (0.0, -2.5, 1.0, -4.0)  # log pace, log wander, power, log error variance
LIMITS = ((-0.3, 0.3), (-9.0, 1.0), (0.0, 2.0), (-9.0, 1.0))
MOST_PATHS = 250  # behind four numbers
PARTS = 6
SETTLED = 1e-3


@dataclass(frozen=True, slots=True)
class PassageBridge:
    """A bridge from zero to a threshold.

    Attributes
    ----------
    threshold : float
        The level whose first passage is the event.
    pace : float
        Mean level half a step before the passage is counted, in thresholds.
    wander, power : float
        Variance gained per step: wander times (mean gain per step) to the power.
    error : float
        Variance of a measured level.
    """

    threshold: float
    pace: float
    wander: float
    power: float
    error: float

    def log_likelihood(
        self, steps: npt.ArrayLike, levels: npt.ArrayLike, passage: npt.ArrayLike
    ) -> FloatArray:
        """Return the log density of the levels of one path for each step of the first passage.

        Parameters
        ----------
        steps, levels : array of shape (m,)
            When the path was measured, and what was found.
        passage : array of shape (t,)
            Steps of the first passage, none before a measured step.

        Returns
        -------
        ndarray of shape (t,)
        """
        at = np.asarray(steps, dtype=np.float64)
        seen = np.asarray(levels, dtype=np.float64)
        when = np.asarray(passage, dtype=np.float64)
        shape = (len(when), len(at))
        return self._density(np.broadcast_to(at, shape), np.broadcast_to(seen, shape), when)

    def _density(self, at: FloatArray, seen: FloatArray, when: FloatArray) -> FloatArray:
        """Return log densities, (n,), of paths (n, m) padded with NaN, given their passage."""
        length = when[:, None] - 0.5
        blank = np.isnan(at)
        share = np.minimum(np.where(blank, 0.0, at) / length, 1.0)
        off = np.where(blank, 0.0, seen - self.threshold * self.pace * share)
        low = np.minimum(share[:, :, None], share[:, None, :])
        high = np.maximum(share[:, :, None], share[:, None, :])
        wander = self.wander * (self.threshold / length) ** self.power * length
        spread = wander[:, :, None] * low * (1 - high)
        every = np.arange(at.shape[1])
        spread[:, every, every] += np.where(blank, 1.0, self.error)
        factor = np.linalg.cholesky(spread)
        scaled = np.linalg.solve(factor, off[:, :, None])[:, :, 0]
        volume = 2 * np.log(factor[:, every, every]).sum(axis=1)
        volume += np.log(2 * np.pi) * (~blank).sum(axis=1)
        found: FloatArray = -0.5 * (volume + (scaled**2).sum(axis=1))
        return found

    def posterior(
        self, chances: FloatArray, done: int, steps: npt.ArrayLike, levels: npt.ArrayLike
    ) -> FloatArray:
        """Return the chances of the passage after a path's levels have been seen.

        Parameters
        ----------
        chances : ndarray of shape (..., h)
            Of the first passage at steps ``done + 1`` to ``done + h`` without the levels; what is
            missing from one is "later".
        done : int
            Steps taken without passing.
        steps, levels : array of shape (m,)
            Measured up to ``done``. None leave the chances as they are.

        Returns
        -------
        ndarray of shape (..., h)
        """
        if not len(np.asarray(steps)):
            return chances
        horizon = chances.shape[-1]
        late = done + horizon * np.array(BEYOND)
        when = np.concatenate([done + np.arange(1.0, horizon + 1), late])
        found = self.log_likelihood(steps, levels, when)
        fits = np.exp(found - found.max())
        weights = chances * fits[:horizon]
        later = np.clip(1 - chances.sum(axis=-1), 0.0, 1.0) * fits[horizon:].mean()
        total = weights.sum(axis=-1) + later
        # chances that the levels rule out altogether are no better guide than none
        kept = np.where(total[..., None] > 0, weights, chances)
        scale = np.where(total > 0, total, 1.0)
        moved: FloatArray = kept / scale[..., None]
        return moved

    def to_dict(self) -> dict[str, float]:
        """Return plain JSON values."""
        return asdict(self)

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> PassageBridge:
        """Return what :meth:`to_dict` wrote."""
        return cls(**{str(name): float(value) for name, value in stored.items()})

    @classmethod
    def fit(
        cls, steps: FloatArray, levels: FloatArray, passage: npt.ArrayLike, *, threshold: float
    ) -> PassageBridge:
        """Return the bridge that makes paths of known passage most likely.

        Parameters
        ----------
        steps, levels : ndarray of shape (n, m)
            Measurements before the passage, padded with NaN.
        passage : array of shape (n,)
            Step of the first passage.
        threshold : float
            The level passed.

        Raises
        ------
        DataError
            If no path was measured before it passed.
        """
        from scipy.optimize import minimize

        when = np.asarray(passage, dtype=np.float64)
        told = np.flatnonzero((~np.isnan(steps)).any(axis=1))
        if not len(told):
            raise DataError(
                "No path was measured before it passed.", "A bridge needs levels on the way."
            )
        told = told[:: max(len(told) // MOST_PATHS, 1)]
        parts = packed(steps[told], levels[told], when[told])

        def lost(values: FloatArray) -> float:
            bridge = cls.of(values, threshold)
            return -sum(float(bridge._density(*part).sum()) for part in parts)

        options = {"xatol": SETTLED, "fatol": 1e-2, "maxiter": 400}
        start = np.array(START)
        found = minimize(lost, start, method="Nelder-Mead", bounds=LIMITS, options=options)
        return cls.of(np.asarray(found.x), threshold)

    @classmethod
    def of(cls, values: FloatArray, threshold: float) -> PassageBridge:
        """Return the bridge of log pace, log wander, power and log error."""
        pace, wander, power, error = (float(value) for value in values)
        return cls(
            threshold, float(np.exp(pace)), float(np.exp(wander)), power, float(np.exp(error))
        )


def packed(
    steps: FloatArray, levels: FloatArray, passage: FloatArray
) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
    """Return the paths in parts of like numbers of measurements, padding cut away."""
    blank = np.isnan(steps)
    count = (~blank).sum(axis=1)
    left = np.argsort(blank, axis=1, kind="stable")  # what was measured first, gaps last
    at, seen = np.take_along_axis(steps, left, axis=1), np.take_along_axis(levels, left, axis=1)
    parts = []
    for rows in np.array_split(np.argsort(count), min(PARTS, len(count))):
        most = int(count[rows].max())
        parts.append((at[rows, :most], seen[rows, :most], passage[rows]))
    return parts
