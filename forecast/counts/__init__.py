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
    from forecast.counts.doubts import doubts_of, evidence_name, fit_notes
    from forecast.counts.estimate import Estimate, learnt_share, of_100
    from forecast.counts.log_summary import FEWEST_LIGHTENED, LEVELLED, Lightening, Reference
    from forecast.counts.prior import (
        BETWEEN_CLINICS,
        NEVER_COVARIATES,
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
        GOALS,
        check_goal,
        course_rows,
        judged_rows,
        lasers_in_use,
        latest_start,
        of_goal,
    )
    from forecast.counts.stopping import Stopping, fit_stopping, length_of, to_clearing

__all__ = [
    "BETWEEN_CLINICS",
    "COVARIATES",
    "FEWEST_LIGHTENED",
    "GOALS",
    "LEVELLED",
    "LIGHTEN",
    "NEVER_COVARIATES",
    "Estimate",
    "Evidence",
    "Lightening",
    "Reference",
    "Stopping",
    "candidates",
    "check_goal",
    "contradicted",
    "course_rows",
    "covariate_names",
    "covariates",
    "doubts_of",
    "duration_prior",
    "effects_for",
    "evidence_model",
    "evidence_name",
    "fit_notes",
    "fit_stopping",
    "for_use",
    "hazard_prior",
    "judged_rows",
    "lasers_in_use",
    "latest_start",
    "learnt_share",
    "length_of",
    "of_100",
    "of_goal",
    "to_clearing",
]

__getattr__, __dir__ = door(__name__, __file__)
