"""A model learns from what came in since: fitted again, held against the old one, or refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import counted
from forecast._plain import Result
from forecast.counts import Evidence, evidence_name, told
from forecast.errors import RequestError
from forecast.forecaster.fit import fit_forecaster
from forecast.forecaster.promises import MARGIN, TWO_SIDED, assess_forecaster
from forecast.log import enquiry_of, fingerprint

if TYPE_CHECKING:
    from forecast.forecaster.forecaster import Forecaster
    from forecast.log import OutcomeLog

GROWN = 1.1  # times as many courses, or
MONTH = 30  # days on: the choice among models is made anew
CHOSEN_AT = "chosen_at"  # of the assessment: the log at which the choice was made
LATEST = 50  # courses of which old and new estimates are held against each other


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Refreshed(Result):
    """A model fitted again, what ``changed``, and whether the model was ``chosen_anew``.

    ``changed`` holds pairs (old, new) of courses, those that reached the goal, model and coverage,
    and how far the medians of the latest clients moved; it is empty where nothing is new, and the
    forecaster is the old one then.
    """

    forecaster: Forecaster
    changed: Mapping[str, Any]
    chosen_anew: bool

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**self.changed, "chosen_anew": self.chosen_anew}

    def to_text(self) -> str:
        """Return what changed in words."""
        if not self.changed:
            return "Nothing new: the log holds the very courses that the model was fitted to."
        said = self.changed
        how = "chosen anew" if self.chosen_anew else "not chosen anew: too little has come in"
        counts = "Courses {} before, {} now; reached the goal {} and {}."
        moved = (
            "Of the {latest} latest clients {same} have the same median as before; the largest "
            "change of one is {most}."
        )
        way = "fewer" if said["largest"] < 0 else "more"
        most = f"{counted(abs(said['largest']), 'session')} {way}"
        model = "Model {} before, {} now ({}).".format(*said["model"], how)
        reached = counts.format(*said["courses"], *said["reached"])
        return "\n".join([reached, model, moved.format(**said, most=most)])


def refresh_forecaster(
    old: Forecaster, log: OutcomeLog, *, evidence: Evidence | None = None
) -> Refreshed:
    """Return a forecaster fitted again to a log that has grown.

    The model stays the one that was chosen, fitted to all that is there now, until the log has a
    tenth more courses than at the choice, or has gone on for a month. Raises RequestError if the
    evidence is not that of the old one, or the old one's promises hold and the new one's do not.
    """
    if fingerprint(log.courses) == old.log_summary.fingerprint:
        return Refreshed(old, {}, False)
    was, now = str(old.assessment.get("evidence", "")), str(evidence_name(evidence))
    if was and was != now:
        raise RequestError(
            f"The model rests on {was}, and this would rest on {now}.",
            "Give the same evidence, or fit anew.",
        )
    at = old.assessment.get(CHOSEN_AT) or [old.log_summary.n_courses, old.log_summary.last_start]
    anew = "model" not in old.assessment or len(log.courses) >= GROWN * at[0]
    last = log.courses["started_on"].max().date()
    anew = anew or not at[1] or (last - date.fromisoformat(at[1])).days >= MONTH
    keep = None if anew else str(old.assessment["model"])
    given: Any = {"goal": old.goal, "horizon": old.horizon, "seed": old.seed}
    given["extra"] = old.extra
    new = fit_forecaster(log, evidence=evidence, keep=keep, **given)
    if not anew:
        new = replace(new, assessment={**new.assessment, CHOSEN_AT: list(at)})
    if _fails(new) and not _fails(old) and assess_forecaster(old, log).verdict != "fails":
        raise RequestError(
            "The new model's own check fails and the old one's promises hold: nothing was changed.",
            "Look at what came in since with forecast check, and keep the old model meanwhile.",
        )
    return Refreshed(new, _changes(old, new, log), anew)


def _fails(forecaster: Forecaster) -> bool:
    found = forecaster.assessment.get("coverage")
    if not found:
        return False
    short = float(found["level"]) - float(found["tie_split"])
    return short > max(TWO_SIDED * float(found["tie_split_error"]), MARGIN)


def _changes(old: Forecaster, new: Forecaster, log: OutcomeLog) -> dict[str, Any]:
    latest = log.courses.sort_values("started_on", kind="stable").tail(LATEST)
    rows: list[dict[str, Any]] = latest.to_dict("records")  # type: ignore[assignment]
    asked = [enquiry_of(row, old.extra) for row in rows]
    beyond = old.horizon + 1
    medians = [
        np.array([one.estimate(enquiry).median or beyond for enquiry in asked])
        for one in (old, new)
    ]
    moved = medians[1] - medians[0]
    both = (old, new)
    coverage = [(one.assessment.get("coverage") or {}).get("tie_split") for one in both]
    return {
        "courses": [one.log_summary.n_courses for one in both],
        "reached": [told(one.log_summary.n_reached) for one in both],
        "model": [str(one.assessment.get("model", "published evidence only")) for one in both],
        "coverage": coverage,
        "latest": len(asked),
        "same": int((moved == 0).sum()),
        "largest": int(moved[np.abs(moved).argmax()]),
    }
