"""What one subject adds to the mixed model: moments within bounds, and sums over its rows.

One value is exact. Several correlated ones go by expectation propagation (Cunningham, Hennig &
Lacoste-Julien 2011, arXiv:1111.6832): each bound is replaced by the Gaussian factor that gives its
value the right mean and variance in the presence of the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast._types import BoolArray, FloatArray, IntArray
from forecast.causal.mixed.linear import Rows

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


NEAR = 0.4  # a log response this far below an asymptote rules the asymptote out
LOWEST, HIGHEST = -8.0, 0.5  # path on which a tangent is laid


@dataclass(frozen=True, slots=True, eq=False)
class Tangent:
    """The rows of all copies, linear in the path."""

    rows: Rows  # design and random columns times the slope of the tangent
    low: FloatArray  # bounds of the response, less where the tangent meets a path of zero
    high: FloatArray
    slope: FloatArray  # (n,): change of the response with the path, 1 where there is no asymptote


@dataclass(frozen=True, slots=True, eq=False)
class Copies:
    """All subjects, then once more for each asymptote those that may have it."""

    rows: Rows
    low: FloatArray  # (n,): bounds of the response
    high: FloatArray
    clock: FloatArray  # (n,): when it was measured
    share: FloatArray  # (n,): asymptote of the row's copy, 0 for none
    owner: IntArray  # (n_copies,): which subject a copy is of
    plain: BoolArray  # (n_copies,): whether it has no asymptote
    n_subjects: int
    n_shares: int
    # (n, m): derivatives of the last random column in each multiplicative effect
    multiplicative: FloatArray
    slope_column: int  # the design's column that is the last random one

    @property
    def originals(self) -> Rows:
        """The rows of the first copies, which have no asymptote."""
        n = len(self.low)
        if len(self.owner) > self.n_subjects:
            n = int(self.rows.starts[self.n_subjects])
        return _repeated(self.rows, np.arange(n), np.arange(self.n_subjects))

    def log_prior(self, mixture_weight: float) -> FloatArray:
        """Return the log chance of each copy at a mixture weight of all asymptotes together."""
        each = np.full(len(self.owner), np.log(mixture_weight / max(self.n_shares, 1)))
        each[self.plain] = np.log1p(-mixture_weight)
        return each

    def chances(self, log_joint: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the chance of each copy, and the log-likelihood of each subject."""
        top = np.full(self.n_subjects, -np.inf)
        np.maximum.at(top, self.owner, log_joint)
        part = np.exp(log_joint - top[self.owner])
        total = np.bincount(self.owner, weights=part, minlength=self.n_subjects)
        return part / total[self.owner], top + np.log(total)

    def tangent(self, path: FloatArray) -> Tangent:
        """Return the rows with each copy's curve replaced by its tangent at a path, (n,)."""
        at = self.share > 0
        if not at.any():
            return Tangent(self.rows, self.low, self.high, np.ones(len(path)))
        there, share = np.clip(path[at], LOWEST, HIGHEST), self.share[at]
        left = share + (1 - share) * np.exp(there)
        slope, shift = np.ones(len(path)), np.zeros(len(path))
        slope[at] = 1 - share / left
        shift[at] = np.log(left) - slope[at] * there
        rows = replace(
            self.rows,
            design=self.rows.design * slope[:, None],
            random=self.rows.random * slope[:, None],
        )
        return Tangent(rows, self.low - shift, self.high - shift, slope)


def copies_of(
    rows: Rows,
    low: FloatArray,
    high: FloatArray,
    clock: FloatArray,
    shares: tuple[float, ...],
    *,
    multiplicative: FloatArray,
    slope_column: int,
) -> Copies:
    """Return the copies; none for an asymptote that a measurement of the subject rules out."""
    n_subjects = len(rows.starts)
    least = np.minimum.reduceat(high, rows.starts) + NEAR
    code = rows.code
    parts = [np.arange(len(code))]
    owners = [np.arange(n_subjects)]
    held = [np.zeros(len(code))]
    for share in shares:
        may = np.flatnonzero(np.log(share) < least)
        mine = np.flatnonzero(np.isin(code, may))
        parts.append(mine)
        owners.append(may)
        held.append(np.full(len(mine), share))
    at, owner = np.concatenate(parts), np.concatenate(owners)
    return Copies(
        rows=_repeated(rows, at, owner),
        low=low[at],
        high=high[at],
        clock=clock[at],
        share=np.concatenate(held),
        owner=owner,
        plain=np.arange(len(owner)) < n_subjects,
        n_subjects=n_subjects,
        n_shares=len(shares),
        multiplicative=multiplicative[at],
        slope_column=slope_column,
    )


