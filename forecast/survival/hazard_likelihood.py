"""The discrete-time likelihood from one line per row of data, never one line per row and step.

Notation: row i is at risk in steps ``entry + 1`` to ``step``; ``a`` is the baseline on the scale
of the complementary log-log link, one value per step; ``x'b`` what the covariates add. With
r = exp(x'b), A(t) = sum of exp(a) up to t, the row's log-likelihood is closed:

    -r (A(last survived) - A(entry)) + [event] log(1 - exp(-r exp(a at the event)))

(grouped proportional hazards; Prentice & Gloeckler 1978, Biometrics 34:57). Its derivatives by the
baseline are such differences of sums too.

The baseline is what the hazard does from step to step, the same for everyone: a quadratic in
x = log(step / 8). ``baseline[level]`` is the linear predictor at step 8, ``baseline[slope]`` what
one unit of x adds there, ``baseline[curve]`` what x² adds. The pivot is fixed, so that the three
mean the same whatever the data, and a prior can speak of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecast._arrays import BoolArray, FloatArray
from forecast.errors import FitError
from forecast.survival.durations import (
    Durations,
    Encoding,
    count_steps,
    count_subjects,
    first_seen,
    is_zero_one,
)

PIVOT = 8
SMOOTH_NAMES = ("baseline[level]", "baseline[slope]", "baseline[curve]")
# Used with a ridge penalty or a prior only: wide enough to leave the shape to some tens of
# events (a slope of 2 is a hazard that grows with the square of the step), narrow enough that
# a single event still has an answer.
SHAPE_PRIOR = {"baseline[slope]": (0.0, 2.0), "baseline[curve]": (0.0, 1.0)}
START_STEPS = 12
BLOCK = 1024  # rows worked on together: what is made of them stays in the second-level cache
LARGEST = 700.0  # exp(700) is still a number
SMALLEST = 1e-300  # met only at events without weight, in steps that have no event
TINIEST = 1e-30
SINGULAR = 1e-10


def basis_of(horizon: int) -> FloatArray:
    """Return the matrix from the baseline's parameters to steps 1 to ``horizon``."""
    x = np.log(np.arange(1, horizon + 1) / PIVOT)
    return np.column_stack([np.ones(horizon), x, x * x])


def smooth_baseline(parameters: FloatArray, horizon: int) -> FloatArray:
    """Return the linear predictor at steps 1 to ``horizon``, shape (..., horizon).

    ``parameters`` has shape (..., 3), in the order of ``SMOOTH_NAMES``.

    Examples
    --------
    >>> smooth_baseline(np.array([-2.0, 0.5, 0.0]), 8).round(2)
    array([-3.04, -2.69, -2.49, -2.35, -2.24, -2.14, -2.07, -2.  ])
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
class ScoreAndInformation:
    """The ``loglik`` of some rows, its ``gradient`` (p,) and ``information`` (p, p).

    Examples
    --------
    >>> RowsHere.of(durations, Encoding(())).derivatives(np.array([-1.0, 0, 0])).gradient.round(2)
    array([-1.47,  2.76, -5.39])
    """

    loglik: float
    gradient: FloatArray
    information: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """Counts per step and moments of the encoded covariates.

    Attributes
    ----------
    at_risk, events : ndarray of shape (steps,)
        Weighted.
    rows_at_risk, row_events : ndarray of shape (steps,)
        Rows with a positive weight.
    weight : float
    first, second : ndarray of shape (p,)
        Weighted sums of each encoded column and of its square.
    zero_one : ndarray of shape (p,), bool
        Columns that hold nothing but zeros and ones.
    n_rows, n_subjects : int

    Examples
    --------
    >>> counts = RowsHere.of(durations, Encoding(())).counts()
    >>> counts.at_risk, counts.events
    (array([6., 5., 3., 2., 1.]), array([1., 1., 1., 1., 0.]))
    """

    at_risk: FloatArray
    events: FloatArray
    rows_at_risk: FloatArray
    row_events: FloatArray
    weight: float
    first: FloatArray
    second: FloatArray
    zero_one: BoolArray
    n_rows: int
    n_subjects: int

    @classmethod
    def together(cls, each: Sequence[Counts]) -> Counts:
        """Return the counts of all sites; subjects are taken to be at one site only."""
        steps = max(len(one.at_risk) for one in each)

        def total(name: str) -> FloatArray:
            rows = [getattr(one, name) for one in each]
            return np.asarray(sum(np.pad(row, (0, steps - len(row))) for row in rows))

        return cls(
            total("at_risk"),
            total("events"),
            total("rows_at_risk"),
            total("row_events"),
            float(sum(one.weight for one in each)),
            np.asarray(np.sum([one.first for one in each], axis=0)),
            np.asarray(np.sum([one.second for one in each], axis=0)),
            np.asarray(np.all([one.zero_one for one in each], axis=0)),
            sum(one.n_rows for one in each),
            sum(one.n_subjects for one in each),
        )

    def scaling(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return center and scale of each column, 0 and 1 for one of zeros and ones.

        They keep the arithmetic well conditioned, and penalties free of units. The third is the
        matrix to raw parameters from those of ``(column - center) / scale``.
        """
        center = self.first / (self.weight or 1.0)
        spread = np.sqrt(np.maximum(self.second / (self.weight or 1.0) - center**2, 0.0))
        kept = self.zero_one | (spread == 0)
        center, scale = np.where(self.zero_one, 0.0, center), np.where(kept, 1.0, spread)
        cut = len(SMOOTH_NAMES)
        to_raw = np.eye(cut + len(scale))
        to_raw[0, cut:] = -center / scale  # the level alone moves the whole baseline
        to_raw[cut:, cut:] = np.diag(1 / scale)
        return center, scale, to_raw


