"""Accelerated time: the log of a latent duration is linear, and the step is that duration cut up.

Events are interval-censored in (k - 1, k], everything else is right-censored, and a delayed
entry divides by the chance of getting that far. A Gaussian prior on any coefficient keeps small
data sets honest; without one the fit is maximum likelihood.

With G the distribution of the latent duration, p the share that never has the event and S = 1 - G,
an event in (k - 1, k] has probability (1 - p)(G(k) - G(k - 1)), none by k has p + (1 - p) S(k),
and a delayed entry divides by the latter at the entry (Farewell 1982, Biometrics 38:1041).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_whole_number
from forecast._notes import Note
from forecast._plain import plain, read
from forecast.errors import FitError, RequestError
from forecast.survival.distribution import CountDistribution, Durations, first_seen, one_row_each
from forecast.survival.encoding import Encoding, is_zero_one
from forecast.survival.left_out import left_out_predictors
from forecast.survival.location_scale import STANDARDS, Standard, log_ends, step_likelihood
from forecast.survival.model import FitNotes, FittedCountModel, fit_notes, gaussian_draws
from forecast.survival.newton import climb

if TYPE_CHECKING:
    import pandas as pd

Prior = Mapping[str, tuple[float, float]]
LOCATION, LOG_SCALE, NEVER = "location", "log_scale", "never"
ENOUGH_TO_START = 5_000  # rows; of ten times as many, evenly spaced ones come first
FLAT = 1e6  # a coefficient this uncertain is not determined by the data
UNSURE_SHARE = 0.1  # a standard error of the never share above this is said
BLOCK = 5120  # rows worked on together: their parts stay in the second-level cache
CELLS_TOGETHER = 16_384  # chances worked out together, for the same reason
SURE = 700.0  # log odds beyond which a chance is nothing, and its odds no number
SETTLED = 1e-9  # squared length of a step in standard errors; the step after is its square
LEAST_SPREAD = 1e-7


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
        constant = np.ones((len(durations), 1))
        designs = [likelihood.design, constant, likelihood.never][: 2 if self.never is None else 3]
        _, slope, bend = likelihood._since_entry(fitted.theta, slice(None))
        draws = left_out_predictors(
            designs,
            fitted.theta,
            (durations.weight * slope)[: len(designs)],
            (durations.weight * bend)[: len(designs), : len(designs)],
            likelihood.evaluate(fitted.theta)[2],
            fitted.covariance,
            durations.subject,
            n_draws=n_draws,
        )
        odds = np.full(draws.shape[:2], -np.inf) if self.never is None else draws[..., 2]
        pmfs = _pmfs(STANDARDS[self.shape], draws[..., 0], np.exp(draws[..., 1]), odds, horizon)
        return np.asarray(pmfs.mean(axis=0))

    def _fit(
        self, durations: Durations, near: FittedCountModel | None = None
    ) -> tuple[FittedAcceleratedTime, _Likelihood]:
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
        ridge = np.zeros(design.shape[1])
        if self.penalty:
            ridge = self.penalty * _spreads(design, durations.weight) ** 2
        mean, precision = _prior_arrays(names, prior, dict(zip(names, ridge, strict=False)))
        never = _never_design(self.never, encoding, design)
        slopes = None if one_row_each(durations) else np.zeros((3, len(design)))
        standard = STANDARDS[self.shape]
        ends = log_ends(durations.step, durations.observed)
        likelihood = _Likelihood(standard, design, never, durations, ends, mean, precision, slopes)
        if near or len(durations) <= 10 * ENOUGH_TO_START:
            start = _start(names, prior, mean, design, durations, near)
        else:
            part = likelihood.every(len(durations) // ENOUGH_TO_START)
            start = part.maximise(_start(names, prior, mean, part.design, part.durations, None))[0]
            # all lie from the part about as their lines of least squares lie from each other
            start[: design.shape[1] + 1] += _line(design, durations)
            start[: design.shape[1] + 1] -= _line(part.design, part.durations)
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
        mean, precision = _prior_arrays(names, prior, {})
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

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return the distribution of each row's step at the fitted parameters."""
        horizon = check_whole_number(horizon, name="horizon", low=1)
        pmf = self._pmfs(self.theta[None], covariates, horizon)[0]
        return CountDistribution(np.ascontiguousarray(pmf), self.encoding.unseen(covariates))

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon).

        Draw d is the same whatever the rows.
        """
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

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> FittedAcceleratedTime:
        """Return the model that :meth:`to_dict` wrote."""
        return read(cls, stored)

    @property
    def _last(self) -> int:
        """Where the log scale stands among the parameters."""
        return 1 + len(self.encoding.names)

    def _pmfs(
        self, theta: FloatArray, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> FloatArray:
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
    found = {"share": float(100 * share), "error": float(100 * error)}
    return [Note("fit.unsure_share", "caution", found)] if error > UNSURE_SHARE else []


def _start(
    names: tuple[str, ...],
    prior: Prior,
    mean: FloatArray,
    design: FloatArray,
    durations: Durations,
    near: FittedCountModel | None,
) -> FloatArray:
    """Return where to start looking: at a fit to like rows, or at the prior and least squares."""
    start = dict(zip(names, mean.tolist(), strict=True))
    if LOCATION not in prior:
        line = zip(names, _line(design, durations).tolist(), strict=False)
        start |= {name: value for name, value in line if name not in prior}
    elif LOG_SCALE not in prior:
        start[LOG_SCALE] = np.log(0.6)
    if isinstance(near, FittedAcceleratedTime):
        start |= zip(near.parameter_names, near.theta.tolist(), strict=True)
    return np.array([start[name] for name in names])


def _line(design: FloatArray, durations: Durations) -> FloatArray:
    """Return the line of least squares through the logs of the steps, and its log spread."""
    size = design.shape[1]
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


def _prior_arrays(
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


def _spreads(design: FloatArray, weight: FloatArray) -> FloatArray:
    """Return each column's weighted standard deviation, 1 for a column of zeros and ones."""
    mean = weight @ design / weight.sum()
    spread = np.sqrt(weight @ (design - mean) ** 2 / weight.sum())
    zero_one = [is_zero_one(column) for column in design.T]
    return np.where(zero_one, 1.0, spread)


