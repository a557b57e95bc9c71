"""Compare what was not drawn by lot: weights, strategies, g-formula, curves, sensitivity, planning.

``forecast.causal.rates`` has shares of events and what groups have in common.

>>> from forecast.causal import weighted_curve
>>> sessions, cleared = [3, 4, 4, 6], [True, True, False, True]  # of four tattoos
>>> weighted_curve(sessions, cleared).restricted_mean(5)
4.25
"""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.causal.curves import HazardGFormula, life_sums, restricted_mean, weighted_curve
    from forecast.causal.planning import (
        Design,
        e_value,
        hazard_ratio_for,
        schoenfeld_events,
        subjects_needed,
        tipping_survival,
    )
    from forecast.causal.strategies import Panel, StrategyWeights, WeightModel, followed
    from forecast.causal.weights import (
        cluster_counts,
        effective_number,
        standardised_differences,
        summarise_weights,
        sums_by,
    )


__getattr__, __dir__ = door(__name__, __file__)
