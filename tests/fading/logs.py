"""Logs and codes that the tests of fading share."""

from dataclasses import replace

import numpy as np
import pandas as pd

from forecast.invented import World, simulate_log
from forecast.invented.world import CaseMix
from forecast.log import OutcomeLog

# black ink that the lasers reach: what a session takes is then known
BLACK = replace(World(), mix=CaseMix(colour=0.0), resistant_rate=0.0)

# every laser has all wavelengths: only pulses differ
ALIKE = replace(
    World(),
    resistant_rate=0.0,
    fleet=tuple(replace(one, wavelengths_nm=(532, 755, 1064)) for one in World().fleet),
)


def codes(result):
    return {note.code for note in result.notes}


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    return OutcomeLog.from_frames(**({name: getattr(log, name) for name in names} | tables))


def graded_log(faded):
    """Return a log without sessions whose n courses were graded as in ``faded``, (n, sessions)."""
    n, sessions = faded.shape
    ids = [f"C{place:03d}" for place in range(n)]
    courses = simulate_log(n, seed=2).courses.assign(
        course_id=ids,
        goal="clear",
        outcome="ongoing",
        sessions_elsewhere=0,
        sessions_given=sessions,
        stop_reason=None,
    )
    gradings = pd.DataFrame(
        {
            "course_id": np.repeat(ids, sessions),
            "after_session": np.tile(np.arange(1, sessions + 1), n),
            "graded_on": pd.Timestamp("2024-01-01"),
            "fading_pct": faded.ravel().clip(0, 100),
        }
    )
    return OutcomeLog.from_frames(courses, gradings=gradings)
