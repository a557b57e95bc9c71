"""Time to an event counted in steps: data, models, and the distribution they predict."""

from forecast.survival.distribution import CountDistribution
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.life_table import FittedLifeTable, LifeTable
from forecast.survival.model import CountModel, FitNotes, FittedCountModel
from forecast.survival.portable import model_from_dict

__all__ = [
    "CountDistribution",
    "CountModel",
    "DiscreteHazard",
    "Durations",
    "Encoding",
    "FitNotes",
    "FittedCountModel",
    "FittedDiscreteHazard",
    "FittedLifeTable",
    "LifeTable",
    "model_from_dict",
]
