"""Log-location-scale families of a latent duration, and the likelihood of a step cut from one.

The event falls at step k when the latent duration lies in (k - 1, k]: with location ``m`` and
scale ``s`` the chance of that is ``G((log k - m) / s) - G((log(k - 1) - m) / s)``.
Covariates and priors come in ``accelerated``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from forecast._arrays import BoolArray, FloatArray, IntArray

LOG_ROOT = 0.5 * math.log(2 * math.pi)
CELLS = 384  # cells per standard unit in the table of the normal tail
NEAR_ONE = -9.0  # standard units from where the chance above is 1
FAR = 30.0  # standard units beyond which every distribution here is 0 or 1
FARTHEST = 700.0  # standard units; the exponential of more overflows


class Standard(NamedTuple):
    """A standard distribution of a latent log duration.

    Chances of steps are logs that hold however far out they lie, so that value and slope of a
    likelihood agree everywhere.
    """

    above: Callable[[FloatArray], FloatArray]  # chance above z
    # log of the chance between two places, the lower first
    log_between: Callable[[FloatArray, FloatArray], FloatArray]
    log_density: Callable[[FloatArray], FloatArray]  # log of the density
    score: Callable[[FloatArray], FloatArray]  # slope of the log density


@lru_cache(maxsize=1)
def _log_tail_cubics() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return cubics that follow the log of the normal tail, exact in value and slope at their ends.

    The log bends gently all the way, so that a short table keeps twelve digits of the tail.
    """
    nodes = np.arange(int(NEAR_ONE) * CELLS, int(FAR) * CELLS + 2) / CELLS
    above = (nodes[nodes >= 0] / math.sqrt(2)).tolist()  # those below mirror the first of them
    tail = 0.5 * np.array([*map(math.erfc, above)])
    tail = np.append(tail[len(nodes) - len(tail) : 0 : -1], tail)
    value = np.where(nodes > 0, np.log(tail), np.log1p(-tail))
    slope = -np.exp(_normal_log_density(nodes) - value) / CELLS
    rise = value[1:] - value[:-1]
    second = 3 * rise - 2 * slope[:-1] - slope[1:]
    third = slope[:-1] + slope[1:] - 2 * rise
    return value[:-1], slope[:-1], second, third


def _log_tail(z: FloatArray) -> FloatArray:
    """Return the log of the normal chance above z, or that of ``FAR`` where it lies beyond."""
    value, slope, second, third = _log_tail_cubics()
    at = np.clip(z, NEAR_ONE, FAR)
    at -= NEAR_ONE
    at *= CELLS
    part = np.floor(at)  # and what each part of the sum comes to, in the same place
    at -= part
    with np.errstate(invalid="ignore"):  # NaN takes a place in the table, and stays NaN
        cell = part.astype(np.intp)
    log = third.take(cell, mode="clip")
    for coefficient in (second, slope, value):
        log *= at
        log += coefficient.take(cell, mode="clip", out=part)
    return log


def normal_above(z: FloatArray) -> FloatArray:
    """Return the normal chance above z to twelve digits, from -30 to 30; numpy has none."""
    log = _log_tail(z)
    return np.exp(log, out=log)


def _normal_log_density(z: FloatArray) -> FloatArray:
    log = -0.5 * z
    log *= z
    log -= LOG_ROOT
    return log


def _normal_log_above(z: FloatArray) -> FloatArray:
    log, far = _log_tail(z), z > FAR
    if far.any():
        out = z[far]
        square = out**-2
        series = 1 - square * (1 - 3 * square * (1 - 5 * square * (1 - 7 * square)))
        log[far] = np.log(series / out) + _normal_log_density(out)
    return log


def _normal_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    # the tail in which differences keep their digits: mirrored where the lower one is it
    tails = np.empty((2, *lower.shape))
    np.negative(upper, out=tails[1])
    np.maximum(lower, tails[1], out=tails[0])
    np.negative(np.minimum(lower, tails[1], out=tails[1]), out=tails[1])
    # to a place well within the table what lies beyond it adds nothing
    within = tails[0].max(initial=0.0) < FAR - 2
    near, far = _log_tail(tails) if within else _normal_log_above(tails)
    far -= near
    np.log(np.negative(np.expm1(far, out=far), out=far), out=far)
    near += far
    return np.asarray(near)


def _logistic_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    inside = np.log(-np.expm1(lower - upper))
    return np.asarray(inside - np.logaddexp(0, lower) - np.logaddexp(0, -upper))


def _extreme_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    rate = np.exp(lower)
    return np.asarray(np.log(-np.expm1(rate - np.exp(upper))) - rate, dtype=np.float64)


STANDARDS: dict[str, Standard] = {
    "weibull": Standard(
        lambda z: np.exp(-np.exp(np.minimum(z, FAR))),
        _extreme_log_between,
        lambda z: z - np.exp(z),
        lambda z: 1 - np.exp(z),
    ),
    "lognormal": Standard(normal_above, _normal_log_between, _normal_log_density, np.negative),
    "loglogistic": Standard(
        lambda z: 1 / (1 + np.exp(np.minimum(z, FAR))),
        _logistic_log_between,
        lambda z: z - 2 * np.logaddexp(0, z),
        lambda z: -np.tanh(z / 2),
    ),
}


def log_ends(step: IntArray, observed: BoolArray) -> FloatArray:
    """Return the logs between which each latent duration lies, shape (2, n).

    An observed row has the event at ``step``, another none by ``step`` (0: nothing is known).
    """
    with np.errstate(divide="ignore"):  # the log of step 0
        return np.stack([np.log(step - observed), np.where(observed, np.log(step), np.inf)])


def step_likelihood(
    standard: Standard, ends: FloatArray, location: FloatArray, scale: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log-likelihood, gradient and Hessian of each row in (location, log scale).

    ``ends`` are those of :func:`log_ends`; the shapes are (n,), (2, n) and (2, 2, n).
    """
    z = ends - location
    z /= scale
    np.clip(z, -FARTHEST, FARTHEST, out=z)
    with np.errstate(divide="ignore"):  # the log of a chance that is none
        value = standard.log_between(z[0], z[1])
    density = standard.log_density(z)
    density -= value
    np.exp(density, out=density)
    np.negative(density[0], out=density[0])  # what the lower end adds is taken away
    bent = density * standard.score(z)
    by_z, bend = density[0] + density[1], bent[0] + bent[1]
    density *= z
    bent *= z
    by_scale, lean = density[0] + density[1], bent[0] + bent[1]
    bent *= z
    twist = bent[0] + bent[1]
    first, second = np.empty((2, *value.shape)), np.empty((2, 2, *value.shape))
    first[0], first[1] = by_z / -scale, -by_scale
    second[0, 0] = bend / scale**2 - first[0] ** 2
    second[0, 1] = second[1, 0] = (lean + by_z) / scale - first[0] * first[1]
    second[1, 1] = twist + by_scale - first[1] ** 2
    return value, first, second
