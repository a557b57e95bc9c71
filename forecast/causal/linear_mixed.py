"""A linear mixed model whose subjects have their own intercept and slope.

The profiled likelihood of Bates et al. 2015 (J Stat Softw 67(1), sections 3.3 and 3.4), written
with per-subject sums so that its cost does not grow with the number of rows, and with an
analytic gradient.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.causal.subject_sums import SubjectSums, inverse_and_logdet, read_rows
from forecast.errors import DataError, RequestError
from forecast.survival import check_rank

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FittedLinearMixed", "LinearMixed", "Point", "Profile"]

FloatArray = npt.NDArray[np.float64]
SINGULAR = 1e-4  # smallest standard deviation of a subject effect, in residual ones, not "zero"
CAUGHT = 0.05  # the same of an effect without which a search may have been caught
LIFT = 0.2  # the same given to every effect where a search starts anew
LEAST_REST = 1e-12  # squares left by a fit without fault


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
        >>> import numpy as np
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
                f"{n} row(s) for {p} columns.", "Give more measurements or fewer columns."
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
    subjects: npt.NDArray[Any]
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

    def subject_effect(
        self, design: npt.ArrayLike, response: npt.ArrayLike, random: npt.ArrayLike | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return one subject's predicted effect from its rows so far, and the covariance missed.

        Parameters are as in `LinearMixed.fit`, for one subject; no rows give the mean and the
        covariance between subjects.
        """
        q = len(self.random_covariance)
        y = np.asarray(response, dtype=np.float64)
        X = np.asarray(design, dtype=np.float64).reshape(len(y), len(self.coefficients))
        Z = np.ones((len(y), q)) if random is None else np.asarray(random, dtype=np.float64)
        Z = Z.reshape(len(y), q)
        relative = self.random_covariance / self.residual_variance
        weight = np.linalg.solve(np.eye(q) + relative @ Z.T @ Z, relative)
        effect: FloatArray = weight @ (Z.T @ (y - X @ self.coefficients))
        return effect, self.residual_variance * (weight + weight.T) / 2


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """The profiled criterion at one point and what it is made of.

    Attributes
    ----------
    value : float
        Minus twice the log-likelihood.
    slope : ndarray of shape (q, q)
        Its derivative in the relative covariance.
    solution : ndarray of shape (p,)
        Coefficients.
    inverse : ndarray of shape (p, p)
        Of the weighted cross-products of the design.
    variance : float
        Residual.
    weight : ndarray of shape (G, q, q)
        Of each pattern.
    """

    value: float
    slope: FloatArray
    solution: FloatArray
    inverse: FloatArray
    variance: float
    weight: FloatArray


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
        shrink, logdet = inverse_and_logdet(np.eye(len(relative)) + relative @ inner)
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
        if not self.caught(factor):
            return factor, settled
        other, settled_too = self.search(self.lifted(factor))
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

    def caught(self, factor: FloatArray) -> bool:
        """Say whether some effect hardly varies, by the data or because a search was caught there.

        At the bound the sign of a correlation, or two elements that are both nought, hold it.
        """
        return bool((np.diag(factor) / self.scale < CAUGHT).any())

    def lifted(self, factor: FloatArray) -> FloatArray:
        """Return the factor of nearly the same covariance, in which every effect varies."""
        # by QR: where the residual is next to nothing, the lift would be lost in the squares
        upper = np.linalg.qr(np.vstack([factor.T, np.diag(LIFT * self.scale)]), mode="r")
        sign = np.where(np.diag(upper) < 0, -1.0, 1.0)
        return np.asarray((sign[:, None] * upper).T, dtype=np.float64)

    def fitted(
        self,
        factor: FloatArray,
        converged: bool,
        names: tuple[str, ...],
        subjects: npt.NDArray[Any],
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
