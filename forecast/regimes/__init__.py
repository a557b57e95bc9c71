"""Whether shorter pulses save sessions."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.regimes.compare import compare_regimes
    from forecast.regimes.comparison import RegimeComparison
    from forecast.regimes.plan import ComparisonPlan, plan_comparison
    from forecast.regimes.split_trial import analyse_split
    from forecast.regimes.strategies import read_strategies, read_strategy
    from forecast.regimes.strategy_models import fit_strategies
    from forecast.regimes.trial import trial_rows
    from forecast.regimes.verdict import Contrast
    from forecast.regimes.weighted_curves import Engine

__all__ = [
    "ComparisonPlan",
    "Contrast",
    "Engine",
    "RegimeComparison",
    "analyse_split",
    "compare_regimes",
    "fit_strategies",
    "plan_comparison",
    "read_strategies",
    "read_strategy",
    "trial_rows",
]

__getattr__, __dir__ = door(__name__, __file__)
