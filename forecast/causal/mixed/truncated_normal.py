"""Normal values of which only bounds are known: their mean, covariance and probability.

One value is exact. Several correlated ones go by expectation propagation (Cunningham, Hennig &
Lacoste-Julien 2011, arXiv:1111.6832): each bound is replaced by the Gaussian factor that gives its
value the right mean and variance in the presence of the others.
"""

from __future__ import annotations

import numpy as np

from forecast._types import FloatArray

SWEEPS = 30
SETTLED = 1e-6  # change of any mean in a sweep, in its standard deviations
FAR = 100.0  # standard units: bounds beyond are moved there together, and their mean back
ENDLESS = 1e9  # in place of no bound
LEAST = 1e-10


def between_bounds(low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return mean, variance and log chance of standard normal values within bounds.

    Parameters
    ----------
    low, high : ndarray
        Bounds in standard units, ``low < high``; infinite ends are allowed.

    Examples
    --------
    >>> mean, variance, _ = between_bounds(np.array([0.0]), np.array([np.inf]))
    >>> mean.round(4).item(), variance.round(4).item()
    (0.7979, 0.3634)
    """
    from scipy.special import log_ndtr

    low, high = np.maximum(low, -ENDLESS), np.minimum(high, ENDLESS)
    mirrored = low + high > 0  # work in the tail in which differences keep their digits
    a, b = np.where(mirrored, -high, low), np.where(mirrored, -low, high)
    beyond = np.maximum(-b - FAR, 0.0)
    a, b = np.clip(a + beyond, -2 * FAR, FAR), np.minimum(b + beyond, FAR)
    b = np.maximum(b, a + 1e-9)
    upper, lower = log_ndtr(b), log_ndtr(a)
    log_chance = upper + np.log(-np.expm1(np.minimum(lower - upper, -1e-16)))
    at_a, at_b = (np.exp(-0.5 * end**2 - log_chance) / np.sqrt(2 * np.pi) for end in (a, b))
    mean = np.clip(at_a - at_b, a, b)
    variance = 1 + a * at_a - b * at_b - mean**2
    log_chance = log_chance - beyond * (FAR + beyond / 2)
    mean = mean - beyond
    # within a sliver the difference has no digits left: there the value is all but uniform
    sliver = np.minimum((b - a) ** 2 / 12, 1.0)
    variance = np.where(variance > LEAST, np.minimum(variance, 1.0), np.minimum(sliver, LEAST))
    return np.where(mirrored, -mean, mean), np.maximum(variance, 1e-18), log_chance


def truncated_moments(
    mean: FloatArray,
    covariance: FloatArray,
    low: FloatArray,
    high: FloatArray,
    *,
    factors: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return means, covariances and log chances of normal vectors that lie within bounds.

    Parameters
    ----------
    mean, low, high : ndarray of shape (n, c)
        Of n vectors of c values each, before the bounds are known.
    covariance : ndarray of shape (n, c, c)
    factors : ndarray of shape (2, n, c), optional
        Where to start from, zeros for anew; written over with where the search ended, so that a
        later call for slightly different means is quick.

    Returns
    -------
    mean : ndarray of shape (n, c)
    covariance : ndarray of shape (n, c, c)
    log_chance : ndarray of shape (n,)
    """
    if mean.shape[1] == 1:
        spread = np.sqrt(covariance[:, 0])
        inside, variance, log_chance = between_bounds((low - mean) / spread, (high - mean) / spread)
        return mean + spread * inside, covariance * variance[:, :, None], log_chance[:, 0]
    precision, shift = np.zeros((2, *mean.shape)) if factors is None else factors
    inverse = np.asarray(np.linalg.inv(covariance), dtype=np.float64)
    there, spread = _posterior(mean, inverse, precision, shift)
    scale = np.sqrt(np.einsum("ncc->nc", covariance))
    log_chance = np.zeros(mean.shape)
    for _ in range(SWEEPS):
        before = there.copy()
        for at in range(mean.shape[1]):
            moments = _one_bound(there, spread, precision, shift, low, high, at)
            added, moved = moments[0] - precision[:, at], moments[1] - shift[:, at]
            precision[:, at], shift[:, at], log_chance[:, at] = moments
            _add_factor(there, spread, added, moved, at)
        if (np.abs(there - before) / scale).max() < SETTLED:
            break
    there, spread = _posterior(mean, inverse, precision, shift)  # free of rounding built up
    return there, spread, _evidence(mean, inverse, precision, shift, log_chance)


def _one_bound(
    there: FloatArray,
    spread: FloatArray,
    precision: FloatArray,
    shift: FloatArray,
    low: FloatArray,
    high: FloatArray,
    at: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the Gaussian factor of one bound, and the log scale that makes it match."""
    variance = spread[:, at, at]
    others = 1 / np.maximum(1 / variance - precision[:, at], LEAST)  # the value without its bound
    centre = others * (there[:, at] / variance - shift[:, at])
    width = np.sqrt(others)
    inside, share, log_chance = between_bounds(
        (low[:, at] - centre) / width, (high[:, at] - centre) / width
    )
    # a bound can only add knowledge: its factor has no negative precision
    added = np.maximum(1 / (others * share) - 1 / others, LEAST)
    moved = (centre + width * inside) * (added + 1 / others) - centre / others
    total = 1 / others + added
    log_scale = log_chance + 0.5 * np.log(total * others)
    log_scale -= 0.5 * ((centre / others + moved) ** 2 / total - centre**2 / others)
    return added, moved, log_scale


def _add_factor(
    there: FloatArray, spread: FloatArray, added: FloatArray, moved: FloatArray, at: int
) -> None:
    """Bring means and covariances up to date, in place, after one factor changed."""
    column = spread[:, :, at].copy()
    gain = 1 / (1 + added * column[:, at])
    there += column * (gain * (moved - added * there[:, at]))[:, None]
    spread -= (added * gain)[:, None, None] * column[:, :, None] * column[:, None, :]


def _posterior(
    mean: FloatArray, inverse: FloatArray, precision: FloatArray, shift: FloatArray
) -> tuple[FloatArray, FloatArray]:
    total = inverse.copy()
    every = np.arange(mean.shape[1])
    total[:, every, every] += precision
    spread = np.asarray(np.linalg.inv(total), dtype=np.float64)
    pulled = (inverse @ mean[:, :, None])[:, :, 0] + shift
    return (spread @ pulled[:, :, None])[:, :, 0], spread


def _evidence(
    mean: FloatArray,
    inverse: FloatArray,
    precision: FloatArray,
    shift: FloatArray,
    log_scale: FloatArray,
) -> FloatArray:
    """Return the log chance: the integral of the normal times the scaled factors."""
    there, spread = _posterior(mean, inverse, precision, shift)
    pulled = (inverse @ mean[:, :, None])[:, :, 0]
    fit = np.einsum("nc,nc->n", pulled + shift, there) - np.einsum("nc,nc->n", pulled, mean)
    volume = np.linalg.slogdet(spread)[1] + np.linalg.slogdet(inverse)[1]
    found: FloatArray = log_scale.sum(axis=1) + 0.5 * (fit + volume)
    return found
