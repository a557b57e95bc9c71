"""Logistic regression that stays finite with few events: Jeffreys' penalty (Firth 1993)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.errors import DataError, FitError

__all__ = ["FirthLogistic", "fit_firth"]

FloatArray = npt.NDArray[np.float64]
MOST_ITERATIONS = 200
LARGEST_STEP = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class FirthLogistic:
    """A fitted penalised logistic regression.

    Attributes
    ----------
    names : tuple of str
        Names of the columns, the intercept included when there was one.
    coefficients : ndarray of shape (p,)
        Log odds ratios.
    covariance : ndarray of shape (p, p)
        Inverse expected information at the coefficients.
    loglik : float
        Penalised log-likelihood.
    """

    names: tuple[str, ...]
    coefficients: FloatArray
    covariance: FloatArray
    loglik: float
    design: FloatArray
    events: FloatArray
    trials: FloatArray

    @property
    def standard_errors(self) -> FloatArray:
        """Square roots of the diagonal of the covariance."""
        errors: FloatArray = np.sqrt(np.diag(self.covariance))
        return errors

    def probability(self, design: FloatArray) -> FloatArray:
        """Return the chance of the event for each row of a design matrix."""
        return expit(design @ self.coefficients)

    def interval(self, name: str, *, level: float = 0.95) -> tuple[float, float]:
        """Return the profile penalised-likelihood interval of one coefficient.

        The interval of Heinze & Schemper (2002), which stays sound where the Wald interval of
        a separated coefficient does not.
        """
        from scipy.stats import chi2

        at = self.names.index(name)
        drop = float(chi2.ppf(check_level(level), 1)) / 2

        def loss(value: float) -> float:
            loglik = _maximise(self.design, self.events, self.trials, {at: value})[2]
            return loglik - self.loglik + drop

        centre, step = float(self.coefficients[at]), float(self.standard_errors[at])
        return crossing(loss, centre, -step), crossing(loss, centre, step)


def fit_firth(
    design: FloatArray,
    events: npt.ArrayLike,
    *,
    trials: npt.ArrayLike | None = None,
    names: tuple[str, ...] = (),
) -> FirthLogistic:
    """Return the logistic regression with Jeffreys' penalty (Firth 1993, Biometrika 80:27).

    Parameters
    ----------
    design : ndarray of shape (n, p)
        Covariates, with a column of ones for the intercept.
    events, trials : array of shape (n,)
        Events out of trials per row; one trial each when ``trials`` is None.
    names : tuple of str
        Column names, by default their numbers.

    Raises
    ------
    DataError
        If columns are linearly dependent.
    FitError
        If the iterations do not settle.
    """
    X = np.array(design, dtype=np.float64)
    y = np.array(events, dtype=np.float64)
    n = np.ones_like(y) if trials is None else np.array(trials, dtype=np.float64)
    if np.linalg.matrix_rank(X) < X.shape[1]:
        raise DataError(
            f"The {X.shape[1]} columns of the design are linearly dependent.",
            "Leave out the column that the others determine.",
        )
    beta, covariance, loglik = _maximise(X, y, n, {})
    named = names or tuple(str(column) for column in range(X.shape[1]))
    return FirthLogistic(named, beta, covariance, loglik, X, y, n)


def crossing(loss: Callable[[float], float], centre: float, step: float) -> float:
    """Return where ``loss`` crosses zero, stepping away from ``centre`` where it is positive."""
    from scipy.optimize import brentq

    near, far = centre, centre + step
    for _ in range(60):
        if loss(far) < 0:
            return float(brentq(loss, near, far, xtol=1e-4))
        near, far = far, far + step
    return float(np.inf * np.sign(step))


def expit(values: FloatArray) -> FloatArray:
    """Return the logistic function without overflow."""
    result: FloatArray = 0.5 * (1 + np.tanh(values / 2))
    return result


def _maximise(
    X: FloatArray, y: FloatArray, n: FloatArray, held: dict[int, float]
) -> tuple[FloatArray, FloatArray, float]:
    beta: FloatArray = np.zeros(X.shape[1])
    for at, value in held.items():
        beta[at] = value
    free = [at for at in range(X.shape[1]) if at not in held]
    current, score, information = _penalised(X, y, n, beta)
    for _ in range(MOST_ITERATIONS):
        step = np.zeros_like(beta)
        if free:
            step[free] = np.linalg.solve(information[np.ix_(free, free)], score[free])
        step *= min(1.0, LARGEST_STEP / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < 1e-9:
            covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
            return beta, covariance, current
        moved = _penalised(X, y, n, beta + step)
        while moved[0] < current - 1e-10 and np.abs(step).max() > 1e-9:
            step /= 2
            moved = _penalised(X, y, n, beta + step)
        beta = beta + step
        current, score, information = moved
    raise FitError(
        f"The penalised logistic fit did not settle in {MOST_ITERATIONS} steps.",
        "Leave out covariates or join rare levels.",
    )


def _penalised(
    X: FloatArray, y: FloatArray, n: FloatArray, beta: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    eta = X @ beta
    share = expit(eta)
    weight = n * share * (1 - share)
    information = X.T @ (weight[:, None] * X)
    leverage = weight * np.einsum("ij,ij->i", X @ np.linalg.inv(information), X)
    half_logdet = np.linalg.slogdet(information)[1] / 2
    loglik = float((y * eta - n * np.logaddexp(0, eta)).sum() + half_logdet)
    score = X.T @ (y - n * share + leverage * (0.5 - share))
    return loglik, score, information
