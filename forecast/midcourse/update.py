"""The estimate again, mid-course: given the sessions done and the gradings so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_kind, check_level, check_whole_number
from forecast._types import FloatArray
from forecast.counts import Estimate, doubts_of
from forecast.errors import RequestError
from forecast.log import FRACTIONS, check_enquiry, fractions_like
from forecast.midcourse.landmarks import ink_gone
from forecast.survival.distribution import CountDistribution

if TYPE_CHECKING:
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry

Grading = tuple[Any, ...]
FALLS_BY = 15.0  # percentage points of fading lost between two gradings that are called a fall
DIFFERS_BY = 25.0  # between graders of one session, from which one of them is more likely wrong
SLOW, FAST = 0.1, 0.9
LEVELLED_OFF = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Update:
    """What is known mid-course.

    Attributes
    ----------
    remaining : Estimate
        Of the sessions still needed here, from the next one on.
    total : Estimate
        Of all sessions here, those done included.
    sessions_done : int
        Sessions had here without reaching the goal.
    """

    remaining: Estimate
    total: Estimate
    sessions_done: int

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"remaining": self.remaining.to_dict(), "total": self.total.to_dict()}


def update_estimate(
    forecaster: Forecaster,
    enquiry: Enquiry,
    *,
    sessions_done: int,
    gradings: Iterable[Grading],
    level: float,
) -> Update:
    """Return the estimate of a course under way; see ``Forecaster.update``."""
    done = check_whole_number(sessions_done, name="sessions_done", low=0, high=99)
    check_level(level)
    check_enquiry(enquiry)
    percent, notes = read_gradings(gradings, done)
    draws, expected = forecaster.draws_after(enquiry, done)
    start = forecaster.estimate(enquiry, level=level)
    if done and any(k > 0 for k in percent):
        draws, more = graded_draws(forecaster, enquiry, draws, expected, done, percent)
        notes += more
    else:
        notes.append("No grading after a session was given: only the sessions done are used.")
    followed = max(start.supported_to - done, 0)
    stop, stop_draws = forecaster.stop_hazard(enquiry, done)
    remaining = replace(
        start,
        distribution=CountDistribution(draws.mean(axis=0, keepdims=True)),
        draws=draws,
        stop_hazard=stop,
        stop_draws=stop_draws,
        support=start.support if followed else "outside",
        supported_to=followed,
    )
    _, doubts = forecaster.reference.doubts(enquiry)
    about = (*forecaster.notes, *doubts_of(forecaster, remaining, done=done), *doubts, *notes)
    remaining = replace(remaining, notes=about)
    return Update(remaining, shifted(remaining, done, start.supported_to), done)


def graded_draws(
    forecaster: Forecaster,
    enquiry: Enquiry,
    draws: FloatArray,
    expected: float,
    done: int,
    percent: Mapping[int, float],
) -> tuple[FloatArray, list[str]]:
    """Return the draws that the gradings call for, and notes; ``draws`` use none of them."""
    midcourse = forecaster.midcourse
    if midcourse is None:
        if forecaster.goal != "clear":
            return draws, ["Gradings are used for the goal clear only: these are not."]
        return draws, ["Too few graded courses in this log: the gradings are not used."]
    gone = {k: float(ink_gone(value)) for k, value in percent.items()}
    elsewhere = enquiry.sessions_elsewhere
    found = midcourse.draws(draws, expected, done, gone, elsewhere=elsewhere, seed=forecaster.seed)
    after = {k: fall for k, fall in gone.items() if k > 0}
    notes = []
    if elsewhere:
        notes.append(
            "Begun elsewhere: percent faded is read as of the untreated tattoo, and the sessions "
            "there as much like those here."
        )
    else:
        notes += pace_notes(midcourse.pace_rank(draws, done, after))
    notes += level_notes(draws, found)
    last = percent[max(percent)]
    if last >= midcourse.cleared_at:
        notes.append(
            f"The last grading is {last:g} %, at or above what this log calls cleared "
            f"({midcourse.cleared_at:g} %), but the course is not recorded as cleared."
        )
    return found, notes


def shifted(remaining: Estimate, done: int, supported_to: int) -> Estimate:
    """Return the estimate of all sessions, given the one of those still needed."""
    whole = np.pad(remaining.distribution.pmf, ((0, 0), (done, 0)))
    return replace(
        remaining,
        distribution=CountDistribution(whole),
        draws=np.pad(remaining.draws, ((0, 0), (done, 0))),
        stop_hazard=np.concatenate([np.zeros(done), remaining.stop_hazard]),
        stop_draws=None,
        supported_to=supported_to,
    )


def read_gradings(
    gradings: Iterable[Grading], sessions_done: int
) -> tuple[Mapping[int, float], list[str]]:
    """Return the mean percent faded by session, and notes; raise RequestError on a bad one."""
    seen: dict[int, list[float]] = {}
    for grading in check_kind(gradings, Iterable, name="gradings", give="a list of pairs"):
        parts = len(grading) if isinstance(grading, tuple | list) else 1
        if not 2 <= parts <= 3:
            raise RequestError(
                f"The grading {grading!r} has {parts} part(s).",
                "Give (after_session, percent) or (after_session, percent, date).",
            )
        after = check_whole_number(grading[0], name="after_session", low=0)
        if after > sessions_done:
            raise RequestError(
                f"A grading is after session {after}, but {sessions_done} session(s) are done.",
                "Leave it out, or give the sessions done by then.",
            )
        percent = grading[1]
        if isinstance(percent, bool) or not isinstance(percent, int | float | np.number):
            raise RequestError(f"The grading {percent!r} is not a number.", "Give percent faded.")
        if not 0 <= percent <= 100:
            raise RequestError(
                f"The grading after session {after} is {percent} percent.",
                "Give percent faded, from 0 (nothing yet) to 100.",
            )
        seen.setdefault(after, []).append(float(percent))
    means = {k: float(np.mean(values)) for k, values in sorted(seen.items())}
    return means, doubts_of_gradings(seen, means)


def doubts_of_gradings(
    seen: Mapping[int, Sequence[float]], means: Mapping[int, float]
) -> list[str]:
    """Return what is odd about gradings by session, whose means are used as they are."""
    notes = [str(FRACTIONS)] if fractions_like(means.values()) else []
    for (_, before), (k, percent) in pairwise(means.items()):
        if before - percent > FALLS_BY:
            notes.append(
                f"The grading after session {k} ({percent:g} %) is well below the one before it "
                f"({before:g} %): check both; they are used as they are."
            )
    for k, values in seen.items():
        if max(values) - min(values) > DIFFERS_BY:
            notes.append(
                f"The gradings after session {k} differ widely ({min(values):g} to "
                f"{max(values):g} %): check them; their mean is used."
            )
    return notes


def level_notes(before: FloatArray, after: FloatArray) -> list[str]:
    """Return a note when the gradings make it far likelier that the goal is not reached at all.

    Both are draws of shape (n_draws, horizon), before and after the gradings were looked at.
    """
    without, given = (float(1 - draws.mean(axis=0).sum()) for draws in (before, after))
    if given < LEVELLED_OFF or given * (1 - without) < 3 * without * (1 - given):
        return []
    return [
        "The gradings level off: that the goal is reached at all is much less likely than without "
        "them. Consider a review."
    ]


def pace_notes(rank: float) -> list[str]:
    """Return a note when a course fades far slower or faster than forecast."""
    if rank < SLOW:
        return ["Fading slower than 9 of 10 courses like it at this stage: consider a review."]
    if rank > FAST:
        return ["Fading faster than 9 of 10 courses like it at this stage."]
    return []