@dataclass(frozen=True, slots=True, eq=False)
class RowsHere:
    """Rows in this process, as one site of a fit; see :meth:`of`.

    Attributes
    ----------
    durations : Durations
    counted : Counts
    to_own : ndarray of shape (3 + p, 3 + p)
        The matrix from raw parameters to those of ``X``.
    X : ndarray of shape (n, p)
        Encoded covariates, in scales of their own.

    Examples
    --------
    >>> RowsHere.of(durations, Encoding.learn(durations.covariates)).X.std(axis=0).round(9)
    array([1.])
    """

    durations: Durations
    counted: Counts
    to_own: FloatArray
    X: FloatArray

    @classmethod
    def of(cls, durations: Durations, encoding: Encoding) -> RowsHere:
        """Return the rows made ready under the encoding that all sites share."""
        X, weight = encoding.encode(durations.covariates), durations.weight
        counted = Counts(
            *count_steps(durations),
            *count_steps(durations, (weight > 0).astype(np.float64)),
            float(weight.sum()),
            weight @ X,
            weight @ X**2,
            np.array([is_zero_one(column) for column in X.T], dtype=np.bool_),
            len(durations),
            count_subjects(durations),
        )
        center, scale, to_raw = counted.scaling()
        X -= center
        X /= scale
        own = np.linalg.inv(to_raw).astype(np.float64)
        return cls(durations, counted, own, np.ascontiguousarray(X))

    def counts(self) -> Counts:
        """Return counts per step and moments: what a joint fit asks first."""
        return self.counted

    def derivatives(self, parameters: FloatArray) -> ScoreAndInformation:
        """Return the log-likelihood and its derivatives at raw ``parameters``."""
        relative, rate = self._factors(parameters)
        width, loglik, by_step = self.X.shape[1], 0.0, np.zeros(len(rate))
        gradient, side, slopes = np.zeros(3 + width), np.zeros((3, width)), np.zeros((width, width))
        for low in range(0, len(self.X), BLOCK):
            rows = slice(low, low + BLOCK)
            value, scores, bends, at = self._by_row(rows, relative[rows], rate)
            loglik += value
            gradient += np.concatenate([scores.sum(axis=1), scores[0] @ self.X[rows]])
            by_step += at
            side += bends @ self.X[rows]
            slopes += self._gram(rows, bends[0])
        information = self._on_raw(by_step, side, slopes)
        return ScoreAndInformation(loglik, self.to_own.T @ gradient, information)

    def expected(self, parameters: FloatArray) -> FloatArray:
        """Return the expected information of a binomial model of every step at risk.

        The weight of a step is h'(eta)² / (h (1 - h)), which is u² / (exp(u) - 1) with
        u = exp(eta) (McCullagh & Nelder 1989, section 2.5).
        """
        data, (relative, rate) = self.durations, self._factors(parameters)
        at, by_step, width = np.arange(len(rate)), np.zeros(len(rate)), self.X.shape[1]
        side, slopes = np.zeros((len(rate), width)), np.zeros((width, width))
        for low in range(0, len(self.X), BLOCK):
            rows = slice(low, low + BLOCK)
            at_risk = (data.entry[rows, None] <= at) & (at < data.step[rows, None])
            u = np.clip(relative[rows, None] * rate, TINIEST, LARGEST)
            amount = data.weight[rows, None] * at_risk * u * u / np.expm1(u)
            by_step += amount.sum(axis=0)
            side += amount.T @ self.X[rows]
            slopes += self._gram(rows, amount.sum(axis=1))
        return self._on_raw(by_step, basis_of(len(rate)).T @ side, slopes)

    def meat(self, parameters: FloatArray) -> FloatArray:
        """Return the sum over G subjects of score times score', times G / (G - 1)."""
        _, scores, _, _ = self._by_row(slice(None), *self._factors(parameters))
        place = first_seen(self.durations.subject)
        groups = int(place.max()) + 1
        columns = (*scores, *(scores[0] * column for column in self.X.T))
        sums = np.column_stack([np.bincount(place, column, groups) for column in columns])
        totals = sums @ self.to_own
        return np.asarray(totals.T @ totals * (groups / max(groups - 1, 1)))

    # exp(x'b) of each row and exp(a) of each step
    def _factors(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        values, cut = self.to_own @ parameters, len(SMOOTH_NAMES)
        baseline = smooth_baseline(values[:cut], len(self.counted.at_risk))
        return np.exp(self.X @ values[cut:]), np.exp(baseline)

    # The log-likelihood of rows, their slopes and bends by the baseline's parameters, (3, n), and
    # the bends by step. What moves the level moves x'b: the first is by that too.
    def _by_row(
        self, rows: slice, relative: FloatArray, rate: FloatArray
    ) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        data, steps, basis = self.durations, len(rate), basis_of(len(rate)).T
        step, entry, event = data.step[rows], data.entry[rows], np.flatnonzero(data.observed[rows])
        survived, at, weight = step - data.observed[rows], step[event] - 1, data.weight[rows]
        total = np.pad(np.cumsum(rate * basis, axis=1), ((0, 0), (1, 0)))
        weighted = relative * weight
        bends = weighted * (total.take(survived, axis=1) - total.take(entry, axis=1))
        loglik, scores = -float(bends[0].sum()), -bends
        # f(eta) = log(1 - exp(-u)), u = exp(eta): f' = g = u / (exp(u) - 1), -f'' = g (u + g - 1)
        u = np.clip(relative[event] * rate[at], SMALLEST, LARGEST)
        g = u / np.expm1(u)
        bend = weight[event] * g * (u + g - 1)
        scores[:, event] += weight[event] * g * basis[:, at]
        bends[:, event] += bend * basis[:, at]
        # a row that survives to E is in the risk sets of steps up to E
        leaves = np.bincount(survived, weighted, steps + 1) - np.bincount(
            entry, weighted, steps + 1
        )
        by_step = rate * np.cumsum(leaves[::-1])[::-1][1:] + np.bincount(at, bend, steps)
        loglik += float(weight[event] @ (np.log(np.expm1(u)) - u))
        return loglik, scores, bends, by_step

    def _gram(self, rows: slice, amount: FloatArray) -> FloatArray:
        half = self.X[rows] * np.sqrt(amount)[:, None]
        return np.asarray(half.T @ half)  # a symmetric product: half the work

    # the information on raw parameters, from that of steps, of both (3, p), and of slopes
    def _on_raw(self, by_step: FloatArray, side: FloatArray, slopes: FloatArray) -> FloatArray:
        basis = basis_of(len(by_step))
        own = np.block([[basis.T @ (basis * by_step[:, None]), side], [side.T, slopes]])
        return np.asarray(self.to_own.T @ own @ self.to_own)


def symmetric_inverse(matrix: FloatArray, names: Sequence[str]) -> FloatArray:
    """Return the inverse of a positive definite matrix, after scaling its diagonal to one."""
    scaled, units = check_rank(matrix, names)
    inverse = np.linalg.inv(scaled) / units
    return np.asarray((inverse + inverse.T) / 2)


def check_rank(information: FloatArray, names: Sequence[str]) -> tuple[FloatArray, FloatArray]:
    """Return ``information`` (p, p) with a diagonal of one, and by what it was divided.

    Raises FitError, by ``names``, if it is singular.
    """
    scale = np.sqrt(np.maximum(np.diag(information), 1e-300))
    units = np.outer(scale, scale)
    scaled = information / units
    try:
        pivots = np.diag(np.linalg.cholesky(scaled)) ** 2
        if pivots.min(initial=1.0) > SINGULAR:
            return scaled, units
    except np.linalg.LinAlgError:
        pass
    if not np.isfinite(scaled).all():
        raise FitError(
            "The fit left the range of numbers.",
            "Rescale the covariates, or give a penalty or a prior.",
        )
    values, vectors = np.linalg.eigh(scaled)
    if values[0] > SINGULAR:
        return scaled, units
    along = np.abs(vectors[:, 0])
    tied = [name for name, part in zip(names, along, strict=True) if part > 0.05 * along.max()]
    shown = [name for name in tied if not name.startswith("baseline[")] or tied
    what = f"do not settle {shown[0]}"
    if len(shown) > 1:
        what = f"cannot tell apart: {', '.join(shown[:6])}"
    raise FitError(f"The data {what}.", "Leave one of them out, or give a penalty or a prior.")
