"""How many sessions."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.counts.attributes import (
        COVARIATES,
        INK_GROUPS,
        LIGHTEN,
        REGION_OF,
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
        unreached_on,
    )
    from forecast.counts.stopping import Stopping, fit_stopping, length_of, to_clearing

__all__ = [
    "BETWEEN_CLINICS",
    "COVARIATES",
    "FEWEST_LIGHTENED",
    "GOALS",
    "INK_GROUPS",
    "LEVELLED",
    "LIGHTEN",
    "NEVER_COVARIATES",
    "REGION_OF",
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
    "unreached_on",
]

__getattr__, __dir__ = door(__name__, __file__)
