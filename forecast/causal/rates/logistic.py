"""Logistic regression of few events: Jeffreys' penalty, or a random intercept for each group."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize
from scipy.stats import chi2

from forecast._arrays import AnyArray, FloatArray, IntArray
from forecast._checks import check_level
from forecast.errors import DataError, FitError
from forecast.survival import climb

LARGEST_SPREAD = 6.0
FARTHEST = 30.0  # a coefficient beyond has run away
SETTLED = 1e-9  # squared length of the last step in standard errors
NEAR_ENOUGH = 1e-6  # the same in a profile: slopes by quadrature fit their values no better


@dataclass(frozen=True, slots=True, eq=False)
class FirthLogistic:
    """A fitted penalised logistic regression."""

    names: tuple[str, ...]  # of the columns
    coefficients: FloatArray  # log odds ratios
    covariance: FloatArray  # inverse expected information at the coefficients
    loglik: float  # penalised
    design: FloatArray
    events: FloatArray
    trials: FloatArray

    def interval(
        self, name: str, *, level: float = 0.95, inflation: float = 1.0
    ) -> tuple[float, float]:
        """Return the profile penalised-likelihood interval (Heinze & Schemper 2002).

        ``inflation`` multiplies the variance, for example `cluster_inflation`.
        """
        at = self.names.index(name)
        drop = float(chi2.ppf(check_level(level), 1)) / 2 * inflation

        def loss(value: float) -> float:
            loglik = _maximise(self.design, self.events, self.trials, {at: value})[2]
            return loglik - self.loglik + drop

        centre, step = float(self.coefficients[at]), float(self.covariance[at, at]) ** 0.5
        return _crossing(loss, centre, -step), _crossing(loss, centre, step)


def fit_firth(
    design: FloatArray,
    events: npt.ArrayLike,
    *,
    trials: npt.ArrayLike | None = None,
    names: tuple[str, ...],
) -> FirthLogistic:
    """Return the logistic regression with Jeffreys' penalty (Firth 1993, Biometrika 80:27).

    The ``design``, (n, p), has columns called ``names``, a column of ones for the intercept among
    them; a row has ``events`` out of ``trials``, (n,), of one when None. Raises DataError if
    columns are linearly dependent, and FitError if the iterations do not settle.

    Examples
    --------
    >>> found = fit_firth(np.array([[1, 0], [1, 1]]), [0, 4], trials=[9, 9], names=("one", "x"))
    >>> found.coefficients.round(2), round(found.interval("x")[0], 2)  # finite, though 0 of 9
    (array([-2.94,  2.74]), 0.24)
    """
    X = np.array(design, dtype=np.float64)
    y = np.array(events, dtype=np.float64)
    n = np.ones_like(y) if trials is None else np.array(trials, dtype=np.float64)
    if np.linalg.matrix_rank(X) < X.shape[1]:
        raise DataError(
            f"The {X.shape[1]} columns of the design are linearly dependent.",
            "Leave out the column that the others determine.",
        )
    return FirthLogistic(names, *_maximise(X, y, n, {}), X, y, n)


# Coefficients, covariance and penalised log-likelihood, with some coefficients held.
def _maximise(
    X: FloatArray, y: FloatArray, n: FloatArray, held: dict[int, float]
) -> tuple[FloatArray, FloatArray, float]:
    beta = np.zeros(X.shape[1])
    beta[list(held)] = list(held.values())
    free = np.delete(np.arange(X.shape[1]), list(held))

    def penalised() -> tuple[float, FloatArray, FloatArray]:
        eta = X @ beta
        share = _expit(eta)
        weight = n * share * (1 - share)
        information = X.T @ (weight[:, None] * X)
        leverage = weight * np.einsum("ij,ij->i", X @ np.linalg.inv(information), X)
        half_logdet = np.linalg.slogdet(information)[1] / 2
        loglik = float((y * eta - n * np.logaddexp(0, eta)).sum() + half_logdet)
        return loglik, X.T @ (y - n * share + leverage * (0.5 - share)), information

    def surface(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        beta[free] = values
        loglik, score, information = penalised()
        return loglik, score[free], information[np.ix_(free, free)]

    beta[free], _, settled = climb(surface, beta[free], settled=1e-18)
    if not settled:
        raise FitError(
            "The penalised logistic fit did not settle.",
            "Leave out covariates or join rare levels.",
        )
    loglik, _, information = penalised()
    return beta, np.linalg.inv(information).astype(np.float64), loglik


@dataclass(frozen=True, slots=True)
class MixedLogistic:
    """A logistic model whose groups have their own, normally distributed, intercepts.

    The likelihood is integrated by adaptive Gauss-Hermite quadrature (Liu & Pierce 1994,
    Biometrika 81:624) with so many ``nodes``, at least 5, centred at each group's own mode.
    ``shrink`` is the strength m of a log-F(m, m) prior on every coefficient but the intercept
    (Greenland & Mansournia 2015, Stat Med 34:3133); 0 is maximum likelihood, 1 holds odds ratios
    between 1/648 and 648, 2 between 1/39 and 39. ``spread_scale`` is that of a half-normal prior
    on the standard deviation between groups; None for none.

    Examples
    --------
    >>> design = np.column_stack([np.ones(8), np.repeat([0, 1], 4)])
    >>> events, group = [0, 0, 0, 1, 0, 1, 1, 1], [*"aabbaabb"]
    >>> fitted = MixedLogistic(shrink=1).fit(design, events, group, names=("intercept", "x"))
    >>> fitted.coefficients.round(2), round(fitted.spread, 1)
    (array([-0.75,  1.49]), 0.5)
    """

    nodes: int = 15
    shrink: float = 0.0
    spread_scale: float | None = None

    def fit(
        self,
        design: FloatArray,
        events: npt.ArrayLike,
        group: npt.ArrayLike,
        *,
        names: tuple[str, ...],
    ) -> FittedMixedLogistic:
        """Return the model fitted to rows with the event or without.

        The ``design``, (n, p), has columns called ``names``, of which ``intercept``, of ones, has
        no prior; ``events``, (n,), are 0 or 1, in each row's ``group``. Raises DataError if lengths
        differ or nothing, or everything, happened, and FitError if the optimiser does not settle.
        """
        X = np.array(design, dtype=np.float64)
        y = np.array(events, dtype=np.float64)
        labels, codes = np.unique(np.asarray(group).astype(str), return_inverse=True)
        if not len(X) == len(y) == len(codes):
            raise DataError("The columns differ in length.", "Give one value per row in each.")
        if not 0 < y.sum() < len(y):
            raise DataError(
                f"{y.sum():g} of {len(y)} rows had the event.",
                "Without both outcomes there is nothing to model; use the exact interval.",
            )
        strength = np.array([0.0 if name == "intercept" else self.shrink for name in names])
        order = np.argsort(codes, kind="stable")
        problem = _Problem(X[order], y[order], codes[order].astype(np.int64), strength, self)
        start = np.zeros(X.shape[1] + 1)
        start[0] = np.log(y.sum() / (len(y) - y.sum()))
        start[-1] = 0.5
        bounds = [*[(-FARTHEST, FARTHEST)] * X.shape[1], (0.0, LARGEST_SPREAD)]
        options = {"ftol": 1e-12, "gtol": 1e-6, "maxiter": 500}
        found = minimize(
            problem.objective, start, jac=True, method="L-BFGS-B", bounds=bounds, options=options
        )
        best = _not_far(found.x if np.isfinite(found.fun) else np.array([np.inf]))
        effects, errors = problem.evaluate(best)[2]
        inverse = np.linalg.pinv(problem.information(best), hermitian=True)
        return FittedMixedLogistic(
            names=names,
            parameters=best,
            covariance=np.asarray(inverse, dtype=np.float64),
            groups=tuple(str(label) for label in labels),
            effects=effects,
            effect_errors=errors,
            _problem=problem,
        )


@dataclass(frozen=True, slots=True, eq=False)
class FittedMixedLogistic:
    """A fitted model.

    Attributes
    ----------
    names : tuple of str
        Of the p coefficients.
    parameters : ndarray of shape (p + 1,)
        Log odds ratios, then the standard deviation between groups.
    covariance : ndarray of shape (p + 1, p + 1)
        Inverse observed information, priors included.
    groups : tuple of str
    effects, effect_errors : ndarray of shape (n_groups,)
        Shrunken deviations in log odds, and their conditional standard deviations.

    Examples
    --------
    >>> events, group = [0, 0, 1, 0, 1, 1], [*"aaabbb"]
    >>> fitted = MixedLogistic().fit(np.ones((6, 1)), events, group, names=("intercept",))
    >>> fitted.coefficients.round(1) + 0, fitted.interval("intercept")[1] > 1
    (array([0.]), True)
    """

    names: tuple[str, ...]
    parameters: FloatArray
    covariance: FloatArray
    groups: tuple[str, ...]
    effects: FloatArray
    effect_errors: FloatArray
    _problem: _Problem

    @property
    def coefficients(self) -> FloatArray:
        """Log odds ratios."""
        return self.parameters[:-1]

    @property
    def spread(self) -> float:
        """Standard deviation between groups, in log odds."""
        return float(self.parameters[-1])

    @property
    def standard_errors(self) -> FloatArray:
        """Standard errors of the coefficients."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.covariance)[:-1], 0, None)))

    def interval(
        self, name: str, *, level: float = 0.95, inflation: float = 1.0
    ) -> tuple[float, float]:
        """Return the profile-likelihood interval of one coefficient (priors included).

        ``inflation`` multiplies the variance, for example `cluster_inflation`.
        """
        at = self.names.index(name)
        error = float(self.standard_errors[at])
        centre, step = float(self.parameters[at]), error if 0 < error < 20 else 1.0
        loss = self._loss(at, level, inflation)
        return _crossing(loss, centre, -step), _crossing(loss, centre, step)

    def spread_interval(self, *, level: float = 0.95) -> tuple[float, float]:
        """Return the profile-likelihood interval of the standard deviation between groups."""
        at = len(self.names)
        loss = self._loss(at, level, 1.0)
        low = 0.0
        if self.spread > 1e-3 and loss(0.0) < 0:
            low = _crossing(loss, self.spread, -self.spread / 2)
        return max(low, 0.0), _crossing(loss, self.spread, 0.5)

    def _loss(self, at: int, level: float, inflation: float) -> Callable[[float], float]:
        drop = float(chi2.ppf(check_level(level), 1)) / 2 * inflation
        best = self._problem.objective(self.parameters)[0]
        variance = float(self.covariance[at, at])
        along = self.covariance[at] / variance if variance > 0 else np.zeros(len(self.parameters))
        information = np.asarray(np.linalg.pinv(self.covariance, hermitian=True), np.float64)

        near = self.parameters  # the best ones held before, from where the next are soon found

        def loss(value: float) -> float:
            nonlocal near
            start = near + (value - near[at]) * along
            start[-1] = np.clip(start[-1], 0.0, LARGEST_SPREAD)
            start[at] = value
            near = self._problem.held(start, at, information)
            return best - self._problem.objective(near)[0] + drop

        return loss


