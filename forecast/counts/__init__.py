"""How many sessions."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.counts.attributes import (
        COVARIATES,
        LIGHTEN,
        covariate_names,
        covariates,
    )
    from forecast.counts.choices import BASELINE, eligible, split_halves
    from forecast.counts.doubts import doubts_of, evidence_name, fit_notes, said
    from forecast.counts.estimate import Estimate, of_100
    from forecast.counts.log_summary import (
        LEVELLED,
        LogSummary,
    )
    from forecast.counts.missing import durations_of, fill_missing
    from forecast.counts.predictor import Predictor
    from forecast.counts.prior import (
        BETWEEN_CLINICS,
        NEVER_COVARIATES,
        SHAPE,
        Evidence,
        candidates,
        contradicted,
        duration_prior,
        effects_for,
        evidence_model,
        for_use,
        hazard_prior,
    )
    from forecast.counts.rows import (
        FEWEST_LIGHTENED,
        GOALS,
        check_goal,
        course_rows,
        judged_rows,
        lasers_in_use,
        latest_start,
        of_goal,
        unreached_on,
    )
    from forecast.counts.stopping import (
        Stopping,
        competing_ends,
        fit_stopping,
        length_of,
        to_clearing,
    )

__all__ = [
    "BASELINE",
    "BETWEEN_CLINICS",
    "COVARIATES",
    "FEWEST_LIGHTENED",
    "GOALS",
    "LEVELLED",
    "LIGHTEN",
    "NEVER_COVARIATES",
    "REGION_OF",
    "SHAPE",
    "Estimate",
    "Evidence",
    "LogSummary",
    "Predictor",
    "Stopping",
    "candidates",
    "check_goal",
    "competing_ends",
    "contradicted",
    "course_rows",
    "covariate_names",
    "covariates",
    "doubts_of",
    "duration_prior",
    "durations_of",
    "effects_for",
    "eligible",
    "evidence_model",
    "evidence_name",
    "fill_missing",
    "fit_notes",
    "fit_stopping",
    "for_use",
    "hazard_prior",
    "judged_rows",
    "lasers_in_use",
    "latest_start",
    "length_of",
    "of_100",
    "of_goal",
    "said",
    "split_halves",
    "to_clearing",
    "unreached_on",
]

__getattr__, __dir__ = door(__name__, __file__)
