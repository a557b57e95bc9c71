"""Accelerated time: the log of a latent duration is linear, and the step is that duration cut up.

Events are interval-censored in (k - 1, k], everything else is right-censored, and a delayed
entry divides by the chance of getting that far. A Gaussian prior on any coefficient keeps small
data sets honest; without one the fit is maximum likelihood.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.errors import FitError, RequestError
from forecast.survival.aft_likelihood import Likelihood, widened
from forecast.survival.design import is_zero_one
from forecast.survival.distribution import CountDistribution
from forecast.survival.draws import gaussian_draws
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.latent import STANDARDS, survival_curve
from forecast.survival.model import FitNotes
from forecast.survival.notes import fit_notes

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AcceleratedTime", "FittedAcceleratedTime"]

FloatArray = npt.NDArray[np.float64]
Prior = Mapping[str, tuple[float, float]]
LOCATION, LOG_SCALE, NEVER = "location", "log_scale", "never"
ENOUGH_TO_START = (5_000, 50_000)  # rows; of ten times as many, evenly spaced ones come first
FLAT = 1e6  # a coefficient this uncertain is not determined by the data


@dataclass(frozen=True, slots=True)
class AcceleratedTime:
    """A Weibull, log-normal or log-logistic duration, seen in whole steps.

    Attributes
    ----------
    shape : str
        ``weibull``, ``lognormal`` or ``loglogistic``.
    penalty : float
        Precision of a ridge around zero for coefficients without a prior, per standard
        deviation of the column (1 for a column of zeros and ones), so that units do not matter.
    prior : mapping of name to (mean, standard deviation)
        Gaussian priors on the effect of encoded covariates on the log duration (above zero:
        later), on ``location`` (the log duration with all covariates zero), on ``log_scale``,
        and, with a never share, on ``never`` and ``never[covariate]`` (logit of that share).
    never : tuple of str, optional
        With it, a share of rows never has the event: numeric covariates that the share depends
        on, besides a constant. Nothing but long follow-up tells such a share from slowness, so
        its parameters need priors.
    """

    shape: str = "lognormal"
    penalty: float = 0.0
    prior: Prior | None = None
    never: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        if self.shape not in STANDARDS:
            raise RequestError(
                f"shape is {self.shape!r}.", f"Choose one of {', '.join(STANDARDS)}."
            )
        absent = [name for name in self.never_names() if name not in (self.prior or {})]
        if absent:
            raise RequestError(
                f"There is no prior for {absent[0]!r}.", "Give one: the data rarely settle it."
            )

    def never_names(self) -> tuple[str, ...]:
        """Return the names of the never share's parameters."""
        if self.never is None:
            return ()
        return (NEVER, *(f"{NEVER}[{name}]" for name in self.never))

    @property
    def name(self) -> str:
        """A short name for tables."""
        return self.shape if self.never is None else f"{self.shape}, some never"

    def fit(self, durations: Durations) -> FittedAcceleratedTime:
        """Return the model fitted to ``durations``.

        Raises
        ------
        FitError
            If there is no event and no prior on location and scale, or the data leave a
            coefficient open and no prior or penalty settles it.
        """
        prior = dict(self.prior or {})
        settled = {LOCATION, LOG_SCALE} <= set(prior)
        if not settled and not (durations.observed & (durations.weight > 0)).any():
            raise FitError(
                "No event was observed, so there is nothing to fit.",
                "Wait for the first events, or give a prior on location and log_scale.",
            )
        encoding = Encoding.learn(durations.covariates, keep=prior)
        names = (LOCATION, *encoding.names, LOG_SCALE, *self.never_names())
        design = encoding.encode(durations.covariates, constant=True)
        ridge = np.zeros(design.shape[1])
        if self.penalty:
            ridge = self.penalty * spreads(design, durations.weight) ** 2
        mean, precision = prior_arrays(names, prior, dict(zip(names, ridge, strict=False)))
        start = mean.copy()
        if LOCATION not in prior:
            start[0] = np.log(np.average(durations.step, weights=durations.weight) + 0.5)
        if LOG_SCALE not in prior:
            start[names.index(LOG_SCALE)] = np.log(0.6)
        never = never_design(self.never, encoding, design)
        likelihood = Likelihood(STANDARDS[self.shape], design, never, durations, mean, precision)
        for enough in ENOUGH_TO_START:
            if len(durations) > 10 * enough:
                start = likelihood.every(len(durations) // enough).maximise(start)[0]
        theta, covariance, converged = likelihood.maximise(start)
        if (np.diag(covariance) > FLAT).any():
            open_name = names[int(np.argmax(np.diag(covariance)))]
            raise FitError(
                f"The data do not determine the effect of {open_name!r}.",
                "Give a penalty or a prior, or leave the covariate out.",
            )
        covariance = widened(covariance, likelihood.between_rows(theta))
        notes = fit_notes(  # few events for an effect are no doubt where a prior speaks of it
            durations, n_covariates=0, converged=converged, dropped=encoding.dropped
        )
        return FittedAcceleratedTime(self.shape, self.never, encoding, theta, covariance, notes)

    def from_prior(self, columns: tuple[str, ...]) -> FittedAcceleratedTime:
        """Return the model that rests on the prior alone, for numeric ``columns``.

        Raises
        ------
        RequestError
            If a column, ``location`` or ``log_scale`` has no prior.
        """
        names = (LOCATION, *columns, LOG_SCALE, *self.never_names())
        prior = dict(self.prior or {})
        absent = [name for name in names if name not in prior]
        if absent:
            raise RequestError(f"There is no prior for {absent[0]!r}.", "Give one for each.")
        mean, precision = prior_arrays(names, prior, {})
        notes = FitNotes(0, 0, 0, 0, 0, True)
        encoding = Encoding(tuple((name, None) for name in columns))
        covariance = np.diag(1 / precision)
        return FittedAcceleratedTime(self.shape, self.never, encoding, mean, covariance, notes)


@dataclass(frozen=True, slots=True, eq=False)
class FittedAcceleratedTime:
    """A fitted accelerated-time model.

    Attributes
    ----------
    shape : str
        The standard distribution of the log duration.
    never : tuple of str or None
        Covariates of the share that never has the event; None for no such share.
    encoding : Encoding
        How covariates become numbers.
    theta : ndarray of shape (m,)
        Location, coefficients, log scale, and the never share's parameters.
    covariance : ndarray of shape (m, m)
        Inverse of the observed information, prior included, widened where rows of one subject
        are alike (Liang and Zeger 1986, Biometrika 73:13); with one row per subject, nothing
        is added.
    notes : FitNotes
        What the fit rests on.
    """

    shape: str
    never: tuple[str, ...] | None
    encoding: Encoding
    theta: FloatArray
    covariance: FloatArray
    notes: FitNotes

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Names of the entries of ``theta``."""
        spec = () if self.never is None else (NEVER, *(f"{NEVER}[{n}]" for n in self.never))
        return (LOCATION, *self.encoding.names, LOG_SCALE, *spec)

    @property
    def coefficients(self) -> pd.Series[float]:
        """Effect of each encoded covariate on the log duration."""
        import pandas as pd

        return pd.Series(self.theta[1 : self._last], index=list(self.encoding.names))

    @property
    def standard_errors(self) -> pd.Series[float]:
        """Standard error of each coefficient."""
        import pandas as pd

        return pd.Series(self.errors[1 : self._last], index=list(self.encoding.names))

    @property
    def errors(self) -> FloatArray:
        """Standard error of each entry of ``theta``."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return the distribution of each row's step at the fitted parameters."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        design = self._design(covariates)
        return CountDistribution.from_survival(self._curves(self.theta[None], design, horizon)[0])

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon).

        Draw d is the same whatever the rows.
        """
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        drawn = gaussian_draws(self.theta, self.covariance, n_draws=n_draws, seed=seed)
        survival = self._curves(drawn, self._design(covariates), horizon)
        whole = np.concatenate([np.ones((*survival.shape[:2], 1)), survival], axis=2)
        return np.clip(-np.diff(whole, axis=2), 0, None)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        from dataclasses import asdict

        return {
            "model": "accelerated_time",
            "shape": self.shape,
            "never": None if self.never is None else list(self.never),
            "encoding": self.encoding.to_dict(),
            "theta": self.theta.tolist(),
            "covariance": self.covariance.tolist(),
            "notes": asdict(self.notes),
        }

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedAcceleratedTime:
        """Return the model that :meth:`to_dict` wrote."""
        notes = {**stored["notes"], "messages": tuple(stored["notes"]["messages"])}
        return cls(
            stored["shape"],
            None if stored["never"] is None else tuple(stored["never"]),
            Encoding.from_dict(stored["encoding"]),
            np.array(stored["theta"]),
            np.array(stored["covariance"]),
            FitNotes(**notes),
        )

    def _design(self, covariates: pd.DataFrame | Mapping[str, Any]) -> FloatArray:
        return self.encoding.encode(covariates, constant=True)

    @property
    def _last(self) -> int:
        """Where the log scale stands among the parameters."""
        return 1 + len(self.encoding.names)

    def _curves(self, theta: FloatArray, design: FloatArray, horizon: int) -> FloatArray:
        location = theta[:, : self._last] @ design.T
        scale = np.broadcast_to(np.exp(theta[:, [self._last]]), location.shape)
        survival = survival_curve(STANDARDS[self.shape], location, scale, horizon)
        never = never_design(self.never, self.encoding, design)
        if never.shape[1]:
            share = 1 / (1 + np.exp(theta[:, self._last + 1 :] @ never.T))[..., None]
            survival = 1 - share + share * survival
        return survival


def never_design(
    never: tuple[str, ...] | None, encoding: Encoding, design: FloatArray
) -> FloatArray:
    """Return the columns of ``design`` that the never share depends on, its constant first."""
    if never is None:
        return np.empty((len(design), 0))
    absent = [name for name in never if name not in encoding.names]
    if absent:
        raise RequestError(
            f"The never share depends on {absent[0]!r}, which is no covariate here.",
            f"Covariates are {', '.join(encoding.names)}.",
        )
    return design[:, [0, *(1 + encoding.names.index(name) for name in never)]]


def prior_arrays(
    names: tuple[str, ...], prior: Prior, ridge: Mapping[str, float]
) -> tuple[FloatArray, FloatArray]:
    """Return the prior means and precisions of the parameters, in their order.

    ``ridge`` is the precision of those without a prior, 0 if not named.
    """
    free = {LOCATION, LOG_SCALE}  # and the never share's, which always have a prior
    mean = np.array([prior[name][0] if name in prior else 0.0 for name in names])
    precision = [
        prior[name][1] ** -2 if name in prior else (0.0 if name in free else ridge.get(name, 0.0))
        for name in names
    ]
    return mean, np.array(precision)


def spreads(design: FloatArray, weight: FloatArray) -> FloatArray:
    """Return each column's weighted standard deviation, 1 for a column of zeros and ones."""
    mean = weight @ design / weight.sum()
    spread = np.sqrt(weight @ (design - mean) ** 2 / weight.sum())
    zero_one = [is_zero_one(column) for column in design.T]
    return np.where(zero_one, 1.0, spread)
