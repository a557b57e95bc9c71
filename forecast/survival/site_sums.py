"""One fit from rows that stay where they are: each site returns sums, never a row.

Newton's method needs only the score and a small matrix from each site and round; the result is
that of the pooled rows. A site is anything that answers as `RowsHere` does: rows in this process,
or another owner of data, by file.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from forecast._notes import Note
from forecast._types import BoolArray, FloatArray
from forecast.errors import FitError, RequestError
from forecast.survival.distribution import Durations, count_steps, count_subjects
from forecast.survival.encoding import Encoding, is_zero_one
from forecast.survival.hazard import DiscreteHazard, FittedDiscreteHazard
from forecast.survival.hazard_likelihood import (
    SMOOTH_NAMES,
    HazardRows,
    derivatives,
    expected_information,
    raw_from_scaled,
    start_values,
)
from forecast.survival.model import FitNotes, last_supported
from forecast.survival.newton import Curvature, maximise, symmetric_inverse


@dataclass(frozen=True, slots=True, eq=False)
class ScoreAndInformation:
    """The ``loglik`` of some rows, its ``gradient`` (p,) and ``information`` (p, p)."""

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
    def together(cls, each: Sequence[Counts], *, width: int) -> Counts:
        """Return the counts of all sites; subjects are taken to be at one site only."""
        for number, one in enumerate(each):
            if len(one.first) != width:
                raise RequestError(
                    f"Site {number} has {len(one.first)} encoded covariates, not {width}.",
                    "Give every site the same encoding.",
                )
        steps = max(len(one.at_risk) for one in each)

        def total(name: str) -> FloatArray:
            padded = [
                np.pad(getattr(one, name), (0, steps - len(getattr(one, name)))) for one in each
            ]
            return np.asarray(np.sum(padded, axis=0))

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


@dataclass(frozen=True, slots=True, eq=False)
class RowsHere:
    """Rows in this process, as one site of a joint fit; see :meth:`of`.

    ``durations`` and their ``encoded`` covariates; ``rows`` of them, by ``link``.
    """

    durations: Durations
    encoded: FloatArray
    rows: HazardRows

    @classmethod
    def of(cls, durations: Durations, encoding: Encoding) -> RowsHere:
        """Return the rows made ready under the encoding that all sites share."""
        encoded = encoding.encode(durations.covariates)  # first: it names what it refuses by row
        return cls(durations, encoded, HazardRows.build(durations, encoding))

    def counts(self) -> Counts:
        """Return counts per step and moments: what a joint fit asks first."""
        durations, weight = self.durations, self.durations.weight
        X = self.encoded
        return Counts(
            *count_steps(durations),
            *count_steps(durations, (weight > 0).astype(np.float64)),
            float(weight.sum()),
            weight @ X,
            weight @ X**2,
            np.array([is_zero_one(column) for column in X.T], dtype=np.bool_),
            len(durations),
            count_subjects(durations),
        )

    def derivatives(self, parameters: FloatArray) -> ScoreAndInformation:
        """Return the log-likelihood and its derivatives at raw ``parameters``."""
        to_inner = np.linalg.inv(self.rows.to_raw())
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            here = derivatives(self.rows, to_inner @ parameters)
        information = to_inner.T @ here.information @ to_inner
        return ScoreAndInformation(here.loglik, to_inner.T @ here.gradient, information)

    def expected(self, parameters: FloatArray) -> FloatArray:
        """Return the expected information at raw ``parameters``."""
        to_inner = np.linalg.inv(self.rows.to_raw())
        with np.errstate(over="ignore"):
            found = expected_information(self.rows, to_inner @ parameters)
        return np.asarray(to_inner.T @ found @ to_inner)


Ask: TypeAlias = Callable[[Sequence[RowsHere], str, tuple[Any, ...]], list[Any]]


def ask_here(sites: Sequence[RowsHere], method: str, arguments: tuple[Any, ...]) -> list[Any]:
    """Return each of ``sites``' answer to ``method(*arguments)``, in turn, in this process."""
    return [getattr(site, method)(*arguments) for site in sites]


def joint_fit(
    model: DiscreteHazard, encoding: Encoding, sites: Sequence[RowsHere], *, ask: Ask = ask_here
) -> FittedDiscreteHazard:
    """Return the ``model`` fitted to the rows of all ``sites`` together.

    Every site must use ``encoding``. ``ask`` puts one question to all sites and returns the answers
    in their order; give another to ask them side by side. Raises RequestError if there is no site,
    or their covariates differ in number, and FitError as `DiscreteHazard.fit`.
    """
    if not sites:
        raise RequestError("There are no sites to ask.", "Give at least one.")
    counts = Counts.together(ask(sites, "counts", ()), width=len(encoding.names))
    if not counts.events.sum() > 0:
        raise FitError("Nobody had the event at any site.", "Add rows, or start from a prior.")
    # the pooled means and spreads keep the arithmetic well conditioned
    center = counts.first / counts.weight
    spread = np.sqrt(np.maximum(counts.second / counts.weight - center**2, 0.0))
    prior = model.gaussian(encoding, np.where(counts.zero_one, 1.0, spread))
    scale = np.where(counts.zero_one | (spread == 0), 1.0, spread)
    to_raw = raw_from_scaled(np.where(counts.zero_one, 0.0, center), scale)
    names = [*SMOOTH_NAMES, *encoding.names]

    def evaluate(values: FloatArray) -> Curvature:
        answers = ask(sites, "derivatives", (to_raw @ values,))
        loglik = float(sum(answer.loglik for answer in answers))
        gradient = to_raw.T @ np.sum([answer.gradient for answer in answers], axis=0)
        information = np.sum([answer.information for answer in answers], axis=0)
        return Curvature(loglik, gradient, to_raw.T @ information @ to_raw)

    first = start_values(counts.at_risk, counts.events)
    begin = np.concatenate([first, np.zeros(len(encoding.names))])
    found = maximise(evaluate, begin, to_raw, prior, names)
    raw = to_raw @ found.values
    expected = np.sum(ask(sites, "expected", (raw,)), axis=0) + np.diag(prior.precision)
    inverse = symmetric_inverse(to_raw.T @ expected @ to_raw, names)
    return FittedDiscreteHazard(
        encoding=encoding,
        parameters=raw,
        covariance_matrix=to_raw @ inverse @ to_raw.T,
        clustered_matrix=None,
        loglik=found.loglik,
        notes=FitNotes(
            n_rows=counts.n_rows,
            n_subjects=counts.n_subjects,
            n_events=int(counts.row_events.sum()),
            horizon=len(counts.at_risk),
            supported_to=last_supported(counts.rows_at_risk),
            converged=found.converged,
            messages=(Note("fit.joint", "info", {"sites": len(sites)}),),
        ),
    )