@dataclass(frozen=True, slots=True, eq=False)
class _Likelihood:
    """The penalised log-likelihood of a design, and its maximum."""

    standard: Standard  # of the log duration
    design: FloatArray  # (n, p + 1): a column of ones, then the covariates
    never: FloatArray  # (n, q): design of the logit of the share that never has the event
    durations: Durations
    ends: FloatArray  # (2, n): the logs between which each latent duration lies
    mean: FloatArray  # (p + 2 + q,): location, coefficients, log scale, never share
    precision: FloatArray  # of the prior
    slopes: FloatArray | None  # (3, n): each row's, where they were last evaluated, if rows pair

    def every(self, stride: int) -> _Likelihood:
        """Return the likelihood of each ``stride``-th row, the prior weaker by as much.

        Its maximum is then near that of all rows, where prior and data pull apart too.
        """
        rows = slice(None, None, stride)
        return replace(
            self,
            design=self.design[rows],
            never=self.never[rows],
            durations=self.durations.take(np.arange(len(self.design))[rows]),
            ends=self.ends[:, rows],
            precision=self.precision / stride,
            slopes=None,
        )

    def evaluate(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return the penalised log-likelihood at ``theta``, its gradient and its information."""
        size = len(theta)
        total, gradient, hessian = 0.0, np.zeros(size), np.zeros((size, size))
        for low in range(0, len(self.design), BLOCK):
            value, first, second = self._block(theta, slice(low, low + BLOCK))
            total += value
            gradient += first
            hessian += second
        off = theta - self.mean
        penalised = total - 0.5 * float(off @ (self.precision * off))
        return penalised, gradient - self.precision * off, np.diag(self.precision) - hessian

    def _block(self, theta: FloatArray, rows: slice) -> tuple[float, FloatArray, FloatArray]:
        """Return the log-likelihood of some rows, its gradient and its Hessian."""
        design, never, weight = self.design[rows], self.never[rows], self.durations.weight[rows]
        value, slope, bend = self._since_entry(theta, rows)
        slope *= weight
        bend *= weight
        if self.slopes is not None:
            self.slopes[: len(slope), rows] = slope
        last, size = design.shape[1], len(theta)
        # each of the three linear predictors has its own columns: location, log scale, share;
        # all that is multiplied by the columns of the location, in one product
        parts = np.empty((size + 1, len(design)))
        np.multiply(design.T, bend[0, 0], out=parts[:last])
        parts[last] = bend[0, 1]
        parts[size] = slope[0]
        if size > last + 1:
            np.multiply(never.T, bend[0, 2], out=parts[last + 1 : size])
        products = parts @ design
        gradient = np.concatenate([products[size], [slope[1].sum()], *(slope[2:] @ never)])
        hessian = np.empty((size, size))
        hessian[:, :last] = products[:size]
        hessian[:last, last:] = products[last:size].T
        hessian[last, last] = bend[1, 1].sum()
        for each in bend[2:]:  # of the share, where it is not all
            hessian[last, last + 1 :] = hessian[last + 1 :, last] = each[1] @ never
            hessian[last + 1 :, last + 1 :] = (never.T * each[2]) @ never
        return float(weight @ value), gradient, hessian

    def _since_entry(
        self, theta: FloatArray, rows: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slopes (k, n) and bends (k, k, n) of rows in the predictors, as `_rows`.

        They are of each row given that it got as far as its entry.
        """
        entry, design, never = self.durations.entry[rows], self.design[rows], self.never[rows]
        n, last = len(design), design.shape[1]
        ends, location, odds = self.ends[:, rows], design @ theta[:last], never @ theta[last + 1 :]
        late = np.flatnonzero(entry)
        if len(late):  # such a row counts twice: as it was seen, less what it is to get so far
            ends = np.hstack([ends, log_ends(entry[late], entry[late] < 0)])
            location, odds = (np.concatenate([each, each[late]]) for each in (location, odds))
        found = self._rows(ends, location, float(theta[last]), odds)
        for part in found if len(late) else ():
            part[..., late] -= part[..., n:]
        return found[0][:n], found[1][:, :n], found[2][:, :, :n]

    def between_rows(self) -> FloatArray:
        """Return the sum of score times score' over pairs of different rows of one subject.

        It is what their being alike adds to the middle of the sandwich (Liang and Zeger 1986,
        Biometrika 73:13), at the scores where the likelihood was last evaluated.
        """
        size = len(self.mean)
        if self.slopes is None:
            return np.zeros((size, size))
        owner = first_seen(self.durations.subject)
        groups = int(owner.max()) + 1
        has_several = np.bincount(owner) > 1
        several = np.flatnonzero(has_several[owner])
        which = (np.cumsum(has_several) - 1)[owner[several]]
        several, which = several[np.argsort(which, kind="stable")], np.sort(which)
        total, own = np.zeros((int(has_several.sum()), size)), np.zeros((size, size))
        for low in range(0, len(several), BLOCK):
            rows = several[low : low + BLOCK]
            first = self.slopes[:, rows, None]
            score = np.hstack([first[0] * self.design[rows], first[1], first[2] * self.never[rows]])
            own += score.T @ score
            owners, begin = np.unique(which[low : low + BLOCK], return_index=True)
            total[owners] += np.add.reduceat(score, begin)
        return np.asarray((total.T @ total - own) * (groups / max(groups - 1, 1)))

    def _rows(
        self, ends: FloatArray, location: FloatArray, log_scale: float, odds: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slopes (k, n) and bends (k, k, n) in location, log scale and log odds.

        The odds are left out where all have the event.
        """
        scale = float(np.exp(log_scale))
        plain, slope, bend = step_likelihood(self.standard, ends, location, scale)
        if not self.never.shape[1]:
            return plain, slope, bend
        observed = ends[1] < np.inf
        first, second = np.zeros((3, len(plain))), np.zeros((3, 3, len(plain)))
        log_share = -np.logaddexp(0, odds)  # of the share that has the event
        share = np.exp(log_share)
        survived = np.logaddexp(odds + log_share, log_share + plain)
        value = np.where(observed, log_share + plain, survived)
        # chance that a row without the event still is one of those who will have it
        still = np.where(observed, 1.0, np.exp(log_share + plain - survived))
        mixed = still * (1 - still)
        first[:2] = still * slope
        first[2] = share - still
        second[:2, :2] = still * bend + mixed * (slope[:, None] * slope)
        second[2, :2] = second[:2, 2] = -mixed * slope
        second[2, 2] = mixed - share * (1 - share)
        return value, first, second

    def maximise(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, bool]:
        """Return the maximum, a root of the inverse information there, and whether it settled."""
        with np.errstate(over="ignore", invalid="ignore"):  # far steps, which are then halved
            found, information, converged = climb(self.evaluate, theta, settled=SETTLED)
        # a root of the inverse; directions the data leave open come out very wide
        values, vectors = np.linalg.eigh(information)
        return found, vectors / np.sqrt(np.maximum(values, LEAST_SPREAD)), converged


def widened(root: FloatArray, between: FloatArray) -> FloatArray:
    """Return the covariance of estimates from rows that are alike within subjects.

    With inverse = ``root @ root.T``, the sandwich inverse + inverse between inverse, in no
    direction less than the inverse: a few pairs of rows that happen to differ are no reason to be
    surer. The directions are those in which the inverse is a ball, so that units do not matter.
    """
    added, along = np.linalg.eigh(root.T @ between @ root)
    wider = (root @ along) * np.sqrt(1 + np.maximum(added, 0))
    return np.asarray(wider @ wider.T, dtype=np.float64)
