"""Saved models back to life: plain JSON values in, a fitted model out, with numpy alone."""

from collections.abc import Mapping
from typing import Any

from forecast._checks import nearest
from forecast.errors import RequestError
from forecast.survival.aft import FittedAcceleratedTime
from forecast.survival.boosted import FittedBoostedHazard
from forecast.survival.cure import FittedCureMixture
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.life_table import FittedLifeTable
from forecast.survival.model import FittedCountModel

__all__ = ["model_from_dict"]

READERS: Mapping[str, Any] = {
    "accelerated_time": FittedAcceleratedTime.from_dict,
    "boosted_hazard": FittedBoostedHazard.from_dict,
    "cure_mixture": FittedCureMixture.from_dict,
    "discrete_hazard": FittedDiscreteHazard.from_dict,
    "life_table": FittedLifeTable.from_dict,
}


def model_from_dict(stored: Mapping[str, Any]) -> FittedCountModel:
    """Return the fitted model whose ``to_dict`` gave ``stored``.

    Raises
    ------
    RequestError
        If the kind of model is unknown or a part of it is missing.
    """
    kind = str(stored.get("model"))
    if kind not in READERS:
        raise RequestError(
            f"The saved model is of kind {kind!r}.",
            f"Known kinds are {', '.join(READERS)}.{nearest(kind, READERS)}",
        )
    try:
        fitted: FittedCountModel = READERS[kind](stored)
    except (KeyError, TypeError, ValueError) as problem:
        raise RequestError(
            f"The saved {kind} cannot be read: {problem!r}.", "Save the model again."
        ) from problem
    return fitted
