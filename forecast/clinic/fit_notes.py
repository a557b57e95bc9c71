"""What every estimate of a fit has to say of the log and the evidence behind it, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.clinic.attributes import LIGHTEN
from forecast.clinic.evidence import hazard_prior
from forecast.clinic.lightening import ALGEBRA
from forecast.clinic.part import MOST_TO_CHECK

if TYPE_CHECKING:
    from forecast.clinic.evidence import Evidence
    from forecast.clinic.reference import Reference

__all__ = ["evidence_name", "fit_notes"]


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
