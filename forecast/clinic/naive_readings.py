"""What a plain reading of the log says about regimes, and why it is not to be believed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.causal import restricted_mean
from forecast.clinic.comparison import Contrast, NaiveReading
from forecast.clinic.regime_strategies import Strategy
from forecast.clinic.regime_tables import Settings
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.clinic.log import OutcomeLog

__all__ = ["naive_readings"]

BoolArray = npt.NDArray[np.bool_]
FloatArray = npt.NDArray[np.float64]
Summary = tuple[float, float] | None

EVER = (
    "Immortal time: a course must last long enough to be changed to ps, and stalled courses are "
    "the ones that are changed, so the changed look slow whatever ps does."
)
FINISHED = (
    "Survivorship: slow courses are those still running or given up, so each regime is judged by "
    "its quick courses only, the newer regime most of all."
)
UNADJUSTED = (
    "Courses count as long as they follow a strategy, but who starts and who stays with a regime "
    "depends on the ink, the date and the fading so far, and nothing makes up for that."
)
LEAST = 5


def naive_readings(
    log: OutcomeLog, settings: Settings, unadjusted: Mapping[str, Contrast]
) -> tuple[NaiveReading, ...]:
    """Return the naive readings of the whole log for each pair of strategies."""
    classes, given, cleared = _classes(log, settings.plans)
    ever: list[Summary] = []
    finished: list[Summary] = []
    for inside in classes:
        ever.append(_mean_up_to(given[inside], cleared[inside], settings.horizon))
        finished.append(_mean_of(given[inside & cleared]))

    def table(found: Sequence[Summary]) -> dict[str, Contrast]:
        return {
            key: _minus(found[a], found[b], settings.level)
            for key, (a, b) in settings.pairs.items()
        }

    return (
        NaiveReading("ever changed against never", table(ever), EVER),
        NaiveReading("finished courses only", table(finished), FINISHED),
        NaiveReading("unadjusted", unadjusted, UNADJUSTED),
    )


def _classes(
    log: OutcomeLog, strategies: Sequence[Strategy]
) -> tuple[list[BoolArray], FloatArray, BoolArray]:
    """Sort courses by what happened in the end: never ps, ever ps, or changed."""
    import pandas as pd

    sessions = log.sessions.sort_values(["course_id", "session_no"])
    is_ps = (sessions["regime"] == "ps").groupby(sessions["course_id"])
    seen = pd.DataFrame({"any": is_ps.any(), "all": is_ps.all(), "first": is_ps.first()})
    courses = log.courses.set_index("course_id")
    courses = courses[(courses["goal"] == "clear") & courses.index.isin(seen.index)]
    seen = seen.reindex(courses.index)
    any_ps, all_ps, first_ps = (seen[name].to_numpy(dtype=bool) for name in ("any", "all", "first"))
    mixed = any_ps & ~all_ps
    classes = []
    for strategy in strategies:
        if len(strategy.plan) > 1:
            classes.append(mixed & (first_ps == bool(strategy.plan[0])))
        else:
            classes.append(any_ps if strategy.plan[0] else ~any_ps)
    given = courses["sessions_given"].to_numpy(dtype=np.float64)
    return classes, given, (courses["outcome"] == "cleared").to_numpy(dtype=bool)


def _mean_up_to(given: FloatArray, cleared: BoolArray, horizon: int) -> Summary:
    if len(given) < LEAST:
        return None
    try:
        mean = restricted_mean(given, cleared, horizon=float(horizon))
    except RequestError:  # nobody of this class was watched that long
        return None
    return mean.estimate, mean.error


def _mean_of(given: FloatArray) -> Summary:
    if len(given) < LEAST:
        return None
    return float(given.mean()), float(given.std(ddof=1) / len(given) ** 0.5)


def _minus(left: Summary, right: Summary, level: float) -> Contrast:
    if left is None or right is None:
        return Contrast.missing(level)
    return Contrast.normal(left[0] - right[0], float(np.hypot(left[1], right[1])), level)
