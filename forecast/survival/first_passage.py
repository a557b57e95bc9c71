"""What a path seen so far says about the step at which it first passes a threshold.

Given the step T of the first passage, the path from the start is a bridge: it climbs evenly to
the threshold, which it passes within step T, half-way on average, and wanders on the way there.
Levels are measured with error. Chances of T from elsewhere, times the chance of the levels seen
given T, are the chances of T given both (Bayes).

A path may also never pass: it climbs ever more slowly to a ceiling below the threshold. A level is
taken as minus the log of what is left, of which a part exp(-ceiling) never goes: at rate r the path
has reached -log(exp(-ceiling) + (1 - exp(-ceiling)) exp(-r t)) after t steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._plain import plain, read
from forecast._types import FloatArray
from forecast.errors import DataError
from forecast.survival.newton import climb

# Paths that have not passed by the last step may pass at so many times it, or later, or they
# never do and have one of these ceilings, in thresholds; what is not told apart is even.
BEYOND = (1.25, 1.6, 2.5)
CEILINGS = (0.1, 0.25, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
START = (0.0, -2.5, 1.0, -4.0)  # log pace, log wander, power, log error variance
LIMITS = ((-0.3, 0.3), (-9.0, 1.0), (0.0, 2.0), (-9.0, 1.0))
MOST_PATHS = 250  # behind four numbers
RATES = 5
PARTS = 6
SETTLED = 1e-6  # squared length of a step in standard errors


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
    lengths : tuple of float
        Steps that paths took to pass, evenly spread over all of them: paths that never pass
        climb as fast at first.
    """

    threshold: float
    pace: float
    wander: float
    power: float
    error: float
    lengths: tuple[float, ...]

    def log_likelihood(
        self, steps: npt.ArrayLike, levels: npt.ArrayLike, passage: npt.ArrayLike
    ) -> FloatArray:
        """Return the log density of a path's levels for each step of the first passage.

        Parameters
        ----------
        steps : array of shape (m,)
            When paths were measured.
        levels : array of shape (..., m)
            What was found, one path a row.
        passage : array of shape (t,)
            Steps of the first passage, none before a measured step.

        Returns
        -------
        ndarray of shape (..., t)
        """
        when = np.asarray(passage, dtype=np.float64)
        at = np.asarray(steps, dtype=np.float64)
        mean, spread = self._moments(np.broadcast_to(at, (len(when), len(at))), when)
        seen = np.asarray(levels, dtype=np.float64)
        return normal_log_density(seen[..., None, :] - mean, spread)

    # means (n, m) and covariances (n, m, m) of paths (n, m), padded with NaN, given their passage
    def _moments(self, at: FloatArray, when: FloatArray) -> tuple[FloatArray, FloatArray]:
        length = when[:, None] - 0.5
        blank = np.isnan(at)
        share = np.minimum(np.where(blank, 0.0, at) / length, 1.0)
        low = np.minimum(share[:, :, None], share[:, None, :])
        high = np.maximum(share[:, :, None], share[:, None, :])
        wander = self.wander * (self.threshold / length) ** self.power * length
        spread = wander[:, :, None] * low * (1 - high)
        every = np.arange(at.shape[1])
        spread[:, every, every] += np.where(blank, 1.0, self.error)
        return self.threshold * self.pace * share, spread

    # log-likelihood of paths (n, m) padded with NaN, given their passage, with its gradient and
    # expected information in log pace, log wander, power and log error
    def _score(
        self, at: FloatArray, seen: FloatArray, when: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        known = ~np.isnan(at)
        mean, spread = self._moments(at, when)
        off = np.where(known, seen - mean, 0.0)
        inverse = np.linalg.inv(spread)
        pull = np.einsum("nij,nj->ni", inverse, off)
        volume = np.linalg.slogdet(spread)[1] + np.log(2 * np.pi) * known.sum(axis=1)
        value = -0.5 * float((volume + (off * pull).sum(axis=1)).sum())
        every = np.arange(at.shape[1])
        wander, error = spread.copy(), known * self.error
        wander[:, every, every] -= np.where(known, self.error, 1.0)
        steep = np.log(self.threshold / (when - 0.5))
        by_wander, by_error = inverse @ wander, inverse * error[:, None, :]
        parts = [by_wander, by_wander * steep[:, None, None], by_error]
        moved = [np.einsum("ni,nij,nj->n", pull, wander, pull), (pull * error * pull).sum(axis=1)]
        quadratic = [moved[0], moved[0] * steep, moved[1]]
        gradient, information = np.zeros(4), np.zeros((4, 4))
        gradient[0] = float((mean * known * pull).sum())
        information[0, 0] = np.einsum("ni,nij,nj->", mean * known, inverse, mean * known)
        for i, part in enumerate(parts):
            trace = np.trace(part, axis1=1, axis2=2)
            gradient[i + 1] = 0.5 * float((quadratic[i] - trace).sum())
            for j, other in enumerate(parts):
                information[i + 1, j + 1] = 0.5 * np.einsum("nij,nji->", part, other)
        return value, gradient, information

    def log_likelihood_never(self, steps: npt.ArrayLike, levels: npt.ArrayLike) -> FloatArray:
        """Return the log density of the levels of a path that never passes.

        One for each ceiling and each rate of ``lengths``: shape (..., c * r), ``levels`` as for
        ``log_likelihood``.
        """
        mean, spread = self._never(np.asarray(steps, dtype=np.float64))
        seen = np.asarray(levels, dtype=np.float64)
        return normal_log_density(seen[..., None, :] - mean, spread)

    def _never(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return means (c * r, m) and covariances (c * r, m, m) of paths that never pass."""
        gain = self.threshold / (np.array(self.lengths) - 0.5)
        ceiling, rate = np.meshgrid(self.threshold * np.array(CEILINGS), gain, indexing="ij")
        stays = np.exp(-ceiling.ravel())[:, None]
        goes = (1 - stays) * np.exp(-self.pace * rate.ravel()[:, None] * at)
        # a step's wander shows as far as what is left can still go
        shows = goes / (stays + goes)
        wander = self.wander * rate.ravel() ** self.power
        spread = (
            wander[:, None, None]
            * np.minimum(at[:, None], at)
            * (shows[:, :, None] * shows[:, None, :])
        )
        every = np.arange(len(at))
        spread[:, every, every] += self.error
        return -np.log(stays + goes), spread

    def rank(self, chances: FloatArray, done: int, step: float, level: float) -> float:
        """Return which share of paths not passed by ``done`` have a lower level at ``step``.

        Parameters
        ----------
        chances : ndarray of shape (h,)
            As for ``posterior``, for one path.
        """
        from math import erf, sqrt

        length = self._when(done, len(chances)) - 0.5
        share = np.minimum(step / length, 1.0)
        wander = self.wander * (self.threshold / length) ** self.power * length
        never, spread = self._never(np.array([float(step)]))
        mean = np.concatenate([self.threshold * self.pace * share, never[:, 0]])
        variance = np.concatenate([wander * share * (1 - share) + self.error, spread[:, 0, 0]])
        later = max(1 - float(chances.sum()), 0.0) / 2
        weight = np.concatenate(
            [chances, *(np.full(n, later / n) for n in (len(BEYOND), len(never)))]
        )
        below = [0.5 * (1 + erf(z / sqrt(2))) for z in (level - mean) / np.sqrt(variance)]
        return float(weight @ below / weight.sum())

    @staticmethod
    def _when(done: int, horizon: int) -> FloatArray:
        """Return the steps at which a path may pass: up to the horizon, and some beyond it."""
        late = done + horizon * np.array(BEYOND)
        return np.concatenate([done + np.arange(1.0, horizon + 1), late])

    def posterior(
        self,
        chances: FloatArray,
        done: int,
        steps: npt.ArrayLike,
        levels: npt.ArrayLike,
        *,
        belief: float = 1.0,
    ) -> FloatArray:
        """Return the chances of the passage after a path's levels have been seen.

        Parameters
        ----------
        chances : ndarray of shape (..., h)
            Of the first passage at steps ``done + 1`` to ``done + h`` without the levels; what is
            missing from one is "later or never", each as likely as the other.
        done : int
            Steps taken without passing.
        steps : array of shape (m,)
            Measured up to ``done``. None leave the chances as they are.
        levels : array of shape (m,) or (n, m)
            Of one path, or of each row of ``chances``.
        belief : float
            Power to which the likelihood of the levels is raised: below 1 a bridge that is not
            learnt from paths like these says less, yet still rules out what is far off.

        Returns
        -------
        ndarray of shape (..., h)
        """
        if not len(np.asarray(steps)):
            return chances
        horizon = chances.shape[-1]
        found = self.log_likelihood(steps, levels, self._when(done, horizon))
        never = self.log_likelihood_never(steps, levels)
        most = np.maximum(found.max(axis=-1), never.max(axis=-1))[..., None]
        fits, fits_never = (np.exp(belief * (each - most)) for each in (found, never))
        weights = chances * fits[..., :horizon]
        later = np.clip(1 - chances.sum(axis=-1), 0.0, 1.0) * (
            0.5 * fits[..., horizon:].mean(axis=-1) + 0.5 * fits_never.mean(axis=-1)
        )
        total = weights.sum(axis=-1) + later
        # chances that the levels rule out altogether are no better guide than none
        kept = np.where(total[..., None] > 0, weights, chances)
        scale = np.where(total > 0, total, 1.0)
        moved: FloatArray = kept / scale[..., None]
        return moved

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return dict(plain(self))

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> PassageBridge:
        """Return what :meth:`to_dict` wrote."""
        return read(cls, stored)

    @classmethod
    def fit(
        cls,
        steps: FloatArray,
        levels: FloatArray,
        passage: npt.ArrayLike,
        *,
        threshold: float,
        prior: Sequence[tuple[float, float]] = (),
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
        prior : sequence of (float, float), optional
            Mean and standard deviation of log pace, log wander, power and log error, where paths
            are too few to say alone.

        Raises
        ------
        DataError
            If no path was measured before it passed.
        """
        when = np.asarray(passage, dtype=np.float64)
        informative = np.flatnonzero((~np.isnan(steps)).any(axis=1))
        if not len(informative):
            raise DataError(
                "No path was measured before it passed.", "A bridge needs levels on the way."
            )
        lengths = tuple(np.quantile(when, (np.arange(RATES) + 0.5) / RATES).tolist())
        # an even part by passage and level, whatever the order and the names of the paths
        by_level = np.nansum(levels[informative], axis=1)
        informative = informative[np.lexsort((by_level, when[informative]))]
        informative = informative[:: max(len(informative) // MOST_PATHS, 1)]
        parts = packed(steps[informative], levels[informative], when[informative])

        centre, spread = np.array(prior).T if prior else (np.zeros(4), np.full(4, np.inf))
        precision = spread**-2.0

        def score(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            bridge = cls.of(values, threshold, lengths)
            each, firsts, seconds = zip(*(bridge._score(*part) for part in parts), strict=True)
            off = values - centre
            return (
                sum(each) - float(precision @ off**2) / 2,
                np.sum(firsts, axis=0) - precision * off,
                np.sum(seconds, axis=0) + np.diag(precision),
            )

        low, high = np.array(LIMITS).T
        found = climb(score, np.array(START), settled=SETTLED, limits=(low, high))[0]
        return cls.of(found, threshold, lengths)

    @classmethod
    def of(cls, values: FloatArray, threshold: float, lengths: tuple[float, ...]) -> PassageBridge:
        """Return the bridge of log pace, log wander, power and log error."""
        pace, wander, power, error = (float(value) for value in values)
        scales = (float(np.exp(pace)), float(np.exp(wander)), power, float(np.exp(error)))
        return cls(threshold, *scales, lengths)


def normal_log_density(off: FloatArray, spread: FloatArray) -> FloatArray:
    """Return log densities, (..., n), of deviations (..., n, m) with covariances (n, m, m)."""
    factor = np.linalg.cholesky(spread)
    size = off.shape[-1]
    by_spread = np.moveaxis(off.reshape(-1, *off.shape[-2:]), 0, -1)
    scaled = np.linalg.solve(factor, by_spread)
    every = np.arange(size)
    volume = 2 * np.log(factor[:, every, every]).sum(axis=1) + np.log(2 * np.pi) * size
    squares = np.einsum("nmk,nmk->kn", scaled, scaled)
    found: FloatArray = -0.5 * (volume + squares).reshape(off.shape[:-1])
    return found


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
