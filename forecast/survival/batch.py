"""Many refits of one discrete hazard at once: the bootstrap's inner loop.

A batch of weight vectors shares every pass over the rows: products with the covariates become
products of matrices, and the curvature of all replicates one product with the table of column
pairs. The arithmetic is that of ``likelihood.cloglog_pass``; the answers are those of plain fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.baseline import Baseline
from forecast.survival.batch_rows import BatchRows, State, open_state
from forecast.survival.newton import Gaussian

if TYPE_CHECKING:
    from forecast.survival.fitted_hazard import FittedDiscreteHazard
    from forecast.survival.refit import Refitter

__all__ = ["Refits", "refit_batch"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]

LARGEST = 700.0
TINY = 1e-300
MAX_ITERATIONS = 12
SETTLED = 1e-4  # in standard errors: the step after would be its square


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
class BatchPass:
    """Derivatives of a batch by steps and slopes; with the information in three parts, or not."""

    by_step: FloatArray
    by_slope: FloatArray
    step_step: FloatArray | None = None
    step_slope: FloatArray | None = None
    slope_slope: FloatArray | None = None


def batch_pass(
    rows: BatchRows, state: State, baseline: FloatArray, slopes: FloatArray, *, curved: bool
) -> BatchPass:
    """Return the derivatives at ``baseline`` (n_refits, steps) and ``slopes`` (n_refits, p)."""
    cut = rows.n_quiet
    rate = np.where(state.open_steps, np.exp(baseline), 0.0)
    total = np.concatenate([np.zeros((len(rate), 1)), np.cumsum(rate, axis=1)], axis=1)
    relative = np.exp(slopes @ rows.covariates.T)
    weighted = relative * state.weight
    curve = np.repeat(np.hstack([total, total]), rows.run_lengths, axis=1)
    if rows.entry is not None:
        curve -= np.take(total, rows.entry, axis=1)
    curve *= weighted
    score = -curve
    u = np.repeat(rate, rows.run_lengths[rows.steps + 1 : -1], axis=1)
    u *= relative[:, cut:]
    np.clip(u, TINY, LARGEST, out=u)
    g = u / np.expm1(u)
    gain = state.event_weight * g
    score[:, cut:] += gain
    held = rows.covariates if curved else rows.covariates[:, :0]
    at_risk = rows.sums(weighted, rows.quiet, held)
    at_risk += rows.sums(weighted, rows.hit, held)
    if rows.entry is not None:
        at_risk -= rows.sums(weighted[:, rows.late], rows.late_bounds, held[rows.late])
    risk = rate[:, :, None] * np.cumsum(at_risk[:, ::-1], axis=1)[:, ::-1][:, 1:]
    hit = rows.hit - cut
    gained = rows.sums(gain, hit, held[cut:, :0])[:, :-1, 0]
    by_step, by_slope = gained - risk[:, :, 0], score @ rows.covariates
    if not curved:
        return BatchPass(by_step, by_slope)
    u += g
    u -= 1
    bend = np.multiply(gain, u, out=u)
    curve[:, cut:] += bend
    second = risk + rows.sums(bend, hit, rows.covariates[cut:])[:, :-1]
    return BatchPass(by_step, by_slope, second[:, :, 0], second[:, :, 1:], rows.curvature(curve))


class Curved:
    """The information of a batch, made ready to solve with."""

    def __init__(self, done: BatchPass, basis: FloatArray | None, own: FloatArray) -> None:
        """Take the information of ``done``; ``basis`` None means one parameter per step.

        ``own`` is the prior's precision in inner parameters: (n_refits, p) for the slopes only
        when there is one parameter per step, (n_refits, k, k) otherwise.
        """
        assert done.step_step is not None
        assert done.step_slope is not None
        assert done.slope_slope is not None
        self.basis = basis
        if basis is None:
            self.diagonal = np.where(done.step_step > 0, done.step_step, 1.0)
            self.side = done.step_slope
            shared = self.side.transpose(0, 2, 1) @ (self.side / self.diagonal[:, :, None])
            inner = done.slope_slope - shared
            inner[:, range(inner.shape[1]), range(inner.shape[1])] += own
        else:
            corner = basis.T @ (done.step_step[:, :, None] * basis)
            side = basis.T @ done.step_slope
            inner = np.block([[corner, side], [side.transpose(0, 2, 1), done.slope_slope]]) + own
        self.inverse = np.linalg.inv(inner)

    def solve(self, gradient: FloatArray) -> FloatArray:
        """Return the information's inverse times the gradient, shape (n_refits, k)."""
        if self.basis is not None:
            return np.asarray(np.matmul(self.inverse, gradient[:, :, None])[:, :, 0])
        cut = self.diagonal.shape[1]
        first = gradient[:, :cut] / self.diagonal
        rest = gradient[:, cut:] - np.matmul(first[:, None, :], self.side)[:, 0]
        slopes = np.matmul(self.inverse, rest[:, :, None])[:, :, 0]
        back = np.matmul(self.side, slopes[:, :, None])[:, :, 0] / self.diagonal
        return np.hstack([first - back, slopes])

    def keep(self, rows: npt.NDArray[np.bool_]) -> None:
        """Forget the refits that are not in ``rows``."""
        self.inverse = self.inverse[rows]
        if self.basis is None:
            self.diagonal, self.side = self.diagonal[rows], self.side[rows]


