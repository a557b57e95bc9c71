"""Standard distributions of a latent log duration, and the likelihood of a step cut from one.

The event falls at step k when the latent duration lies in (k - 1, k]: with location ``m`` and
scale ``s`` the chance of that is ``G((log k - m) / s) - G((log(k - 1) - m) / s)``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

__all__ = ["STANDARDS", "Standard", "normal_above", "step_likelihood", "survival_curve"]

FloatArray = npt.NDArray[np.float64]
TINY = 1e-300
CELLS = 512  # cells per standard unit in the table of the normal tail
FAR = 30.0  # standard units beyond which every distribution here is 0 or 1


@dataclass(frozen=True, slots=True)
class Standard:
    """A standard distribution: chance below z, chance above z, density, and density's slope."""

    below: Callable[[FloatArray], FloatArray]
    above: Callable[[FloatArray], FloatArray]
    density: Callable[[FloatArray], FloatArray]
    slope: Callable[[FloatArray], FloatArray]


@lru_cache(maxsize=1)
def _mills_cubics() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return cubics that follow Mills' ratio cell by cell, exact in value and slope at the ends.

    The ratio of the upper tail to the density is smooth and of one size from 0 to far out, so
    that a short table keeps twelve digits everywhere (it solves R' = z R - 1).
    """
    nodes = np.arange(int(FAR) * CELLS + 2) / CELLS
    tail = [0.5 * math.erfc(node / math.sqrt(2)) for node in nodes.tolist()]
    value = np.array(tail) / _normal_density(nodes)
    slope = (nodes * value - 1) / CELLS
    rise = value[1:] - value[:-1]
    second = 3 * rise - 2 * slope[:-1] - slope[1:]
    third = slope[:-1] + slope[1:] - 2 * rise
    return value[:-1], slope[:-1], second, third


def normal_above(z: FloatArray) -> FloatArray:
    """Return the normal chance above z to twelve digits, from -30 to 30; numpy has none.

    Ten times faster than going through ``math.erfc``.
    """
    value, slope, second, third = _mills_cubics()
    out = np.fmin(np.abs(z), FAR)  # NaN takes a place in the table too, and is put back below
    at = out * CELLS
    cell = at.astype(np.int64)
    at -= cell
    tail = third[cell]
    for coefficient in (second, slope, value):
        tail *= at
        tail += coefficient[cell]
    tail *= _normal_density(out)
    chance = np.where(z > 0, tail, 1 - tail)
    return np.where(np.isnan(z), np.nan, chance)


def _normal_density(z: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * z**2) / math.sqrt(2 * math.pi), dtype=np.float64)


def _logistic_below(z: FloatArray) -> FloatArray:
    return np.asarray(1 / (1 + np.exp(-z)), dtype=np.float64)


def _logistic_density(z: FloatArray) -> FloatArray:
    return _logistic_below(z) * _logistic_below(-z)


def _extreme_rate(z: FloatArray) -> FloatArray:
    return np.asarray(np.exp(np.minimum(z, 6.5)), dtype=np.float64)


def _extreme_density(z: FloatArray) -> FloatArray:
    rate = _extreme_rate(z)
    return np.asarray(rate * np.exp(-rate), dtype=np.float64)


STANDARDS: dict[str, Standard] = {
    "weibull": Standard(
        lambda z: -np.expm1(-_extreme_rate(z)),
        lambda z: np.exp(-_extreme_rate(z)),
        _extreme_density,
        lambda z: _extreme_density(z) * (1 - _extreme_rate(z)),
    ),
    "lognormal": Standard(
        lambda z: normal_above(-z),
        normal_above,
        _normal_density,
        lambda z: -z * _normal_density(z),
    ),
    "loglogistic": Standard(
        _logistic_below,
        lambda z: _logistic_below(-z),
        _logistic_density,
        lambda z: _logistic_density(z) * (1 - 2 * _logistic_below(z)),
    ),
}


def standard_units(step: FloatArray, location: FloatArray, scale: float) -> FloatArray:
    """Return ``(log step - location) / scale``, kept finite; step 0 is far below."""
    with np.errstate(divide="ignore"):
        return np.clip((np.log(step) - location) / scale, -FAR, FAR)


def survival_curve(
    standard: Standard, location: FloatArray, scale: FloatArray, horizon: int
) -> FloatArray:
    """Return the chance of no event by steps 1 to ``horizon``, one more axis than ``location``."""
    steps = np.log(np.arange(1.0, horizon + 1))
    z = np.clip((steps - location[..., None]) / scale[..., None], -FAR, FAR)
    return standard.above(z)


def step_likelihood(
    standard: Standard,
    step: FloatArray,
    observed: npt.NDArray[np.bool_],
    location: FloatArray,
    scale: float,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log-likelihood, gradient and Hessian of each row in (location, log scale).

    An observed row has the event at ``step``, another none by ``step`` (0: nothing is known).

    Returns
    -------
    value : ndarray of shape (n,)
    gradient : ndarray of shape (n, 2)
    hessian : ndarray of shape (n, 2, 2)
    """
    upper = standard_units(step, location, scale)
    lower = standard_units(step - observed, location, scale)
    # event: from lower to upper; otherwise: above lower, which is then the censoring step
    high = lower > 0  # the tail in which differences keep their digits
    reached = np.where(high, -standard.above(upper), standard.below(upper))
    not_before = np.where(high, standard.above(lower), -standard.below(lower))
    chance = np.where(observed, reached + not_before, standard.above(lower))
    first = np.zeros((len(step), 2))
    second = np.zeros((len(step), 2, 2))
    for z, sign in ((upper, observed.astype(np.float64)), (lower, -1.0)):
        moved = np.stack([np.full_like(z, -1 / scale), -z], axis=1)
        density, slope = sign * standard.density(z), sign * standard.slope(z)
        first += density[:, None] * moved
        second += slope[:, None, None] * moved[:, :, None] * moved[:, None, :]
        second[:, 0, 1] += density / scale
        second[:, 1, 0] += density / scale
        second[:, 1, 1] += density * z
    chance = np.maximum(chance, TINY)
    gradient = first / chance[:, None]
    hessian = second / chance[:, None, None] - gradient[:, :, None] * gradient[:, None, :]
    return np.log(chance), gradient, hessian
