"""Accelerated time: the log of a latent duration is linear, and the step is that duration cut up.

A Gaussian prior on any coefficient keeps small data sets honest; without one the fit is maximum
likelihood.

With G the distribution of the latent duration, p the share that never has the event and S = 1 - G,
an event in (k - 1, k] has probability (1 - p)(G(k) - G(k - 1)), none by k has p + (1 - p) S(k),
and a delayed entry divides by the latter at the entry (Farewell 1982, Biometrics 38:1041).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_whole_number
from forecast._notes import GIVE_OR_TAKE, Note
from forecast._plain import plain
from forecast.errors import FitError, RequestError
from forecast.survival.accelerated_likelihood import (
    BLOCK,
    STANDARDS,
    Likelihood,
    Standard,
    log_ends,
    widened,
)
from forecast.survival.durations import Covariates, Durations, Encoding, is_zero_one, one_row_each
from forecast.survival.model import (
    CountDistribution,
    FitNotes,
    FittedCountModel,
    Prior,
    fit_notes,
    gaussian_draws,
    prior_of,
)

if TYPE_CHECKING:
    import pandas as pd

LOCATION, LOG_SCALE, NEVER = "location", "log_scale", "never"
ENOUGH_TO_START = 5_000  # rows; of ten times as many, evenly spaced ones come first
FLAT = 1e6  # a coefficient this uncertain is not determined by the data
UNSURE_SHARE = 0.1  # a standard error of the never share above this is said
CELLS_TOGETHER = 16_384  # chances worked out together, for the same reason
SURE = 700.0  # log odds beyond which a chance is nothing, and its odds no number


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
    label : str, optional
        A name for tables in place of the shape's.

    Raises
    ------
    RequestError
        If there is no such shape, or a parameter of the never share has no prior.

    Examples
    --------
    >>> prior = {"location": (2.0, 0.3), "dose": (0.1, 0.2), "log_scale": (-0.7, 0.2)}
    >>> AcceleratedTime(prior=prior).from_prior(("dose",)).predict({"dose": [0, 5]}, 25).median()
    array([ 8., 13.])
    """

    shape: str = "lognormal"
    penalty: float = 0.0
    prior: Prior | None = None
    never: tuple[str, ...] | None = None
    label: str | None = None

    def __post_init__(self) -> None:
        if self.shape not in STANDARDS:
            raise RequestError(
                f"shape is {self.shape!r}.", f"Choose one of {', '.join(STANDARDS)}."
            )
        absent = [name for name in _names((), self.never)[2:] if name not in (self.prior or {})]
        if absent:
            raise RequestError(
                f"There is no prior for {absent[0]!r}.", "Give one: the data rarely settle it."
            )

    @property
    def name(self) -> str:
        """A short name for tables."""
        return self.label or (self.shape if self.never is None else f"{self.shape}, some never")

    def fit(
        self, durations: Durations, near: FittedCountModel | None = None
    ) -> FittedAcceleratedTime:
        """Return the model fitted to ``durations``; ``near`` as for ``CountModel``.

        Raises FitError if there is no event and no prior on location and scale, or the data leave a
        coefficient open and no prior or penalty settles it.
        """
        return self._fit(durations, near)[0]

    def predict_left_out(self, durations: Durations, horizon: int, *, n_draws: int) -> FloatArray:
        """Return each row's pmf by the fit to all other subjects, as ``CountModel`` has it."""
        fitted, likelihood = self._fit(durations)
        draws = likelihood.left_out(fitted.theta, fitted.covariance, n_draws=n_draws)
        odds = np.full(draws.shape[:2], -np.inf) if self.never is None else draws[..., 2]
        pmfs = _pmfs(STANDARDS[self.shape], draws[..., 0], np.exp(draws[..., 1]), odds, horizon)
        return np.asarray(pmfs.mean(axis=0))

    def _fit(
        self, durations: Durations, near: FittedCountModel | None = None
    ) -> tuple[FittedAcceleratedTime, Likelihood]:
        prior = dict(self.prior or {})
        settled = {LOCATION, LOG_SCALE} <= set(prior)
        if not settled and not (durations.observed & (durations.weight > 0)).any():
            raise FitError(
                "No event was observed, so there is nothing to fit.",
                "Wait for the first events, or give a prior on location and log_scale.",
            )
        encoding = Encoding.learn(durations.covariates, keep={*prior, *(self.never or ())})
        names = _names(encoding.names, self.never)
        design = encoding.encode(durations.covariates, constant=True)
        ridge = np.zeros(len(names))  # of location and log scale none
        if self.penalty:
            weight, total = durations.weight, durations.weight.sum()
            spread = np.sqrt(weight @ (design - weight @ design / total) ** 2 / total)
            zero_one = [is_zero_one(column) for column in design.T]
            each = self.penalty * np.where(zero_one, 1.0, spread) ** 2
            ridge[1 : design.shape[1]] = each[1:]
        mean, precision = prior_of(names, prior, ridge)
        never = _never_design(self.never, encoding, design)
        slopes = None if one_row_each(durations) else np.zeros((3, len(design)))
        standard, ends = STANDARDS[self.shape], log_ends(durations.step, durations.observed)
        likelihood = Likelihood(standard, design, never, durations, ends, mean, precision, slopes)
        if near or len(durations) <= 10 * ENOUGH_TO_START:
            start = _start(names, prior, likelihood, near)
        else:
            part = likelihood.every(len(durations) // ENOUGH_TO_START)
            start = part.maximise(_start(names, prior, part, None))[0]
            # all lie from the part about as their lines of least squares lie from each other
            start[: design.shape[1] + 1] += _line(likelihood) - _line(part)
        theta, root, converged = likelihood.maximise(start)
        variances = (root**2).sum(axis=1)
        if (variances > FLAT).any():
            open_name = names[int(np.argmax(variances))]
            raise FitError(
                f"The data do not determine the effect of {open_name!r}.",
                "Give a penalty or a prior, or leave the covariate out.",
            )
        covariance = widened(root, likelihood.between_rows())
        notes = fit_notes(  # few events for an effect are no doubt where a prior speaks of it
            durations,
            n_covariates=len(set(encoding.names) - set(prior)),
            converged=converged,
            dropped=encoding.dropped,
            messages=_unsure_share(durations.weight @ never, theta, covariance),
        )
        fitted = FittedAcceleratedTime(self.shape, self.never, encoding, theta, covariance, notes)
        return fitted, likelihood

    def from_prior(self, columns: tuple[str, ...]) -> FittedAcceleratedTime:
        """Return the model that rests on the prior alone, for numeric ``columns``.

        Raises RequestError if a column, ``location`` or ``log_scale`` has no prior.
        """
        names = _names(columns, self.never)
        prior = dict(self.prior or {})
        absent = [name for name in names if name not in prior]
        if absent:
            raise RequestError(f"There is no prior for {absent[0]!r}.", "Give one for each.")
        mean, precision = prior_of(names, prior, np.zeros(len(names)))
        encoding = Encoding(tuple((name, None) for name in columns))
        given, notes = np.diag(1 / precision), FitNotes(0, 0, 0, 0, 0, True)
        return FittedAcceleratedTime(self.shape, self.never, encoding, mean, given, notes)


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

    Examples
    --------
    >>> fitted = AcceleratedTime("lognormal", penalty=1.0).fit(durations)
    >>> fitted.parameter_names, fitted.theta.round(2)
    (('location', 'dose', 'log_scale'), array([ 1.58, -0.86, -0.66]))
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
        return _names(self.encoding.names, self.never)

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

    def predict(self, covariates: Covariates, horizon: int) -> CountDistribution:
        """Return the distribution of each row's step at the fitted parameters."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        pmf = self._pmfs(self.theta[None], covariates, horizon)[0]
        return CountDistribution(np.ascontiguousarray(pmf), self.encoding.unseen(covariates))

    def predict_draws(
        self, covariates: Covariates, horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs under draws of the parameters, as ``FittedCountModel`` has it."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        return self._pmfs(_drawn(self, n_draws, seed), covariates, horizon)

    def moved(
        self, before: FittedAcceleratedTime, after: FittedAcceleratedTime
    ) -> FittedAcceleratedTime:
        """Return this fit moved as another went from ``before`` to ``after``.

        All three have the same parameters. Its covariance is stretched as that of the other was.
        """
        roots = [np.linalg.cholesky(one.covariance) for one in (before, after)]
        stretched = roots[1] @ np.linalg.solve(roots[0], np.linalg.cholesky(self.covariance))
        theta = self.theta + after.theta - before.theta
        return replace(after, theta=theta, covariance=stretched @ stretched.T)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"model": "accelerated_time", **plain(self)}

    @property
    def _last(self) -> int:
        """Where the log scale stands among the parameters."""
        return 1 + len(self.encoding.names)

    def _pmfs(self, theta: FloatArray, covariates: Covariates, horizon: int) -> FloatArray:
        """Return pmfs under each row of ``theta``, shape (len(theta), n, horizon)."""
        design = self.encoding.encode(covariates, constant=True, average=True)
        location = theta[:, : self._last] @ design.T
        scale = np.broadcast_to(np.exp(theta[:, [self._last]]), location.shape)
        never = _never_design(self.never, self.encoding, design)
        odds = theta[:, self._last + 1 :] @ never.T if self.never is not None else -np.inf
        odds = np.broadcast_to(odds, location.shape)
        return _pmfs(STANDARDS[self.shape], location, scale, odds, horizon)


def _names(columns: tuple[str, ...], never: tuple[str, ...] | None) -> tuple[str, ...]:
    """Return the names of a model's parameters in their order."""
    share = () if never is None else (NEVER, *(f"{NEVER}[{name}]" for name in never))
    return (LOCATION, *columns, LOG_SCALE, *share)


def _pmfs(
    standard: Standard, location: FloatArray, scale: FloatArray, odds: FloatArray, horizon: int
) -> FloatArray:
    """Return pmfs, one more axis than ``location``; ``odds`` are the logits of the never share.

    In memory the steps come first.
    """
    share = 1 / (1 + np.exp(np.minimum(odds, SURE)))
    # standard units are straight lines in the log of the step; steps first, for rows are longer
    steps = np.column_stack([np.log(np.arange(1.0, horizon + 1)), np.ones(horizon)])
    lines = (np.stack([np.ones_like(location), -location]) / scale).reshape(2, -1)
    pmf, share = np.empty((horizon, location.size)), share.reshape(-1)
    together = max(CELLS_TOGETHER // horizon, 1)
    for low in range(0, location.size, together):
        rows = slice(low, low + together)
        part = steps @ lines[:, rows]
        survival = standard.above(part)
        np.subtract(1, survival[0], out=part[0])
        np.subtract(survival[:-1], survival[1:], out=part[1:])
        part *= share[rows]
        np.maximum(part, 0, out=pmf[:, rows])
    return pmf.T.reshape(*location.shape, horizon)


@lru_cache(maxsize=32)  # every answer asks for the same ones
def _drawn(fitted: FittedAcceleratedTime, n_draws: int, seed: int) -> FloatArray:
    return gaussian_draws(fitted.theta, fitted.covariance, n_draws=n_draws, seed=seed)


def _never_design(
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


def _unsure_share(total: FloatArray, theta: FloatArray, covariance: FloatArray) -> list[Note]:
    """Return a note if the never share of an average row is hardly known; ``total`` sums rows."""
    if not len(total):
        return []
    row, own = total / total[0], slice(len(theta) - len(total), None)
    share = 1 / (1 + np.exp(-row @ theta[own]))
    error = np.sqrt(row @ covariance[own, own] @ row) * share * (1 - share)
    found = {"share": float(100 * share), "give": float(100 * GIVE_OR_TAKE * error)}
    return [Note("fit.unsure_share", "caution", found)] if error > UNSURE_SHARE else []


def _start(
    names: tuple[str, ...], prior: Prior, likelihood: Likelihood, near: FittedCountModel | None
) -> FloatArray:
    """Return where to start looking: at a fit to like rows, or at the prior and least squares."""
    start = dict(zip(names, likelihood.mean.tolist(), strict=True))
    if LOCATION not in prior:
        line = zip(names, _line(likelihood).tolist(), strict=False)
        start |= {name: value for name, value in line if name not in prior}
    elif LOG_SCALE not in prior:
        start[LOG_SCALE] = np.log(0.6)
    if isinstance(near, FittedAcceleratedTime):
        start |= zip(near.parameter_names, near.theta.tolist(), strict=True)
    return np.array([start[name] for name in names])


def _line(likelihood: Likelihood) -> FloatArray:
    """Return the line of least squares through the logs of the steps, and its log spread."""
    design, durations, size = likelihood.design, likelihood.durations, likelihood.design.shape[1]
    squares, cross, own = np.zeros((size, size)), np.zeros(size), 0.0
    for low in range(0, len(design), BLOCK):
        rows = slice(low, low + BLOCK)
        middle = np.log(durations.step[rows] + 0.5 - durations.observed[rows])  # or just after
        weighted = design[rows].T * durations.weight[rows]
        squares += weighted @ design[rows]
        cross += weighted @ middle
        own += durations.weight[rows] @ middle**2
    line = np.linalg.lstsq(squares, cross)[0]
    mean_square = (own - line @ cross) / durations.weight.sum()
    return np.append(line, np.log(max(mean_square, 1e-4)) / 2)
