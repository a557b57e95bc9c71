"""Time to an event counted in steps: data, models, and the distribution they predict."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.survival.accelerated import AcceleratedTime, FittedAcceleratedTime
    from forecast.survival.durations import Durations, Encoding
    from forecast.survival.first_passage import PassageBridge
    from forecast.survival.hazard import DiscreteHazard, joint_fit
    from forecast.survival.hazard_likelihood import (
        PIVOT,
        SMOOTH_NAMES,
        Counts,
        RowsHere,
        ScoreAndInformation,
        smooth_baseline,
    )
    from forecast.survival.model import (
        CountDistribution,
        CountModel,
        FittedCountModel,
        LifeTable,
        climb,
        model_from_dict,
        quantiles,
        supported_to,
    )


__getattr__, __dir__ = door(__name__, __file__)
