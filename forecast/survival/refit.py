"""Data made ready for the discrete hazard, fitted once or many times with other weights."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt

from forecast.errors import DataError, FitError
from forecast.survival.baseline import Baseline, free_baseline, smooth_baseline, start_values
from forecast.survival.batch import Refits, refit_batch
from forecast.survival.batch_rows import BatchRows
from forecast.survival.design import Design, build_design
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.information import (
    assemble,
    clustered_meat,
    fold,
    symmetric_inverse,
)
from forecast.survival.likelihood import (
    RiskRows,
    cloglog_pass,
    expected_information,
    logit_pass,
    row_scores,
)
from forecast.survival.newton import Curvature, Gaussian, Maximum, maximise
from forecast.survival.notes import (
    WELL_SUPPORTED,
    fit_notes,
    one_row_each,
    refuse_no_events,
)

if TYPE_CHECKING:
    from forecast.survival.hazard import DiscreteHazard

__all__ = ["Refitter"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
Number = TypeVar("Number", np.int64, np.float64)

ENOUGH_TO_START = 20_000  # rows; of twice as many or more, some are fitted first
START_PRECISION, NEAR = 0.1, 0.05  # the latter in standard errors of those rows
BATCH_CELLS = 2**16  # refits times rows worked on together: what the second-level cache holds


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """One set of weights: the rows, the baseline they allow, and the prior."""

    link: str
    rows: RiskRows
    form: Baseline
    prior: Gaussian
    to_raw: FloatArray
    rows_at_risk: FloatArray
    at_risk: FloatArray
    events: FloatArray

    def baseline(self, parameters: FloatArray) -> FloatArray:
        """Return the linear predictor per step during the fit; sure steps are out of it."""
        linear = self.form.linear(parameters, self.rows.steps)
        return np.where(np.isposinf(linear), -np.inf, linear)

    def evaluate(self, values: FloatArray) -> Curvature:
        """Return the log-likelihood and its derivatives at inner parameters."""
        cut = len(self.form.names)
        one_pass = cloglog_pass if self.link == "cloglog" else logit_pass
        done = one_pass(self.rows, self.baseline(values[:cut]), values[cut:])
        return assemble(done, self.form.basis(self.rows.steps))


@dataclass(frozen=True, slots=True, eq=False)
class Refitter:
    """A model and its data, ready to be fitted with any weights.

    ``fit()`` is the plain fit; ``fit(weight)`` is what the plain fit gives with those weights,
    from the same arrays.

    Attributes
    ----------
    model : DiscreteHazard
    durations : Durations
    encoding : Encoding
    order : ndarray of shape (n,)
        The rows as the likelihood wants them sorted.
    rows : RiskRows
    """

    model: DiscreteHazard
    durations: Durations
    encoding: Encoding
    order: IntArray
    rows: RiskRows

    @classmethod
    def build(cls, model: DiscreteHazard, durations: Durations, encoding: Encoding) -> Refitter:
        """Return the data sorted and encoded."""
        if not len(durations):
            raise FitError("There are no rows to fit.", "Give some, or start from a prior.")
        survived = durations.step - durations.observed
        key = survived + durations.observed * (survived.max() + 1)
        small = key.astype(np.int16) if key.max() < 2**15 else key  # sorted by radix
        order = np.argsort(small, kind="stable")
        del key, small
        design = build_design(encoding, durations.covariates, order, durations.weight)
        rows = RiskRows.build(
            in_order(durations.entry, order),
            survived[order],
            int((~durations.observed).sum()),
            in_order(durations.weight, order),
            design,
        )
        return cls(model, durations, encoding, order, rows)

    @property
    def design(self) -> Design:
        """The covariates, in the likelihood's order of rows."""
        return self.rows.design

    def fit(
        self, weight: FloatArray | None = None, *, start: FittedDiscreteHazard | None = None
    ) -> FittedDiscreteHazard:
        """Return the model fitted with ``weight`` (n,) in place of the data's own.

        ``start`` is an earlier fit to begin from; it saves time and changes nothing else.
        """
        weight = self.check_weight(weight)
        problem = self.problem(weight)
        found = self.solve(problem, start)
        covariance, clustered = self.covariances(found, problem)
        notes = fit_notes(
            self.durations,
            n_covariates=len(self.encoding.names),
            converged=found.converged,
            dropped=self.encoding.dropped,
            messages=self.doubts(problem),
            rows_at_risk=problem.rows_at_risk,
        )
        return FittedDiscreteHazard(
            link=self.model.link,
            encoding=self.encoding,
            form=problem.form,
            parameters=problem.to_raw @ found.values,
            covariance_matrix=covariance,
            clustered_matrix=clustered,
            loglik=found.loglik,
            notes=notes,
        )

    def fit_many(self, weights: FloatArray, *, start: FittedDiscreteHazard | None = None) -> Refits:
        """Return the refits for many weight vectors, shape (n_refits, n), all from one start.

        Each equals ``fit(weights[i])``; standard errors are left out, as the spread over
        refits is what a bootstrap is after. A refit that would need a penalty raises FitError.
        """
        weights = np.atleast_2d(np.asarray(weights, dtype=np.float64))
        for weight in weights:
            self.check_weight(weight)
        start = start or self.fit()
        steps = int(self.durations.step.max())
        baseline = np.empty((len(weights), steps))
        slopes = np.empty((len(weights), len(self.encoding.names)))
        done = np.zeros(len(weights), dtype=bool)
        named_steps = [n for n in self.model.prior or () if n.startswith("baseline[")]
        if self.model.link == "cloglog" and not (self.model.baseline == "free" and named_steps):
            rows = BatchRows.build(self)
            size = int(np.clip(BATCH_CELLS // len(self.durations), 8, 64))
            for low in range(0, len(weights), size):
                part = slice(low, low + size)
                found = refit_batch(self, rows, weights[part], start)
                baseline[part], slopes[part], done[part] = found
        for at in np.flatnonzero(~done):
            problem = self.problem(weights[at])
            raw = problem.to_raw @ self.solve(problem, start).values
            cut = len(problem.form.names)
            baseline[at] = problem.form.linear(raw[:cut], steps)
            slopes[at] = raw[cut:]
        return Refits(baseline, slopes)

    def inner_start(
        self, start: FittedDiscreteHazard, form: Baseline, to_raw: FloatArray
    ) -> FloatArray:
        """Return inner parameters of ``form`` that say what an earlier fit says."""
        slopes = start.parameters[len(start.form.names) :]
        first = start.parameters[: len(start.form.names)]
        if form.kind == "free":
            linear = start.form.linear(first, len(form.steps))
            first = np.where(np.isfinite(linear), linear, 0.0)
        return np.asarray(np.linalg.solve(to_raw, np.concatenate([first, slopes])), np.float64)

    def check_weight(self, weight: FloatArray | None) -> FloatArray:
        """Return the weights in the data's order, or raise DataError."""
        if weight is None:
            return self.durations.weight
        weight = np.asarray(weight, dtype=np.float64)
        if weight.shape != (len(self.durations),) or not (weight >= 0).all():
            raise DataError(
                f"The weights have shape {weight.shape} for {len(self.durations)} row(s).",
                "Give one weight per row, 0 or more.",
            )
        return weight

    def problem(self, weight: FloatArray) -> Problem:
        """Return the rows, baseline and prior for these weights."""
        durations, model = self.durations, self.model
        own = weight is durations.weight
        sorted_weight = self.rows.weight if own else weight[self.order]
        if (weight == 1).all():
            at_risk, events = rows_at_risk, rows_events = self.rows.counts()
        else:
            at_risk, events = self.rows.counts(sorted_weight)
            rows_at_risk, rows_events = self.rows.counts((sorted_weight > 0).astype(np.float64))
        if model.baseline == "free":
            form = free_baseline(rows_at_risk, rows_events, model.prior or ())
        else:
            form = smooth_baseline()
        if "baseline[level]" not in (model.prior or {}):
            refuse_no_events(durations, weight)
        spot = self.rows.survived[self.rows.n_quiet :] + 1
        told = sorted_weight[self.rows.n_quiet :]
        if form.certain:
            told = np.where(np.isin(spot, form.certain), 0.0, told)
        rows = replace(self.rows, weight=sorted_weight, event_weight=told)
        prior = self.prior_for(form, weight)
        return Problem(
            model.link, rows, form, prior, self.to_raw(form), rows_at_risk, at_risk, events
        )

    def prior_for(self, form: Baseline, weight: FloatArray) -> Gaussian:
        """Return the prior on all raw parameters for these weights."""
        return self.model.gaussian(form.names, self.encoding, self.penalty_scale(weight))

    def penalty_scale(self, weight: FloatArray) -> FloatArray:
        """Return each column's standard deviation, 1 for zero-one columns, in encoding order.

        Shape (..., p) for weights of shape (..., n).
        """
        design = self.design
        scale = np.broadcast_to(design.scale, (*weight.shape[:-1], design.width)).copy()
        if self.model.penalty != 0:
            held = design.dense[:, : int(design.scaled.sum())]  # those come first
            share = weight[..., self.order]
            share = share / np.maximum(share.sum(axis=-1, keepdims=True), 1e-300)
            variance = share @ held**2 - (share @ held) ** 2
            scale[..., design.scaled] *= np.sqrt(np.maximum(variance, 0.0))
        return np.asarray(scale[..., design.order])

    def to_raw(self, form: Baseline) -> FloatArray:
        """Return the matrix from inner parameters to raw ones."""
        cut, design = len(form.names), self.design
        matrix = np.eye(cut + design.width)
        matrix[:cut, cut:] = -np.outer(form.level, design.center / design.scale)
        matrix[cut:, cut:] = np.diag(1 / design.scale)[design.order]
        return matrix

    def solve(self, problem: Problem, start: FittedDiscreteHazard | None) -> Maximum:
        """Return the maximum, from the life table or from an earlier fit."""
        width = self.design.width
        if start is not None and start.form == problem.form:
            begin = np.asarray(np.linalg.solve(problem.to_raw, start.parameters), np.float64)
        else:
            first = start_values(problem.form, problem.at_risk, problem.events, self.model.link)
            begin = np.concatenate([first, np.zeros(width)])
            if len(self.rows.weight) >= 2 * ENOUGH_TO_START:
                begin = self.start_from_some(problem, begin)
        names = self.inner_names(problem)
        return maximise(problem.evaluate, begin, problem.to_raw, problem.prior, names)

    def start_from_some(self, problem: Problem, begin: FloatArray) -> FloatArray:
        """Return a place to start from near the maximum: that of evenly spaced rows.

        A little is taken for granted of each parameter, so that a level or a step that these
        rows lack stays where it is.
        """
        some = problem.rows.every(len(problem.rows.weight) // ENOUGH_TO_START)
        part = replace(problem, rows=some)
        prior = problem.prior
        mean = np.where(prior.precision > 0, prior.mean, problem.to_raw @ begin)
        hold = Gaussian(mean, prior.precision + START_PRECISION)
        names = self.inner_names(problem)
        near = maximise(part.evaluate, begin, problem.to_raw, hold, names, settled=NEAR)
        return near.values

    def inner_names(self, problem: Problem) -> list[str]:
        """Return the names of the inner parameters, whose columns are in the order held."""
        held = np.empty(self.design.width, dtype=object)
        held[self.design.order] = self.encoding.names
        return [*problem.form.names, *held]

    def covariances(self, found: Maximum, problem: Problem) -> tuple[FloatArray, FloatArray | None]:
        """Return the covariance and the clustered one, in raw units."""
        cut = len(problem.form.names)
        basis = problem.form.basis(problem.rows.steps)
        baseline, slopes = problem.baseline(found.values[:cut]), found.values[cut:]
        with np.errstate(over="ignore"):
            info = expected_information(problem.rows, baseline, slopes, self.model.link)
        expected = fold(info.step_step, info.step_slope, info.gram(), basis)
        to_raw = problem.to_raw
        own = to_raw.T @ (problem.prior.precision[:, None] * to_raw)
        inverse = symmetric_inverse(expected + own, self.inner_names(problem))
        clustered = None
        if not one_row_each(self.durations):
            with np.errstate(over="ignore"):
                by_form, by_linear = row_scores(
                    problem.rows, baseline, slopes, basis, self.model.link
                )
            slopes_own = (by_linear * self.design.column(j) for j in range(self.design.width))
            columns = chain(by_form.T, slopes_own)
            meat = clustered_meat(columns, self.durations.subject[self.order])
            observed = problem.evaluate(found.values).information
            bread = symmetric_inverse(observed + own, self.inner_names(problem))
            # the prior's own gradient has its precision as variance
            middle = bread @ (meat + own) @ bread
            clustered = to_raw @ middle @ to_raw.T
        return to_raw @ inverse @ to_raw.T, clustered

    def doubts(self, problem: Problem) -> list[str]:
        """Return what the baseline leaves open, in words."""
        last = len(problem.events)
        if self.model.baseline == "smooth":
            thin = np.flatnonzero(problem.rows_at_risk < WELL_SUPPORTED)
            first = int(thin[0]) + 1 if len(thin) else last + 1
            return [f"From step {first} on the smooth baseline is extrapolated."]
        doubts = []
        final = max(problem.form.steps + problem.form.certain, default=0)
        empty = sorted(set(range(1, final)) - set(problem.form.steps + problem.form.certain))
        if empty:
            shown = ", ".join(map(str, empty[:8])) + (" …" if len(empty) > 8 else "")
            doubts.append(f"No event in step(s) {shown}: the hazard there is 0.")
        if final not in problem.form.certain:
            doubts.append(
                f"Nothing is predicted beyond step {final}, the last with an event (watched to "
                f"step {last}): the rest stays in the remainder."
            )
        return doubts


def in_order(values: npt.NDArray[Number], order: IntArray) -> npt.NDArray[Number]:
    """Return the values in another order; themselves where all are the same."""
    return values if (values == values[0]).all() else values[order]
