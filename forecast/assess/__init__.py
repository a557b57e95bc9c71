"""Judge predicted counts against what was seen: folds, scores, calibration, coverage, choice."""

from forecast.assess.assessment import Assessment, assess_predictions, recalibrate_out_of_fold
from forecast.assess.calibration import Recalibration, fit_recalibration
from forecast.assess.conformal import ConformalBounds, conformal_bounds
from forecast.assess.coverage import Coverage, interval_coverage, plain_coverage
from forecast.assess.drift import Drift, drift
from forecast.assess.folds import grouped_folds
from forecast.assess.outcomes import Outcomes
from forecast.assess.pit import d_calibration, tie_split_coverage
from forecast.assess.sample_size import most_parameters, smallest_sample
from forecast.assess.scores import brier, crps_complete, log_score
from forecast.assess.selection import OutOfFold, choose, predict_out_of_fold, score_candidates
from forecast.assess.transport import carry_draws, carry_remaining

__all__ = [
    "Assessment",
    "ConformalBounds",
    "Coverage",
    "Drift",
    "OutOfFold",
    "Outcomes",
    "Recalibration",
    "assess_predictions",
    "brier",
    "carry_draws",
    "carry_remaining",
    "choose",
    "conformal_bounds",
    "crps_complete",
    "d_calibration",
    "drift",
    "fit_recalibration",
    "grouped_folds",
    "interval_coverage",
    "log_score",
    "most_parameters",
    "plain_coverage",
    "predict_out_of_fold",
    "recalibrate_out_of_fold",
    "score_candidates",
    "smallest_sample",
    "tie_split_coverage",
]
