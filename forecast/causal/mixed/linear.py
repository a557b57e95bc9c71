"""A linear mixed model whose subjects have their own intercept and slope.

With y the responses, X the design and Z the columns whose effects vary by subject,

    y = X b + Z u + e,    u ~ N(0, v L L'),    e ~ N(0, v I),

where v is the residual variance and L the relative factor. The profiled likelihood of Bates et
al. 2015 (J Stat Softw 67(1), sections 3.3 and 3.4), b and v solved for at each L, has an analytic
gradient and is written with sums: with Y the design beside the response, a subject enters through
Z'Z and Z'Y only. Subjects with the same Z'Z (measured at the same steps) are joined, after which
the likelihood costs nothing per subject. In a log of tattoos a subject is a course, a step a
session, and the response the log of the ink that is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import counted
from forecast._types import AnyArray, FloatArray, IntArray
from forecast.errors import DataError, RequestError
from forecast.survival import check_rank

if TYPE_CHECKING:
    import pandas as pd

SINGULAR = 1e-4  # smallest standard deviation of a subject effect, in residual ones, above zero
AT_BOUNDARY = 0.05  # standard deviation, in the same units, at which a search may be held fast
RESTART = 0.2  # standard deviation that every subject effect is given where a search starts anew
LEAST_REST = 1e-12  # squared residuals of a fit without fault
JOINED = 4  # subjects per pattern of Z'Z from which joining pays


@dataclass(frozen=True, slots=True)
class LinearMixed:
    """A linear model with normal subject effects.

    Attributes
    ----------
    method : str
        ``reml`` (variances corrected for the coefficients) or ``ml``.
    correlated : bool
        Whether a subject's effects may be correlated.
    """

    method: str = "reml"
    correlated: bool = True

    def __post_init__(self) -> None:
        if self.method not in ("reml", "ml"):
            raise RequestError(f"method is {self.method!r}.", "Choose reml or ml.")

    def fit(
        self,
        design: npt.ArrayLike,
        response: npt.ArrayLike,
        subject: npt.ArrayLike | pd.Series[Any],
        *,
        random: npt.ArrayLike | None = None,
        names: tuple[str, ...] = (),
    ) -> FittedLinearMixed:
        """Return the model fitted to one row per measurement.

        Parameters
        ----------
        design : array of shape (n, p)
            Columns of the fixed part, with ones for the intercept.
        response : array of shape (n,)
            What was measured.
        subject : array of shape (n,)
            Whose measurement it is.
        random : array of shape (n, q), optional
            Columns of the part that varies by subject; ones (an intercept) when not given.
        names : tuple of str
            Of the design's columns.

        Raises
        ------
        DataError
            If lengths differ, a value is missing or there are not more rows than columns.
        FitError
            If columns of the design cannot be told apart.

        Examples
        --------
        >>> day = np.tile([0.0, 1.0, 2.0], 3)
        >>> y = [1.0, 2.1, 2.9, 3.0, 4.0, 5.1, 0.1, 0.9, 2.0]
        >>> design = np.column_stack([np.ones(9), day])
        >>> LinearMixed().fit(design, y, np.repeat([1, 2, 3], 3)).coefficients.round(2)
        array([1.36, 0.98])
        """
        rows = read_rows(design, response, subject, random)
        n, p = rows.design.shape
        if n <= p + rows.random.shape[1]:
            raise DataError(
                f"{counted(n, 'row')} for {p} columns.", "Give more measurements or fewer columns."
            )
        named = names or tuple(f"column {at}" for at in range(p))
        sums = SubjectSums.of(rows)
        scale = np.sqrt(np.maximum(np.diag(sums.total)[:p], 1e-300))
        check_rank(sums.total[:p, :p] / np.outer(scale, scale), named)
        profile = Profile(sums, self)
        at, converged = profile.minimise()
        return profile.fitted(at, converged, named, rows.subjects)


@dataclass(frozen=True, slots=True, eq=False)
class FittedLinearMixed:
    """A fitted linear mixed model.

    Attributes
    ----------
    names : tuple of str
        Of the coefficients.
    coefficients : ndarray of shape (p,)
        Fixed effects.
    covariance : ndarray of shape (p, p)
        Of the coefficients, the variances taken as known.
    random_covariance : ndarray of shape (q, q)
        Between subjects.
    residual_variance : float
        Within subjects.
    deviance : float
        Minus twice the (restricted) log-likelihood.
    subjects : ndarray of shape (n_subjects,)
        Labels.
    effects : ndarray of shape (n_subjects, q)
        Best linear unbiased predictions of the subjects' effects.
    effect_covariance : ndarray of shape (n_subjects, q, q)
        Of what the predictions miss, the coefficients taken as known.
    boundary : bool
        Whether some combination of subject effects does not vary.
    converged : bool
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    random_covariance: FloatArray
    residual_variance: float
    deviance: float
    subjects: AnyArray
    effects: FloatArray
    effect_covariance: FloatArray
    boundary: bool
    converged: bool

    @property
    def standard_errors(self) -> FloatArray:
        """Of the coefficients."""
        errors: FloatArray = np.sqrt(np.diag(self.covariance))
        return errors

    @property
    def loglik(self) -> float:
        """The (restricted) log-likelihood."""
        return -0.5 * self.deviance


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """The profiled criterion at one relative factor, and what it is made of."""

    value: float  # minus twice the log-likelihood
    slope: FloatArray  # (q, q): its derivative in the relative covariance L L'
    solution: FloatArray  # (p,): coefficients b
    inverse: FloatArray  # (p, p): of the weighted cross-products of the design
    variance: float  # residual, v
    weight: FloatArray  # (G, q, q): (I + L L' Z'Z)^-1 L L' of each pattern


