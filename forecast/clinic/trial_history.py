"""What was known of the fading around each session: gradings, gains, reactions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.clinic.judged import judged_sessions

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["HISTORY", "History", "fading_history", "known_fading", "not_yet_judged"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

STALLED = 5.0  # percentage points gained between the last two gradings
NEARLY_CLEAR = 90.0

HISTORY = (
    "calendar_years",
    "calendar_years_squared",
    "log_weeks_since_session",
    "reaction",
    "fading",
    "last_gain",
    "stalled",
    "log_ink_left",
    "log_ink_left_per_session",
)


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """Gradings and reactions on the grid of sessions, each of shape (n_rows,)."""

    before: FloatArray
    after: FloatArray
    gain_before: FloatArray
    gain_after: FloatArray
    graded: BoolArray
    reacted: BoolArray


def not_yet_judged(log: OutcomeLog, rows: pd.DataFrame) -> BoolArray:
    """Return which rows are the last session of an ongoing course without a grading after it.

    Counting it as "not cleared" would slow whatever regime the recent courses are under.
    """
    import pandas as pd

    judged = pd.Series(judged_sessions(log), index=log.courses["course_id"])
    waiting: BoolArray = rows["session_no"].to_numpy() > rows["course_id"].map(judged).to_numpy()
    return waiting


def known_fading(fading: FloatArray, gain: FloatArray, done: IntArray) -> FloatArray:
    """Return what a clinic sees in the gradings so far, one row per row, one column per name.

    Fading, the last gain, whether it stalled, the log of the ink left, and that per session
    done: what a slow course looks like on the scale on which ink goes.
    """
    stalled = (gain < STALLED) & (fading < NEARLY_CLEAR) & (done >= 2)
    left = np.log1p(-np.minimum(fading, 99.0) / 100)
    pace = left / np.maximum(done, 1)
    return np.column_stack([fading / 100, np.clip(gain, -20, 40) / 100, stalled, left, pace])


def fading_history(log: OutcomeLog, rows: pd.DataFrame, place: pd.Series[int]) -> History:
    """Return what gradings and reactions were known around each session.

    The last grading stands until the next one; a grading made after the next session began
    was not known before it and is passed over. Before any grading the fading is 0.
    """
    n, most = len(place), int(rows["session_no"].max()) + 1
    grid = _grid(log, rows, place, most)
    written = ~np.isnan(grid)
    level, gain = np.zeros((n, most)), np.zeros((n, most))
    now, change = np.zeros(n), np.zeros(n)
    for column in range(most):
        new = written[:, column]
        change = np.where(new & (column > 0), np.where(new, grid[:, column], 0) - now, change)
        now = np.where(new, grid[:, column], now)
        level[:, column], gain[:, column] = now, change
    subject = rows["subject"].to_numpy(dtype=np.int64)
    number = rows["session_no"].to_numpy(dtype=np.int64)
    return History(
        before=level[subject, number - 1],
        after=level[subject, number],
        gain_before=gain[subject, number - 1],
        gain_after=gain[subject, number],
        graded=written[subject, number],
        reacted=_reacted(log, place, most)[subject, number],
    )


def _grid(log: OutcomeLog, rows: pd.DataFrame, place: pd.Series[int], most: int) -> FloatArray:
    """Return the gradings by course and session, NaN where there is none; repeats averaged."""
    grid = np.full((len(place), most), np.nan)
    notes = log.graded[log.graded["course_id"].isin(place.index)]
    notes = notes[notes["after_session"] < most]
    if not len(notes):
        return grid
    following = rows[["course_id", "treated_on"]].assign(after_session=rows["session_no"] - 1)
    seen = notes.merge(following, on=["course_id", "after_session"], how="left")
    seen = seen[~(seen["graded_on"] > seen["treated_on"])]
    mean = seen.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    where = place.reindex(mean["course_id"]).to_numpy(dtype=np.int64)
    grid[where, mean["after_session"].to_numpy(dtype=np.int64)] = mean["fading_pct"]
    return grid


def _reacted(log: OutcomeLog, place: pd.Series[int], most: int) -> BoolArray:
    reacted = np.zeros((len(place), most), dtype=bool)
    bad = log.reactions[log.reactions["course_id"].isin(place.index)]
    bad = bad[bad["after_session"] < most]
    where = place.reindex(bad["course_id"]).to_numpy(dtype=np.int64)
    reacted[where, bad["after_session"].to_numpy(dtype=np.int64)] = True
    return reacted
