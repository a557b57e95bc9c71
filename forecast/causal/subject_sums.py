"""Sums over each subject's rows, all that a linear mixed model needs from the data.

With ``Z`` the columns that vary by subject and ``Y`` the design beside the response, a subject
enters through ``Z'Z`` and ``Z'Y`` only. Subjects with the same ``Z'Z`` (measured at the same
steps) are joined, after which the likelihood costs nothing per subject.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Rows", "SubjectSums", "inverse_and_logdet", "read_rows"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
JOINED = 4  # subjects per pattern of Z'Z from which joining pays


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The rows of a mixed model, those of a subject together.

    Attributes
    ----------
    design : ndarray of shape (n, p)
    response : ndarray of shape (n,)
    random : ndarray of shape (n, q)
    starts : ndarray of int, shape (n_subjects,)
        First row of each subject.
    subjects : ndarray of shape (n_subjects,)
        Labels, in order of appearance.
    order : ndarray of int, shape (n,)
        Where each row stood in what was given.
    """

    design: FloatArray
    response: FloatArray
    random: FloatArray
    starts: IntArray
    subjects: npt.NDArray[Any]
    order: IntArray

    @property
    def code(self) -> IntArray:
        """The subject of each row, as a number from 0."""
        sizes = np.diff(np.append(self.starts, len(self.response)))
        return np.repeat(np.arange(len(self.starts)), sizes)


def read_rows(
    design: npt.ArrayLike,
    response: npt.ArrayLike,
    subject: npt.ArrayLike | pd.Series[Any],
    random: npt.ArrayLike | None,
) -> Rows:
    """Return checked rows; raise DataError when lengths differ or a value is missing."""
    import pandas as pd

    X = np.asarray(design, dtype=np.float64)
    y = np.asarray(response, dtype=np.float64)
    Z = np.ones((len(y), 1)) if random is None else np.asarray(random, dtype=np.float64)
    codes, labels = pd.factorize(np.asarray(subject))
    if X.ndim != 2 or Z.ndim != 2 or not len(X) == len(y) == len(Z) == len(codes):
        raise DataError(
            f"The design has shape {X.shape}, the response {y.shape}, the random part {Z.shape}.",
            "Give tables with one row per response.",
        )
    sums = X.sum() + y.sum() + Z.sum()
    if not np.isfinite(sums) or (codes < 0).any():
        raise DataError(
            "A value of the mixed model's rows is missing or not finite.",
            "Leave such rows out first.",
        )
    order = np.arange(len(y))
    if (np.diff(codes) < 0).any():
        order = np.argsort(codes, kind="stable")
        X, y, Z, codes = X[order], y[order], Z[order], codes[order]
    starts = np.flatnonzero(np.diff(codes, prepend=-1))
    return Rows(X, y, Z, starts, np.asarray(labels), order)


