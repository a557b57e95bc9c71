"""The discrete-time likelihood from one line per row of data, never one line per row and step.

Notation: row i is at risk in steps ``entry + 1`` to ``step``; ``a`` is the baseline on the scale
of the complementary log-log link, one value per step; ``x'b`` what the covariates add. With
r = exp(x'b), A(t) = sum of exp(a) up to t, the row's log-likelihood is closed:

    -r (A(last survived) - A(entry)) + [event] log(1 - exp(-r exp(a at the event)))

(grouped proportional hazards; Prentice & Gloeckler 1978, Biometrics 34:57). Derivatives by ``a``
are sums over risk sets, obtained by adding up sums by last survived step from the end.

The baseline is what the hazard does from step to step, the same for everyone: a quadratic in
x = log(step / 8). ``baseline[level]`` is the linear predictor at step 8, ``baseline[slope]`` what
one unit of x adds there, ``baseline[curve]`` what x² adds. The pivot is fixed, so that the three
mean the same whatever the data, and a prior can speak of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from forecast._types import FloatArray, IntArray
from forecast.errors import FitError
from forecast.survival.distribution import Durations
from forecast.survival.encoding import Encoding, is_zero_one
from forecast.survival.newton import Curvature

Runs: TypeAlias = tuple[tuple[int, slice], ...]
PIVOT = 8
SMOOTH_NAMES = ("baseline[level]", "baseline[slope]", "baseline[curve]")
# Used with a ridge penalty or a prior only: wide enough to leave the shape to some tens of
# events (a slope of 2 is a hazard that grows with the square of the step), narrow enough that
# a single event still has an answer.
SHAPE_PRIOR = {"baseline[slope]": (0.0, 2.0), "baseline[curve]": (0.0, 1.0)}
START_STEPS = 12
BLOCK = 1024  # rows worked on together: their columns stay in the second-level cache
LARGEST = 700.0  # exp(700) is still a number
SMALLEST = 1e-300  # met only at events without weight, in steps that have no event
TINIEST = 1e-30


def basis_of(horizon: int) -> FloatArray:
    """Return the matrix from the baseline's parameters to steps 1 to ``horizon``."""
    x = np.log(np.arange(1, horizon + 1) / PIVOT)
    return np.column_stack([np.ones(horizon), x, x * x])


def smooth_baseline(parameters: FloatArray, horizon: int) -> FloatArray:
    """Return the linear predictor at steps 1 to ``horizon``, shape (..., horizon).

    ``parameters`` has shape (..., 3), in the order of ``SMOOTH_NAMES``.
    """
    return parameters @ basis_of(horizon).T


def start_values(at_risk: FloatArray, events: FloatArray) -> FloatArray:
    """Return parameters that come near the life table.

    By a few steps of Fisher scoring, held a little by the shape's prior, steps cut at 1.
    """
    if not at_risk.sum() > 0:
        raise FitError("Nobody is at risk in any step.", "Give rows with a positive weight.")
    basis, overall = basis_of(len(at_risk)), (events.sum() + 0.5) / (at_risk.sum() + 1)
    values = np.array([np.log(-np.log1p(-overall)), 0.0, 0.0])
    hold = np.array([0.0, *(spread**-2 for _, spread in SHAPE_PRIOR.values())])
    for _ in range(START_STEPS):
        eta = np.clip(basis @ values, -30.0, 3.0)
        hazard = -np.expm1(-np.exp(eta))
        slope = np.exp(eta - np.exp(eta))
        weight = slope / (hazard * (1 - hazard))
        score = basis.T @ (weight * (events - at_risk * hazard)) - hold * values
        information = basis.T @ (basis * (at_risk * weight * slope)[:, None]) + np.diag(hold)
        information[0, 0] += 1e-9
        values = values + np.clip(np.linalg.solve(information, score), -1.0, 1.0)
    return values


