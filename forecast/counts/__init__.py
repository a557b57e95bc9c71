"""How many sessions."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.counts.attributes import (
        BETWEEN_CLINICS,
        COVARIATES,
        CURVES,
        LIGHTEN,
        NEVER_COVARIATES,
        REFERENCES,
        SHAPE,
        SHORTER,
        Evidence,
        ExtraColumn,
        covariates,
        duration_prior,
        effects_for,
        hazard_prior,
        plainly,
    )
    from forecast.counts.doubts import (
        MOST,
        doubts_of,
        evidence_name,
        failing_groups,
        in_all,
        leads_of,
        unchecked,
    )
    from forecast.counts.estimate import PRIOR_STOPS, Estimate, Stopping, competing_ends, of_100
    from forecast.counts.fit import Basis
    from forecast.counts.log_summary import FEW, LogSummary, few, told
    from forecast.counts.predictor import Predictor
    from forecast.counts.rows import (
        BASELINE,
        FEWEST_LIGHTENED,
        GOALS,
        check_goal,
        course_rows,
        durations_of,
        eligible,
        is_judged,
        judged_rows,
        lasers_in_use,
        latest_start,
        of_goal,
        split_halves,
        unreached_on,
    )


__getattr__, __dir__ = door(__name__, __file__)
