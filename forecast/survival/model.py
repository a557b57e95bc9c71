"""What every count model shares: the distribution it predicts, its notes, its fit and its file.

A specification fits, a fit predicts and is saved. The life table, the simplest, stands here too.

Draws of parameters come in pairs, each the mirror image of the other about the estimate (antithetic
variates: Hammersley and Morton 1956, Proc Camb Phil Soc 52:449), stretched until their covariance
is that asked for: averages are free of noise as far as predictions are straight or evenly curved.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, shares
from forecast._checks import check_level, check_whole_number, counted, nearest
from forecast._notes import Note, problem_and_remedy
from forecast._plain import plain, read
from forecast.errors import DataError, FitError, RequestError
from forecast.survival.durations import (
    Covariates,
    Durations,
    Encoding,
    count_steps,
    count_subjects,
    first_seen,
)

ROUNDING = 1e-9
WELL_SUPPORTED = 5
EVENTS_PER_COVARIATE = 10
READERS = {
    "accelerated_time": ("accelerated", "FittedAcceleratedTime"),
    "discrete_hazard": ("hazard", "FittedDiscreteHazard"),
    "life_table": ("model", "FittedLifeTable"),
}
MOST_STEPS = 200  # uphill
SMALLEST_CURVATURE = 1e-6
LONGEST_MOVE = 2.0  # of any parameter in one step
Prior = Mapping[str, tuple[float, float]]  # mean and standard deviation of each parameter
NOTHING = Encoding(())  # of no column: all that it says of covariates is how many rows they have


@dataclass(frozen=True, slots=True, eq=False)
class CountDistribution:
    """When the event happens, as probabilities over steps 1 to ``horizon``.

    A row need not sum to one: what is missing is the probability that the event has not
    happened by the last step, which covers both "later" and "never".

    Attributes
    ----------
    pmf : ndarray of shape (n_subjects, horizon)
        ``pmf[i, k]`` is the probability that subject ``i`` has the event at step ``k + 1``.
    notes : tuple of Note
        What the model that predicts has to say of the rows asked about: levels it never saw.

    Raises
    ------
    DataError
        If an entry is negative or not a number, or a row sums to more than one.

    Examples
    --------
    >>> import numpy as np
    >>> two_steps = CountDistribution(np.array([[0.25, 0.5]]))
    >>> two_steps.quantile(0.5)
    array([2.])
    >>> two_steps.quantile(0.9)
    array([inf])
    """

    pmf: FloatArray
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        pmf = np.array(self.pmf, dtype=np.float64)
        if pmf.ndim != 2 or pmf.shape[1] < 1:
            raise DataError(
                f"pmf has shape {pmf.shape}.", "Give one row per subject and one column per step."
            )
        total = pmf.sum(axis=1)
        if pmf.size and not (pmf.min() >= 0 and total.max() <= 1 + ROUNDING):
            bad = ~(pmf >= 0).all(axis=1) | ~(total <= 1 + ROUNDING)
            raise DataError(
                f"{counted(bad.sum(), 'row')} of pmf without probabilities, "
                f"first row {bad.argmax()}.",
                "Each entry must be at least 0 and each row must sum to at most 1.",
            )
        pmf.setflags(write=False)
        object.__setattr__(self, "pmf", pmf)

    @classmethod
    def from_hazard(cls, hazard: npt.ArrayLike) -> CountDistribution:
        """Return the distribution with the given hazard at each step, shape (n, horizon)."""
        hazard = np.atleast_2d(np.asarray(hazard, dtype=np.float64))
        before = np.cumprod(1 - hazard, axis=1)
        before = np.hstack([np.ones((hazard.shape[0], 1)), before[:, :-1]])
        return cls(before * hazard)

    @property
    def horizon(self) -> int:
        """The last step."""
        return int(self.pmf.shape[1])

    def __len__(self) -> int:
        return int(self.pmf.shape[0])

    def __getitem__(self, rows: Any) -> CountDistribution:
        """Return the distribution of the rows asked for; one number gives one row."""
        return CountDistribution(np.atleast_2d(self.pmf[rows]))

    def cdf(self) -> FloatArray:
        """Return the probability of the event by each step, shape (n, horizon)."""
        return np.minimum(np.cumsum(self.pmf, axis=1), 1.0)

    def survival(self) -> FloatArray:
        """Return the probability of no event by each step, shape (n, horizon)."""
        return 1 - self.cdf()

    def not_yet(self) -> FloatArray:
        """Return the probability of no event by the horizon, shape (n,)."""
        return self.survival()[:, -1]

    def hazard(self) -> FloatArray:
        """Return the chance of the event at each step given none before, shape (n, horizon)."""
        before = np.hstack([np.ones((len(self), 1)), self.survival()[:, :-1]])
        chance = np.divide(self.pmf, before, out=np.zeros_like(self.pmf), where=before > 0)
        return np.minimum(chance, 1.0)  # what is left after nearly all is a matter of rounding

    def quantile(self, level: float) -> FloatArray:
        """Return the first step by which the event has happened with probability ``level``.

        Shape (n,); ``inf`` where that is beyond the horizon.
        """
        return self._first_by(check_level(level))[:, 0]

    def median(self) -> FloatArray:
        """Return the median step, shape (n,); ``inf`` where it is beyond the horizon."""
        return self.quantile(0.5)

    def interval(self, level: float) -> FloatArray:
        """Return equal-tailed interval ends, shape (n, 2); ``inf`` beyond the horizon."""
        tail = (1 - check_level(level)) / 2
        return self._first_by(tail, 1 - tail)

    def _first_by(self, *levels: float) -> FloatArray:
        reached = self.cdf()[:, None, :] >= np.array(levels)[:, None] - ROUNDING
        first: FloatArray = reached.argmax(axis=2) + 1.0
        first[~reached[:, :, -1]] = np.inf
        return first

    def mean_capped(self, cap: int) -> FloatArray:
        """Return the expected step, counting at most ``cap``: E[min(K, cap)], shape (n,).

        ``cap`` may not exceed the horizon: beyond it nothing is known.
        """
        cap = check_whole_number(cap, name="cap", low=1, high=self.horizon)
        return np.asarray(1 + self.survival()[:, : cap - 1].sum(axis=1))

    def given_not_by(self, step: int) -> CountDistribution:
        """Return the distribution of the *remaining* steps, given no event by ``step``.

        Its first column is step ``step + 1``. A row that could not have got this far has no
        distribution and is refused.
        """
        step = check_whole_number(step, name="step", low=0, high=self.horizon - 1)
        left = self.survival()[:, step - 1] if step else np.ones(len(self))
        if (left <= 0).any():
            raise DataError(
                f"Row {int((left <= 0).argmax())} has the event by step {step} for certain.",
                "Condition on an earlier step.",
            )
        return CountDistribution(self.pmf[:, step:] / left[:, None])


@dataclass(frozen=True, slots=True)
class FitNotes:
    """What the fit rests on."""

    n_rows: int
    n_subjects: int
    n_events: int
    horizon: int  # the last step with anyone at risk
    supported_to: int  # the last step with at least five rows at risk
    converged: bool  # whether the iterations settled
    messages: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        # models saved before notes were data hold sentences
        said = (
            Note("fit.plain", "caution", {"text": one}) if isinstance(one, str) else one
            for one in self.messages
        )
        object.__setattr__(self, "messages", tuple(said))


class FittedCountModel(Protocol):
    """A fitted model of when the event happens. Frozen; predicts with numpy alone.

    Examples
    --------
    >>> from forecast.survival import LifeTable
    >>> fitted: FittedCountModel = LifeTable().fit(durations)
    >>> fitted.predict({"dose": 1.0}, 5).median(), fitted.notes.n_events
    (array([3.]), 4)
    """

    @property
    def notes(self) -> FitNotes:
        """What the fit rests on."""

    def predict(self, covariates: Covariates, horizon: int) -> CountDistribution:
        """Return the distribution of each row's step, over 1 to ``horizon``.

        ``covariates`` is a frame, or a mapping from column name to one value or a list of values.
        """

    def predict_draws(
        self, covariates: Covariates, horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon).

        Draw ``d`` is the same parameter vector for every row and for every call with this seed.
        """

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values from which ``survival.model_from_dict`` rebuilds the model."""


class CountModel(Protocol):
    """A model specification: frozen; fitting gives a new object.

    Examples
    --------
    >>> from forecast.survival import AcceleratedTime, LifeTable
    >>> [model.name for model in (AcceleratedTime(), LifeTable())]
    ['lognormal', 'life table']
    """

    @property
    def name(self) -> str:
        """A short name for tables."""

    def fit(self, durations: Durations, near: FittedCountModel | None = None) -> FittedCountModel:
        """Return the model fitted to ``durations``.

        ``near`` is a fit of the same specification to like rows: where to start looking. The
        answer is the same.
        """

    def predict_left_out(self, durations: Durations, horizon: int, *, n_draws: int) -> FloatArray:
        """Return each row's pmf by the fit to all other subjects, shape (n, horizon).

        The mean under ``n_draws`` draws of the parameters; 0 predicts at the estimate.
        """


def fit_notes(
    durations: Durations,
    *,
    n_covariates: int,
    converged: bool = True,
    dropped: Sequence[str] = (),
    messages: Sequence[Note] = (),
) -> FitNotes:
    """Return the notes of a fit, with the doubts that any model shares."""
    used = durations.weight > 0
    n_events = int(durations.observed[used].sum())
    doubts = list(messages)
    if dropped:
        doubts.append(Note("fit.dropped", "info", {"names": tuple(dropped)}))
    if n_covariates and n_events < EVENTS_PER_COVARIATE * n_covariates:
        few = {"events": n_events, "covariates": n_covariates}
        doubts.append(Note("fit.few_events", "caution", few))
    if not converged:
        doubts.append(Note("fit.not_settled", "serious"))
    rows_at_risk, _ = count_steps(durations, used.astype(np.float64))
    return FitNotes(
        n_rows=len(durations),
        n_subjects=count_subjects(durations),
        n_events=n_events,
        horizon=len(rows_at_risk),
        supported_to=supported_to(rows_at_risk),
        converged=converged,
        messages=tuple(doubts),
    )


def supported_to(rows_at_risk: FloatArray) -> int:
    """Return the last step with enough rows at risk, 0 if there is none.

    Examples
    --------
    >>> supported_to(np.array([9.0, 7.0, 3.0]))
    2
    """
    supported = np.flatnonzero(rows_at_risk >= WELL_SUPPORTED)
    return int(supported[-1]) + 1 if len(supported) else 0


def refuse_no_events(durations: Durations) -> None:
    """Raise FitError if nobody had the event."""
    if not durations.weight[durations.observed].sum() > 0:
        raise FitError(
            f"None of the {counted(len(durations), 'row')} had the event.",
            "Nothing can be learnt of when it happens; add rows, or start from a prior.",
        )


def prior_of(
    names: Sequence[str], prior: Prior, ridge: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return prior means and precisions; ``ridge`` is the precision of what has no prior."""
    mean = np.array([prior[name][0] if name in prior else 0.0 for name in names])
    pairs = zip(names, ridge.tolist(), strict=True)
    precision = [prior[name][1] ** -2 if name in prior else other for name, other in pairs]
    return mean, np.array(precision)