@dataclass(frozen=True, slots=True, eq=False)
class HazardRows:
    """Rows without the event, then rows with it, each sorted by last survived step."""

    order: IntArray  # (n,): where each row stands among those given
    # (n, p): covariates, a column being ``center + scale * X`` with mean 0 and 1 for a column of
    # zeros and ones, which keeps the arithmetic well conditioned
    X: FloatArray
    center: FloatArray
    scale: FloatArray
    entry: IntArray  # event-free in steps ``entry + 1`` to ``survived``
    survived: IntArray
    n_censored: int  # rows from here on have the event at step ``survived + 1``
    weight: FloatArray
    steps: int  # the last step of the baseline
    censored: Runs  # rows without the event, by last survived step
    events: Runs  # rows with it
    late: IntArray  # rows with a late entry, sorted by entry
    X_late: FloatArray  # their covariates, kept together
    entries: Runs  # the late rows of each entry

    @classmethod
    def build(cls, durations: Durations, encoding: Encoding) -> HazardRows:
        """Return the rows of ``durations``, sorted and encoded."""
        survived, steps = durations.step - durations.observed, int(durations.step.max())
        key = survived + durations.observed * (steps + 1)
        # numbers of 16 bits are sorted by radix
        order = np.argsort(key.astype(np.int16 if 2 * steps < 2**15 else np.int64), kind="stable")
        survived, entry = survived[order], durations.entry[order]
        n_censored, weight = int((~durations.observed).sum()), durations.weight[order]
        # sorted before they are encoded: a level is one small number, not a row of zeros and ones
        matrix = encoding.encode(durations.covariates.iloc[order])
        X, center, scale = _standardised(matrix, weight)
        late = np.flatnonzero(entry)
        late = late[np.argsort(entry[late], kind="stable")]
        return cls(
            order,
            X,
            center,
            scale,
            entry,
            survived,
            n_censored,
            weight,
            steps,
            _runs(survived[:n_censored], 0),
            _runs(survived[n_censored:], n_censored),
            late,
            X[late],
            _runs(entry[late], 0),
        )

    def to_raw(self) -> FloatArray:
        """Return the matrix from parameters for ``X`` to those for the columns as given."""
        return raw_from_scaled(self.center, self.scale)

    def risk_sums(self, values: FloatArray) -> FloatArray:
        """Return the sums of v and v x over who survives each step, shape (steps, 1 + p)."""
        sums = np.zeros((self.steps + 1, 1 + self.X.shape[1]))
        sums[:, 0] = np.bincount(self.survived, values, self.steps + 1)
        for step, rows in self.censored + self.events:
            sums[step, 1:] += values[rows] @ self.X[rows]
        if len(self.late):
            values = values[self.late]
            sums[:, 0] -= np.bincount(self.entry[self.late], values, self.steps + 1)
            for step, rows in self.entries:
                sums[step, 1:] -= values[rows] @ self.X_late[rows]
        # a row that survives to E is in the risk sets of steps up to E
        return np.asarray(np.cumsum(sums[::-1], axis=0)[::-1][1:])

    def gram(self, weight: FloatArray) -> FloatArray:
        """Return X' diag(c) X, shape (p, p), for c of 0 or more."""
        total = np.zeros((self.X.shape[1], self.X.shape[1]))
        for low in range(0, len(self.X), BLOCK):
            rows = self.X[low : low + BLOCK] * np.sqrt(weight[low : low + BLOCK, None])
            total += rows.T @ rows  # a symmetric product: half the work
        return total

    def cells(
        self, relative: FloatArray, rate: FloatArray
    ) -> Iterator[tuple[slice, int, FloatArray, FloatArray]]:
        """Yield blocks of rows: which, to which step, u = r exp(a), and the weight if at risk."""
        last = self.survived.copy()
        last[self.n_censored :] += 1
        for low in range(0, len(self.X), BLOCK):
            rows = slice(low, low + BLOCK)
            long, weight = int(last[rows].max()), self.weight[rows, None]
            at = np.arange(long)
            if last[rows].min() < long:
                weight = weight * (at < last[rows, None])
            if len(self.late):
                weight = weight * (at >= self.entry[rows, None])
            yield rows, long, relative[rows, None] * rate[:long], weight


def raw_from_scaled(center: FloatArray, scale: FloatArray) -> FloatArray:
    """Return the matrix to raw parameters from those of ``(column - center) / scale``."""
    cut = len(SMOOTH_NAMES)
    matrix = np.eye(cut + len(scale))
    matrix[0, cut:] = -center / scale  # the level alone moves the whole baseline
    matrix[cut:, cut:] = np.diag(1 / scale)
    return matrix


