"""Many refits of one discrete hazard at once: the bootstrap's inner loop.

A batch of weight vectors shares every pass over the rows: products with the covariates become
products of matrices, and the curvature of all replicates one product with the table of column
pairs. The arithmetic is that of ``likelihood.cloglog_pass``; the answers are those of plain fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.baseline import Baseline

if TYPE_CHECKING:
    from forecast.survival.fitted_hazard import FittedDiscreteHazard
    from forecast.survival.refit import Refitter

__all__ = ["BatchRows", "Refits", "refit_batch"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

LARGEST = 700.0
TINY = 1e-300
MAX_ITERATIONS = 12
SETTLED = 1e-4  # in standard errors: the step after would be its square
PAIR_BYTES = 2**26  # the table of column pairs is kept whole up to this size
BLOCK = 2048


@dataclass(frozen=True, slots=True, eq=False)
class Refits:
    """What refits with several weight vectors gave, one row each.

    Attributes
    ----------
    baseline : ndarray of shape (n_refits, steps)
        The linear predictor of each step with every covariate at 0; -inf where no event of
        weight happened, inf where it happened to everyone.
    slopes : ndarray of shape (n_refits, p)
        Coefficients, in the order of ``encoding.names``.
    """

    baseline: FloatArray
    slopes: FloatArray

    def __len__(self) -> int:
        return len(self.slopes)

    def mean_survival(self, matrix: FloatArray, weight: FloatArray) -> FloatArray:
        """Return the weighted mean survival over rows, shape (n_refits, steps).

        For the complementary log-log link. ``matrix`` is encoded covariates (n, p), ``weight``
        of shape (n_refits, n). Single precision: curves are good to about 1e-6.
        """
        relative = np.exp(np.minimum(self.slopes @ matrix.T, 80.0)).astype(np.float32)
        with np.errstate(over="ignore"):
            total = np.cumsum(np.exp(np.minimum(self.baseline, 80.0)), axis=1).astype(np.float32)
        share = (weight / weight.sum(axis=1, keepdims=True)).astype(np.float32)
        curves = np.empty(total.shape)
        for at in range(len(self)):
            cube = np.multiply.outer(-total[at], relative[at])
            curves[at] = np.exp(cube, out=cube) @ share[at]
        return curves


@dataclass(frozen=True, slots=True, eq=False)
class BatchRows:
    """Rows without the event first, then those with it, each sorted by last survived step."""

    order: IntArray
    covariates: FloatArray
    survived: IntArray
    entry: IntArray | None
    n_quiet: int
    quiet: IntArray
    hit: IntArray
    late: IntArray
    late_bounds: IntArray
    late_covariates: FloatArray
    pairs: FloatArray | None
    steps: int

    @classmethod
    def build(cls, refitter: Refitter) -> BatchRows:
        """Return the rows of a refitter with every column in full."""
        rows = refitter.rows
        covariates = np.ascontiguousarray(rows.design.block(0, len(rows.design)))
        width = covariates.shape[1]
        late, bounds = np.zeros(0, dtype=np.int64), np.zeros(rows.steps + 2, dtype=np.int64)
        if rows.by_entry is not None and rows.by_entry.rows is not None:
            late, bounds = rows.by_entry.rows, np.append(0, rows.by_entry.stop)
        fits = len(covariates) * width * (width + 1) * 4 <= PAIR_BYTES
        return cls(
            refitter.order,
            covariates,
            rows.survived,
            rows.entry if len(late) else None,
            rows.n_quiet,
            np.append(rows.quiet.start, rows.quiet.stop[-1]),
            np.append(rows.hit.start, rows.hit.stop[-1]),
            late,
            bounds,
            covariates[late],
            column_pairs(covariates) if fits else None,
            rows.steps,
        )

    def sums(self, values: FloatArray, bounds: IntArray, rows: FloatArray) -> FloatArray:
        """Return sums of v and v x between bounds, shape (n_refits, len(bounds) - 1, 1 + p)."""
        total = np.zeros((len(values), len(bounds) - 1, 1 + rows.shape[1]))
        for at, (start, stop) in enumerate(pairwise(bounds)):
            if stop > start:
                piece = values[:, start:stop]
                total[:, at, 0] = piece.sum(axis=1)
                total[:, at, 1:] = piece @ rows[start:stop]
        return total

    def curvature(self, weight: FloatArray) -> FloatArray:
        """Return X' diag(c) X for each row of ``weight``, shape (n_refits, p, p)."""
        width = self.covariates.shape[1]
        if self.pairs is not None:
            flat = weight @ self.pairs
        else:
            flat = np.zeros((len(weight), width * (width + 1) // 2))
            for low in range(0, len(self.covariates), BLOCK):
                block = column_pairs(self.covariates[low : low + BLOCK])
                flat += weight[:, low : low + BLOCK] @ block
        square = np.empty((len(weight), width, width))
        first, second = np.triu_indices(width)
        square[:, first, second] = flat
        square[:, second, first] = flat
        return square


def column_pairs(covariates: FloatArray) -> FloatArray:
    """Return the products of all pairs of columns, shape (n, p (p + 1) / 2)."""
    first, second = np.triu_indices(covariates.shape[1])
    return np.ascontiguousarray(covariates[:, first] * covariates[:, second])


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where a batch stands: weights, which steps are open, and the parameters."""

    weight: FloatArray
    event_weight: FloatArray
    open_steps: npt.NDArray[np.bool_]
    sure: npt.NDArray[np.bool_]


def open_state(rows: BatchRows, weight: FloatArray) -> State:
    """Return the state of a batch: steps without events, or with nothing else, are shut."""
    events = rows.sums(weight, rows.hit, rows.covariates[:, :0])[:, :-1, 0]
    leave = rows.sums((weight > 0).astype(float), rows.quiet, rows.covariates[:, :0])
    leave += rows.sums((weight > 0).astype(float), rows.hit, rows.covariates[:, :0])
    if rows.entry is not None:
        there = (weight[:, rows.late] > 0).astype(float)
        leave -= rows.sums(there, rows.late_bounds, rows.late_covariates[:, :0])
    stay = np.cumsum(leave[:, ::-1, 0], axis=1)[:, ::-1][:, 1:]
    sure = (events > 0) & (stay < 0.5)
    open_steps = (events > 0) & ~sure
    spot = rows.survived[rows.n_quiet :]
    return State(weight, weight[:, rows.n_quiet :] * open_steps[:, spot], open_steps, sure)


@dataclass(frozen=True, slots=True, eq=False)
class BatchPass:
    """Derivatives of a batch: by steps, by slopes, and the information in three parts."""

    by_step: FloatArray
    by_slope: FloatArray
    step_step: FloatArray
    step_slope: FloatArray
    slope_slope: FloatArray


def batch_pass(
    rows: BatchRows, state: State, baseline: FloatArray, slopes: FloatArray
) -> BatchPass:
    """Return the derivatives at ``baseline`` (n_refits, steps) and ``slopes`` (n_refits, p)."""
    cut = rows.n_quiet
    rate = np.where(state.open_steps, np.exp(baseline), 0.0)
    total = np.concatenate([np.zeros((len(rate), 1)), np.cumsum(rate, axis=1)], axis=1)
    relative = np.exp(slopes @ rows.covariates.T)
    weighted = relative * state.weight
    exposure = np.take(total, rows.survived, axis=1)
    if rows.entry is not None:
        exposure -= np.take(total, rows.entry, axis=1)
    curve = np.multiply(weighted, exposure, out=exposure)
    score = -curve
    u = np.take(rate, rows.survived[cut:], axis=1)
    u *= relative[:, cut:]
    np.clip(u, TINY, LARGEST, out=u)
    g = u / np.expm1(u)
    gain = state.event_weight * g
    u += g
    u -= 1
    bend = np.multiply(gain, u, out=u)
    score[:, cut:] += gain
    curve[:, cut:] += bend
    at_risk = rows.sums(weighted, rows.quiet, rows.covariates)
    at_risk += rows.sums(weighted, rows.hit, rows.covariates)
    if rows.entry is not None:
        at_risk -= rows.sums(weighted[:, rows.late], rows.late_bounds, rows.late_covariates)
    risk = rate[:, :, None] * np.cumsum(at_risk[:, ::-1], axis=1)[:, ::-1][:, 1:]
    hit = rows.hit - cut
    second = risk + rows.sums(bend, hit, rows.covariates[cut:])[:, :-1]
    gained = rows.sums(gain, hit, rows.covariates[cut:, :0])[:, :-1, 0]
    return BatchPass(
        gained - risk[:, :, 0],
        score @ rows.covariates,
        second[:, :, 0],
        second[:, :, 1:],
        rows.curvature(curve),
    )


def refit_batch(
    refitter: Refitter, rows: BatchRows, weight: FloatArray, start: FittedDiscreteHazard
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return baseline parameters, raw slopes and whether each refit settled, for a few weights.

    ``weight`` has shape (n_refits, n), in the order of the data. Baselines come back per step.
    """
    state = open_state(rows, np.ascontiguousarray(weight[:, rows.order]))
    free = start.form.kind == "free"
    kept = Baseline("free", tuple(range(1, rows.steps + 1))) if free else start.form
    basis, cut = kept.basis(rows.steps), len(kept.names)
    to_raw = refitter.to_raw(kept)
    prior = [refitter.prior_for(kept, one) for one in weight]
    mean = np.array([gaussian.mean for gaussian in prior])
    precision = np.array([gaussian.precision for gaussian in prior])
    values = np.tile(refitter.inner_start(start, kept, to_raw), (len(weight), 1))
    if not free:
        state = State(
            state.weight,
            state.weight[:, rows.n_quiet :],
            np.ones_like(state.open_steps),
            np.zeros_like(state.sure),
        )
    settled = np.zeros(len(weight), dtype=bool)
    for _ in range(MAX_ITERATIONS):
        done = batch_pass(rows, state, values[:, :cut] @ basis.T, values[:, cut:])
        off = values @ to_raw.T - mean
        pull = (precision * off) @ to_raw
        own = to_raw.T @ (precision[:, :, None] * to_raw)
        gradient = np.hstack([done.by_step @ basis, done.by_slope]) - pull
        side = basis.T @ done.step_slope
        corner = basis.T @ (done.step_step[:, :, None] * basis)
        information = np.block([[corner, side], [side.transpose(0, 2, 1), done.slope_slope]]) + own
        if free:
            # a shut step keeps its place with a unit curvature and no pull
            shut = np.hstack([~state.open_steps, np.zeros_like(done.by_slope, dtype=bool)])
            information[:, range(len(to_raw)), range(len(to_raw))] += shut
            gradient = np.where(shut, 0.0, gradient)
        step = np.linalg.solve(information, gradient[:, :, None])[:, :, 0]
        size = np.sqrt((step * gradient).sum(axis=1).clip(0))
        values = values + np.where(settled[:, None], 0.0, step)
        settled |= size < SETTLED
        if settled.all() or not np.isfinite(values).all():
            break
    raw = values @ to_raw.T
    linear = raw[:, :cut] @ basis.T
    if free:
        linear = np.where(state.open_steps, linear, np.where(state.sure, np.inf, -np.inf))
    return linear, raw[:, cut:], settled & np.isfinite(raw).all(axis=1)
