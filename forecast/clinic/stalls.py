"""Whether the fading of a course has stopped: a rule whose false alarms are counted on the log.

A grading is compared with what the course's own gradings up to two, three and more sessions
before let expect, and the farthest below counts: a stop shows the better the longer it has lasted.
How far below is unusual is learnt from courses that went on to clear: they had not stopped, so
each that the rule would have flagged at some time is a false alarm.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.fading_slopes import Slopes

__all__ = ["StallRule", "stall_rule"]

FloatArray = npt.NDArray[np.float64]

LOOK_BACKS = (2, 3, 4, 6, 9, 13)  # sessions between what is expected from and the grading judged
NEARLY = 3.0  # percentage points below the threshold that grading cannot tell from it
FEWEST_BEFORE = 2  # gradings to expect from
FALSE_ALARMS = 0.05  # courses that had not stopped and are flagged at some time
FEWEST_CLEARED = 40  # to learn the threshold from


@dataclass(frozen=True, slots=True, eq=False)
class StallRule:
    """The rule and what it says of the log.

    Attributes
    ----------
    threshold : float
        Standard deviations below expectation from which a course is flagged.
    false_alarms : float
        Share of the courses that cleared later and would have been flagged at some time; None
        when no course has cleared.
    false_alarm_interval : tuple of 2 float
        Its 95 % Wilson interval.
    n_cleared : int
        Courses behind it.
    learnt : bool
        Whether the threshold comes from cleared courses, or, where they are few, from the model.
    looks : DataFrame
        Every grading judged: ``course_id, session, faded, expected, below, stalled``.
    flagged : DataFrame
        Of the courses still running, those whose last judged grading is flagged.
    """

    threshold: float
    false_alarms: float | None
    false_alarm_interval: tuple[float, float]
    n_cleared: int
    learnt: bool
    looks: pd.DataFrame
    flagged: pd.DataFrame

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; ``flagged`` as records."""
        return {
            "threshold": self.threshold,
            "false_alarms": {
                "estimate": self.false_alarms,
                "interval": list(self.false_alarm_interval),
                "courses": self.n_cleared,
            },
            "learnt": self.learnt,
            "flagged": self.flagged.to_dict("records"),
        }


def stall_rule(slopes: Slopes) -> StallRule:
    """Return the rule learnt from the courses of a fitted fading model."""
    from forecast.causal.rates import wilson_interval

    looks = looks_of(slopes)
    courses = slopes.rows.courses.set_index("course_id")["outcome"]
    outcome = looks["course_id"].map(courses)
    worst = looks[outcome == "cleared"].groupby("course_id")["below"].max().to_numpy()
    learnt = len(worst) >= FEWEST_CLEARED
    often = max(float(looks.groupby("course_id").size().mean()) if len(looks) else 1.0, 1.0)
    threshold = NormalDist().inv_cdf(1 - FALSE_ALARMS / often)
    if learnt:
        threshold = float(np.quantile(worst, 1 - FALSE_ALARMS, method="higher"))
    alarms = int((worst > threshold).sum())
    looks = looks.assign(stalled=looks["below"] > threshold)
    last = looks.groupby("course_id").tail(1)
    running = last["course_id"].map(courses) == "ongoing"
    interval = wilson_interval(alarms, len(worst)) if len(worst) else (0.0, 1.0)
    return StallRule(
        threshold=threshold,
        false_alarms=alarms / len(worst) if len(worst) else None,
        false_alarm_interval=(float(interval[0]), float(interval[1])),
        n_cleared=len(worst),
        learnt=learnt,
        looks=looks.reset_index(drop=True),
        flagged=last[running & last["stalled"]].reset_index(drop=True),
    )


def looks_of(slopes: Slopes) -> pd.DataFrame:
    """Return every grading with enough before it, and how far below expectation it is."""
    import pandas as pd

    rows, fit, model = slopes.rows, slopes.fit, slopes.fit.fitted.model
    low, high, _ = rows.bounds(slopes.remnant)
    nearly = rows.table["fading_pct"].to_numpy() >= rows.cleared_at - NEARLY
    value = np.where(np.isfinite(low) & ~nearly, low, -np.inf)  # as good as cleared: never a stall
    known = np.where(np.isfinite(high), np.where(np.isfinite(low), (low + high) / 2, high), low)
    fixed = fit.columns.design @ model.coefficients
    relative = model.random_covariance / model.residual_variance
    wander = fit.wander / model.residual_variance
    session = rows.table["session"].to_numpy(dtype=np.int64)
    ids = rows.table["course_id"].to_numpy(dtype=object)
    starts = np.flatnonzero(np.append(True, ids[1:] != ids[:-1]))
    found = []
    for first, after in zip(starts, np.append(starts[1:], len(ids)), strict=True):
        at = slice(first, after)
        left = known[at] - fixed[at]
        clock, random = fit.columns.clock[at], fit.columns.random[at]
        expected = expectations(session[at], clock, left, random, relative, wander)
        judged: dict[int, tuple[float, float]] = {}
        for place, centre, spread in expected:
            mean = fixed[first + place] + centre
            scale = np.sqrt(model.residual_variance * spread)
            below = float((value[first + place] - mean) / scale)
            judged[place] = max(judged.get(place, (-np.inf, 0.0)), (below, mean))
        for place, (below, mean) in judged.items():
            if np.isfinite(below):
                percent = float(rows.table["fading_pct"].iloc[first + place])
                faded = float(slopes.faded(np.array([mean]))[0])
                found.append((ids[first], int(session[first + place]), percent, faded, below))
    return pd.DataFrame(found, columns=["course_id", "session", "faded", "expected", "below"])


def expectations(
    session: npt.NDArray[np.int64],
    clock: FloatArray,
    left: FloatArray,
    random: FloatArray,
    relative: FloatArray,
    wander: float,
) -> list[tuple[int, float, float]]:
    """Return place, expected deviation and relative variance of each grading and look back.

    ``left`` are the deviations of one course from the model's mean; ``relative`` and ``wander``
    the model's variances over that of a grading.
    """
    shared = random @ relative @ random.T + wander * np.minimum.outer(clock, clock)
    spread = shared + np.eye(len(session))
    found = []
    for place in range(FEWEST_BEFORE, len(session)):
        for back in LOOK_BACKS:
            before = session <= session[place] - back
            if before.sum() < FEWEST_BEFORE:
                break
            along = shared[place, before]
            gain = np.linalg.solve(spread[np.ix_(before, before)], along)
            found.append(
                (place, float(gain @ left[before]), float(spread[place, place] - gain @ along))
            )
    return found