def refit_batch(
    refitter: Refitter, rows: BatchRows, weight: FloatArray, start: FittedDiscreteHazard
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Return baselines per step, raw slopes and whether each refit settled, for a few weights.

    ``weight`` has shape (n_refits, n), in the order of the data. Two Newton steps, then steps
    with the same curvature, which is renewed when they do not shrink fast enough.
    """
    free = start.form.kind == "free"
    state = open_state(rows, np.ascontiguousarray(weight[:, rows.order]), free=free)
    form = Baseline("free", tuple(range(1, rows.steps + 1))) if free else start.form
    basis, cut = None if free else form.basis(rows.steps), len(form.names)
    to_raw = refitter.to_raw(form)
    gaussian, encoding = refitter.model.gaussian, refitter.encoding
    each = [gaussian(form.names, encoding, one) for one in refitter.penalty_scale(weight)]
    prior = Priors.build(each, to_raw, cut if free else None)
    found = np.tile(refitter.inner_start(start, form, to_raw), (len(weight), 1))
    if free:
        found[:, :cut] += level_shift(rows, state, found, cut)
    settled = climb(rows, state, prior, found, basis)
    raw = found @ to_raw.T
    baseline = raw[:, :cut] if basis is None else raw[:, :cut] @ basis.T
    if free:
        baseline = np.where(state.open_steps, baseline, np.where(state.sure, np.inf, -np.inf))
    return baseline, raw[:, cut:], settled & np.isfinite(raw).all(axis=1)


def climb(
    rows: BatchRows, here: State, prior: Priors, found: FloatArray, basis: FloatArray | None
) -> npt.NDArray[np.bool_]:
    """Move ``found``, shape (n_refits, k), to the maxima, and return which of them settled."""
    settled, active = np.zeros(len(found), dtype=bool), np.arange(len(found))
    cut = rows.steps if basis is None else basis.shape[1]
    curved = None
    for iteration in range(MAX_ITERATIONS):
        values = found[active]
        linear = values[:, :cut] if basis is None else values[:, :cut] @ basis.T
        renew = curved is None or iteration < 2 or iteration % 4 == 0
        done = batch_pass(rows, here, linear, values[:, cut:], curved=renew)
        if renew or curved is None:
            curved = Curved(done, basis, prior.own[active])
        by_form = done.by_step * here.open_steps if basis is None else done.by_step @ basis
        gradient = np.hstack([by_form, done.by_slope]) - prior.pull(values, active)
        step = curved.solve(gradient)
        found[active] += step
        size = np.sqrt(np.maximum((step * gradient).sum(axis=1), 0.0))
        # after a Newton step the error is of the order of its square
        left = ~(size < (SETTLED if renew else SETTLED**1.5))
        settled[active[~left]] = True
        if not left.any() or not np.isfinite(found).all():
            break
        if left.sum() <= len(active) / 2:
            active, here = active[left], here.take(left)
            curved.keep(left)
    return settled


def level_shift(rows: BatchRows, state: State, found: FloatArray, cut: int) -> FloatArray:
    """Return what each step's log rate must move for its events to be those expected, roughly."""
    done = batch_pass(rows, state, found[:, :cut], found[:, cut:], curved=False)
    events = rows.sums(state.event_weight, rows.hit - rows.n_quiet, rows.covariates[:, :0])
    events = events[:, :-1, 0]
    expected = np.maximum(events - done.by_step, 0.1 * np.maximum(events, TINY))
    return np.where(state.open_steps, np.log(np.maximum(events, TINY) / expected), 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Priors:
    """The priors of a batch, in raw parameters, and their precision in inner ones."""

    mean: FloatArray
    precision: FloatArray
    to_raw: FloatArray
    own: FloatArray

    @classmethod
    def build(cls, each: list[Gaussian], to_raw: FloatArray, slopes_from: int | None) -> Priors:
        """Return the priors; those that speak of slopes only have a diagonal precision."""
        mean = np.array([one.mean for one in each])
        precision = np.array([one.precision for one in each])
        if slopes_from is not None:
            own = (precision @ to_raw**2)[:, slopes_from:]
        else:
            own = to_raw.T @ (precision[:, :, None] * to_raw)
        return cls(mean, precision, to_raw, own)

    def pull(self, values: FloatArray, active: IntArray) -> FloatArray:
        """Return the gradient that the priors take off."""
        off = values @ self.to_raw.T - self.mean[active]
        return (self.precision[active] * off) @ self.to_raw
