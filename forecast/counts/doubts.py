"""What an estimate has to say about itself, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from forecast.counts.attributes import LIGHTEN
from forecast.counts.log_summary import ALGEBRA
from forecast.counts.prior import hazard_prior
from forecast.log import MOST_TO_CHECK
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    from forecast.counts.estimate import Estimate
    from forecast.counts.log_summary import Reference
    from forecast.counts.prior import Evidence
    from forecast.forecaster import Forecaster


def evidence_name(evidence: Evidence | None) -> str:
    """Return in words where the prior comes from."""
    return f"evidence of {len(evidence.members)} clinics" if evidence else "published evidence"


def shorter_by(evidence: Evidence | None) -> str:
    """Return in words what says, beside the log, how much sooner it is light enough than clear."""
    if evidence is None or evidence.hazard_prior()[LIGHTEN] == hazard_prior("lighten")[LIGHTEN]:
        return ALGEBRA
    return evidence_name(evidence)


def how_they_stand(reference: Reference) -> str:
    """Return how many courses reached the goal of clearing, and what became of the others."""
    parts = [
        f"{reference.n_reached} reached the goal",
        f"{reference.n_stopped} stopped",
        f"{reference.n_ongoing} are still running",
    ]
    rest = reference.n_courses - reference.n_reached - reference.n_stopped - reference.n_ongoing
    if rest:
        parts.append(f"{rest} ended lightened as wanted")
    return ", ".join(parts)


def fit_notes(reference: Reference, evidence: Evidence | None = None) -> tuple[str, ...]:
    """Return what every estimate of this log has to say about the log."""
    known = f"From {reference.n_courses} courses of {reference.n_clients} clients"
    if reference.lightening is None:
        found = [f"{known}: {how_they_stand(reference)}."]
    else:
        found = [f"{known}, {reference.lightening.counted()}."]
        found += reference.lightening.notes(shorter_by(evidence))
    if reference.last_start:
        found.append(
            f"Speaks of this clinic's practice in the two years up to {reference.last_start}."
        )
    if not reference.n_reached:
        found.append(
            f"No course has reached the goal yet: {evidence_name(evidence)} only, and wide."
        )
    elif evidence:
        found.append(
            f"What {len(evidence.members)} clinics found together stands in for published evidence."
        )
    if reference.n_courses > MOST_TO_CHECK:
        found.append(
            f"The model was chosen and checked on at most {MOST_TO_CHECK:,} courses, drawn by "
            "client, and fitted to all."
        )
    return tuple(found)


MARGIN = 0.03  # below the level, from which coverage is what failed


def doubts_of(
    forecaster: Forecaster, estimate: Estimate, *, done: int = 0, followed: int | None = None
) -> tuple[str, ...]:
    """Return the doubts about one estimate, after ``done`` sessions here, beyond the fit's.

    ``followed`` is the last session with at least five courses behind the estimate, those had
    elsewhere counted in; the forecaster's own unless given.
    """
    enquiry, found = estimate.enquiry, []
    if forecaster.evidence is not None:
        own = round(100 * estimate.own_share)
        rest = forecaster.assessment.get("evidence", "published evidence")
        found.append(
            f"{own} % of what this rests on comes from this clinic's own log, the rest from {rest}."
        )
    else:
        found.append(without_evidence(forecaster.assessment["model"]))
    ends = (estimate.interval[1], estimate.median)
    if any(end is None or end > estimate.supported_to for end in ends):
        last = forecaster.supported_to if followed is None else followed
        had = enquiry.sessions_elsewhere or done
        counted = ", those already had counted in," if had else ""
        wanting = " that wanted lightening" if forecaster.goal == "lighten" else ""
        found.append(
            f"Beyond session {last}{counted} fewer than five courses{wanting} were "
            "followed: the curve is carried on from there."
        )
    absent = forecaster.reference.absent(enquiry)
    if absent:
        found.append(f"Not given, so averaged over this clinic's clients: {listed(absent)}.")
    unrecorded = forecaster.reference.unrecorded(enquiry)
    if unrecorded:
        found.append(f"Not recorded in this log, which says nothing of it: {listed(unrecorded)}.")
    found += unchecked(forecaster, estimate.level)
    unreached = forecaster.unreached(str(enquiry.inks))
    if unreached:
        named = ", ".join(ink.replace("_", " ") for ink in unreached)
        found.append(f"No laser in the log's table is taken up well by: {named}.")
    by = groups_of([enquiry], sites=True)
    for row in forecaster.assessment.get("subgroups", ()):
        own = row["label"] in by.get(row["factor"], ())
        if own and row["verdict"] == "fails":
            found.append(failing(row, forecaster.assessment["coverage"]["level"]))
    return tuple(found)


def listed(names: Iterable[str]) -> str:
    """Return attributes in words."""
    plain = [name.removesuffix("_years").removesuffix("_cm2") for name in names]
    return ", ".join(name.replace("_", " ") for name in plain)


def without_evidence(model: str) -> str:
    """Return what an estimate rests on when the chosen model has no evidence behind it."""
    if model == "life table":
        return (
            "In this log no attribute foretold the count: this is the count of all its clients "
            "together, whatever the tattoo."
        )
    return "This rests on this clinic's own log alone, without published evidence."


def unchecked(forecaster: Forecaster, level: float) -> list[str]:
    """Return the doubt that an interval was checked on too few courses, if it was."""
    learnt, lightening = forecaster.recalibration, forecaster.reference.lightening
    if lightening is not None and not lightening.enough:
        return []  # the fit's own notes say so
    if learnt is None:
        return [
            "Too few finished courses to check the interval on this log: it is the model's own."
        ]
    if learnt.enough_for(level):
        return []
    return [
        f"Only {learnt.n_events} finished courses to check an interval at this level: its ends "
        "are the wider of corrected and uncorrected."
    ]


def failing(row: Mapping[str, Any], level: float) -> str:
    """Return in what a group of courses did not go as predicted."""
    coverage, ratio = row["coverage"], row.get("observed_to_expected")
    short = coverage is not None and coverage < level - MARGIN
    # a share that could be chance is not given as the reason, the number that failed is
    if ratio is not None and not (short and row.get("coverage_high", 0.0) < level):
        return (
            f"On this log, courses of {row['factor']} {row['label']} reached the goal {ratio:.2f} "
            "times as often as predicted."
        )
    return (
        f"On this log the intervals have not held for {row['factor']} {row['label']}: "
        f"{100 * coverage:.0f} % of such courses fell inside the {100 * level:.0f} % interval."
    )