def _standardised(
    matrix: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    center, scale = np.zeros(len(matrix.T)), np.ones(len(matrix.T))
    for j, column in enumerate(matrix.T):
        if not is_zero_one(column):
            center[j] = column @ weight / (weight.sum() or 1.0)
            column -= center[j]
            spread = np.sqrt(column**2 @ weight / (weight.sum() or 1.0))
            scale[j] = spread if spread > 0 else 1.0
            column /= scale[j]
    return np.ascontiguousarray(matrix), center, scale


def _runs(numbers: IntArray, first: int) -> Runs:
    """Return the slice of each number in sorted ``numbers``, counted from ``first``."""
    ends = [*np.flatnonzero(np.diff(numbers, prepend=-1)).tolist(), len(numbers)]
    return tuple(
        (int(numbers[low]), slice(first + low, first + high)) for low, high in pairwise(ends)
    )


def derivatives(rows: HazardRows, values: FloatArray) -> Curvature:
    """Return the log-likelihood, its gradient and the observed information at ``values``.

    ``values`` are parameters of the baseline, then slopes for ``rows.X``.
    """
    relative, rate = _factors(rows, values)
    basis, cut, at = basis_of(rows.steps), rows.n_censored, rows.survived[rows.n_censored :]
    informative = rows.weight[cut:]
    total = np.concatenate([[0.0], np.cumsum(rate)])
    u = rate[at]  # in place from here on: memory taken anew costs as much as the arithmetic
    u *= relative[cut:]
    np.clip(u, SMALLEST, LARGEST, out=u)
    weighted = np.multiply(relative, rows.weight, out=relative)
    risk = rate[:, None] * rows.risk_sums(weighted)
    curve = total[rows.survived]
    if len(rows.late):
        curve -= total[rows.entry]
    curve *= weighted
    grown = np.expm1(u)
    spare = np.log(grown)
    spare -= u  # log(1 - exp(-u))
    loglik = float(informative @ spare - curve.sum())
    # f(eta) = log(1 - exp(-u)), u = exp(eta): f' = g = u / (exp(u) - 1), -f'' = g (u + g - 1)
    g = np.divide(u, grown, out=grown)
    u += g
    u -= 1
    gain = np.multiply(informative, g, out=g)
    bend = np.multiply(gain, u, out=u)
    score = np.negative(curve, out=weighted)
    score[cut:] += gain
    curve[cut:] += bend
    by_step = np.bincount(at, gain, rows.steps) - risk[:, 0]
    second = risk
    second[:, 0] += np.bincount(at, bend, rows.steps)
    for step, run in rows.events:
        second[step, 1:] += bend[run.start - cut : run.stop - cut] @ rows.X[run]
    gradient = np.concatenate([by_step @ basis, score @ rows.X])
    information = _folded(basis, second[:, 0], second[:, 1:], rows.gram(curve))
    return Curvature(loglik, gradient, information)


def expected_information(rows: HazardRows, values: FloatArray) -> FloatArray:
    """Return the expected information of a binomial model of every step at risk.

    The weight of a step is h'(eta)² / (h (1 - h)), which is u² / (exp(u) - 1) (McCullagh & Nelder
    1989, section 2.5).
    """
    relative, rate = _factors(rows, values)
    steps, slopes = np.zeros(rows.steps), np.zeros((rows.steps, rows.X.shape[1]))
    by_row = np.zeros(len(rows.X))
    for block, long, u, weight in rows.cells(relative, rate):
        np.clip(u, TINIEST, LARGEST, out=u)
        amount = np.expm1(u)
        np.divide(u, amount, out=amount)
        amount *= u
        amount *= weight
        steps[:long] += amount.sum(axis=0)
        slopes[:long] += amount.T @ rows.X[block]
        by_row[block] = amount.sum(axis=1)
    return _folded(basis_of(rows.steps), steps, slopes, rows.gram(by_row))


def row_scores(rows: HazardRows, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return each row's derivative by the baseline's parameters (n, k) and by x'b (n,).

    The derivative by a slope is the latter times its covariate.
    """
    relative, rate = _factors(rows, values)
    basis, cut = basis_of(rows.steps), rows.n_censored
    by_form, by_linear = np.empty((len(rows.X), basis.shape[1])), np.empty(len(rows.X))
    for block, long, u, weight in rows.cells(relative, rate):
        expected = weight * u
        by_form[block] = -expected @ basis[:long]
        by_linear[block] = -expected.sum(axis=1)
    at = rows.survived[cut:]  # the event itself, one step further, counted from 0
    u = np.clip(relative[cut:] * rate[at], SMALLEST, LARGEST)
    gain = rows.weight[cut:] * (u / np.expm1(u) + u)
    by_form[cut:] += gain[:, None] * basis[at]
    by_linear[cut:] += gain
    return by_form, by_linear


def _factors(rows: HazardRows, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return exp(x'b) of each row and exp(a) of each step."""
    cut = len(SMOOTH_NAMES)
    relative = rows.X @ values[cut:]
    return np.exp(relative, out=relative), np.exp(smooth_baseline(values[:cut], rows.steps))


def _folded(
    basis: FloatArray, steps: FloatArray, steps_slopes: FloatArray, slopes: FloatArray
) -> FloatArray:
    """Return the information on baseline parameters and slopes, from that on steps and slopes."""
    side = basis.T @ steps_slopes
    return np.block([[basis.T @ (basis * steps[:, None]), side], [side.T, slopes]])