def _repeated(rows: Rows, at: IntArray, owner: IntArray) -> Rows:
    sizes = np.diff(np.append(rows.starts, len(rows.response)))[owner]
    return Rows(
        design=rows.design[at],
        response=rows.response[at],
        random=rows.random[at],
        starts=np.append(0, np.cumsum(sizes)[:-1]),
        subjects=rows.subjects[owner],
        order=rows.order[at],
    )


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Subjects with equally many rows, equally many of them known only within bounds."""

    rows: IntArray  # (k, m): rows of each subject, the bounded ones last
    who: IntArray  # (k,): which copies
    n_bounded: int
    factors: FloatArray  # (2, k, n_bounded): where the last search for the bounded values ended

    @property
    def bounded(self) -> IntArray:
        """Bounded rows, (k, n_bounded)."""
        return self.rows[:, self.rows.shape[1] - self.n_bounded :]


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """What a guess says of a block."""

    left: FloatArray  # (k, m): responses less their means, bounded ones as expected
    precision: FloatArray  # (k, m, m): inverse covariance, in units of the residual variance
    # (k, n_bounded, n_bounded): covariance of the bounded values, given everything
    hidden: FloatArray
    loglik: FloatArray  # (k,)


def blocks_of(starts: IntArray, measured: BoolArray) -> tuple[Block, ...]:
    """Return the subjects whose rows begin at ``starts``, in blocks."""
    sizes = np.diff(np.append(starts, len(measured)))
    hidden = np.add.reduceat((~measured).astype(np.int64), starts)
    found = []
    for m, c in sorted(set(zip(sizes.tolist(), hidden.tolist(), strict=True))):
        who = np.flatnonzero((sizes == m) & (hidden == c))
        rows = starts[who][:, None] + np.arange(m)
        last = np.argsort(~measured[rows], axis=1, kind="stable")
        rows = np.take_along_axis(rows, last, axis=1)
        found.append(Block(rows, who, c, np.zeros((2, len(who), c))))
    return tuple(found)


def _errors_of(block: Block, clock: FloatArray, slope: FloatArray, process: float) -> FloatArray:
    """Return the covariance of a block's errors over the residual variance, (k, m, m)."""
    m = block.rows.shape[1]
    return np.asarray(np.eye(m) + process * shared_errors(block, clock, slope), dtype=np.float64)


def shared_errors(block: Block, clock: FloatArray, slope: FloatArray) -> FloatArray:
    """Return the covariance of a block's errors that stay, over the process variance, (k, m, m)."""
    when, by = clock[block.rows], slope[block.rows]
    shared = np.minimum(when[:, :, None], when[:, None, :]) * by[:, :, None] * by[:, None, :]
    return np.asarray(shared, dtype=np.float64)


def fill(
    block: Block,
    tangent: Tangent,
    clock: FloatArray,
    coefficients: FloatArray,
    relative: FloatArray,
    process: float,
    variance: float,
) -> Filled:
    """Return what the parameters say of a block; see `Filled`."""
    rows = tangent.rows
    Z, c = rows.random[block.rows], block.n_bounded
    mean = rows.design[block.rows] @ coefficients
    spread = _errors_of(block, clock, tangent.slope, process) + Z @ relative @ Z.transpose(0, 2, 1)
    precision = np.asarray(np.linalg.inv(spread), dtype=np.float64)
    left = tangent.low[block.rows] - mean
    k, seen = len(mean), mean.shape[1] - c
    left[:, seen:] = 0.0
    volume = np.linalg.slogdet(spread)[1]
    hidden, chance, found = np.zeros((k, c, c)), np.zeros(k), np.zeros((k, c))
    if c:
        inner = np.asarray(np.linalg.inv(precision[:, seen:, seen:]), dtype=np.float64)
        pulled = (precision @ left[:, :, None])[:, seen:]
        centre = -(inner @ pulled)[:, :, 0]  # of the bounded rows, given the measured ones
        left[:, seen:] = centre
        there = mean[:, seen:]
        bounds = tangent.low[block.bounded] - there, tangent.high[block.bounded] - there
        found, hidden, chance = truncated_moments(
            centre, variance * inner, *bounds, factors=block.factors
        )
        volume = volume - np.linalg.slogdet(inner)[1]
    fit = np.einsum("km,kmn,kn->k", left, precision, left)
    left[:, seen:] = found
    loglik = chance - 0.5 * (volume + seen * np.log(2 * np.pi * variance) + fit / variance)
    return Filled(left, precision, hidden, np.asarray(loglik, dtype=np.float64))


def whitened(
    block: Block, clock: FloatArray, slope: FloatArray, process: float
) -> tuple[FloatArray, FloatArray]:
    """Return the inverse factor of a block's errors, (k, m, m), and their log volumes, (k,)."""
    factor = np.linalg.cholesky(_errors_of(block, clock, slope, process))
    volume = 2 * np.log(np.einsum("kmm->km", factor)).sum(axis=1)
    return np.asarray(np.linalg.inv(factor), dtype=np.float64), volume
