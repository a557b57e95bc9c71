"""The discrete-time hazard model with a smooth baseline: grouped proportional hazards."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_whole_number, nearest
from forecast._notes import Note
from forecast._plain import plain, read
from forecast._types import FloatArray
from forecast.errors import FitError, RequestError
from forecast.survival.distribution import (
    CountDistribution,
    Durations,
    count_steps,
    first_seen,
    one_row_each,
)
from forecast.survival.encoding import Encoding
from forecast.survival.hazard_likelihood import (
    LARGEST,
    SHAPE_PRIOR,
    SMOOTH_NAMES,
    HazardRows,
    derivatives,
    expected_information,
    row_scores,
    smooth_baseline,
    start_values,
)
from forecast.survival.model import (
    WELL_SUPPORTED,
    FitNotes,
    FittedCountModel,
    fit_notes,
    gaussian_draws,
    refuse_no_events,
)
from forecast.survival.newton import Gaussian, maximise, symmetric_inverse

if TYPE_CHECKING:
    import pandas as pd


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
    >>> import pandas as pd
    >>> from forecast.survival import Durations
    >>> frame = pd.DataFrame({"k": [1, 2, 2, 3], "seen": [1, 1, 0, 1], "dose": [2.0, 1, 1, 0]})
    >>> durations = Durations.from_frame(frame, step="k", observed="seen", covariates=["dose"])
    >>> fitted = DiscreteHazard(penalty=1.0).fit(durations)
    >>> fitted.predict({"dose": 1.0}, horizon=5).pmf.shape
    (1, 5)
    """

    penalty: float = 0.0
    prior: Mapping[str, tuple[float, float]] | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.penalty) and self.penalty >= 0):
            raise RequestError(f"penalty is {self.penalty!r}.", "Give a number from 0 up.")
        for name, (mean, spread) in (self.prior or {}).items():
            if not (math.isfinite(mean) and math.isfinite(spread) and spread > 0):
                raise RequestError(
                    f"The prior of {name!r} is ({mean}, {spread}).",
                    "Give a mean and a standard deviation above 0.",
                )

    @property
    def name(self) -> str:
        """A short name for tables."""
        return "discrete hazard (cloglog, smooth baseline)"

    def fit(
        self, durations: Durations, near: FittedCountModel | None = None
    ) -> FittedDiscreteHazard:
        """Return the model fitted to ``durations``; ``near`` as for ``CountModel``.

        Raises FitError if there are no events (and no prior on the level), columns are collinear,
        or a column separates those with the event, and nothing penalises it.
        """
        if not len(durations):
            raise FitError("There are no rows to fit.", "Give some, or start from a prior.")
        encoding = Encoding.learn(durations.covariates, keep=self.prior or ())
        at_risk, events = count_steps(durations)
        rows_at_risk, _ = count_steps(durations, (durations.weight > 0).astype(np.float64))
        first_thin = int(np.argmax([*(rows_at_risk < WELL_SUPPORTED), True])) + 1
        if "baseline[level]" not in (self.prior or {}):
            refuse_no_events(durations)
        rows = HazardRows.build(durations, encoding)
        to_raw, names = rows.to_raw(), SMOOTH_NAMES + encoding.names
        prior = self.gaussian(encoding, rows.scale)
        first = start_values(at_risk, events)
        start = np.concatenate([first, np.zeros(len(encoding.names))])
        if isinstance(near, FittedDiscreteHazard) and near.names == names:
            start = np.linalg.solve(to_raw, near.parameters)
        found = maximise(lambda values: derivatives(rows, values), start, to_raw, prior, names)
        own = to_raw.T @ (prior.precision[:, None] * to_raw)
        with np.errstate(over="ignore"):
            expected = expected_information(rows, found.values)
            inverse = symmetric_inverse(expected + own, names)
            clustered = None
            if not one_row_each(durations):
                meat = _meat(rows, found.values, durations)
                observed = derivatives(rows, found.values).information
                bread = symmetric_inverse(observed + own, names)
                # the prior's own gradient has its precision as variance
                clustered = to_raw @ bread @ (meat + own) @ bread @ to_raw.T
        return FittedDiscreteHazard(
            encoding=encoding,
            parameters=to_raw @ found.values,
            covariance_matrix=to_raw @ inverse @ to_raw.T,
            clustered_matrix=clustered,
            loglik=found.loglik,
            notes=fit_notes(
                durations,
                n_covariates=len(encoding.names),
                converged=found.converged,
                dropped=encoding.dropped,
                messages=[Note("fit.extrapolated", "info", {"step": first_thin})],
            ),
        )

    def from_prior(self, columns: Sequence[str], horizon: int) -> FittedDiscreteHazard:
        """Return the model that the prior alone describes, for numeric covariates ``columns``.

        Every parameter needs a prior, or the penalty for a coefficient (taken in the column's
        own units). ``horizon`` is how far it is said to go.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        encoding = Encoding(tuple((name, None) for name in columns))
        gaussian = self.gaussian(encoding, np.ones(len(encoding.names)))
        silent = np.flatnonzero(gaussian.precision == 0)
        if len(silent):
            left_out = (SMOOTH_NAMES + encoding.names)[silent[0]]
            raise RequestError(
                f"The prior says nothing of {left_out!r}.", "Give it a mean and a spread."
            )
        notes = FitNotes(0, 0, 0, horizon, 0, True, (Note("fit.prior_alone", "caution"),))
        return FittedDiscreteHazard(
            encoding=encoding,
            parameters=gaussian.mean,
            covariance_matrix=np.diag(1 / gaussian.precision),
            clustered_matrix=None,
            loglik=0.0,
            notes=notes,
        )

    def gaussian(self, encoding: Encoding, scale: FloatArray) -> Gaussian:
        """Return the prior on all parameters, in raw units; ``scale`` is for the penalty."""
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
        mean = np.array([given[name][0] if name in given else 0.0 for name in names])
        precision = np.array(
            [given[n][1] ** -2 if n in given else r for n, r in zip(names, ridge, strict=True)]
        )
        return Gaussian(mean, precision)


def _meat(rows: HazardRows, values: FloatArray, durations: Durations) -> FloatArray:
    """Return the sum over subjects of score times score', times G / (G - 1) for G subjects."""
    by_form, by_linear = row_scores(rows, values)
    place = first_seen(durations.subject[rows.order])
    groups = int(place.max()) + 1
    columns = chain(by_form.T, (by_linear * column for column in rows.X.T))
    totals = np.column_stack([np.bincount(place, column, groups) for column in columns])
    return np.asarray(totals.T @ totals * (groups / max(groups - 1, 1)))


