"""The estimate again, mid-course: given the sessions done and the gradings so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_kind, check_level, check_whole_number
from forecast._notes import Note
from forecast._types import FloatArray
from forecast.counts import Estimate, doubts_of
from forecast.errors import RequestError
from forecast.log import FRACTIONS, check_enquiry, fractions_like
from forecast.midcourse.landmarks import ink_gone
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    from forecast.counts import Predictor
    from forecast.log import Enquiry
    from forecast.midcourse.law import Midcourse

Grading = tuple[Any, ...]
FALLS_BY = 15.0  # percentage points of fading lost between two gradings that are called a fall
DIFFERS_BY = 25.0  # between graders of one session, from which one of them is more likely wrong
SLOW, FAST = 0.1, 0.9  # ranks of the pace among running courses that are called so
LEVELLED_OFF = 0.25  # chance of never reaching the goal, from which gradings may have levelled off
TIMES_LIKELIER = 3  # by odds, than without the gradings


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
    predictor: Predictor,
    midcourse: Midcourse | None,
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
    percent, notes = _read_gradings(gradings, done)
    looked_to = midcourse.steps if midcourse else 0
    draws, expected = predictor.draws_after(enquiry, done, looked_to=looked_to)
    if not any(k > 0 for k in percent):
        notes.append(Note("midcourse.no_grading"))
    elif midcourse is not None:
        seed = predictor.seed
        draws, more = _graded(midcourse, enquiry, draws, expected, done, percent, seed=seed)
        notes += more
    else:
        other = predictor.goal != "clear"
        notes.append(Note(f"midcourse.{'other_goal' if other else 'too_few_graded'}", "caution"))
    remaining = predictor.describe(enquiry, draws, level=level, done=done)
    doubts = doubts_of(predictor, remaining, done=done)
    remaining = replace(remaining, notes=(*predictor.notes, *doubts, *notes))
    supported_to = max(predictor.supported_to - enquiry.sessions_elsewhere, 0)
    return Update(remaining, _shifted(remaining, done, supported_to), done)


# the draws that the gradings call for, and notes; those given use none of them
def _graded(
    midcourse: Midcourse,
    enquiry: Enquiry,
    draws: FloatArray,
    expected: float,
    done: int,
    percent: Mapping[int, float],
    *,
    seed: int,
) -> tuple[FloatArray, list[Note]]:
    gone = {k: float(ink_gone(value)) for k, value in percent.items()}
    elsewhere = enquiry.sessions_elsewhere
    found = midcourse.draws(draws, expected, done, gone, elsewhere=elsewhere, seed=seed)
    if elsewhere:
        notes = [Note("midcourse.begun_elsewhere", "caution")]
    else:
        after = {k: fall for k, fall in gone.items() if k > 0}
        notes = _pace_notes(midcourse.pace_rank(draws, done, after))
        if done > midcourse.last_landmark:
            past = {"session": midcourse.last_landmark}
            notes.append(Note("midcourse.past_last_landmark", "caution", past))
    notes += _level_notes(draws, found)
    last = percent[max(percent)]
    if last >= midcourse.cleared_at:
        values = {"percent": last, "cleared_at": midcourse.cleared_at}
        notes.append(Note("midcourse.graded_as_cleared", "caution", values))
    return found, notes


# all sessions, given those still needed
def _shifted(remaining: Estimate, done: int, supported_to: int) -> Estimate:
    whole = np.pad(remaining.distribution.pmf, ((0, 0), (done, 0)))
    return replace(
        remaining,
        distribution=CountDistribution(whole),
        draws=np.pad(remaining.draws, ((0, 0), (done, 0))),
        stop_hazard=np.concatenate([np.zeros(done), remaining.stop_hazard]),
        stop_draws=None,
        supported_to=supported_to,
    )


# the mean percent faded by session, and notes
def _read_gradings(
    gradings: Iterable[Grading], sessions_done: int
) -> tuple[Mapping[int, float], list[Note]]:
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
    return means, _odd_gradings(seen, means)


# what is odd about gradings by session, whose means are used as they are
def _odd_gradings(seen: Mapping[int, Sequence[float]], means: Mapping[int, float]) -> list[Note]:
    notes = [FRACTIONS] if fractions_like(means.values()) else []
    for (_, before), (k, percent) in pairwise(means.items()):
        if before - percent > FALLS_BY:
            values = {"session": k, "percent": percent, "before": before}
            notes.append(Note("midcourse.grading_falls", "caution", values))
    for k, graded in seen.items():
        if max(graded) - min(graded) > DIFFERS_BY:
            values = {"session": k, "low": min(graded), "high": max(graded)}
            notes.append(Note("midcourse.gradings_differ", "caution", values))
    return notes


# a note when the gradings make it far likelier that the goal is not reached at all
def _level_notes(before: FloatArray, after: FloatArray) -> list[Note]:
    without, given = (float(1 - draws.mean(axis=0).sum()) for draws in (before, after))
    if given < LEVELLED_OFF or given * (1 - without) < TIMES_LIKELIER * without * (1 - given):
        return []
    return [Note("midcourse.levels_off", "serious")]


def _pace_notes(rank: float) -> list[Note]:
    if rank < SLOW:
        return [Note("midcourse.slower", "caution")]
    return [Note("midcourse.faster")] if rank > FAST else []
