"""Time to an event counted in steps: data, models, and the distribution they predict."""

from forecast.survival.aft import AcceleratedTime, FittedAcceleratedTime
from forecast.survival.boosted import BoostedHazard, FittedBoostedHazard
from forecast.survival.candidates import CANDIDATES
from forecast.survival.cure import CureMixture, FittedCureMixture
from forecast.survival.distribution import CountDistribution
from forecast.survival.durations import Durations
from forecast.survival.encoding import Encoding
from forecast.survival.fitted_hazard import FittedDiscreteHazard
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.joint import joint_fit
from forecast.survival.life_table import FittedLifeTable, LifeTable
from forecast.survival.model import CountModel, FitNotes, FittedCountModel
from forecast.survival.place import RowsHere
from forecast.survival.portable import model_from_dict

__all__ = [
    "CANDIDATES",
    "AcceleratedTime",
    "BoostedHazard",
    "CountDistribution",
    "CountModel",
    "CureMixture",
    "DiscreteHazard",
    "Durations",
    "Encoding",
    "FitNotes",
    "FittedAcceleratedTime",
    "FittedBoostedHazard",
    "FittedCountModel",
    "FittedCureMixture",
    "FittedDiscreteHazard",
    "FittedLifeTable",
    "LifeTable",
    "RowsHere",
    "joint_fit",
    "model_from_dict",
]
