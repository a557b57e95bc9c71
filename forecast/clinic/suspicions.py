"""Signs that a whole log was kept in another way than it is read: said loudly, never mended."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from forecast.clinic.counted import ALL_GONE

if TYPE_CHECKING:
    from forecast.clinic.log import OutcomeLog

__all__ = ["FRACTIONS", "fractions_like", "graded_in_fractions", "only_finished", "suspicions"]

FEWEST_COURSES = 20  # all finished: from so many on it is no accident
FRACTIONS = (
    "No grading is above 1: percent faded is expected, 0 to 100. Multiply the gradings by 100 if "
    "they are fractions; read as they are, hardly any ink has gone."
)


def suspicions(log: OutcomeLog) -> tuple[str, ...]:
    """Return warnings about the log as a whole, for every answer that rests on it."""
    return (*only_finished(log), *graded_in_fractions(log))


def only_finished(log: OutcomeLog) -> tuple[str, ...]:
    """Return a warning when a log has reached its goal in every course, as none has."""
    outcome = log.courses["outcome"]
    if len(outcome) < FEWEST_COURSES or not outcome.isin(["cleared", "lightened"]).all():
        return ()
    return (
        f"All {len(outcome)} courses of this log are finished: none was stopped and none is "
        "running. If unfinished courses were left out, every number here is too rosy: log them.",
    )


def graded_in_fractions(log: OutcomeLog) -> tuple[str, ...]:
    """Return a warning when the log's gradings, slips above 100 apart, look like fractions."""
    faded = log.gradings["fading_pct"]
    possible = faded[faded <= ALL_GONE]
    return (FRACTIONS,) if fractions_like(possible.nlargest(1)) else ()


def fractions_like(percents: Iterable[float]) -> bool:
    """Return whether gradings look like fractions: some faded, and none beyond 1.

    Examples
    --------
    >>> fractions_like([0, 0.3, 0.6]), fractions_like([0, 0]), fractions_like([0, 1, 12])
    (True, False, False)
    """
    return 0 < max(percents, default=0.0) <= 1
