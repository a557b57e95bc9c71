"""Newton's method for a concave log-likelihood with a Gaussian prior on some parameters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError

__all__ = ["Curvature", "Gaussian", "Maximum", "check_rank", "maximise"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

MAX_ITERATIONS = 60
SETTLED = 1e-6  # largest step, in standard errors; convergence is quadratic, so the next is 1e-12
SINGULAR = 1e-10


@dataclass(frozen=True, slots=True, eq=False)
class Gaussian:
    """A Gaussian prior with independent parameters; precision 0 says nothing.

    Attributes
    ----------
    mean, precision : ndarray of shape (k,)
    """

    mean: FloatArray
    precision: FloatArray

    def log_density(self, values: FloatArray) -> float:
        """Return the log density at ``values``, up to a constant."""
        return float(-0.5 * self.precision @ (values - self.mean) ** 2)


@dataclass(frozen=True, slots=True, eq=False)
class Curvature:
    """The log-likelihood with its gradient and its information at one point."""

    loglik: float
    gradient: FloatArray
    information: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Maximum:
    """Where the iterations ended; ``information`` is the observed one, without the prior."""

    values: FloatArray
    loglik: float
    information: FloatArray
    converged: bool


def maximise(
    evaluate: Callable[[FloatArray], Curvature],
    start: FloatArray,
    to_raw: FloatArray,
    prior: Gaussian,
    names: Sequence[str],
) -> Maximum:
    """Return the point that maximises log-likelihood plus log prior.

    ``evaluate`` works on inner parameters; the prior is about ``to_raw @ inner``. A step that
    does not raise the objective is halved. Starting at -inf is refused by the caller.
    """
    inner_precision = to_raw.T @ (prior.precision[:, None] * to_raw)
    values, best, objective = start, evaluate(start), -np.inf
    objective = best.loglik + prior.log_density(to_raw @ values)
    for _ in range(MAX_ITERATIONS):
        raw = to_raw @ values
        gradient = best.gradient - to_raw.T @ (prior.precision * (raw - prior.mean))
        information = best.information + inner_precision
        step = solve(information, gradient, names)
        size = np.abs(step * np.sqrt(np.diag(information))).max(initial=0.0)
        length, accepted = 1.0, False
        for _ in range(30):
            trial = values + length * step
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                there = evaluate(trial)
            value = there.loglik + prior.log_density(to_raw @ trial)
            if np.isfinite(value) and value >= objective - 1e-10 * (1 + abs(objective)):
                accepted = True
                break
            length /= 2
        if not accepted:
            return Maximum(values, best.loglik, best.information, size < 1e-4)
        values, best, objective = trial, there, value
        if size * length < SETTLED:
            return Maximum(values, best.loglik, best.information, True)
    return Maximum(values, best.loglik, best.information, False)


def solve(information: FloatArray, gradient: FloatArray, names: Sequence[str]) -> FloatArray:
    """Return the Newton step, after scaling the information to a unit diagonal."""
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    scaled = information / np.outer(scale, scale)
    check_rank(scaled, names)
    step: FloatArray = np.linalg.solve(scaled, gradient / scale) / scale
    return step


def check_rank(scaled: FloatArray, names: Sequence[str]) -> None:
    """Raise FitError, naming the columns, if a combination of parameters has no information."""
    try:
        pivots = np.diag(np.linalg.cholesky(scaled)) ** 2
        if pivots.min(initial=1.0) > SINGULAR:
            return
    except np.linalg.LinAlgError:
        pass
    if not np.isfinite(scaled).all():
        raise FitError(
            "The fit left the range of numbers.",
            "Rescale the covariates, or give a penalty or a prior.",
        )
    values, vectors = np.linalg.eigh(scaled)
    if values[0] > SINGULAR:
        return
    tied = [
        name
        for name, part in zip(names, np.abs(vectors[:, 0]), strict=True)
        if part > 0.05 * np.abs(vectors[:, 0]).max()
    ]
    shown = [name for name in tied if not name.startswith("baseline[")] or tied
    raise FitError(
        f"The data cannot tell apart: {', '.join(shown[:6])}.",
        "Leave one of them out, or give a penalty or a prior.",
    )
