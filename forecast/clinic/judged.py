"""What is known of a course under way: its last session is judged at the next visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["is_judged", "judged_sessions"]


def judged_sessions(log: OutcomeLog) -> npt.NDArray[np.int64]:
    """Return how many of the sessions given here have a known result, one number per course.

    What a session did is seen at the next visit, which a running course has not had. Unless it
    was graded after its last session, that session counts for nothing yet: as "not cleared" it
    would make every forecast too long, most of all in a young clinic, where many courses run.
    """
    courses = log.courses
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    waiting = (courses["outcome"] == "ongoing").to_numpy()
    if waiting.any() and len(log.gradings):
        running = courses.loc[waiting, ["course_id"]].assign(given=given[waiting])
        graded = log.gradings.loc[
            log.gradings["course_id"].isin(running["course_id"]), ["course_id", "after_session"]
        ]
        last = graded.groupby("course_id")["after_session"].max()
        seen = running["course_id"].map(last).to_numpy(dtype=np.float64)
        waiting[waiting] = ~(seen >= given[waiting])
    return given - waiting


def is_judged(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows of ``course_rows`` have a session here whose result is known."""
    known: npt.NDArray[np.bool_] = (rows["step"] > rows["entry"]).to_numpy()
    return known
