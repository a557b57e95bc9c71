"""The models that compete, simplest first; a new one joins by one line."""

from collections.abc import Callable, Mapping
from functools import partial

from forecast.survival.aft import AcceleratedTime
from forecast.survival.boosted import BoostedHazard
from forecast.survival.cure import CureMixture
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.life_table import LifeTable
from forecast.survival.model import CountModel

__all__ = ["CANDIDATES", "RIDGE"]

# A standard deviation of 0.5 on each log hazard ratio: most published ones are smaller.
RIDGE = 4.0

CANDIDATES: Mapping[str, Callable[[], CountModel]] = {
    "life table": LifeTable,
    "discrete hazard": partial(DiscreteHazard, baseline="smooth", penalty=RIDGE),
    "discrete hazard, logit": partial(
        DiscreteHazard, link="logit", baseline="smooth", penalty=RIDGE
    ),
    "weibull": partial(AcceleratedTime, "weibull", penalty=RIDGE),
    "lognormal": partial(AcceleratedTime, "lognormal", penalty=RIDGE),
    "loglogistic": partial(AcceleratedTime, "loglogistic", penalty=RIDGE),
    "cure mixture": partial(CureMixture, penalty=RIDGE),
    "boosted hazard": BoostedHazard,
}
