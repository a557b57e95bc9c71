"""Judge predicted counts against what was seen: scores, calibration, coverage, choice, drift.

>>> from forecast.assess import Outcomes, brier
>>> from forecast.survival import CountDistribution
>>> half_by_two = CountDistribution([[0.25, 0.25]] * 2)  # two tattoos: cleared by two in half
>>> seen = Outcomes(step=[2, 1], observed=[True, False])  # one cleared, one client stopped
>>> brier(half_by_two, seen).round(4).tolist()
[0.0625, 0.25]
"""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.assess.assessment import (
        Assessment,
        Drift,
        Watch,
        assess_predictions,
        recalibrate_out_of_fold,
        watch,
    )
    from forecast.assess.calibration import Recalibration, carry_draws, carry_remaining
    from forecast.assess.outcomes import Outcomes, last_supported
    from forecast.assess.reliability import interval_coverage, reliability_table, tie_split_coverage
    from forecast.assess.scores import (
        LeftOut,
        brier,
        grouped_folds,
        predict_left_out,
        score_candidates,
    )


__getattr__, __dir__ = door(__name__, __file__)
