"""The discrete-time hazard model with a smooth baseline: grouped proportional hazards."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_whole_number, nearest
from forecast._notes import Note
from forecast._plain import plain
from forecast.errors import FitError, RequestError
from forecast.survival.durations import Covariates, Durations, Encoding, one_row_each
from forecast.survival.hazard_likelihood import (
    LARGEST,
    SHAPE_PRIOR,
    SMOOTH_NAMES,
    Counts,
    RowsHere,
    check_rank,
    smooth_baseline,
    start_values,
    symmetric_inverse,
)
from forecast.survival.model import (
    WELL_SUPPORTED,
    CountDistribution,
    FitNotes,
    Prior,
    climb,
    fit_notes,
    gaussian_draws,
    prior_of,
    refuse_no_events,
    supported_to,
)

SETTLED = 2.5e-7  # squared length of a step in standard errors; the step after is its square
SEPARATED = 10.0  # log hazard per standard deviation: a factor of twenty thousand


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DiscreteHazard:
    """The chance h of the event at each step, given none before: cloglog(h) = baseline + x'b.

    A binomial regression of every step at risk (Singer & Willett 2003, chapter 12), fitted without
    ever writing those steps out: a coefficient is a log hazard ratio. The baseline has three
    parameters, see ``hazard_likelihood``.

    Attributes
    ----------
    penalty : float
        Ridge precision on every coefficient without a prior: ``penalty * s² * b² / 2`` is taken
        off, with s the column's standard deviation, or 1 for a column of zeros and ones. Units
        therefore do not matter, and a rare level is shrunk as much as a common one. Coefficients
        stay on the raw scale.
    prior : mapping of name to (mean, standard deviation), optional
        Independent Gaussian priors by encoded covariate name, and by baseline name
        (``baseline[level]``, ``baseline[slope]``, ``baseline[curve]``). With a penalty or a prior,
        slope and curve have the wide default prior ``SHAPE_PRIOR`` unless named.

    Raises
    ------
    RequestError
        If an option has no such value, or the prior names something that is not there.

    Examples
    --------
    >>> fitted = DiscreteHazard(penalty=1.0).fit(durations)
    >>> fitted.predict({"dose": [0.0, 2.0]}, horizon=5).median()
    array([5., 1.])
    """

    penalty: float = 0.0
    prior: Prior | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.penalty) and self.penalty >= 0):
            raise RequestError(f"penalty is {self.penalty!r}.", "Give a number from 0 up.")
        for name, (mean, spread) in (self.prior or {}).items():
            if not (math.isfinite(mean) and math.isfinite(spread) and spread > 0):
                raise RequestError(
                    f"The prior of {name!r} is ({mean}, {spread}).",
                    "Give a mean and a standard deviation above 0.",
                )

    def fit(self, durations: Durations) -> FittedDiscreteHazard:
        """Return the model fitted to ``durations``.

        Raises FitError if there are no events (and no prior on the level), columns are collinear,
        or a column separates those with the event, and nothing penalises it.
        """
        if not len(durations):
            raise FitError("There are no rows to fit.", "Give some, or start from a prior.")
        encoding = Encoding.learn(durations.covariates, keep=self.prior or ())
        if "baseline[level]" not in (self.prior or {}):
            refuse_no_events(durations)
        site = RowsHere.of(durations, encoding)
        found = _fitted(self, encoding, site.counted, ask_here([site]))
        clustered = None
        if not one_row_each(durations):  # robust to rows of one subject being alike
            _, scale, to_raw = site.counted.scaling()
            # the prior's own gradient has its precision as variance
            own = np.diag(self.gaussian(encoding, scale)[1])
            with np.errstate(over="ignore"):
                observed = site.derivatives(found.parameters).information
                meat = site.meat(found.parameters)
            bread = to_raw @ symmetric_inverse(to_raw.T @ (observed + own) @ to_raw, found.names)
            bread = bread @ to_raw.T
            clustered = np.asarray(bread @ (meat + own) @ bread)
        first_thin = int(np.argmax([*(site.counted.rows_at_risk < WELL_SUPPORTED), True])) + 1
        notes = fit_notes(
            durations,
            n_covariates=len(encoding.names),
            converged=found.notes.converged,
            dropped=encoding.dropped,
            messages=[Note("fit.extrapolated", "info", {"step": first_thin})],
        )
        return replace(found, clustered_matrix=clustered, notes=notes)

    def from_prior(self, columns: Sequence[str], horizon: int) -> FittedDiscreteHazard:
        """Return the model that the prior alone describes, for numeric covariates ``columns``.

        Every parameter needs a prior, or the penalty for a coefficient (taken in the column's
        own units). ``horizon`` is how far it is said to go.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        encoding = Encoding(tuple((name, None) for name in columns))
        mean, precision = self.gaussian(encoding, np.ones(len(encoding.names)))
        silent = np.flatnonzero(precision == 0)
        if len(silent):
            left_out = (SMOOTH_NAMES + encoding.names)[silent[0]]
            raise RequestError(
                f"The prior says nothing of {left_out!r}.", "Give it a mean and a spread."
            )
        notes = FitNotes(0, 0, 0, horizon, 0, True, (Note("fit.prior_alone", "caution"),))
        return FittedDiscreteHazard(encoding, mean, np.diag(1 / precision), None, 0.0, notes)

    def gaussian(self, encoding: Encoding, scale: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return mean and precision of all parameters, in raw units; ``scale`` is for the penalty.

        A precision of 0 says nothing.
        """
        names, given = SMOOTH_NAMES + encoding.names, dict(self.prior or {})
        unknown = [name for name in given if name not in names]
        if self.prior or self.penalty > 0:
            given = {**SHAPE_PRIOR, **given}
        if unknown:
            raise RequestError(
                f"The prior names {unknown[0]!r}, which is not a parameter.",
                f"Parameters are {', '.join(names)}.{nearest(unknown[0], names)}",
            )
        ridge = np.concatenate([np.zeros(len(SMOOTH_NAMES)), self.penalty * scale**2])
        return prior_of(names, given, ridge)


Ask: TypeAlias = Callable[..., list[Any]]  # a method of `RowsHere` and its arguments


def ask_here(sites: Sequence[RowsHere]) -> Ask:
    """Return what has each of ``sites`` answer a question, in turn, in this process."""
    return lambda method, *arguments: [getattr(site, method)(*arguments) for site in sites]


def joint_fit(model: DiscreteHazard, encoding: Encoding, ask: Ask) -> FittedDiscreteHazard:
    """Return the ``model`` fitted to the rows of all sites together, which stay where they are.

    Newton's method needs only a score and a small matrix from each site and round; the result is
    that of the pooled rows. ``ask`` puts one question to all sites, a method of `RowsHere` and its
    arguments, and returns their answers; all must use ``encoding``. Raises FitError as
    `DiscreteHazard.fit`.

    Examples
    --------
    >>> model, encoding = DiscreteHazard(penalty=1.0), Encoding.learn(durations.covariates)
    >>> sites = [RowsHere.of(durations.take(part), encoding) for part in ([0, 2, 4], [1, 3, 5])]
    >>> apart, together = joint_fit(model, encoding, ask_here(sites)), model.fit(durations)
    >>> bool(np.abs(apart.parameters - together.parameters).max() < 1e-6)
    True
    """
    each = ask("counts")
    counts = Counts.together(each)
    if not counts.events.sum() > 0:
        raise FitError("Nobody had the event at any site.", "Add rows, or start from a prior.")
    found = _fitted(model, encoding, counts, ask)
    said = (Note("fit.joint", "info", {"sites": len(each)}),)
    return replace(found, notes=replace(found.notes, messages=said))


@dataclass(frozen=True, slots=True, eq=False)
class FittedDiscreteHazard:
    """What :meth:`DiscreteHazard.fit` found."""

    encoding: Encoding
    parameters: FloatArray  # (k,): the baseline's, then coefficients, as ``names`` has them
    covariance_matrix: FloatArray  # inverse of the expected information plus the prior's precision
    # the same, robust to rows of one subject being alike (sandwich with the observed information,
    # times G / (G - 1) for G subjects); None when no subjects were named
    clustered_matrix: FloatArray | None
    loglik: float  # without the prior or penalty
    notes: FitNotes

    @property
    def names(self) -> tuple[str, ...]:
        """The parameters' names: the baseline's, then the encoded covariates'."""
        return SMOOTH_NAMES + self.encoding.names

    def predict(self, covariates: Covariates, horizon: int) -> CountDistribution:
        """Return each row's distribution over steps 1 to ``horizon``, at the estimates.

        The baseline goes on beyond the last event seen, see ``notes.supported_to``.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        pmf = self._pmfs(self.parameters[None, :], covariates, horizon)
        return CountDistribution(pmf[0], self.encoding.unseen(covariates))

    def predict_draws(
        self, covariates: Covariates, horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) under draws of the parameters."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        return self._pmfs(_drawn(self, n_draws, seed), covariates, horizon)

    def _pmfs(self, parameters: FloatArray, covariates: Covariates, horizon: int) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) for parameters of shape (n_draws, k)."""
        matrix, cut = self.encoding.encode(covariates, average=True), len(SMOOTH_NAMES)
        linear = smooth_baseline(parameters[:, :cut], horizon)
        added = np.minimum(parameters[:, cut:] @ matrix.T, LARGEST)
        total = np.cumsum(np.exp(np.minimum(linear, LARGEST)), axis=1)
        with np.errstate(over="ignore"):
            survival = np.exp(-np.exp(added)[:, :, None] * total[:, None, :])
        pmf: FloatArray = np.empty_like(survival)
        pmf[:, :, 0] = 1 - survival[:, :, 0]
        np.subtract(survival[:, :, :-1], survival[:, :, 1:], out=pmf[:, :, 1:])
        return pmf

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; holds no row of the data."""
        return {"model": "discrete_hazard", **plain(self)}


@lru_cache(maxsize=32)  # every answer asks for the same ones
def _drawn(fitted: FittedDiscreteHazard, n_draws: int, seed: int) -> FloatArray:
    robust = fitted.clustered_matrix
    spread = fitted.covariance_matrix if robust is None else robust
    return gaussian_draws(fitted.parameters, spread, n_draws=n_draws, seed=seed)


def _fitted(
    model: DiscreteHazard, encoding: Encoding, counts: Counts, ask: Ask
) -> FittedDiscreteHazard:
    names, cut = SMOOTH_NAMES + encoding.names, len(SMOOTH_NAMES)
    begin = np.pad(start_values(counts.at_risk, counts.events), (0, len(encoding.names)))
    _, scale, to_raw = counts.scaling()
    mean, precision = model.gaussian(encoding, scale)
    runs_away = np.append(np.zeros(cut, dtype=bool), precision[cut:] == 0)
    last: list[FloatArray] = []  # where the rows were asked last, and what they said

    def surface(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        far = np.abs(np.where(runs_away, values, 0.0))
        if far.max() > SEPARATED:
            raise FitError(
                f"Column {names[int(far.argmax())]!r} separates the rows with the event "
                "from those without.",
                "Give a penalty or a prior, or leave the column out.",
            )
        raw = to_raw @ values
        answers = ask("derivatives", raw)
        loglik = np.sum([answer.loglik for answer in answers])
        gradient = to_raw.T @ np.sum([answer.gradient for answer in answers], axis=0)
        total = np.sum([answer.information for answer in answers], axis=0)
        information = to_raw.T @ (total + np.diag(precision)) @ to_raw
        if not last:
            check_rank(information, names)
        last[:] = values, loglik, gradient, to_raw.T @ total @ to_raw
        pull = precision * (raw - mean)
        value = float(loglik - pull @ (raw - mean) / 2)
        return value, gradient - to_raw.T @ pull, information

    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        found, _, converged = climb(surface, begin, settled=SETTLED)
        step, (_, loglik, gradient, total) = found - last[0], last
        raw = to_raw @ found
        expected = np.sum(ask("expected", raw), axis=0) + np.diag(precision)
        inverse = symmetric_inverse(to_raw.T @ expected @ to_raw, names)
    notes = FitNotes(
        n_rows=counts.n_rows,
        n_subjects=counts.n_subjects,
        n_events=int(counts.row_events.sum()),
        horizon=len(counts.at_risk),
        supported_to=supported_to(counts.rows_at_risk),
        converged=converged,
    )
    covariance, more = to_raw @ inverse @ to_raw.T, step @ (gradient - total @ step / 2)
    return FittedDiscreteHazard(encoding, raw, covariance, None, float(loglik + more), notes)
