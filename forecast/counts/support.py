"""How well a log covers an enquiry: well covered, thin or outside, and the reasons."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from forecast._notes import Note
from forecast.counts.log_summary import LEVELLED, LogSummary
from forecast.counts.rows import (
    FEWEST_FINISHED,
    FEWEST_FINISHED_WITH_LEVEL,
    FEWEST_WITH_LEVEL,
)
from forecast.log import Enquiry, column

# Levels that are said by a word alone; the others by their attribute too.
SAID = {
    ("layering", "single"): "a single layer",
    ("layering", "layered"): "layering",
    ("smoker", "yes"): "a smoker",
    ("smoker", "no"): "a non-smoker",
}
NUMBERS = {
    "age_years": "The age",
    "area_cm2": "The area",
    "tattoo_age_years": "The tattoo's age",
}


class Support(NamedTuple):
    """How well a log covers an enquiry.

    Attributes
    ----------
    label : str
        ``well covered``, ``thin`` or ``outside``.
    reasons : tuple of str
        Why not well covered: the codes of the notes, ``none_finished`` where no course has
        reached the goal, and ``not_followed`` where none was followed as far as is asked about.
    notes : tuple of Note
        The doubts in full.
    """

    label: str
    reasons: tuple[str, ...]
    notes: tuple[Note, ...]


def support_of(summary: LogSummary, enquiry: Enquiry, *, followed: int) -> Support:
    """Return how well the log covers an enquiry.

    ``followed`` is how many of the sessions asked about five courses were followed through.
    """
    notes = tuple(_doubts(summary, enquiry))
    reasons = dict.fromkeys(note.code.partition(".")[2] for note in notes)
    nothing = {"none_finished": not summary.n_there, "not_followed": not followed}
    reasons |= dict.fromkeys(name for name, so in nothing.items() if so)
    if any(nothing.values()) or any(note.severity == "serious" for note in notes):
        return Support("outside", tuple(reasons), notes)
    return Support("thin" if notes else "well covered", tuple(reasons), notes)


def _doubts(summary: LogSummary, enquiry: Enquiry) -> Iterator[Note]:
    few = summary.n_there < FEWEST_FINISHED
    alike = summary.similar(enquiry)
    if few:
        own = summary.lightening
        code = "too_few_finished" if own is None else "too_few_lightened"
        count = summary.n_courses if own is None else own.n_courses
        yield Note(f"counts.{code}", "caution", {"done": summary.n_there or "None", "count": count})
    elif alike is None:
        yield Note("counts.too_few_like_it", "caution")
    elif not alike["reached"]:
        yield Note("counts.none_like_it_finished", "caution", {"count": alike["n"]})
    yield from _rare_levels(summary, enquiry, few)
    yield from _far_numbers(summary, enquiry)


def _rare_levels(summary: LogSummary, enquiry: Enquiry, few: bool) -> Iterator[Note]:
    for name in (*LEVELLED, "inks"):
        known = summary.levels.get(name)
        if not known:  # never recorded: that no course has it says nothing of the enquiry
            continue
        for level in filter(None, str(getattr(enquiry, name) or "").split(";")):
            count, done = known.get(level, 0), summary.finished.get(name, {}).get(level, 0)
            values: dict[str, Any] = {"count": count, "what": _level(name, level)}
            if not count:
                yield Note("counts.level_not_in_log", "serious", values)
            elif count < FEWEST_WITH_LEVEL:
                code = "level_once" if count == 1 else "level_rare"
                yield Note(f"counts.{code}", "caution", values)
            elif done < FEWEST_FINISHED_WITH_LEVEL and summary.finished and not few:
                values |= {"done": done or "None"}
                yield Note("counts.level_too_few_finished", "caution", values)


def _level(name: str, level: str) -> Note | str:
    values = {"level": level.replace("_", " ")}
    return SAID.get((name, level)) or Note(f"counts.of_{name}", values=values)


def _far_numbers(summary: LogSummary, enquiry: Enquiry) -> Iterator[Note]:
    for name, what in NUMBERS.items():
        value, (low, high) = getattr(enquiry, name), summary.ranges.get(name, (0.0, np.inf))
        if value is not None and not low <= value <= high:
            values: dict[str, Any] = {"what": what, "unit": column("courses", name).unit}
            values |= {"value": value, "low": low, "high": high}
            yield Note("counts.number_outside_log", "serious", values)