class Profile:
    """Minus twice the profiled log-likelihood, as a function of the relative factor.

    The covariance between subjects is the residual variance times the factor times its transpose.
    """

    def __init__(self, sums: SubjectSums, model: LinearMixed) -> None:
        self.sums, self.restricted = sums, model.method == "reml"
        self.p = len(sums.total) - 1
        q = sums.inner.shape[1]
        self.freedom = sums.n_rows - (self.p if self.restricted else 0)
        spread = np.einsum("g,gaa->a", sums.size, sums.inner) / sums.size.sum()
        self.scale = 1 / np.sqrt(np.maximum(spread, 1e-300))
        rows, columns = np.tril_indices(q)
        kept = (rows == columns) | model.correlated
        self.rows, self.columns = rows[kept], columns[kept]

    def factor(self, elements: FloatArray) -> FloatArray:
        """Return the relative factor from its free elements, which are in units of its scale."""
        q = len(self.scale)
        found = np.zeros((q, q))
        found[self.rows, self.columns] = elements
        scaled: FloatArray = self.scale[:, None] * found
        return scaled

    def evaluate(self, factor: FloatArray) -> Point:
        """Return the criterion and the parameters at a relative factor."""
        relative = factor @ factor.T
        sums, p, inner = self.sums, self.p, self.sums.inner
        shrink, logdet = _inverse_and_logdet(np.eye(len(relative)) + relative @ inner)
        weight = shrink @ relative
        left = sums.total - sums.quadratic(weight)
        inverse = np.asarray(np.linalg.inv(left[:p, :p]), dtype=np.float64)
        solution = inverse @ left[:p, p]
        rest = max(float(left[p, p] - left[p, :p] @ solution), LEAST_REST)
        value = float(sums.size @ logdet) + self.freedom * (
            1 + np.log(2 * np.pi * rest / self.freedom)
        )
        along = np.append(-solution, 1.0)
        middle = np.outer(along, along) * (self.freedom / rest)
        if self.restricted:
            value += float(np.linalg.slogdet(left[:p, :p])[1])
            middle[:p, :p] += inverse
        moved = shrink.transpose(0, 2, 1) @ sums.outer(middle) @ shrink
        slope = np.einsum("g,gab->ab", sums.size, inner @ shrink) - moved.sum(axis=0)
        return Point(value, slope, solution, inverse, rest / self.freedom, weight)

    def objective(self, elements: FloatArray) -> tuple[float, FloatArray]:
        """Return the criterion and its gradient in the free elements."""
        factor = self.factor(elements)
        found = self.evaluate(factor)
        gradient = self.scale[:, None] * ((found.slope + found.slope.T) @ factor)
        return found.value, gradient[self.rows, self.columns]

    def minimise(self) -> tuple[FloatArray, bool]:
        """Return the relative factor at the minimum, and whether the search settled."""
        factor, settled = self.search(np.diag(self.scale))
        if not self.at_boundary(factor):
            return factor, settled
        other, settled_too = self.search(self.off_boundary(factor))
        if self.evaluate(other).value < self.evaluate(factor).value:
            return other, settled_too
        return factor, settled

    def search(self, factor: FloatArray, *, roughly: bool = False) -> tuple[FloatArray, bool]:
        """Return the minimum a search ends at, and whether it settled.

        ``factor`` is where to start; ``roughly`` is enough on the way of a longer search.
        """
        from scipy.optimize import minimize

        start = (factor / self.scale[:, None])[self.rows, self.columns]
        bounds = [(0.0, None) if one else (None, None) for one in self.rows == self.columns]
        options = {"ftol": 1e-14, "gtol": 1e-7, "maxiter": 500, "maxls": 50}
        if roughly:
            options |= {"ftol": 1e-9, "gtol": 1e-3}
        found = minimize(
            self.objective, start, jac=True, method="L-BFGS-B", bounds=bounds, options=options
        )
        settled = bool(found.success or np.abs(found.jac).max() < 1e-2)
        return self.factor(found.x), settled

    def at_boundary(self, factor: FloatArray) -> bool:
        """Say whether some subject effect hardly varies at a relative factor.

        That may be what the data say, or the search may have ended there too early: at the
        boundary the gradient vanishes in elements that are zero together, and a correlation
        cannot change its sign.
        """
        return bool((np.diag(factor) / self.scale < AT_BOUNDARY).any())

    def off_boundary(self, factor: FloatArray) -> FloatArray:
        """Return the factor of nearly the same covariance in which every effect varies."""
        # by QR: where the residual is next to nothing, what is added would be lost in the squares
        upper = np.linalg.qr(np.vstack([factor.T, np.diag(RESTART * self.scale)]), mode="r")
        sign = np.where(np.diag(upper) < 0, -1.0, 1.0)
        return np.asarray((sign[:, None] * upper).T, dtype=np.float64)

    def fitted(
        self,
        factor: FloatArray,
        converged: bool,
        names: tuple[str, ...],
        subjects: AnyArray,
    ) -> FittedLinearMixed:
        """Return the model at a relative factor."""
        at = self.evaluate(factor)
        along = np.append(-at.solution, 1.0)
        weight = at.weight[self.sums.pattern]
        effects = np.einsum("nab,nbp,p->na", weight, self.sums.cross, along)
        if self.sums.weight is not None:
            effects = effects / np.sqrt(np.maximum(self.sums.weight, 1e-300))[:, None]
        singular = np.linalg.svd(factor / self.scale[:, None], compute_uv=False).min()
        return FittedLinearMixed(
            names=names,
            coefficients=at.solution,
            covariance=at.variance * at.inverse,
            random_covariance=at.variance * (factor @ factor.T),
            residual_variance=at.variance,
            deviance=at.value,
            subjects=subjects,
            effects=effects,
            effect_covariance=at.variance * (weight + weight.transpose(0, 2, 1)) / 2,
            boundary=bool(singular < SINGULAR),
            converged=converged,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """The rows of a mixed model, those of a subject together."""

    design: FloatArray  # (n, p)
    response: FloatArray  # (n,)
    random: FloatArray  # (n, q)
    starts: IntArray  # (n_subjects,): first row of each subject
    subjects: AnyArray  # (n_subjects,): labels, in order of appearance
    order: IntArray  # (n,): where each row stood in what was given

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
    """Per-subject sums of products; P is the number of design columns and one for the response."""

    total: FloatArray  # (P, P): Y'Y over all rows
    inner: FloatArray  # (G, q, q): the patterns of Z'Z, one per subject unless joined
    size: FloatArray  # (G,): subjects per pattern
    cross: FloatArray  # (n_subjects, q, P): Z'Y of each subject, times the root of its weight
    pattern: IntArray  # (n_subjects,): the pattern of each subject
    moments: FloatArray | None  # (G q q, P P): sums by pattern of outer products of Z'Y, if joined
    n_rows: float  # a subject's rows count as often as the subject
    # (G, q, q): what covariances of responses not measured add to Z'y y'Z
    extra: FloatArray | None = None
    weight: FloatArray | None = None  # (n_subjects,): how often each counts; None for once

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
        first, pattern = _patterns(inner.reshape(len(inner), -1))
        joined = len(first) * JOINED <= len(inner)
        if not joined:
            pattern, first = np.arange(len(inner)), np.arange(len(inner))
        counts: float = n
        left = Y
        if weight is not None:
            each_row = weight[rows.code]
            cross = cross * np.sqrt(weight)[:, None, None]
            left, counts = Y * each_row[:, None], float(each_row.sum())
        return cls(
            total=left.T @ Y,
            inner=inner[first],
            size=np.bincount(pattern, weights=weight, minlength=len(first)).astype(np.float64),
            cross=cross,
            pattern=pattern,
            moments=_moments_of(cross, pattern, len(first)) if joined else None,
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
        # responses not measured are not their means: add how they spread
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


def _patterns(table: FloatArray) -> tuple[IntArray, IntArray]:
    """Return the first row of each distinct row of ``table``, and which one each row is."""
    key = table @ np.pi ** np.arange(1, table.shape[1] + 1)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    if (table[first][inverse] != table).any():  # two different rows met in one key
        every = np.arange(len(table))
        return every, every
    return first, inverse


def _moments_of(cross: FloatArray, pattern: IntArray, n_patterns: int) -> FloatArray:
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


def _inverse_and_logdet(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
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