def gaussian_draws(
    mean: FloatArray, covariance: FloatArray, *, n_draws: int, seed: int
) -> FloatArray:
    """Return Gaussian draws of shape (n_draws, k), for any positive semi-definite covariance.

    The mean of an even number of draws is exactly ``mean``; with at least four per parameter
    their covariance is exactly ``covariance``.
    """
    values, vectors = np.linalg.eigh(covariance)
    # the symmetric root has no free signs, so draws are the same on every machine
    root = (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return np.asarray(mean + mirrored(n_draws, len(mean), seed=seed) @ root)


def quantiles(draws: FloatArray, levels: Sequence[float]) -> FloatArray:
    """Return the ``levels`` of ``draws`` over the first axis; numpy's own loads masked arrays.

    Shape (levels, ...) for draws of shape (n, ...), straight between two of them.

    Examples
    --------
    >>> quantiles(np.array([1.0, 2.0, 3.0, 5.0]), [0.5, 0.75])
    array([2.5, 3.5])
    """
    ordered, at = np.sort(draws, axis=0), np.array(levels) * (len(draws) - 1)
    low = np.minimum(at.astype(int), max(len(draws) - 2, 0))
    above = ordered[np.minimum(low + 1, len(draws) - 1)] - ordered[low]
    return np.asarray(ordered[low] + (above.T * (at - low)).T)


@lru_cache(maxsize=16)  # one estimate asks for the same ones several times
def mirrored(n: int, k: int, *, seed: int) -> FloatArray:
    """Return standard normal draws in mirrored pairs, (n, k), stretched where there are enough."""
    half = np.random.default_rng(seed).standard_normal(((n + 1) // 2, k))
    if len(half) >= 2 * k and not n % 2:
        factor = np.linalg.cholesky(half.T @ half / len(half))
        half = np.linalg.solve(factor, half.T).T
    paired: FloatArray = np.repeat(half, 2, axis=0)[:n]
    paired[1::2] *= -1
    paired.setflags(write=False)
    return paired


def climb(
    evaluate: Callable[[FloatArray], tuple[float, FloatArray, FloatArray]],
    start: FloatArray,
    *,
    settled: float,
    limits: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[FloatArray, FloatArray, bool]:
    """Return a maximum near ``start``, the information there, and whether it settled.

    ``evaluate`` gives value, gradient and information, which may be indefinite far from the
    maximum. ``settled`` is the squared length, in standard errors, of a step that is the last;
    ``limits`` are the lowest and highest values.

    Examples
    --------
    >>> hill = lambda at: (-float(at[0] - 3) ** 2, 6 - 2 * at, np.array([[2.0]]))
    >>> climb(hill, np.zeros(1), settled=1e-9)
    (array([3.]), array([[2.]]), True)
    """
    low, high = limits or (np.full(len(start), -np.inf), np.full(len(start), np.inf))
    at, (value, gradient, information) = start, evaluate(start)
    for _ in range(MOST_STEPS):
        # what lies at its limit and pulls beyond it stays there
        free = ~((at <= low) & (gradient < 0) | (at >= high) & (gradient > 0))
        held = information if free.all() else information[np.ix_(free, free)]
        even, lift = np.eye(len(held)), 0.0
        try:
            np.linalg.cholesky(held - SMALLEST_CURVATURE * even)
        except np.linalg.LinAlgError:
            lowest = float(np.linalg.eigvalsh(held)[0])
            lift = max(0.0, SMALLEST_CURVATURE - lowest) * (1.0 + (lowest < 0))
        move = np.zeros(len(at))
        move[free] = np.linalg.solve(lift * even + held, gradient[free])
        if not lift and gradient @ move < settled:
            return np.clip(at + move, low, high), information, True
        move /= max(1.0, np.abs(move).max() / LONGEST_MOVE)
        while True:
            there = np.clip(at + move, low, high)
            trial = evaluate(there)
            if trial[0] >= value - max(settled / 10, 1e-10):
                break
            if not np.abs(move).max() >= 1e-9:  # no way up, though the slopes say so, or no number
                return at, information, False
            move = move / 2
        at, (value, gradient, information) = there, trial
    return at, information, False


@dataclass(frozen=True, slots=True)
class LifeTable:
    """The product-limit estimate over steps (Kaplan & Meier 1958); covariates are not used.

    Examples
    --------
    >>> LifeTable().fit(durations).survival.round(2)
    array([0.83, 0.67, 0.44, 0.22, 0.22])
    """

    name = "life table"  # in tables

    def fit(self, durations: Durations, near: FittedCountModel | None = None) -> FittedLifeTable:
        """Return the life table of ``durations``; FitError if nobody had the event."""
        refuse_no_events(durations)
        at_risk, events = count_steps(durations)
        watched = [Note("fit.last_watched", "caution", {"step": len(at_risk)})]
        said = watched if at_risk[-1] > events[-1] else []
        notes = fit_notes(durations, n_covariates=0, messages=said)
        return FittedLifeTable(at_risk, events, notes)

    def predict_left_out(self, durations: Durations, horizon: int, *, n_draws: int) -> FloatArray:
        """Return each row's pmf by the table of all other subjects, as ``CountModel`` has it."""
        all_at_risk, all_events = count_steps(durations)
        owner, step = first_seen(durations.subject), np.arange(1, len(all_events) + 1)
        own = np.zeros((2, int(owner.max()) + 1, len(step)))
        within = (durations.entry[:, None] < step) & (step <= durations.step[:, None])
        happened = durations.observed[:, None] & (step == durations.step[:, None])
        for total, place in zip(own, (within, happened), strict=True):
            np.add.at(total, owner, place * durations.weight[:, None])
        at_risk, events = np.stack([all_at_risk, all_events])[:, None] - own
        hazard = shares(events, at_risk, above=1e-12)
        if n_draws:  # the mean of the draws of `FittedLifeTable.predict_draws`, step by step
            open_ended = (events > 1e-12) & (at_risk - events > 1e-12)
            hazard = np.where(open_ended, (events + 0.5) / (at_risk + 1), hazard)
        return _pmfs(hazard, horizon)[owner]


@dataclass(frozen=True, slots=True, eq=False)
class FittedLifeTable:
    """A life table: weighted counts at steps 1 to the last one watched."""

    at_risk: FloatArray
    events: FloatArray
    notes: FitNotes

    @property
    def hazard(self) -> FloatArray:
        """Events divided by at risk, 0 where nobody is; shape (steps,)."""
        return shares(self.events, self.at_risk)

    @property
    def survival(self) -> FloatArray:
        """The share without the event by each step; shape (steps,)."""
        return np.asarray(np.cumprod(1 - self.hazard))

    @property
    def standard_error(self) -> FloatArray:
        """Greenwood's standard error of ``survival`` (Greenwood 1926); shape (steps,)."""
        left = self.at_risk - self.events  # where nobody is, nothing is added
        terms = np.zeros_like(left)
        np.divide(self.events, self.at_risk * left, out=terms, where=left > 1e-12)
        return np.asarray(self.survival * np.sqrt(np.cumsum(terms)))

    def predict(self, covariates: Covariates | None, horizon: int) -> CountDistribution:
        """Return the same distribution for every row, over steps 1 to ``horizon``.

        With None for covariates there is one row.
        """
        pmf, rows = _pmfs(self.hazard[None, :], horizon), len(NOTHING.encode(covariates))
        return CountDistribution(np.repeat(pmf, rows, axis=0))

    def predict_draws(
        self, covariates: Covariates, horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs of shape (n_draws, n, horizon).

        The hazard of each step is drawn from Beta(d + 1/2, n - d + 1/2), its posterior under
        Jeffreys' prior, independently from step to step; 0 where there was no event.
        """
        n_draws = check_whole_number(n_draws, name="n_draws", low=1)
        rng = np.random.default_rng(seed)
        left = np.maximum(self.at_risk - self.events, 0)
        drawn = rng.beta(self.events + 0.5, left + 0.5, (n_draws, len(left)))
        drawn = np.where((self.events > 0) & (left > 0), drawn, self.hazard)
        pmfs, rows = _pmfs(drawn, horizon), len(NOTHING.encode(covariates))
        return np.repeat(pmfs[:, None, :], rows, axis=1)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"model": "life_table", **plain(self)}


def _pmfs(hazard: FloatArray, horizon: int) -> FloatArray:
    """Return pmfs over steps 1 to ``horizon`` by hazards, 0 beyond the last step watched."""
    horizon = check_whole_number(horizon, name="horizon", low=1)
    beyond = max(horizon - hazard.shape[1], 0)
    return CountDistribution.from_hazard(np.pad(hazard[:, :horizon], ((0, 0), (0, beyond)))).pmf


def model_from_dict(stored: Mapping[str, Any]) -> FittedCountModel:
    """Return the fitted model whose ``to_dict`` gave ``stored``, with numpy alone.

    Raises RequestError if the kind of model is unknown or a part of it is missing.

    Examples
    --------
    >>> from forecast.survival import LifeTable
    >>> model_from_dict(LifeTable().fit(durations).to_dict()).predict(None, 5).median()
    array([3.])
    """
    kind = str(stored.get("model"))
    if kind not in READERS:
        values = {"kind": kind, "hint": nearest(kind, READERS)}
        raise RequestError(*problem_and_remedy("refused.model_kind", values))
    module, name = READERS[kind]
    try:
        home = import_module(f"forecast.survival.{module}")
        fitted: FittedCountModel = read(getattr(home, name), stored)
    except (KeyError, TypeError, ValueError) as problem:
        values = {"kind": kind, "why": repr(problem)}
        raise RequestError(*problem_and_remedy("refused.model_part", values)) from problem
    return fitted
