"""The likelihood of the cure mixture and the search for its best maximum."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError
from forecast.survival.baseline import PIVOT
from forecast.survival.design import is_zero_one
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding

__all__ = ["CureRows", "best_of", "covariance_at"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

LARGEST = 700.0
TINY = 1e-300
# Starting points: share that has the event (logit), log of the Weibull shape
STARTS = ((0.0, 0.7), (1.5, 0.3), (4.0, 0.0), (-1.0, 1.0))
SHAPE_SPREAD = 1.0  # standard deviation of the log shape's prior, with a penalty only
FLAT = 1e-7
SETTLED = 1e-9  # squared length of a step in standard errors


@dataclass(frozen=True, slots=True, eq=False)
class CureRows:
    """Rows ready for the likelihood: both designs centred and scaled, and a Gaussian prior.

    Rows with the event come first.

    Parameters are, in order: the share's level and slopes, log A at the pivot, the log shape,
    the hazard's slopes.
    """

    share: FloatArray
    hazard: FloatArray
    moments: tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]
    step: FloatArray
    observed: npt.NDArray[np.bool_]
    entry: FloatArray
    weight: FloatArray
    mean: FloatArray
    precision: FloatArray

    @classmethod
    def build(
        cls,
        durations: Durations,
        share: Encoding,
        hazard: Encoding,
        penalty: float,
        share_prior: tuple[float, float],
    ) -> CureRows:
        """Return the rows with weight, encoded."""
        used = np.flatnonzero(durations.weight > 0)
        used = used[np.argsort(~durations.observed[used], kind="stable")]
        frame, weight = durations.covariates.iloc[used], durations.weight[used]
        first, second = (
            scaled(encoding.encode(frame).reshape(len(frame), -1), weight)
            for encoding in (share, hazard)
        )
        mean, precision = prior_of(first[0].shape[1], second[0].shape[1], penalty, share_prior)
        return cls(
            first[0],
            second[0],
            (first[1:], second[1:]),
            durations.step[used].astype(np.float64),
            durations.observed[used],
            durations.entry[used].astype(np.float64),
            weight,
            mean,
            precision,
        )

    def to_raw(self) -> FloatArray:
        """Return the matrix from inner parameters to those of the columns as they are."""
        cut = 1 + self.share.shape[1]
        matrix = np.eye(len(self.mean))
        for at, width, (center, scale) in (
            (0, self.share.shape[1], self.moments[0]),
            (cut, self.hazard.shape[1], self.moments[1]),
        ):
            first = at + 1 if at == 0 else at + 2
            matrix[at, first : first + width] = -center / scale
            matrix[range(first, first + width), range(first, first + width)] = 1 / scale
        return matrix

    def evaluate(self, values: FloatArray) -> tuple[float, FloatArray]:
        """Return the log-likelihood and its gradient, without the prior."""
        cut = 1 + self.share.shape[1]
        share = values[0] + self.share @ values[1:cut]
        linear = values[cut] + self.hazard @ values[cut + 2 :]
        shape = float(np.exp(min(values[cut + 1], 10.0)))
        n_seen, late = int(self.observed.sum()), np.flatnonzero(self.entry)
        seen, rest = slice(n_seen), slice(n_seen, None)
        parts: list[tuple[slice | npt.NDArray[np.intp], Terms, float]] = [
            (seen, event_terms(self.step[seen], share[seen], linear[seen], shape), 1.0),
            (rest, no_event_terms(self.step[rest], share[rest], linear[rest], shape), 1.0),
            (late, no_event_terms(self.entry[late], share[late], linear[late], shape), -1.0),
        ]
        total, by_share, by_linear, by_shape = 0.0, *np.zeros((3, len(share)))
        for rows, (value, first, second, third), sign in parts:
            total += sign * float(self.weight[rows] @ value)
            by_share[rows] += sign * first
            by_linear[rows] += sign * second
            by_shape[rows] += sign * third
        by_share, by_linear = by_share * self.weight, by_linear * self.weight
        gradient = np.concatenate(
            [
                [by_share.sum()],
                by_share @ self.share,
                [by_linear.sum(), self.weight @ by_shape],
                by_linear @ self.hazard,
            ]
        )
        return total, gradient

    def loss(self, values: FloatArray) -> tuple[float, FloatArray]:
        """Return minus the penalised log-likelihood, and its gradient."""
        total, gradient = self.evaluate(values)
        off = values - self.mean
        penalty = 0.5 * float(self.precision @ off**2)
        return penalty - total, self.precision * off - gradient


Terms: TypeAlias = tuple[FloatArray, FloatArray, FloatArray, FloatArray]


def hazard_to(step: FloatArray, linear: FloatArray, shape: float) -> tuple[FloatArray, FloatArray]:
    """Return u = exp(x'b) A(step) and its derivative by the log shape; 0 at step 0."""
    log_step = np.log(np.maximum(step, 1.0) / PIVOT)
    u = np.where(step > 0, np.exp(np.minimum(linear + shape * log_step, 600.0)), 0.0)
    return u, u * shape * log_step


def event_terms(step: FloatArray, share: FloatArray, linear: FloatArray, shape: float) -> Terms:
    """Return log P(event at step) with derivatives by share, linear predictor and log shape."""
    before, before_shape = hazard_to(step - 1, linear, shape)
    by_then, by_then_shape = hazard_to(step, linear, shape)
    gap = by_then - before
    ever = 1 / (1 + np.exp(-share))
    # log(exp(-before) - exp(-by_then)) = -before + log(1 - exp(-gap))
    value = np.log(np.maximum(ever, TINY)) - before
    value += np.log(np.maximum(-np.expm1(-gap), TINY))
    rate = 1 / np.maximum(np.expm1(np.minimum(gap, LARGEST)), TINY)
    by_shape = -before_shape + (by_then_shape - before_shape) * rate
    return value, 1 - ever, -before + gap * rate, by_shape


def no_event_terms(step: FloatArray, share: FloatArray, linear: FloatArray, shape: float) -> Terms:
    """Return log P(no event by step) with the same derivatives."""
    u, u_shape = hazard_to(step, linear, shape)
    ever = 1 / (1 + np.exp(-share))
    stays = np.exp(-u)
    total = np.maximum(1 - ever * (1 - stays), TINY)
    still = ever * stays / total
    return np.log(total), ever * (1 - ever) * (stays - 1) / total, -still * u, -still * u_shape


def scaled(matrix: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the columns centred (and divided by their spread unless zero-one), centre, scale."""
    center = weight @ matrix / weight.sum()
    spread = np.sqrt(weight @ (matrix - center) ** 2 / weight.sum())
    zero_one = [is_zero_one(matrix[:, column]) for column in range(matrix.shape[1])]
    scale = np.where(np.array(zero_one, dtype=bool) | (spread == 0), 1.0, spread)
    return (matrix - center) / scale, center, scale


def prior_of(
    n_share: int, n_hazard: int, penalty: float, share_prior: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return prior means and precisions of the inner parameters."""
    k = n_share + n_hazard + 3
    mean, precision = np.zeros(k), np.full(k, penalty)
    precision[n_share + 1] = 0.0
    if penalty > 0:
        mean[0], precision[0] = share_prior[0], share_prior[1] ** -2
        precision[n_share + 2] = SHAPE_SPREAD**-2
    return mean, precision


def best_of(rows: CureRows) -> tuple[FloatArray, float, bool]:
    """Return the best maximum over the starting points, its log-likelihood, and if all agreed."""
    from scipy.optimize import minimize

    cut = 1 + rows.share.shape[1]
    typical = float(np.average(rows.step, weights=rows.weight))
    found = []
    with np.errstate(over="ignore"):
        for share, shape in STARTS:
            start = np.zeros(len(rows.mean))
            start[0], start[cut + 1] = share, shape
            start[cut] = -np.exp(shape) * np.log(typical / PIVOT)
            ended = minimize(rows.loss, start, jac=True, method="BFGS", options={"gtol": 1e-6})
            if np.isfinite(ended.fun):
                found.append((float(ended.fun), np.asarray(ended.x, dtype=np.float64)))
    if not found:
        raise FitError("The cure mixture left the range of numbers.", "Give a penalty.")
    best, values = min(found, key=lambda pair: pair[0])
    values = polish(rows, values)
    return values, rows.evaluate(values)[0], max(value for value, _ in found) - best < 1e-2


def polish(rows: CureRows, values: FloatArray) -> FloatArray:
    """Return the values after a few Newton steps, each taken only if it helps."""
    loss, gradient = rows.loss(values)
    for _ in range(3):
        curvature = hessian(rows, values)
        if np.linalg.eigvalsh(curvature)[0] <= FLAT:
            break
        step = np.linalg.solve(curvature, gradient)
        new_loss, new_gradient = rows.loss(values - step)
        if not new_loss <= loss + 1e-12 * abs(loss):
            break
        values, loss, near = values - step, new_loss, gradient @ step < SETTLED
        gradient = new_gradient
        if near:  # what the next step would do is the square of it
            break
    return values


def hessian(rows: CureRows, values: FloatArray) -> FloatArray:
    """Return the second derivative of the loss, from central differences of its gradient."""
    k = len(values)
    columns = np.empty((k, k))
    for at in range(k):
        move = np.zeros(k)
        move[at] = 1e-5
        columns[at] = (rows.loss(values + move)[1] - rows.loss(values - move)[1]) / 2e-5
    return (columns + columns.T) / 2


def covariance_at(rows: CureRows, values: FloatArray) -> tuple[FloatArray, bool]:
    """Return the covariance, with nothing along flat directions, and whether there were any."""
    curvature = hessian(rows, values)
    size = np.sqrt(np.maximum(np.diag(curvature), TINY))
    if (np.diag(curvature) <= FLAT).any():
        size = np.ones_like(size)
    found, vectors = np.linalg.eigh(curvature / np.outer(size, size))
    open_ways = found <= FLAT
    inverse = np.where(open_ways, 0.0, 1 / np.where(open_ways, 1.0, found))
    covariance = (vectors * inverse) @ vectors.T / np.outer(size, size)
    return np.asarray(covariance), bool(open_ways.any())
