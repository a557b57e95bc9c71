"""Compare what was not drawn by lot: weights, strategies, g-formula, curves, sensitivity, planning.

``forecast.causal.rates`` has shares of events and what groups have in common.
"""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.causal.curves import HazardGFormula, life_sums, restricted_mean
    from forecast.causal.planning import (
        Design,
        e_value,
        hazard_ratio_for,
        schoenfeld_events,
        subjects_needed,
        tipping_survival,
    )
    from forecast.causal.weights import (
        Panel,
        WeightModel,
        followed,
        standardised_differences,
        summarise_weights,
    )


__getattr__, __dir__ = door(__name__, __file__)
