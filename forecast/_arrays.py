"""Arrays: their types, named once, and rows that count more or less: shares, sums, draws."""

from __future__ import annotations

import math
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

AnyArray: TypeAlias = npt.NDArray[Any]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]


def effective_number(weight: npt.ArrayLike) -> float:
    """Return Kish's effective number: as many equal weights would be as precise.

    Examples
    --------
    >>> effective_number([2.0, 2.0, 2.0])
    3.0
    >>> effective_number([1.0, 0.0, 0.0])
    1.0
    """
    w = np.asarray(weight, dtype=np.float64)
    square = float(w @ w)
    return 0.0 if square == 0 else float(w.sum() ** 2 / square)


def shares(part: npt.ArrayLike, whole: FloatArray, *, above: float = 0.0) -> FloatArray:
    """Return ``part`` by ``whole``, and 0 where the whole is not ``above`` a number."""
    size = np.broadcast_shapes(np.shape(part), whole.shape)
    found: FloatArray = np.divide(part, whole, out=np.zeros(size), where=whole > above)
    return found


def sums_by(place: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Return sums of ``values`` (..., n) by their ``place`` (n,), 0 to ``size`` - 1: (..., size).

    Examples
    --------
    >>> sums_by(np.array([0, 2, 0]), np.array([[1.0, 2.0, 3.0]]), 3)
    array([[4., 0., 2.]])
    """
    each = values.reshape(math.prod(values.shape[:-1]), values.shape[-1])
    at = place + size * np.arange(len(each))[:, None]
    sums = np.bincount(at.ravel(), each.ravel(), size * len(each)).astype(np.float64)
    return sums.reshape(*values.shape[:-1], size)


def cluster_counts(n_clusters: int, replicates: int, *, seed: int) -> IntArray:
    """Return how often each cluster is drawn in each replicate, shape (replicates, n_clusters).

    Replicate r is the same whatever ``replicates`` is, so work may be split at will.

    Examples
    --------
    >>> cluster_counts(5, 3, seed=1).sum(axis=1)
    array([5, 5, 5])
    """
    rng = np.random.default_rng(seed)
    equal = np.full(n_clusters, 1 / n_clusters)
    return rng.multinomial(n_clusters, equal, size=replicates)
