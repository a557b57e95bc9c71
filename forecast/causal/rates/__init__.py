"""Shares of events: intervals, logistic models of few, unusual groups, agreement, pooling."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.causal.rates.agreement import intraclass, one_way_intraclass, random_effects
    from forecast.causal.rates.logistic import (
        FittedMixedLogistic,
        MixedLogistic,
        cluster_inflation,
        fit_firth,
    )
    from forecast.causal.rates.proportions import (
        Funnel,
        PairedDifference,
        exact_interval,
        funnel_limits,
        paired_difference,
        poisson_interval,
        share_at_every_look,
        wilson_interval,
    )


__getattr__, __dir__ = door(__name__, __file__)
