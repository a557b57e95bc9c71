"""How many sessions."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.counts.attributes import (
        COVARIATES,
        CURVES,
        LIGHTEN,
        covariates,
        plainly,
    )
    from forecast.counts.doubts import (
        MOST,
        doubts_of,
        evidence_name,
        failing_groups,
        fit_notes,
        leads_of,
        said,
    )
    from forecast.counts.estimate import (
        Estimate,
        Stopping,
        competing_ends,
        fit_stopping,
        length_of,
        of_100,
        to_clearing,
    )
    from forecast.counts.extra import ExtraColumn, extra_columns, with_extra
    from forecast.counts.log_summary import FEW, LogSummary, durations_of, few, fill_missing, told
    from forecast.counts.predictor import Predictor
    from forecast.counts.prior import (
        BETWEEN_CLINICS,
        NEVER_COVARIATES,
        SHAPE,
        SHORTER,
        Evidence,
        candidates,
        contradicted,
        duration_prior,
        effects_for,
        evidence_model,
        hazard_prior,
        with_width,
    )
    from forecast.counts.rows import (
        BASELINE,
        FEWEST_LIGHTENED,
        GOALS,
        by_contents,
        check_goal,
        course_rows,
        eligible,
        judged_rows,
        lasers_in_use,
        latest_start,
        of_goal,
        split_halves,
        unreached_on,
    )


__getattr__, __dir__ = door(__name__, __file__)
