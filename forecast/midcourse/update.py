"""The estimate again, mid-course: given the sessions done and the gradings so far."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_kind, check_level, check_whole_number
from forecast._notes import Note, problem_and_remedy
from forecast._plain import Result
from forecast.counts import MOST, Estimate, Predictor, doubts_of, leads_of
from forecast.errors import RequestError
from forecast.log import Enquiry, check_enquiry, in_fractions
from forecast.midcourse.landmarks import STALLED_BELOW, STALLED_FROM, ink_gone
from forecast.midcourse.law import Midcourse
from forecast.survival import CountDistribution

Grading = tuple[Any, ...]
FALLS_BY = 15.0  # percentage points of fading lost between two gradings that are called a fall
DIFFERS_BY = 25.0  # between graders of one session, from which one of them is more likely wrong
GRADED_TO = 5.0  # points by which graders differ at least (a judgement, no agreement is published)
STALL: tuple[str, ...] = (
    "midcourse.levels_off", "midcourse.slower", "midcourse.slowed", "midcourse.hardly_moves",
)  # fmt: skip
BY_CHANCE = 0.05  # how often a pace that has not slowed may seem to have
SLOW, FAST = 0.1, 0.9  # ranks of the fading by now among running courses that are called so
LEVELLED_OFF = 0.25  # chance of never reaching the goal, from which gradings may have levelled off
TIMES_LIKELIER = 3  # by odds, than without the gradings
HARDLY_ANY = Note("midcourse.hardly_any_so_slow", "serious")


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Update(Result):
    """What is known mid-course.

    Attributes
    ----------
    remaining : Estimate
        Of the sessions still needed here, from the next one on.
    total : Estimate
        Of all sessions here, those done included.
    sessions_done : int
        Sessions had here without reaching the goal.

    Examples
    --------
    >>> later = forecaster.update(enquiry, sessions_done=3, gradings=[(3, 55)])
    >>> later.total.median - later.remaining.median
    3
    """

    remaining: Estimate
    total: Estimate
    sessions_done: int

    def lines(self, language: str) -> list[str]:
        """Return what is still needed, and all that it rests on."""
        return self.remaining.lines(language)

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
    """Return the estimate, at ``level``, of a course after ``sessions_done`` and ``gradings``.

    ``predictor`` and ``midcourse`` answer for the ``enquiry``; see ``Forecaster.update``. Beside
    the estimate of all its inks stands that of those which the lasers reach. Raises RequestError
    where a grading is not 0 to 100 or lies beyond ``sessions_done``.

    Examples
    --------
    >>> given = {"sessions_done": 3, "gradings": [(3, 55)], "level": 0.8}
    >>> update_estimate(forecaster, forecaster.midcourse, enquiry, **given).remaining.interval
    (6, 11)
    """
    done = check_whole_number(sessions_done, name="sessions_done", low=0, high=99)
    check_level(level)
    enquiry = check_enquiry(enquiry, predictor.extra)
    percent, odd = _read_gradings(gradings, done)
    remaining = _remaining(predictor, midcourse, enquiry, done, percent, level=level)
    part, unreached = predictor.part_reached(enquiry)
    remaining = replace(remaining, unreached=unreached)
    if part is not None:
        reached = _remaining(predictor, midcourse, part, done, percent, level=level)
        remaining = replace(remaining, reached=reached)

    def at_first() -> float:
        return float(predictor.counts_here([enquiry]).not_yet()[0])

    leads = leads_of(remaining, first=at_first if done else None)
    if HARDLY_ANY in remaining.notes:  # a count of those who clear would be made of hardly any
        leads = tuple(note for note in leads if not note.code.startswith("leads.apart"))
    remaining = replace(remaining, leads=leads, notes=(*odd, *remaining.notes))
    supported_to = max(predictor.supported_to - enquiry.sessions_elsewhere, 0)
    return Update(remaining, _shifted(remaining, done, supported_to), done)


def _remaining(
    predictor: Predictor,
    midcourse: Midcourse | None,
    enquiry: Enquiry,
    done: int,
    percent: Mapping[int, float],
    *,
    level: float,
) -> Estimate:
    without, draws = remaining_draws(
        predictor, midcourse, enquiry, sessions_done=done, gradings=percent.items()
    )
    if not any(k > 0 for k in percent):
        notes = [Note("midcourse.no_grading")]
    elif midcourse is not None:
        notes = _what_gradings_say(midcourse, enquiry, without, draws, done, percent)
    else:
        notes = [Note("midcourse.other_goal", "caution")]
    remaining = predictor.describe(enquiry, draws, level=level, done=done)
    doubts = doubts_of(predictor, remaining, done=done)
    return replace(remaining, notes=(*notes, *predictor.notes, *doubts))


def remaining_draws(
    predictor: Predictor,
    midcourse: Midcourse | None,
    enquiry: Enquiry,
    *,
    sessions_done: int,
    gradings: Iterable[Grading],
) -> tuple[FloatArray, FloatArray]:
    """Return pmfs of the sessions still needed, without the gradings and with them.

    ``predictor`` and ``midcourse`` answer for the ``enquiry`` after ``sessions_done``. Both have
    the shape (n_draws, horizon), by the same parameter draws.

    Examples
    --------
    >>> given = {"sessions_done": 3, "gradings": [(3, 5)]}
    >>> both = remaining_draws(forecaster, forecaster.midcourse, enquiry, **given)
    >>> [round(float(draws.sum(axis=1).mean()), 2) for draws in both]  # there within 25 more
    [0.99, 0.01]
    """
    percent, _ = _read_gradings(gradings, sessions_done)
    looked_to = midcourse.steps if midcourse else 0
    draws, expected = predictor.draws_after(enquiry, sessions_done, looked_to=looked_to)
    if midcourse is None or not any(k > 0 for k in percent):
        return draws, draws
    gone = {k: float(ink_gone(value)) for k, value in percent.items()}
    given = (draws, expected, sessions_done, gone)
    elsewhere, seed = enquiry.sessions_elsewhere, predictor.seed
    return draws, midcourse.draws(*given, elsewhere=elsewhere, seed=seed)


def _what_gradings_say(
    midcourse: Midcourse,
    enquiry: Enquiry,
    without: FloatArray,
    draws: FloatArray,
    done: int,
    percent: Mapping[int, float],
) -> list[Note]:
    elsewhere = Note("midcourse.begun_elsewhere", "caution")
    notes = [elsewhere] if enquiry.sessions_elsewhere else []
    if midcourse.landmark is None:
        notes.insert(0, Note("midcourse.too_few_graded", "serious"))
    elif not notes:
        after = {k: float(ink_gone(value)) for k, value in percent.items() if k > 0}
        notes = _pace_notes(midcourse.pace_rank(without, done, after))
        if midcourse.hardly_any_so_slow(done, after):
            notes.append(HARDLY_ANY)
        if done > midcourse.last_landmark:
            past = {"session": midcourse.last_landmark}
            notes.append(Note("midcourse.past_last_landmark", "caution", past))
    level = []
    extrapolated = midcourse.landmark is not None and done > midcourse.last_landmark
    if not extrapolated and has_slowed(percent, error=midcourse.passage.error):
        level = _level_notes(without, draws)
    level = level or _hardly_moves(percent, midcourse.cleared_at)
    if level or HARDLY_ANY in notes or 1 - float(draws.mean(axis=0).sum()) > MOST:
        notes = [note for note in notes if note.severity != "info"] + level  # none is reassuring
    last = percent[max(percent)]
    if last >= midcourse.cleared_at:
        values = {"percent": last, "cleared_at": midcourse.cleared_at}
        notes.append(Note("midcourse.graded_as_cleared", "caution", values))
    return notes


def has_slowed(percent: Mapping[int, float], *, error: float) -> bool:
    """Return whether ink goes more slowly of late than before, by more than graders differ.

    Of each session graded in between, the pace up to it is compared with the pace since, in the
    log of the ink left, by ``percent`` faded. Its variance is that of ``GRADED_TO`` points by the
    delta method, or ``error``, what the log says of it, where that is more; it is shared out among
    the sessions tried (Bonferroni).

    Examples
    --------
    >>> has_slowed({2: 25, 4: 45}, error=0.01), has_slowed({3: 55, 6: 55}, error=0.01)
    (False, True)
    """
    from statistics import NormalDist  # which a course without gradings does not need

    graded = {0: 0.0, **percent}
    at = np.array(sorted(graded), dtype=np.float64)
    gone = ink_gone([graded[int(k)] for k in at])
    spread = np.maximum(error, (GRADED_TO / 100 * np.exp(gone)) ** 2)
    spread[0] = 0.0  # what is faded is counted from there
    if len(at) < 3:
        return False
    before, since = at[1:-1] - at[0], at[-1] - at[1:-1]
    slower = (gone[1:-1] - gone[0]) / before - (gone[-1] - gone[1:-1]) / since
    variance = spread[1:-1] * (1 / before + 1 / since) ** 2 + spread[-1] / since**2
    limit = NormalDist().inv_cdf(1 - BY_CHANCE / len(slower))
    return bool((slower > limit * np.sqrt(variance)).any())


# all sessions, given those still needed
def _shifted(remaining: Estimate, done: int, supported_to: int) -> Estimate:
    pull = remaining.stop_pull
    return replace(
        remaining.with_draws(_after(done, remaining.draws)),
        distribution=CountDistribution(_after(done, remaining.distribution.pmf)),
        notes=remaining.notes,
        stops=partial(_hazard_after, done, remaining),
        stopping=None,
        stop_pull=pull if pull is None else _after(done, pull),
        supported_to=supported_to,
        sessions_done=0,
    )


# zeros for the sessions done, in a fifth of the time of numpy's pad
def _after(done: int, values: FloatArray) -> FloatArray:
    return np.concatenate([np.zeros((*values.shape[:-1], done)), values], axis=-1)


def _hazard_after(done: int, remaining: Estimate) -> FloatArray:
    return _after(done, remaining.stop_hazard)


# the mean percent faded by session, and notes
def _read_gradings(
    gradings: Iterable[Grading], sessions_done: int
) -> tuple[Mapping[int, float], list[Note]]:
    seen: dict[int, list[float]] = {}
    for grading in check_kind(gradings, Iterable, name="gradings", give="a list of pairs"):
        parts = len(grading) if isinstance(grading, tuple | list) else 1
        if not 2 <= parts <= 3:
            whole = {"given": repr(grading), "n": parts}
            raise RequestError(*problem_and_remedy("refused.grading_parts", whole))
        after = check_whole_number(grading[0], name="after_session", low=0)
        if after > sessions_done:
            values: dict[str, float] = {"after": after, "done": sessions_done}
            raise RequestError(*problem_and_remedy("refused.grading_after", values))
        percent = grading[1]
        if isinstance(percent, bool) or not isinstance(percent, int | float | np.number):
            raise RequestError(*problem_and_remedy("refused.grading_number", {"given": percent}))
        if not 0 <= percent <= 100:
            values = {"after": after, "percent": float(percent)}
            raise RequestError(*problem_and_remedy("refused.grading_percent", values))
        seen.setdefault(after, []).append(float(percent))
    means = {k: float(np.mean(values)) for k, values in sorted(seen.items())}
    return means, _odd_gradings(seen, means)


def doubtful_gradings(gradings: Sequence[Grading], sessions_done: int) -> dict[int, Note]:
    """Return what to ask about gradings before they are used, by the place of each in the list.

    By ``sessions_done`` and by one another: a fraction where percent is meant, a session that was
    not had, a session before that of the grading above it, and a fall beyond what graders differ
    by.

    Examples
    --------
    >>> {k: note.code for k, note in doubtful_gradings([(2, 0.3), (1, 20), (9, 50)], 4).items()}
    {0: 'midcourse.ask_fraction', 1: 'midcourse.ask_order', 2: 'midcourse.ask_beyond'}
    """
    found: dict[int, Note] = {}
    fractions = in_fractions(row[1] for row in gradings)
    highest: dict[int, float] = {}
    for place, (session, percent, *_) in enumerate(gradings):
        values = {"session": session, "percent": percent, "done": sessions_done}
        above = gradings[place - 1][0] if place else session
        before = max((highest[k] for k in highest if k < session), default=0.0)
        highest[session] = max(percent, highest.get(session, 0.0))
        if session > sessions_done:
            found[place] = Note("midcourse.ask_beyond", "caution", values)
        elif 0 < percent < 1 or (fractions and percent):
            found[place] = Note("midcourse.ask_fraction", "caution", values)
        elif session < above:
            found[place] = Note("midcourse.ask_order", "caution", values | {"above": above})
        elif before - percent > FALLS_BY:
            found[place] = Note("midcourse.ask_fall", "caution", values | {"before": before})
    return found


# what is odd about gradings by session, whose means are used as they are
def _odd_gradings(seen: Mapping[int, Sequence[float]], means: Mapping[int, float]) -> list[Note]:
    notes = [*in_fractions(means.values())]
    for (_, before), (k, percent) in pairwise(means.items()):
        if before - percent > FALLS_BY:
            values = {"session": k, "percent": percent, "before": before}
            notes.append(Note("midcourse.grading_falls", "caution", values))
    for k, graded in seen.items():
        if max(graded) - min(graded) > DIFFERS_BY:
            values = {"session": k, "low": min(graded), "high": max(graded)}
            notes.append(Note("midcourse.gradings_differ", "caution", values))
    return notes


# a note on gradings that slow: whether that makes it far likelier that the goal is never reached
def _level_notes(before: FloatArray, after: FloatArray) -> list[Note]:
    without, given = (float(1 - draws.mean(axis=0).sum()) for draws in (before, after))
    if given < LEVELLED_OFF:
        return []
    if given * (1 - without) >= TIMES_LIKELIER * without * (1 - given):
        return [Note("midcourse.levels_off", "serious")]
    return [Note("midcourse.slowed", "caution")] if without < given < MOST else []


# a note where the last gradings show no more than a course that hardly moves, whatever the law says
def _hardly_moves(percent: Mapping[int, float], cleared_at: float) -> list[Note]:
    last = max(percent)
    since = max((k for k in percent if 0 < k <= last - STALLED_FROM), default=0)
    if not since or percent[last] >= cleared_at:
        return []
    fall = float(ink_gone(percent[last]) - ink_gone(percent[since]))
    if fall >= STALLED_BELOW * (last - since):
        return []
    values = {"since": since, "before": percent[since], "session": last, "percent": percent[last]}
    return [Note("midcourse.hardly_moves", "caution", values)]


def _pace_notes(rank: float) -> list[Note]:
    if rank < SLOW:
        return [Note("midcourse.slower", "caution")]
    return [Note("midcourse.faster" if rank > FAST else "midcourse.as_usual")]
