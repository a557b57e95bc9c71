"""Subjects in blocks of like shape, for what needs a subject's own covariance matrix.

The errors of a subject are independent from measurement to measurement, and its path may wander:
errors that add up with the clock. In units of the residual variance the errors of two rows covary
by ``wander * min(clock, clock')``, each times the slope of its tangent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.causal.plateaus import Tangent
from forecast.causal.truncated_normal import truncated_moments

__all__ = ["Block", "Filled", "blocks_of", "fill", "shared_errors", "whitened"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Subjects with equally many rows, equally many of them known only within bounds.

    Attributes
    ----------
    rows : ndarray of int, shape (k, m)
        Rows of each subject, the bounded ones last.
    who : ndarray of int, shape (k,)
        Which subjects.
    n_bounded : int
    factors : ndarray of shape (2, k, n_bounded)
        Where the last search for the bounded values ended.
    """

    rows: IntArray
    who: IntArray
    n_bounded: int
    factors: FloatArray

    @property
    def bounded(self) -> IntArray:
        """Bounded rows, (k, n_bounded)."""
        return self.rows[:, self.rows.shape[1] - self.n_bounded :]


@dataclass(frozen=True, slots=True, eq=False)
class Filled:
    """What a guess says of a block.

    Attributes
    ----------
    left : ndarray of shape (k, m)
        Responses less their means, bounded ones as expected.
    precision : ndarray of shape (k, m, m)
        Inverse covariance, in units of the residual variance.
    hidden : ndarray of shape (k, n_bounded, n_bounded)
        Covariance of the bounded values given everything.
    loglik : ndarray of shape (k,)
    """

    left: FloatArray
    precision: FloatArray
    hidden: FloatArray
    loglik: FloatArray


def blocks_of(starts: IntArray, measured: npt.NDArray[np.bool_]) -> tuple[Block, ...]:
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


def errors_of(block: Block, clock: FloatArray, slope: FloatArray, wander: float) -> FloatArray:
    """Return the covariance of a block's errors over the residual variance, (k, m, m)."""
    m = block.rows.shape[1]
    return np.asarray(np.eye(m) + wander * shared_errors(block, clock, slope), dtype=np.float64)


def shared_errors(block: Block, clock: FloatArray, slope: FloatArray) -> FloatArray:
    """Return the covariance of a block's errors that stay, over the wander, (k, m, m)."""
    when, by = clock[block.rows], slope[block.rows]
    shared = np.minimum(when[:, :, None], when[:, None, :]) * by[:, :, None] * by[:, None, :]
    return np.asarray(shared, dtype=np.float64)


def fill(
    block: Block,
    tangent: Tangent,
    clock: FloatArray,
    coefficients: FloatArray,
    relative: FloatArray,
    wander: float,
    variance: float,
) -> Filled:
    """Return what the parameters say of a block; see `Filled`."""
    rows = tangent.rows
    Z, c = rows.random[block.rows], block.n_bounded
    mean = rows.design[block.rows] @ coefficients
    spread = errors_of(block, clock, tangent.slope, wander) + Z @ relative @ Z.transpose(0, 2, 1)
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
    block: Block, clock: FloatArray, slope: FloatArray, wander: float
) -> tuple[FloatArray, FloatArray]:
    """Return the inverse factor of a block's errors, (k, m, m), and their log volumes, (k,)."""
    factor = np.linalg.cholesky(errors_of(block, clock, slope, wander))
    volume = 2 * np.log(np.einsum("kmm->km", factor)).sum(axis=1)
    return np.asarray(np.linalg.inv(factor), dtype=np.float64), volume
