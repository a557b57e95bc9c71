"""Shares of events: intervals, logistic models of few, unusual groups, agreement, pooling."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.causal.rates.groups import (
        VERDICT,
        Funnel,
        PairedDifference,
        exact_interval,
        funnel_limits,
        intraclass,
        one_way_intraclass,
        paired_difference,
        poisson_interval,
        random_effects,
        share_at_every_look,
        verdict_interval,
        wilson_interval,
    )
    from forecast.causal.rates.logistic import (
        FittedMixedLogistic,
        MixedLogistic,
        cluster_inflation,
        fit_firth,
    )


__getattr__, __dir__ = door(__name__, __file__)
