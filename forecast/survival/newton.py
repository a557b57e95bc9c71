"""Newton's method: for a concave log-likelihood with a Gaussian prior, and for any other."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from forecast._types import FloatArray
from forecast.errors import FitError

MAX_ITERATIONS = 60
MAX_HALVINGS = 30
ROUNDING = 1e-10
SETTLED = 5e-4  # largest step, in standard errors; convergence is quadratic, so the next is 1e-9
SINGULAR = 1e-10
MOST_STEPS = 200
SMALLEST_CURVATURE = 1e-6
LONGEST_MOVE = 2.0  # of any parameter in one step
SEPARATED = 10.0  # log hazard per standard deviation: a factor of twenty thousand


@dataclass(frozen=True, slots=True, eq=False)
class Gaussian:
    """A Gaussian prior with independent parameters, (k,)."""

    mean: FloatArray
    precision: FloatArray  # 0 says nothing

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
) -> Maximum:
    """Return the point that maximises log-likelihood plus log prior.

    ``evaluate`` works on inner parameters; the prior is about ``to_raw @ inner``. A step that does
    not raise the objective is halved. After the last, one shorter than ``SETTLED`` standard errors,
    the log-likelihood is known from the derivatives before it.
    """
    inner_precision = to_raw.T @ (prior.precision[:, None] * to_raw)
    slope = np.array([not name.startswith("baseline[") for name in names], dtype=bool)
    unheld = slope & ~((prior.precision * slope) @ (to_raw != 0) > 0)
    values, there = start, evaluate(start)
    objective = there.loglik + prior.log_density(to_raw @ values)
    for _ in range(MAX_ITERATIONS):
        off = to_raw @ values - prior.mean
        information = there.information + inner_precision
        step = _solve(information, there.gradient - to_raw.T @ (prior.precision * off), names)
        size = np.abs(step * np.sqrt(np.diag(information))).max(initial=0.0)
        if size < SETTLED:
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
        _refuse_separation(np.where(unheld, values, 0.0), names)
    return Maximum(values, there.loglik, False)


Surface: TypeAlias = Callable[[FloatArray], tuple[float, FloatArray, FloatArray]]


def climb(
    evaluate: Surface,
    start: FloatArray,
    *,
    settled: float,
    limits: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[FloatArray, FloatArray, bool]:
    """Return a maximum near ``start``, the information there, and whether it settled.

    ``evaluate`` gives value, gradient and information, which may be indefinite far from the
    maximum. ``settled`` is the squared length, in standard errors, of a step that is the last;
    ``limits`` are the lowest and highest values.
    """
    low, high = limits or (np.full(len(start), -np.inf), np.full(len(start), np.inf))
    at, (value, gradient, information) = start, evaluate(start)
    for _ in range(MOST_STEPS):
        # what lies at its limit and pulls beyond it stays there
        free = ~((at <= low) & (gradient < 0) | (at >= high) & (gradient > 0))
        held = information[np.ix_(free, free)]
        even, lift = np.eye(len(held)), 0.0
        try:
            np.linalg.cholesky(held - SMALLEST_CURVATURE * even)
        except np.linalg.LinAlgError:
            lowest = float(np.linalg.eigvalsh(held)[0])
            lift = max(0.0, SMALLEST_CURVATURE - lowest) * (1.0 + (lowest < 0))
        move = np.zeros(len(at))
        move[free] = np.linalg.solve(lift * even + held, gradient[free])
        if not lift and gradient @ move < settled:
            return np.clip(at + move, low, high), information, True
        move /= max(1.0, np.abs(move).max() / LONGEST_MOVE)
        while True:
            there = np.clip(at + move, low, high)
            trial = evaluate(there)
            if trial[0] >= value - 1e-10:
                break
            if np.abs(move).max() < 1e-9:  # no way up, though the slopes say so
                return at, information, False
            move = move / 2
        at, (value, gradient, information) = there, trial
    return at, information, False


def _solve(information: FloatArray, gradient: FloatArray, names: Sequence[str]) -> FloatArray:
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    scaled = information / np.outer(scale, scale)
    check_rank(scaled, names)
    return np.linalg.solve(scaled, gradient / scale) / scale


def _refuse_separation(values: FloatArray, names: Sequence[str]) -> None:
    if np.abs(values).max(initial=0.0) > SEPARATED:
        raise FitError(
            f"Column {names[int(np.abs(values).argmax())]!r} separates the rows with the event "
            "from those without.",
            "Give a penalty or a prior, or leave the column out.",
        )


def symmetric_inverse(matrix: FloatArray, names: Sequence[str]) -> FloatArray:
    """Return the inverse of a positive definite matrix, after scaling its diagonal to one."""
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    scaled = matrix / np.outer(scale, scale)
    check_rank(scaled, names)
    inverse = np.linalg.inv(scaled) / np.outer(scale, scale)
    return np.asarray((inverse + inverse.T) / 2)


def check_rank(scaled: FloatArray, names: Sequence[str]) -> None:
    """Raise FitError, by ``names``, if the ``scaled`` information (p, p) is singular."""
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
