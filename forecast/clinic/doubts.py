"""What an estimate has to say about itself, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.clinic.groups import groups

if TYPE_CHECKING:
    from forecast.clinic.estimate import Estimate
    from forecast.clinic.forecaster import Forecaster

__all__ = ["doubts_of"]


def doubts_of(forecaster: Forecaster, estimate: Estimate, *, done: int = 0) -> tuple[str, ...]:
    """Return the doubts about one estimate, after ``done`` sessions here, beyond the fit's."""
    enquiry, found = estimate.enquiry, []
    if forecaster.evidence is not None:
        own = round(100 * estimate.own_share)
        found.append(
            f"{own} % of what this rests on comes from this clinic's own log, the rest from "
            "published evidence."
        )
    ends = (estimate.interval[1], estimate.median)
    if any(end is None or end > estimate.supported_to for end in ends):
        had = enquiry.sessions_elsewhere or done
        counted = ", those already had counted in," if had else ""
        found.append(
            f"Beyond session {forecaster.supported_to}{counted} fewer than five courses were "
            "followed: the curve is carried on from there."
        )
    absent = forecaster.reference.absent(enquiry)
    if absent:
        named = ", ".join(name.replace("_", " ") for name in absent)
        found.append(f"Not given, so averaged over this clinic's clients: {named}.")
    if forecaster.recalibration is None or not forecaster.recalibration.enough_for(estimate.level):
        found.append(
            "Too few finished courses to check the interval on this log: it is the model's own."
        )
    unreached = forecaster.unreached(str(enquiry.inks))
    if unreached:
        named = ", ".join(ink.replace("_", " ") for ink in unreached)
        found.append(f"No laser in the log's table is taken up well by: {named}.")
    by = groups([enquiry], sites=True)
    for row in forecaster.assessment.get("subgroups", ()):
        own = row["label"] in by.get(row["factor"], ())
        if own and row["verdict"] == "fails":
            found.append(
                f"On this log the intervals have not held for {row['factor']} {row['label']}: "
                f"{row['coverage']:.0%} of such courses fell inside the "
                f"{forecaster.assessment['coverage']['level']:.0%} interval."
            )
    return tuple(found)
