"""Whether shorter pulses save sessions."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.regimes.compare import compare_regimes, regime_verdict
    from forecast.regimes.comparison import RegimeComparison
    from forecast.regimes.plan import check_planned, plan_comparison
    from forecast.regimes.trial import trial_rows
    from forecast.regimes.verdict import LEAST_CLIENTS, Contrast, read_strategy
    from forecast.regimes.weighted_curves import fit_strategies


__getattr__, __dir__ = door(__name__, __file__)
