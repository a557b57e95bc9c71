"""Accelerated time: the log of a latent duration is linear, and the step is that duration cut up.

Events are interval-censored in (k - 1, k], everything else is right-censored, and a delayed
entry divides by the chance of getting that far. A Gaussian prior on any coefficient keeps small
data sets honest; without one the fit is maximum likelihood.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.errors import FitError, RequestError
from forecast.survival.distribution import CountDistribution
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.latent import STANDARDS, Standard, step_likelihood, survival_curve
from forecast.survival.model import FitNotes

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AcceleratedTime", "FittedAcceleratedTime"]

FloatArray = npt.NDArray[np.float64]
Prior = Mapping[str, tuple[float, float]]
LOCATION, LOG_SCALE = "location", "log_scale"
MOST_ITERATIONS = 100
SMALLEST_CURVATURE = 1e-6
LONGEST_MOVE = 2.0  # of any parameter in one iteration
FLAT = 1e6  # a coefficient this uncertain is not determined by the data


@dataclass(frozen=True, slots=True)
class AcceleratedTime:
    """A Weibull, log-normal or log-logistic duration, seen in whole steps.

    Attributes
    ----------
    shape : str
        ``weibull``, ``lognormal`` or ``loglogistic``.
    penalty : float
        Precision of a ridge around zero for coefficients without a prior.
    prior : mapping of name to (mean, standard deviation)
        Gaussian priors on the effect of encoded covariates on the log duration (above zero:
        later), on ``location`` (the log duration with all covariates zero) and on ``log_scale``.
    """

    shape: str = "lognormal"
    penalty: float = 0.0
    prior: Prior | None = None

    def __post_init__(self) -> None:
        if self.shape not in STANDARDS:
            raise RequestError(
                f"shape is {self.shape!r}.", f"Choose one of {', '.join(STANDARDS)}."
            )

    @property
    def name(self) -> str:
        """A short name for tables."""
        return self.shape

    def fit(self, durations: Durations) -> FittedAcceleratedTime:
        """Return the model fitted to ``durations``.

        Raises
        ------
        FitError
            If there is no event and no prior on location and scale, or the data leave a coefficient open and no prior or penalty
            settles it.
        """
        prior = dict(self.prior or {})
        settled = {LOCATION, LOG_SCALE} <= set(prior)
        if not settled and not (durations.observed & (durations.weight > 0)).any():
            raise FitError(
                "No event was observed, so there is nothing to fit.",
                "Wait for the first events, or give a prior on location and log_scale.",
            )
        encoding = Encoding.learn(durations.covariates, keep=prior)
        names = (LOCATION, *encoding.names, LOG_SCALE)
        mean, precision = prior_arrays(names, prior, self.penalty)
        start = mean.copy()
        if LOCATION not in prior:
            start[0] = np.log(np.average(durations.step, weights=durations.weight) + 0.5)
        if LOG_SCALE not in prior:
            start[-1] = np.log(0.6)
        design = np.column_stack([np.ones(len(durations)), encoding.encode(durations.covariates)])
        likelihood = Likelihood(STANDARDS[self.shape], design, durations, mean, precision)
        theta, covariance, converged = likelihood.maximise(start)
        if (np.diag(covariance) > FLAT).any():
            open_name = names[int(np.argmax(np.diag(covariance)))]
            raise FitError(
                f"The data do not determine the effect of {open_name!r}.",
                "Give a penalty or a prior, or leave the covariate out.",
            )
        notes = describe(durations, converged, encoding)
        return FittedAcceleratedTime(self.shape, encoding, theta, covariance, notes)

    def from_prior(self, columns: tuple[str, ...]) -> FittedAcceleratedTime:
        """Return the model that rests on the prior alone, for numeric ``columns``.

        Raises
        ------
        RequestError
            If a column, ``location`` or ``log_scale`` has no prior.
        """
        names = (LOCATION, *columns, LOG_SCALE)
        prior = dict(self.prior or {})
        absent = [name for name in names if name not in prior]
        if absent:
            raise RequestError(f"There is no prior for {absent[0]!r}.", "Give one for each.")
        mean, precision = prior_arrays(names, prior, 0.0)
        notes = FitNotes(0, 0, 0, 0, 0, True)
        encoding = Encoding(tuple((name, None) for name in columns))
        return FittedAcceleratedTime(self.shape, encoding, mean, np.diag(1 / precision), notes)


@dataclass(frozen=True, slots=True, eq=False)
class FittedAcceleratedTime:
    """A fitted accelerated-time model.

    Attributes
    ----------
    shape : str
        The standard distribution of the log duration.
    encoding : Encoding
        How covariates become numbers.
    theta : ndarray of shape (p + 2,)
        Location, coefficients, log scale.
    covariance : ndarray of shape (p + 2, p + 2)
        Inverse of the observed information, prior included.
    notes : FitNotes
        What the fit rests on.
    """

    shape: str
    encoding: Encoding
    theta: FloatArray
    covariance: FloatArray
    notes: FitNotes
    _root: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        values, vectors = np.linalg.eigh(self.covariance)
        object.__setattr__(self, "_root", vectors * np.sqrt(np.clip(values, 0, None)))

    @property
    def parameter_names(self) -> tuple[str, ...]:
        """Names of the entries of ``theta``."""
        return (LOCATION, *self.encoding.names, LOG_SCALE)

    @property
    def coefficients(self) -> pd.Series[float]:
        """Effect of each encoded covariate on the log duration."""
        import pandas as pd

        return pd.Series(self.theta[1:-1], index=list(self.encoding.names))

    @property
    def standard_errors(self) -> pd.Series[float]:
        """Standard error of each coefficient."""
        import pandas as pd

        errors = np.sqrt(np.diag(self.covariance))
        return pd.Series(errors[1:-1], index=list(self.encoding.names))

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
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon)."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        noise = np.random.default_rng(seed).standard_normal((n_draws, len(self.theta)))
        survival = self._curves(
            self.theta + noise @ self._root.T, self._design(covariates), horizon
        )
        whole = np.concatenate([np.ones((*survival.shape[:2], 1)), survival], axis=2)
        return np.clip(-np.diff(whole, axis=2), 0, None)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        from dataclasses import asdict

        return {
            "model": "accelerated_time",
            "shape": self.shape,
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
            Encoding.from_dict(stored["encoding"]),
            np.array(stored["theta"]),
            np.array(stored["covariance"]),
            FitNotes(**notes),
        )

    def _design(self, covariates: pd.DataFrame | Mapping[str, Any]) -> FloatArray:
        encoded = self.encoding.encode(covariates)
        return np.column_stack([np.ones(len(encoded)), encoded])

    def _curves(self, theta: FloatArray, design: FloatArray, horizon: int) -> FloatArray:
        location = theta[:, :-1] @ design.T
        scale = np.broadcast_to(np.exp(theta[:, -1:]), location.shape)
        return survival_curve(STANDARDS[self.shape], location, scale, horizon)


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """The penalised log-likelihood of a design, and its maximum."""

    standard: Standard
    design: FloatArray
    durations: Durations
    mean: FloatArray
    precision: FloatArray

    def evaluate(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return the penalised log-likelihood at ``theta``, its gradient and its Hessian."""
        rows, X = self.durations, self.design
        location, scale = X @ theta[:-1], float(np.exp(theta[-1]))
        step, entry = rows.step.astype(np.float64), rows.entry.astype(np.float64)
        value, first, second = step_likelihood(self.standard, step, rows.observed, location, scale)
        late = entry > 0
        if late.any():
            none = np.zeros(int(late.sum()), dtype=np.bool_)
            for total, part in zip(
                (value, first, second),
                step_likelihood(self.standard, entry[late], none, location[late], scale),
                strict=True,
            ):
                total[late] -= part
        weight, off = rows.weight, theta - self.mean
        gradient = np.append(X.T @ (weight * first[:, 0]), weight @ first[:, 1])
        hessian = np.empty((len(theta), len(theta)))
        hessian[:-1, :-1] = (X * (weight * second[:, 0, 0])[:, None]).T @ X
        hessian[-1, :-1] = hessian[:-1, -1] = X.T @ (weight * second[:, 0, 1])
        hessian[-1, -1] = weight @ second[:, 1, 1]
        penalised = float(weight @ value - 0.5 * off @ (self.precision * off))
        return penalised, gradient - self.precision * off, hessian - np.diag(self.precision)

    def maximise(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, bool]:
        """Return the maximum, the inverse observed information there, and whether it settled."""
        with np.errstate(over="ignore", invalid="ignore"):  # far steps, which are then halved
            value, gradient, hessian = self.evaluate(theta)
            for _ in range(MOST_ITERATIONS):
                lowest = float(np.linalg.eigvalsh(-hessian)[0])
                lift = max(0.0, SMALLEST_CURVATURE - lowest) * (1.0 + (lowest < 0))
                move = np.linalg.solve(lift * np.eye(len(theta)) - hessian, gradient)
                move /= max(1.0, np.abs(move).max() / LONGEST_MOVE)
                while True:
                    trial = self.evaluate(theta + move)
                    if trial[0] >= value - 1e-10 or np.abs(move).max() < 1e-12:
                        break
                    move = move / 2
                gain = trial[0] - value
                theta, (value, gradient, hessian) = theta + move, trial
                if abs(gain) < 1e-10 and np.abs(gradient).max() < 1e-4:
                    return theta, inverse(-hessian), True
        return theta, inverse(-hessian), False


def inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse; of a singular matrix the pseudo-inverse, open directions made wide."""
    values, vectors = np.linalg.eigh(matrix)
    spread = 1 / np.maximum(values, 1 / (10 * FLAT))
    return np.asarray((vectors * spread) @ vectors.T, dtype=np.float64)


def prior_arrays(
    names: tuple[str, ...], prior: Prior, penalty: float
) -> tuple[FloatArray, FloatArray]:
    """Return the prior means and precisions of the parameters, in their order."""
    free = {LOCATION, LOG_SCALE}
    mean = np.array([prior[name][0] if name in prior else 0.0 for name in names])
    precision = [
        prior[name][1] ** -2 if name in prior else (0.0 if name in free else penalty)
        for name in names
    ]
    return mean, np.array(precision)


def describe(durations: Durations, converged: bool, encoding: Encoding) -> FitNotes:
    """Return what a fit to ``durations`` rests on."""
    steps = np.arange(1, int(durations.step.max()) + 1)
    at_risk = [((durations.entry < k) & (durations.step >= k)).sum() for k in steps]
    messages = [f"{name} has one value only and was left out." for name in encoding.dropped]
    if not converged:
        messages.append("The fit did not settle.")
    return FitNotes(
        n_rows=len(durations),
        n_subjects=len(set(durations.subject.tolist())),
        n_events=int(durations.observed.sum()),
        horizon=int(steps[-1]),
        supported_to=int(
            max((k for k, n in zip(steps, at_risk, strict=True) if n >= 5), default=0)
        ),
        converged=converged,
        messages=tuple(messages),
    )
