"""How well a log covers an enquiry: well covered, thin or outside, and the reasons."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from forecast._notes import Note
from forecast.counts.attributes import LIGHTEN
from forecast.counts.log_summary import LEVELLED, LogSummary
from forecast.counts.prior import SHORTER, hazard_prior
from forecast.counts.rows import (
    FEWEST_FINISHED,
    FEWEST_FINISHED_WITH_LEVEL,
    FEWEST_LIGHTENED,
    FEWEST_WITH_LEVEL,
    MARGIN,
)
from forecast.log import MOST_TO_CHECK, Enquiry, column
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    from forecast.counts.estimate import Estimate
    from forecast.counts.log_summary import Lightening
    from forecast.counts.predictor import Predictor
    from forecast.counts.prior import Evidence
    from forecast.survival import FittedCountModel

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


def said(note: Note | str) -> Note:
    """Return a note, or a sentence that has no code of its own as one."""
    return Note("counts.said", "caution", {"text": note}) if isinstance(note, str) else note


def evidence_name(evidence: Evidence | None) -> Note:
    """Return where the prior comes from."""
    if evidence is None:
        return Note("counts.published_evidence")
    return Note("counts.pooled_evidence", values={"clinics": len(evidence.members)})


def fit_notes(summary: LogSummary, evidence: Evidence | None = None) -> tuple[Note, ...]:
    """Return what every estimate of this log has to say about the log."""
    return tuple(_of_the_log(summary, evidence))


def _of_the_log(summary: LogSummary, evidence: Evidence | None) -> Iterator[Note]:
    yield _how_they_stand(summary)
    if summary.lightening is not None:
        yield from _of_lightening(summary.lightening, evidence)
    if summary.last_start:
        yield Note("counts.practice_until", values={"day": summary.last_start})
    if not summary.n_reached and evidence:
        values = {"clinics": len(evidence.members)}
        yield Note("counts.none_reached_pooled", "serious", values)
    elif not summary.n_reached:
        yield Note("counts.none_reached", "serious")
    elif evidence:
        yield Note("counts.pooled_stands_in", values={"clinics": len(evidence.members)})
    if summary.n_courses > MOST_TO_CHECK:
        yield Note("counts.checked_on_part", values={"most": MOST_TO_CHECK})


def _how_they_stand(summary: LogSummary) -> Note:
    values = {"courses": summary.n_courses, "clients": summary.n_clients}
    own = summary.lightening
    if own is None:
        values |= {"reached": summary.n_reached, "stopped": summary.n_stopped}
        values |= {"going": summary.n_ongoing}
        rest = summary.n_courses - summary.n_reached - summary.n_stopped - summary.n_ongoing
        if rest:
            return Note("counts.from_courses_lightened", values=values | {"lightened": rest})
        return Note("counts.from_courses", values=values)
    if not own.n_courses:
        return Note("counts.from_courses_none_wanted", values=values)
    values |= {"wanted": own.n_courses, "reached": own.n_reached}
    values |= {"stopped": own.n_stopped, "going": own.n_ongoing}
    return Note("counts.from_courses_wanted", values=values)


def _of_lightening(own: Lightening, evidence: Evidence | None) -> Iterator[Note]:
    # what says, beside the log, how much sooner it is light enough than clear
    source = evidence_name(evidence)
    if evidence is None or evidence.hazard_prior()[LIGHTEN] == hazard_prior("lighten")[LIGHTEN]:
        source = Note("counts.algebra_of_fading", values={"share": SHORTER})
    if not own.n_courses:
        yield Note("counts.lightening_not_wanted", "serious", {"source": source})
    elif not own.n_reached:
        yield Note("counts.lightening_none_reached", "serious", {"source": source})
    elif not own.enough:
        values = {"reached": own.n_reached, "least": FEWEST_LIGHTENED, "source": source}
        yield Note("counts.lightening_few_reached", "serious", values)
    if own.n_other:
        yield Note("counts.lightened_unasked", "caution", {"courses": own.n_other})


def doubts_of(
    predictor: Predictor,
    estimate: Estimate,
    *,
    done: int = 0,
    model: FittedCountModel | None = None,
) -> tuple[Note, ...]:
    """Return the doubts about one estimate, after ``done`` sessions here, beyond the fit's.

    ``model`` is the one that was asked, the chosen one unless given.
    """
    enquiry, summary = estimate.enquiry, predictor.log_summary
    found = [_what_it_rests_on(predictor, estimate)]
    ends = (estimate.interval[1], estimate.median)
    if any(end is None or end > estimate.supported_to for end in ends):
        wanting = "_lightening" if predictor.goal == "lighten" else ""
        counted = "_with_those_had" if enquiry.sessions_elsewhere or done else ""
        values = {"last": predictor.followed(model)}
        found.append(Note(f"counts.beyond_followed{wanting}{counted}", "caution", values))
    for code, names in (
        ("counts.not_given", summary.absent(enquiry)),
        ("counts.not_recorded", summary.unrecorded(enquiry)),
    ):
        if names:
            found.append(Note(code, "caution", {"names": _in_words(names)}))
    found += _unchecked(predictor, estimate.level)
    unreached = predictor.unreached(str(enquiry.inks))
    if unreached:
        found.append(Note("counts.no_laser", "caution", {"inks": _in_words(unreached)}))
    by = groups_of([enquiry], sites=True)
    for row in predictor.assessment.get("subgroups", ()):
        if row["label"] in by.get(row["factor"], ()) and row["verdict"] == "fails":
            found.append(_failing(row, predictor.assessment["coverage"]["level"]))
    return (*found, *support_of(summary, enquiry, followed=estimate.supported_to).notes)


def _what_it_rests_on(predictor: Predictor, estimate: Estimate) -> Note:
    if predictor.evidence is not None:
        rest = predictor.assessment.get("evidence", "published evidence")
        values = {"percent": round(100 * estimate.own_share), "rest": rest}
        return Note("counts.own_share", values=values)
    if predictor.assessment["model"] == "life table":
        return Note("counts.no_attribute_told", "caution")
    return Note("counts.own_log_alone")


def _in_words(names: tuple[str, ...]) -> list[str]:
    plain = [name.removesuffix("_years").removesuffix("_cm2") for name in names]
    return [name.replace("_", " ") for name in plain]


def _unchecked(predictor: Predictor, level: float) -> Iterator[Note]:
    learnt, lightening = predictor.recalibration, predictor.log_summary.lightening
    if lightening is not None and not lightening.enough:
        return  # the fit's own notes say so
    if learnt is None:
        yield Note("counts.interval_unchecked", "caution")
    elif not learnt.enough_for(level):
        yield Note("counts.interval_hardly_checked", "caution", {"finished": learnt.n_events})


# A share inside the interval that could be chance is not given as the reason why a group did not
# go as predicted; the number that failed is.
def _failing(row: Mapping[str, Any], level: float) -> Note:
    coverage, ratio = row["coverage"], row.get("observed_to_expected")
    values = {"factor": row["factor"], "label": row["label"]}
    short = coverage is not None and coverage < level - MARGIN
    if ratio is not None and not (short and row.get("coverage_high", 0.0) < level):
        return Note("counts.group_moved", "serious", values | {"ratio": ratio})
    values |= {"share": 100 * coverage, "level": 100 * level}
    return Note("counts.group_not_held", "serious", values)
