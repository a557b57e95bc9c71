"""One fit from rows that stay where they are: each place returns sums, never a row.

Newton's method needs only the gradient and a small matrix from each place and round; the result
is that of the pooled rows. A place is anything with the three methods of :class:`Place`: rows in
this process, a partition on another machine, or another owner of data who answers by file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError, RequestError
from forecast.survival.baseline import Baseline, free_baseline, smooth_baseline, start_values
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.information import symmetric_inverse
from forecast.survival.model import FitNotes
from forecast.survival.newton import Curvature, maximise
from forecast.survival.notes import WELL_SUPPORTED
from forecast.survival.sums import Counts, Sums

__all__ = ["Place", "ask_here", "joint_fit"]

FloatArray: TypeAlias = npt.NDArray[np.float64]


class Place(Protocol):
    """Where some of the rows are; ``RowsHere`` is one."""

    def counts(self) -> Counts:
        """Return counts per step and moments of the encoded covariates."""
        ...

    def derivatives(self, parameters: FloatArray, form: Baseline) -> Sums:
        """Return log-likelihood, gradient and observed information at raw ``parameters``."""
        ...

    def expected(self, parameters: FloatArray, form: Baseline) -> FloatArray:
        """Return the expected information at raw ``parameters``."""
        ...


Ask: TypeAlias = Callable[[Sequence[Place], str, tuple[Any, ...]], list[Any]]


def ask_here(places: Sequence[Place], method: str, arguments: tuple[Any, ...]) -> list[Any]:
    """Return each place's answer, one after another, in this process."""
    return [getattr(place, method)(*arguments) for place in places]


@dataclass(frozen=True, slots=True, eq=False)
class Scaling:
    """The pooled means and spreads, which keep the arithmetic well conditioned."""

    center: FloatArray
    spread: FloatArray
    zero_one: npt.NDArray[np.bool_]

    @classmethod
    def of(cls, counts: Counts) -> Scaling:
        """Return the scaling of pooled counts."""
        center = counts.first / counts.weight
        spread = np.sqrt(np.maximum(counts.second / counts.weight - center**2, 0.0))
        return cls(center, spread, counts.zero_one)

    def to_raw(self, form: Baseline) -> FloatArray:
        """Return the matrix from inner parameters, of scaled columns, to raw ones."""
        cut, width = len(form.names), len(self.center)
        scale = np.where(self.zero_one | (self.spread == 0), 1.0, self.spread)
        center = np.where(self.zero_one, 0.0, self.center)
        matrix = np.eye(cut + width)
        matrix[:cut, cut:] = -np.outer(form.level, center / scale)
        matrix[cut:, cut:] = np.diag(1 / scale)
        return matrix


def joint_fit(
    model: DiscreteHazard, encoding: Encoding, places: Sequence[Place], *, ask: Ask = ask_here
) -> FittedDiscreteHazard:
    """Return the model fitted to the rows of all places together.

    Every place must use ``encoding`` (see ``Encoding.merged``). ``ask`` puts one question to all
    places and returns the answers in their order; give another to ask them side by side.

    Raises
    ------
    RequestError
        If there is no place, or their covariates differ in number.
    FitError
        As :meth:`DiscreteHazard.fit`.
    """
    if not places:
        raise RequestError("There are no places to ask.", "Give at least one.")
    counts = Counts.together(ask(places, "counts", ()), width=len(encoding.names))
    if not counts.events.sum() > 0:
        raise FitError("Nobody had the event in any place.", "Add rows, or start from a prior.")
    form = smooth_baseline()
    if model.baseline == "free":
        form = free_baseline(counts.rows_at_risk, counts.row_events, model.prior or ())
    scaling = Scaling.of(counts)
    prior = model.gaussian(form.names, encoding, np.where(scaling.zero_one, 1.0, scaling.spread))
    to_raw = scaling.to_raw(form)
    names = [*form.names, *encoding.names]

    def evaluate(values: FloatArray) -> Curvature:
        answers = ask(places, "derivatives", (to_raw @ values, form))
        loglik = float(sum(answer.loglik for answer in answers))
        gradient = to_raw.T @ np.sum([answer.gradient for answer in answers], axis=0)
        information = np.sum([answer.information for answer in answers], axis=0)
        return Curvature(loglik, gradient, to_raw.T @ information @ to_raw)

    first = start_values(form, counts.at_risk, counts.events, model.link)
    begin = np.concatenate([first, np.zeros(len(encoding.names))])
    found = maximise(evaluate, begin, to_raw, prior, names)
    raw = to_raw @ found.values
    expected = np.sum(ask(places, "expected", (raw, form)), axis=0) + np.diag(prior.precision)
    inverse = symmetric_inverse(to_raw.T @ expected @ to_raw, names)
    return FittedDiscreteHazard(
        link=model.link,
        encoding=encoding,
        form=form,
        parameters=raw,
        covariance_matrix=to_raw @ inverse @ to_raw.T,
        clustered_matrix=None,
        loglik=found.loglik,
        notes=joint_notes(counts, len(places), found.converged),
    )


def joint_notes(counts: Counts, n_places: int, converged: bool) -> FitNotes:
    """Return what the joint fit rests on."""
    supported = np.flatnonzero(counts.rows_at_risk >= WELL_SUPPORTED)
    return FitNotes(
        n_rows=counts.n_rows,
        n_subjects=counts.n_subjects,
        n_events=int(counts.row_events.sum()),
        horizon=len(counts.at_risk),
        supported_to=int(supported[-1]) + 1 if len(supported) else 0,
        converged=converged,
        messages=(f"Fitted jointly over {n_places} place(s), from their sums.",),
    )
