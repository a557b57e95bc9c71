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
MAX_HALVINGS = 30
ROUNDING = 1e-10
SETTLED = 5e-4  # largest step, in standard errors; convergence is quadratic, so the next is 1e-9
SINGULAR = 1e-10
SEPARATED = 10.0  # log hazard per standard deviation: a factor of twenty thousand


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
    """Where the iterations ended, and the log-likelihood there."""

    values: FloatArray
    loglik: float
    converged: bool


def maximise(
    evaluate: Callable[[FloatArray], Curvature],
    start: FloatArray,
    to_raw: FloatArray,
    prior: Gaussian,
    names: Sequence[str],
    *,
    settled: float = SETTLED,
) -> Maximum:
    """Return the point that maximises log-likelihood plus log prior.

    ``evaluate`` works on inner parameters; the prior is about ``to_raw @ inner``. A step that
    does not raise the objective is halved. The last step is so short that the log-likelihood
    after it is known from the derivatives before it: one shorter than ``settled``, in standard
    errors.
    """
    inner_precision = to_raw.T @ (prior.precision[:, None] * to_raw)
    unheld = runaway_slopes(to_raw, prior, names)
    values, there = start, evaluate(start)
    objective = there.loglik + prior.log_density(to_raw @ values)
    for _ in range(MAX_ITERATIONS):
        off = to_raw @ values - prior.mean
        information = there.information + inner_precision
        step = solve(information, there.gradient - to_raw.T @ (prior.precision * off), names)
        size = np.abs(step * np.sqrt(np.diag(information))).max(initial=0.0)
        if size < settled:
            gain = step @ (there.gradient - there.information @ step / 2)
            return Maximum(values + step, there.loglik + float(gain), True)
        for _ in range(MAX_HALVINGS):
            with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
                trial = evaluate(values + step)
            value = trial.loglik + prior.log_density(to_raw @ (values + step))
            if value >= objective - ROUNDING * (1 + abs(objective)):
                break
            step = step / 2
        else:
            return Maximum(values, there.loglik, False)
        values, there, objective = values + step, trial, value
        refuse_separation(np.where(unheld, values, 0.0), names)
    return Maximum(values, there.loglik, False)


def runaway_slopes(
    to_raw: FloatArray, prior: Gaussian, names: Sequence[str]
) -> npt.NDArray[np.bool_]:
    """Mark the inner slopes that neither a prior nor a penalty holds."""
    slope = np.array([not name.startswith("baseline[") for name in names], dtype=bool)
    held = (prior.precision * slope) @ (to_raw != 0) > 0
    return np.asarray(slope & ~held)


def solve(information: FloatArray, gradient: FloatArray, names: Sequence[str]) -> FloatArray:
    """Return the Newton step, after scaling the information to a unit diagonal."""
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    scaled = information / np.outer(scale, scale)
    check_rank(scaled, names)
    step: FloatArray = np.linalg.solve(scaled, gradient / scale) / scale
    return step


def refuse_separation(values: FloatArray, names: Sequence[str]) -> None:
    """Raise FitError, naming the column, if a slope has run away."""
    if np.abs(values).max(initial=0.0) > SEPARATED:
        raise FitError(
            f"Column {names[int(np.abs(values).argmax())]!r} separates the rows with the event "
            "from those without.",
            "Give a penalty or a prior, or leave the column out.",
        )


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
    what = (
        f"cannot tell apart: {', '.join(shown[:6])}"
        if len(shown) > 1
        else f"do not settle {shown[0]}"
    )
    raise FitError(
        f"The data {what}.",
        "Leave one of them out, or give a penalty or a prior.",
    )
