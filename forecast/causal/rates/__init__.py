"""Shares of events: intervals, logistic models of few, unusual groups, agreement, pooling."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.causal.rates.agreement import intraclass, one_way_intraclass, weighted_kappa
    from forecast.causal.rates.funnel import Funnel, funnel_limits
    from forecast.causal.rates.logistic import (
        FittedMixedLogistic,
        MixedLogistic,
        cluster_inflation,
        fit_firth,
    )
    from forecast.causal.rates.pooling import random_effects
    from forecast.causal.rates.proportions import (
        McNemar,
        PairedDifference,
        exact_interval,
        mcnemar,
        newcombe_difference,
        normal_quantile,
        paired_difference,
        poisson_interval,
        upper_limit,
        wilson_interval,
    )

__all__ = [
    "FittedMixedLogistic",
    "Funnel",
    "McNemar",
    "MixedLogistic",
    "PairedDifference",
    "cluster_inflation",
    "exact_interval",
    "fit_firth",
    "funnel_limits",
    "intraclass",
    "mcnemar",
    "newcombe_difference",
    "normal_quantile",
    "one_way_intraclass",
    "paired_difference",
    "poisson_interval",
    "random_effects",
    "upper_limit",
    "weighted_kappa",
    "wilson_interval",
]

__getattr__, __dir__ = door(__name__, __file__)
