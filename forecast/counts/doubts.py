"""What an estimate has to say about itself: of the log behind it, and of its own enquiry."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from forecast._checks import MARGIN, MOST_TO_CHECK
from forecast._notes import Note
from forecast.counts.attributes import LIGHTEN, SHORTER, hazard_prior, plainly
from forecast.counts.log_summary import few, support_doubts
from forecast.counts.rows import FEWEST_LIGHTENED
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    from forecast.counts.attributes import Evidence
    from forecast.counts.estimate import Estimate
    from forecast.counts.log_summary import Lightening, LogSummary
    from forecast.counts.predictor import Predictor
    from forecast.survival import FittedCountModel


def evidence_name(members: Sequence[str]) -> Note:
    """Return where the prior comes from: publications, or the clinics that are its ``members``.

    Examples
    --------
    >>> str(evidence_name(()))
    'published evidence'
    """
    if not members:
        return Note("counts.published_evidence")
    return Note("counts.pooled_evidence", values={"clinics": len(members)})


def fit_notes(summary: LogSummary, evidence: Evidence | None = None) -> tuple[Note, ...]:
    """Return what each estimate says of its log, by its ``summary``, and of other ``evidence``."""
    found = [_how_they_stand(summary)]
    if summary.lightening is not None:
        found += _of_lightening(summary.lightening, evidence)
    if summary.last_start:
        found.append(Note("counts.practice_until", values={"day": summary.last_start}))
    clinics = {"clinics": len(evidence.members)} if evidence else {}
    if not summary.n_reached:
        found.append(Note(f"counts.none_reached{'_pooled' * bool(evidence)}", "serious", clinics))
    elif evidence:
        found.append(Note("counts.pooled_stands_in", values=clinics))
    if summary.n_courses > MOST_TO_CHECK:
        found.append(Note("counts.checked_on_part", values={"most": MOST_TO_CHECK}))
    return tuple(found)


def _how_they_stand(summary: LogSummary) -> Note:
    values: dict[str, Any] = {"courses": few(summary.n_courses), "clients": few(summary.n_clients)}
    own = summary.lightening
    if own is None:
        values |= {"reached": few(summary.n_reached), "stopped": few(summary.n_stopped)}
        values |= {"going": few(summary.n_ongoing)}
        if summary.n_lightened:
            values |= {"lightened": few(summary.n_lightened)}
            return Note("counts.from_courses_lightened", values=values)
        return Note("counts.from_courses", values=values)
    if not own.n_courses:
        return Note("counts.from_courses_none_wanted", values=values)
    values |= {"wanted": few(own.n_courses), "reached": few(own.n_reached)}
    values |= {"stopped": few(own.n_stopped), "going": few(own.n_ongoing)}
    return Note("counts.from_courses_wanted", values=values)


def _of_lightening(own: Lightening, evidence: Evidence | None) -> Iterator[Note]:
    # what says, beside the log, how much sooner it is light enough than clear
    source = evidence_name(evidence.members if evidence else ())
    if evidence is None or evidence.hazard_prior()[LIGHTEN] == hazard_prior("lighten")[LIGHTEN]:
        source = Note("counts.algebra_of_fading", values={"share": SHORTER})
    if not own.n_courses:
        yield Note("counts.lightening_not_wanted", "serious", {"source": source})
    elif not own.n_reached:
        yield Note("counts.lightening_none_reached", "serious", {"source": source})
    elif not own.enough:
        values = {"reached": few(own.n_reached), "least": FEWEST_LIGHTENED, "source": source}
        yield Note("counts.lightening_few_reached", "serious", values)
    if own.n_other:
        yield Note("counts.lightened_unasked", "caution", {"courses": few(own.n_other, first=True)})


def doubts_of(
    predictor: Predictor,
    estimate: Estimate,
    *,
    done: int = 0,
    model: FittedCountModel | None = None,
) -> tuple[Note, ...]:
    """Return ``predictor``'s doubts about one estimate, after ``done`` sessions, beyond the fit's.

    ``model`` is the one that was asked, the chosen one unless given.

    Examples
    --------
    >>> print(doubts_of(forecaster, forecaster.estimate(enquiry))[1])
    Not given (the clinic's average was used): origin, age, area, tattoo age, scarring, smoker.
    """
    enquiry, summary = estimate.enquiry, predictor.log_summary
    found = [_what_it_rests_on(predictor, estimate, done=done)]
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
            found.append(Note(code, "caution", {"names": [*map(plainly, names)]}))
    found += _unchecked(predictor, estimate.level)
    unreached = predictor.unreached(str(enquiry.inks))
    if unreached:
        found.append(Note("counts.no_laser", "caution", {"inks": [*map(plainly, unreached)]}))
    by = groups_of([enquiry], sites=True)
    found += [
        note
        for row, note in failing_groups(predictor.assessment)
        if row["label"] in by.get(row["factor"], ())
    ]
    return (*found, *support_doubts(summary, enquiry))


UNCHECKED = "counts.lightening_"  # what begins so says that too few got there
MOST = 0.5  # chance not to be there within the horizon, from which another way out is named
APART = 0.1  # from which those who get there are counted apart
TIMES_THE_FIRST = 3  # and mid-course, so many times that at the consultation


def leads_of(estimate: Estimate, *, first: Callable[[], float] | None = None) -> tuple[Note, ...]:
    """Return what belongs beside the number of ``estimate``, before any doubt.

    What the lasers reach, and what counts all the same with an ink that none reaches; the count
    of those who get there, where many do not; and another way out, where most do not. ``first``
    gives the chance at the consultation not to get there, for a course under way.

    Examples
    --------
    >>> white = forecast.Enquiry("II", "forearm", "white", "medium", "single")
    >>> [note.code for note in leads_of(forecaster.estimate(white))]
    ['leads.unreached_clear', 'leads.apart_clear', 'leads.way_out_clear']
    """
    found = []
    share, more = estimate.not_within_horizon, first is not None
    if estimate.reached is not None:
        inks = [*map(plainly, str(estimate.reached.enquiry.inks).split(";"))]
        counted = _count_and_span(estimate.reached, more)
        found.append(Note("leads.reached", values={"inks": inks, **counted}))
    if estimate.unreached:
        rest = {"unreached": [*map(plainly, estimate.unreached)]}
        found.append(Note(f"leads.unreached_{estimate.goal}", values=rest))
    there = round(100 * (1 - share))
    if there and share > APART and (first is None or share > TIMES_THE_FIRST * first()):
        of_them = {"there": there, "horizon": _further(estimate.horizon, more)}
        of_them |= _count_and_span(estimate.if_reached, more)
        found.append(Note(f"leads.apart_{estimate.goal}", values=of_them))
    if estimate.instead is not None:
        found.append(Note("leads.instead", values=_count_and_span(estimate.instead)))
        found += unchecked(estimate.instead)
    if share > MOST:
        found.append(Note(f"leads.way_out_{estimate.goal}"))
    return tuple(found)


def unchecked(lighter: Estimate) -> list[Note]:
    """Return why a count to lightening was not checked on the log, or nothing.

    Examples
    --------
    >>> unchecked(forecaster.estimate(enquiry))
    []
    """
    return [note for note in lighter.notes if note.code.startswith(UNCHECKED)]


def in_all(total: Estimate, done: int) -> Note:
    """Return what all sessions come to: here, with ``done`` of them had, and with those elsewhere.

    Examples
    --------
    >>> print(in_all(forecaster.update(enquiry, sessions_done=3).total, 3))
    With 3 sessions done: about 9 in all, 6 to 14 for 8 of 10.
    """
    elsewhere, counted = total.enquiry.sessions_elsewhere, _count_and_span(total)
    most = Note("leads.more_than", values={"horizon": total.horizon + elsewhere})
    values = {"done": done, "all": most if total.median is None else total.median + elsewhere}
    code = f"leads.in_all{'_elsewhere' * bool(elsewhere)}"
    return Note(f"{code}{'_beyond' * (total.interval[0] is None)}", values=values | counted)


def _further(n: Note | int, more: bool) -> Note | int:
    return Note("leads.further", values={"n": n}) if more else n


def _count_and_span(estimate: Estimate, more: bool = False) -> dict[str, Any]:
    beyond = Note("leads.more_than", values={"horizon": estimate.horizon})
    low, high = (beyond if end is None else end for end in estimate.interval)
    count = _further(beyond if estimate.median is None else estimate.median, more)
    about = count if estimate.median is None else Note("leads.about", values={"n": count})
    span = low if low == high else Note("leads.span", values={"low": low, "high": high})
    return {"count": count, "about": about, "span": span, "of_ten": 10 * estimate.level}


# sessions between the ends of an interval; an open one ends just beyond the horizon
def _span(estimate: Estimate) -> int:
    low, high = (estimate.horizon + 1 if end is None else end for end in estimate.interval)
    return high - low


def _what_it_rests_on(predictor: Predictor, estimate: Estimate, *, done: int) -> Note:
    if estimate.evidence_alone is not None:
        rest = evidence_name(predictor.assessment.get("evidence", ()))
        was = max(_span(estimate.evidence_alone), 1)
        percent = max(round(100 * (1 - _span(estimate) / was)), 0)
        if estimate.interval[1] is None:
            narrowed = Note("counts.open_end", values={"horizon": estimate.horizon})
        else:
            code = "counts.narrowed" if percent else "counts.not_narrowed"
            narrowed = Note(code, values={"percent": percent})
        values = {"percent": percent, "rest": rest}
        for name, one in (("alone", estimate.evidence_alone), ("now", estimate)):
            code = "leads.count" if one.interval[0] is None else "leads.count_and_span"
            values[name] = Note(code, values=_count_and_span(one))
        values["narrowed"] = narrowed
        return Note(f"counts.evidence_alone{'_more' if done else ''}", values=values)
    if predictor.assessment["model"] == "life table":
        return Note("counts.no_attribute_told", "caution")
    return Note("counts.own_log_alone")


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
def failing_groups(assessment: Mapping[str, Any]) -> Iterator[tuple[Mapping[str, Any], Note]]:
    """Yield each group of clients that an assessment found failing, and what to say of it.

    ``assessment`` is a forecaster's: ``subgroups`` with their verdicts, and ``coverage``.

    Examples
    --------
    >>> group = {"factor": "inks", "label": "black", "verdict": "fails"}
    >>> group |= {"coverage": 0.8, "observed_to_expected": 1.4}
    >>> found = failing_groups({"coverage": {"level": 0.8}, "subgroups": [group]})
    >>> [note.code for _, note in found]
    ['counts.group_moved']
    """
    for row in assessment.get("subgroups", ()):
        if row["verdict"] != "fails":
            continue
        coverage, ratio = row["coverage"], row.get("observed_to_expected")
        level = assessment["coverage"]["level"]
        values = {"factor": row["factor"], "label": row["label"]}
        short = coverage is not None and coverage < level - MARGIN
        if ratio is not None and not (short and row.get("coverage_high", 0.0) < level):
            yield row, Note("counts.group_moved", "serious", values | {"ratio": ratio})
        else:
            values |= {"share": 100 * coverage, "level": 100 * level}
            yield row, Note("counts.group_not_held", "serious", values)