@dataclass(frozen=True, slots=True, eq=False)
class FittedDiscreteHazard:
    """What :meth:`DiscreteHazard.fit` found.

    Attributes
    ----------
    encoding : Encoding
        How covariates become numbers.
    parameters : ndarray of shape (k,)
        Baseline parameters, then coefficients, as named in ``names``.
    covariance_matrix : ndarray of shape (k, k)
        Inverse of the expected information plus the prior's precision.
    clustered_matrix : ndarray of shape (k, k) or None
        The same, robust to rows of one subject being alike (sandwich with the observed
        information, times G / (G - 1) for G subjects); None when no subjects were named.
    loglik : float
        The log-likelihood without the prior or penalty.
    notes : FitNotes
    """

    encoding: Encoding
    parameters: FloatArray
    covariance_matrix: FloatArray
    clustered_matrix: FloatArray | None
    loglik: float
    notes: FitNotes

    @property
    def names(self) -> tuple[str, ...]:
        """The parameters' names: the baseline's, then the encoded covariates'."""
        return SMOOTH_NAMES + self.encoding.names

    @property
    def coefficients(self) -> pd.Series[float]:
        """The coefficients on the link scale, by encoded covariate name."""
        import pandas as pd

        slopes = self.parameters[len(SMOOTH_NAMES) :]
        return pd.Series(slopes, index=list(self.encoding.names), name="coefficient")

    @property
    def standard_errors(self) -> pd.Series[float]:
        """The standard errors of the coefficients, from ``covariance_matrix``."""
        import pandas as pd

        spread = np.sqrt(np.diag(self.covariance_matrix))[len(SMOOTH_NAMES) :]
        return pd.Series(spread, index=list(self.encoding.names), name="standard_error")

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return each row's distribution over steps 1 to ``horizon``, at the estimates.

        The baseline goes on beyond the last event seen, see ``notes.supported_to``.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        matrix = self.encoding.encode(covariates, average=True)
        pmf = self.pmfs(self.parameters[None, :], matrix, horizon)
        return CountDistribution(pmf[0], self.encoding.unseen(covariates))

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) under draws of the parameters.

        Draws are Gaussian, from ``clustered_matrix`` where there is one and ``covariance_matrix``
        otherwise; draw d is the same whatever the rows.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        return self.pmfs(
            self.parameter_draws(n_draws=n_draws, seed=seed),
            self.encoding.encode(covariates, average=True),
            horizon,
        )

    def parameter_draws(self, *, n_draws: int, seed: int) -> FloatArray:
        """Return draws of the parameters, shape (n_draws, k)."""
        spread = self.clustered_matrix
        if spread is None:
            spread = self.covariance_matrix
        return gaussian_draws(self.parameters, spread, n_draws=n_draws, seed=seed)

    def pmfs(self, parameters: FloatArray, matrix: FloatArray, horizon: int) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon) for parameters of shape (n_draws, k).

        ``matrix`` is encoded covariates of shape (n, p), as ``encoding.encode`` returns them.
        """
        cut = len(SMOOTH_NAMES)
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

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedDiscreteHazard:
        """Return the model that :meth:`to_dict` wrote, or one of an earlier version."""
        if "covariance" in stored:
            if stored["link"] != "cloglog" or stored["baseline"] != "smooth":
                raise ValueError(f"{stored['link']} and {stored['baseline']} are gone")
            k, clustered = len(stored["parameters"]), stored["clustered_covariance"]
            matrix = np.reshape(stored["covariance"], (k, k))
            stored = {**stored, "covariance_matrix": matrix, "clustered_matrix": clustered}
        return read(cls, stored)
