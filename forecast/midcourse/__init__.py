"""How many more sessions, once a course has begun."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.midcourse.landmarks import LAST_LANDMARK, mean_gradings
    from forecast.midcourse.law import Midcourse, fit_midcourse, usual_midcourse
    from forecast.midcourse.update import (
        STALL,
        Update,
        doubtful_gradings,
        remaining_draws,
        update_estimate,
    )


__getattr__, __dir__ = door(__name__, __file__)