@dataclass(frozen=True, slots=True, eq=False)
class SubjectSums:
    """Per-subject sums of products.

    Attributes
    ----------
    total : ndarray of shape (P, P)
        ``Y'Y`` over all rows; P is the number of design columns and one for the response.
    inner : ndarray of shape (G, q, q)
        The patterns of ``Z'Z``; one per subject unless joined.
    size : ndarray of shape (G,)
        Subjects per pattern.
    cross : ndarray of shape (n_subjects, q, P)
        ``Z'Y`` of each subject.
    pattern : ndarray of int, shape (n_subjects,)
        The pattern of each subject.
    moments : ndarray of shape (G q q, P P), or None
        Sums over the subjects of a pattern of the outer products of ``Z'Y``, when joined.
    n_rows : float
        A subject's rows count as often as the subject.
    extra : ndarray of shape (G, q, q), optional
        What the covariances of responses not measured add to ``Z'y y'Z`` of each pattern.
    weight : ndarray of shape (n_subjects,), optional
        How often each subject counts; once when not given. ``cross`` then holds the sums times
        its root.
    """

    total: FloatArray
    inner: FloatArray
    size: FloatArray
    cross: FloatArray
    pattern: IntArray
    moments: FloatArray | None
    n_rows: float
    extra: FloatArray | None = None
    weight: FloatArray | None = None

    @classmethod
    def of(cls, rows: Rows, weight: FloatArray | None = None) -> SubjectSums:
        """Return the sums of ``rows``, patterns joined where that pays."""
        Y = np.column_stack([rows.design, rows.response])
        n, q = rows.random.shape
        products = [rows.random[:, [a]] * rows.random[:, a:] for a in range(q)]
        sums = [np.add.reduceat(part, rows.starts, axis=0) for part in products]
        inner = np.empty((len(rows.starts), q, q))
        for a, part in enumerate(sums):
            inner[:, a, a:] = part
            inner[:, a:, a] = part
        cross = np.empty((len(rows.starts), q, Y.shape[1]))
        for a in range(q):
            column = rows.random[:, [a]]
            weighted = Y if (column == 1).all() else column * Y
            cross[:, a] = np.add.reduceat(weighted, rows.starts, axis=0)
        first, pattern = patterns(inner.reshape(len(inner), -1))
        joined = len(first) * JOINED <= len(inner)
        if not joined:
            pattern, first = np.arange(len(inner)), np.arange(len(inner))
        counts: float = n
        left = Y
        if weight is not None:
            often = weight[rows.code]
            cross = cross * np.sqrt(weight)[:, None, None]
            left, counts = Y * often[:, None], float(often.sum())
        return cls(
            total=left.T @ Y,
            inner=inner[first],
            size=np.bincount(pattern, weights=weight, minlength=len(first)).astype(np.float64),
            cross=cross,
            pattern=pattern,
            moments=moments_of(cross, pattern, len(first)) if joined else None,
            n_rows=counts,
            weight=weight,
        )

    def quadratic(self, weight: FloatArray) -> FloatArray:
        """Return the sum over subjects of ``(Z'Y)' W (Z'Y)``; ``weight`` (G, q, q) symmetric."""
        P, q = len(self.total), weight.shape[1]
        if self.moments is not None:
            found: FloatArray = (weight.ravel() @ self.moments).reshape(P, P)
            return self._grown(found, weight)
        found = np.zeros((P, P))
        for a in range(q):
            for b in range(a, q):
                part = self.cross[:, a].T @ (weight[:, a, b, None] * self.cross[:, b])
                found += part if a == b else part + part.T
        return self._grown(found, weight)

    def _grown(self, found: FloatArray, weight: FloatArray) -> FloatArray:
        if self.extra is not None:
            found[-1, -1] += (weight * self.extra).sum()
        return found

    def outer(self, middle: FloatArray) -> FloatArray:
        """Return for each pattern the sum of ``(Z'Y) C (Z'Y)'``, (G, q, q); C is ``middle``."""
        q = self.cross.shape[1]
        extra = 0.0 if self.extra is None else middle[-1, -1] * self.extra
        if self.moments is not None:
            return (self.moments @ middle.ravel()).reshape(-1, q, q) + extra
        found = np.empty((len(self.cross), q, q))
        moved = self.cross @ middle
        for a in range(q):
            for b in range(a, q):
                found[:, a, b] = np.einsum("np,np->n", moved[:, a], self.cross[:, b])
                found[:, b, a] = found[:, a, b]
        return found + extra


def patterns(table: FloatArray) -> tuple[IntArray, IntArray]:
    """Return the first row of each distinct row of ``table``, and which one each row is."""
    key = table @ np.pi ** np.arange(1, table.shape[1] + 1)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    if (table[first][inverse] != table).any():  # two different rows met in one key
        every = np.arange(len(table))
        return every, every
    return first, inverse


def moments_of(cross: FloatArray, pattern: IntArray, n_patterns: int) -> FloatArray:
    """Return the sums of outer products of ``cross`` by pattern, see `SubjectSums`."""
    n, q, P = cross.shape
    order = np.argsort(pattern, kind="stable")
    ends = np.cumsum(np.bincount(pattern, minlength=n_patterns))
    flat = cross.reshape(n, q * P)[order]
    found = np.empty((n_patterns, q, q, P, P))
    start = 0
    for at, end in enumerate(ends):
        block = flat[start:end]
        found[at] = (block.T @ block).reshape(q, P, q, P).transpose(0, 2, 1, 3)
        start = end
    return found.reshape(n_patterns * q * q, P * P)


def inverse_and_logdet(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return inverses and log determinants of matrices of shape (G, q, q), quick for q up to 2."""
    q = matrix.shape[-1]
    if q == 1:
        return 1 / matrix, np.log(matrix[:, 0, 0])
    if q == 2:
        a, b, c, d = matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1]
        determinant = a * d - b * c
        inverse = np.empty_like(matrix)
        inverse[:, 0, 0], inverse[:, 1, 1] = d / determinant, a / determinant
        inverse[:, 0, 1], inverse[:, 1, 0] = -b / determinant, -c / determinant
        return inverse, np.log(determinant)
    general: FloatArray = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    return general, np.asarray(np.linalg.slogdet(matrix)[1], dtype=np.float64)
