"""What every count model can do: a specification that fits, a fit that predicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from forecast.survival.distribution import CountDistribution
from forecast.survival.durations import Durations

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CountModel", "FitNotes", "FittedCountModel"]


@dataclass(frozen=True, slots=True)
class FitNotes:
    """What the fit rests on.

    Attributes
    ----------
    n_rows, n_subjects, n_events : int
        Rows, distinct subjects and events used.
    horizon : int
        The last step with anyone at risk.
    supported_to : int
        The last step with at least five rows at risk.
    converged : bool
        Whether the iterations settled.
    messages : tuple of str
        Doubts in words, for people.
    """

    n_rows: int
    n_subjects: int
    n_events: int
    horizon: int
    supported_to: int
    converged: bool
    messages: tuple[str, ...] = ()


class FittedCountModel(Protocol):
    """A fitted model of when the event happens. Frozen; predicts with numpy alone."""

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
    ) -> npt.NDArray[np.float64]:
        """Return pmfs under draws of the parameters, shape (n_draws, n, horizon).

        Draw ``d`` is the same parameter vector for every row and for every call with this seed.
        """
        ...

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values from which ``survival.model_from_dict`` rebuilds the model."""
        ...


class CountModel(Protocol):
    """A model specification: frozen; fitting gives a new object."""

    @property
    def name(self) -> str:
        """A short name for tables."""
        ...

    def fit(self, durations: Durations) -> FittedCountModel:
        """Return the model fitted to ``durations``."""
        ...
