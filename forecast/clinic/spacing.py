"""Whether longer intervals go with fewer sessions, and with fewer or more weeks in all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from forecast.clinic.fading_slopes import Slopes

__all__ = ["CAUTION", "Spacing", "spacing_of"]

FloatArray = npt.NDArray[np.float64]

CAUTION = (
    "Intervals are chosen for reasons (slow healing, money, holidays), and no randomised trial of "
    "them was found: this is what goes with longer intervals in this log, not what they cause."
)
FEWEST_COURSES = 40


@dataclass(frozen=True, slots=True)
class Spacing:
    """Two intervals of the log compared, over a course from untreated to the log's threshold.

    Attributes
    ----------
    weeks : tuple of 2 float
        The shorter and the longer interval: about the quarter points of the log.
    sessions : tuple of 2 float
        Sessions to the threshold of a typical course at each.
    difference : float
        Sessions at the longer interval less those at the shorter.
    interval : tuple of 2 float
    weeks_difference : float
        Weeks from the first to the last session, likewise.
    weeks_interval : tuple of 2 float
    level : float
    caution : str
    """

    weeks: tuple[float, float]
    sessions: tuple[float, float]
    difference: float
    interval: tuple[float, float]
    weeks_difference: float
    weeks_interval: tuple[float, float]
    level: float
    caution: str = CAUTION

    @property
    def answer(self) -> str:
        """Whether longer intervals go with fewer sessions, in words."""
        short, long = self.weeks
        low, high = self.interval
        said = "fewer sessions" if high < 0 else "more sessions" if low > 0 else ""
        if not said:
            said = "no clear difference in sessions"
        weeks = self.weeks_interval
        then = "more weeks in all" if weeks[0] > 0 else "fewer weeks in all"
        if weeks[0] <= 0 <= weeks[1]:
            then = "no clear difference in weeks"
        return f"{long:g} weeks between sessions rather than {short:g}: {said}, {then}."

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "weeks": list(self.weeks),
            "sessions": list(self.sessions),
            "difference": {"estimate": self.difference, "interval": list(self.interval)},
            "weeks_difference": {
                "estimate": self.weeks_difference,
                "interval": list(self.weeks_interval),
            },
            "level": self.level,
            "answer": self.answer,
            "caution": self.caution,
        }


def spacing_of(slopes: Slopes, gaps_weeks: FloatArray) -> Spacing | None:
    """Return the comparison of a log's shorter and longer intervals, or None if all are alike.

    The fall of log ink per session goes with a power of the weeks since the session before (the
    fit has it to first order);
    sessions are the log of the ink at the threshold over that fall. Errors by the delta method.

    Parameters
    ----------
    gaps_weeks : ndarray
        The log's intervals.
    """
    rows = slopes.rows
    if "log_gap" not in rows.names or len(rows.courses) < FEWEST_COURSES:
        return None
    short, long = (float(np.round(q)) for q in np.quantile(gaps_weeks, [0.25, 0.75]))
    if not 1 <= short < long:
        return None
    slope, by_slope = typical_slope(slopes)
    by_gap = np.array([1.0 if name == "log_gap" else 0.0 for name in rows.names])
    ahead = -np.log((1 - rows.cleared_at / 100 - slopes.remnant) / (1 - slopes.remnant))
    away = np.log(np.array([short, long]) / rows.mean_gap_weeks)
    if slope >= 0:
        return None
    sessions = ahead / -slope * np.exp(-away * float(by_gap @ slopes.fit.coefficients))
    gradient = -sessions[:, None] * (by_slope / slope + away[:, None] * by_gap)
    lengths = np.array([short, long])
    weeks, by_weeks = (sessions - 1) * lengths, gradient * lengths[:, None]

    def apart(values: FloatArray, by: FloatArray) -> tuple[float, tuple[float, float]]:
        gap = float(values[1] - values[0])
        error = slopes.reach * slopes.error(by[1] - by[0])
        return gap, (gap - error, gap + error)

    difference, interval = apart(sessions, gradient)
    weeks_difference, weeks_interval = apart(weeks, by_weeks)
    return Spacing(
        weeks=(short, long),
        sessions=(float(sessions[0]), float(sessions[1])),
        difference=difference,
        interval=interval,
        weeks_difference=weeks_difference,
        weeks_interval=weeks_interval,
        level=slopes.level,
    )


def typical_slope(slopes: Slopes) -> tuple[float, FloatArray]:
    """Return the slope of all courses under the log's own mix of regimes, and its gradient."""
    had = np.array([slopes.had(regime, "all").sum() for regime in slopes.regimes])
    each = [slopes.slope(regime, "all") for regime in slopes.regimes]
    share = had / had.sum()
    value = float(share @ np.array([slope for slope, _ in each]))
    return value, np.asarray(share @ np.array([gradient for _, gradient in each]))
