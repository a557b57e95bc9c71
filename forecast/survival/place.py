"""Rows that answer for a joint fit: sums go out, rows stay."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.survival.baseline import Baseline
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.information import assemble, fold
from forecast.survival.likelihood import (
    RiskRows,
    cloglog_pass,
    expected_information,
    logit_pass,
)
from forecast.survival.notes import count_steps, count_subjects
from forecast.survival.refit import Refitter
from forecast.survival.sums import Counts, Sums

__all__ = ["RowsHere"]

FloatArray: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class RowsHere:
    """Rows in this process, as one place of a joint fit.

    Attributes
    ----------
    refitter : Refitter
    """

    refitter: Refitter

    @classmethod
    def of(cls, model: DiscreteHazard, durations: Durations, encoding: Encoding) -> RowsHere:
        """Return the rows made ready under the encoding that all places share."""
        return cls(model.refitter(durations, encoding=encoding))

    def counts(self) -> Counts:
        """Return counts per step and moments: what a joint fit asks first."""
        held = self.refitter
        durations, design, weight = held.durations, held.design, held.durations.weight
        rows = (weight > 0).astype(np.float64)
        sorted_weight = held.rows.weight
        first = design.dot_rows(sorted_weight)
        second = design.dot_squares(sorted_weight)
        center, scale = design.center, design.scale
        total = float(weight.sum())
        raw_first = center * total + scale * first
        raw_second = center**2 * total + 2 * center * scale * first + scale**2 * second
        zero_one = ~design.scaled
        return Counts(
            *count_steps(durations),
            *count_steps(durations, rows),
            total,
            raw_first[design.order],
            raw_second[design.order],
            zero_one[design.order],
            len(durations),
            count_subjects(durations),
        )

    def derivatives(self, parameters: FloatArray, form: Baseline) -> Sums:
        """Return the log-likelihood and its derivatives at raw ``parameters`` of ``form``."""
        rows, inner, to_inner = self.at(parameters, form)
        cut = len(form.names)
        one_pass = cloglog_pass if self.refitter.model.link == "cloglog" else logit_pass
        linear = form.linear(inner[:cut], rows.steps)
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            done = one_pass(rows, np.where(np.isposinf(linear), -np.inf, linear), inner[cut:])
        here = assemble(done, form.basis(rows.steps))
        information = to_inner.T @ here.information @ to_inner
        return Sums(here.loglik, to_inner.T @ here.gradient, information)

    def expected(self, parameters: FloatArray, form: Baseline) -> FloatArray:
        """Return the expected information at raw ``parameters`` of ``form``."""
        rows, inner, to_inner = self.at(parameters, form)
        linear = form.linear(inner[: len(form.names)], rows.steps)
        linear = np.where(np.isposinf(linear), -np.inf, linear)
        with np.errstate(over="ignore"):
            info = expected_information(
                rows, linear, inner[len(form.names) :], self.refitter.model.link
            )
        basis = form.basis(rows.steps)
        folded = fold(info.step_step, info.step_slope, info.gram(), basis)
        return np.asarray(to_inner.T @ folded @ to_inner)

    def at(self, parameters: FloatArray, form: Baseline) -> tuple[RiskRows, FloatArray, FloatArray]:
        """Return the rows under ``form``, the inner parameters, and the matrix to them."""
        to_inner: FloatArray = np.linalg.inv(self.refitter.to_raw(form)).astype(np.float64)
        rows = self.refitter.rows
        spot = rows.survived[rows.n_quiet :] + 1
        told = np.where(np.isin(spot, form.certain), 0.0, rows.weight[rows.n_quiet :])
        return replace(rows, event_weight=told), to_inner @ parameters, to_inner
