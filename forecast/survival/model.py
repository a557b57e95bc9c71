"""What every count model can do: a specification that fits, a fit that predicts and is saved.

Draws of parameters come in pairs, each the mirror image of the other about the estimate (antithetic
variates: Hammersley and Morton 1956, Proc Camb Phil Soc 52:449), stretched until their covariance
is that asked for: averages are free of noise as far as predictions are straight or evenly curved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import counted, nearest
from forecast._notes import Note
from forecast.errors import FitError, RequestError
from forecast.survival.distribution import CountDistribution, Durations, count_steps, count_subjects

if TYPE_CHECKING:
    import pandas as pd

WELL_SUPPORTED = 5
EVENTS_PER_COVARIATE = 10
READERS = {
    "accelerated_time": ("accelerated", "FittedAcceleratedTime"),
    "discrete_hazard": ("hazard", "FittedDiscreteHazard"),
    "life_table": ("life_table", "FittedLifeTable"),
}


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
        ...

    def predict(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int
    ) -> CountDistribution:
        """Return the distribution of each row's step, over 1 to ``horizon``.

        ``covariates`` is a frame, or a mapping from column name to one value or a list of values.
        """
        ...

    def predict_draws(
        self, covariates: pd.DataFrame | Mapping[str, Any], horizon: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon).

        Draw ``d`` is the same parameter vector for every row and for every call with this seed.
        """
        ...

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values from which ``survival.model_from_dict`` rebuilds the model."""
        ...


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
        ...

    def fit(self, durations: Durations, near: FittedCountModel | None = None) -> FittedCountModel:
        """Return the model fitted to ``durations``.

        ``near`` is a fit of the same specification to like rows: where to start looking. The
        answer is the same.
        """
        ...

    def predict_left_out(self, durations: Durations, horizon: int, *, n_draws: int) -> FloatArray:
        """Return each row's pmf by the fit to all other subjects, shape (n, horizon).

        The mean under ``n_draws`` draws of the parameters; 0 predicts at the estimate.
        """
        ...


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
        supported_to=last_supported(rows_at_risk),
        converged=converged,
        messages=tuple(doubts),
    )


def last_supported(rows_at_risk: FloatArray) -> int:
    """Return the last step with enough rows at risk, 0 if there is none."""
    supported = np.flatnonzero(rows_at_risk >= WELL_SUPPORTED)
    return int(supported[-1]) + 1 if len(supported) else 0


def refuse_no_events(durations: Durations) -> None:
    """Raise FitError if nobody had the event."""
    if not durations.weight[durations.observed].sum() > 0:
        raise FitError(
            f"None of the {counted(len(durations), 'row')} had the event.",
            "Nothing can be learnt of when it happens; add rows, or start from a prior.",
        )


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
        raise RequestError(
            f"The saved model is of kind {kind!r}, which this version does not read.",
            f"Fit it anew from the log.{nearest(kind, READERS)}",
        )
    module, name = READERS[kind]
    try:
        home = import_module(f"forecast.survival.{module}")
        fitted: FittedCountModel = getattr(home, name).from_dict(stored)
    except (KeyError, TypeError, ValueError) as problem:
        raise RequestError(
            f"The saved {kind} cannot be read: {problem!r}.", "Save the model again."
        ) from problem
    return fitted