def cluster_inflation(
    design: FloatArray, events: FloatArray, probability: FloatArray, cluster: AnyArray, column: int
) -> float:
    """Return by how much rows that belong together inflate a coefficient's variance, at least 1.

    The ratio of two sandwich variances (Liang & Zeger 1986): clusters independent, over rows
    independent. The coefficient is that of a ``column`` of the ``design``, (n, p), which has
    indicators where groups have their own intercepts; ``events``, their fitted ``probability`` and
    the ``cluster`` they are of are (n,) each.

    Examples
    --------
    >>> events, cluster = np.array([1.0, 1, 0, 0]), np.array([0, 0, 1, 1])
    >>> cluster_inflation(np.ones((4, 1)), events, np.full(4, 0.5), cluster, column=0)
    2.0
    """
    weight = probability * (1 - probability)
    information = design.T @ (weight[:, None] * design)
    direction = np.linalg.pinv(information, hermitian=True)[column]
    influence = (events - probability) * (design @ direction)
    codes = np.unique(cluster.astype(str), return_inverse=True)[1]
    together = np.bincount(codes, influence)
    return float(max((together**2).sum() / (influence**2).sum(), 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """The data of a fit, and its objective: minus the penalised log-likelihood."""

    X: FloatArray
    y: FloatArray
    codes: IntArray
    strength: FloatArray
    model: MixedLogistic

    def held(self, start: FloatArray, at: int, information: FloatArray) -> FloatArray:
        """Return the best parameters near those of ``information``, one held as in ``start``."""
        free = np.delete(np.arange(len(start)), at)
        here, point = information[np.ix_(free, free)], start.copy()

        def surface(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            point[free] = values
            value, gradient = self.objective(point)
            return -value, -gradient[free], here

        last = free == len(start) - 1
        limits = np.where(last, 0.0, -FARTHEST), np.where(last, LARGEST_SPREAD, FARTHEST)
        point[free] = _not_far(climb(surface, start[free], settled=NEAR_ENOUGH, limits=limits)[0])
        return point

    def objective(self, parameters: FloatArray) -> tuple[float, FloatArray]:
        loglik, gradient, _ = self.evaluate(parameters)
        beta, spread = parameters[:-1], parameters[-1]
        loglik += float((self.strength * (beta / 2 - np.logaddexp(0, beta))).sum())
        gradient[:-1] += self.strength * (0.5 - _expit(beta))
        if self.model.spread_scale is not None:
            loglik -= spread**2 / (2 * self.model.spread_scale**2)
            gradient[-1] -= spread / self.model.spread_scale**2
        return -loglik, -gradient

    def information(self, parameters: FloatArray) -> FloatArray:
        """Return the second derivatives of the objective, by central differences."""
        second = []
        for step in np.diag(1e-4 * np.maximum(1.0, np.abs(parameters))):
            above, below = (self.objective(parameters + way * step)[1] for way in (1, -1))
            second.append((above - below) / (2 * step.max()))
        return np.asarray(second + np.transpose(second)) / 2

    def evaluate(
        self, parameters: FloatArray
    ) -> tuple[float, FloatArray, tuple[FloatArray, FloatArray]]:
        """Return the log-likelihood, its gradient, and the groups' effects with their errors.

        The gradient is the mean of the complete-data score over each group's conditional
        distribution (Fisher's identity), by the same quadrature.
        """
        fixed, spread = self.X @ parameters[:-1], float(parameters[-1])
        mode: FloatArray = np.zeros(int(self.codes.max()) + 1)  # of each group
        for _ in range(100):
            share = _expit(fixed + spread * mode[self.codes])
            slope = spread * np.bincount(self.codes, self.y - share) - mode
            curvature = spread**2 * np.bincount(self.codes, share * (1 - share)) + 1
            step = slope / curvature
            mode += np.clip(step, -2, 2)
            if np.abs(step).max() < 1e-9:
                break
        width = 1 / np.sqrt(curvature)
        points, weights = _quadrature(self.model.nodes)
        at = mode[:, None] + np.sqrt(2) * width[:, None] * points  # (groups, nodes)
        eta = fixed[:, None] + spread * at[self.codes]
        small = np.exp(-np.abs(eta))
        terms = self.y[:, None] * eta - (np.maximum(eta, 0) + np.log1p(small))
        starts = np.searchsorted(self.codes, np.arange(len(mode)))  # rows are sorted by group
        inner = np.add.reduceat(terms, starts) - at**2 / 2
        inner += points**2 + np.log(weights) + np.log(width)[:, None] - np.log(np.pi) / 2
        top = inner.max(axis=1, keepdims=True)
        share = np.exp(inner - top)
        total = share.sum(axis=1, keepdims=True)
        share /= total
        loglik = float((np.log(total) + top).sum())
        chance = np.where(eta > 0, 1.0, small) / (1 + small)
        left_over = self.y[:, None] - chance
        by_row = (share[self.codes] * left_over).sum(axis=1)
        by_group = (share * at * np.add.reduceat(left_over, starts)).sum(axis=1)
        gradient = np.append(self.X.T @ by_row, by_group.sum())
        mean = (share * at).sum(axis=1)
        variance = (share * at**2).sum(axis=1) - mean**2
        return loglik, gradient, (spread * mean, abs(spread) * np.sqrt(np.maximum(variance, 0)))


def _not_far(parameters: FloatArray) -> FloatArray:
    if np.abs(parameters).max() > FARTHEST - 1:
        raise FitError(
            "The mixed logistic fit ran away: some covariate separates the events.",
            "Use shrink=1 or join rare levels.",
        )
    return parameters


def _crossing(loss: Callable[[float], float], centre: float, step: float) -> float:
    """Return where ``loss`` crosses zero, stepping away from ``centre`` where it is positive."""
    near, far = centre, centre + step
    for _ in range(60):
        if loss(far) < 0:
            return float(brentq(loss, near, far, xtol=1e-4))
        near, far = far, far + step
    return float(np.inf * np.sign(step))


_quadrature = cache(np.polynomial.hermite.hermgauss)


def _expit(values: FloatArray) -> FloatArray:
    """Return the logistic function without overflow."""
    return np.asarray(0.5 * (1 + np.tanh(values / 2)))
