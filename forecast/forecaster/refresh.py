"""A model learns from what came in since: moved with the log, or fitted anew; or refused.

The choice among models, the corrections, the law of courses under way, the models under strategies
and the check rest on hundreds of courses, and a day's rows hardly change them; the parameters they
do. So the parameters are fitted again, from where they stood, and the rest is taken over and said
to be, until the log has grown by a tenth or gone on for a month. What the stopped courses that were
carried on have done to the parameters is taken over too: these move as those of the fit to what was
seen move.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import LEVEL
from forecast._jobs import one_thread
from forecast._notes import Note, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.assess import Outcomes, interval_coverage
from forecast.counts import Basis, evidence_name, of_goal, told
from forecast.errors import RequestError
from forecast.forecaster.fit import check_not_its_own, fit_forecaster
from forecast.forecaster.promises import CHOSEN_AT, assess_forecaster, falls_short
from forecast.log import enquiry_of
from forecast.survival import FittedAcceleratedTime

if TYPE_CHECKING:
    from forecast.counts import Evidence
    from forecast.forecaster.forecaster import Forecaster
    from forecast.log import OutcomeLog

GROWN = 1.1  # times as many courses, or
MONTH = 30  # days on: all is done anew
WHEN = ("before", "now")
LATEST = 50  # courses of which old and new estimates are held against each other


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Refreshed(Result):
    """A model fitted again.

    Attributes
    ----------
    forecaster : Forecaster
        The new one; the old one where nothing is new.
    changed : mapping
        Pairs (old, new) of courses, those that reached the goal, model and coverage, how far the
        medians of the latest clients moved, and the courses and the last start at which choice,
        corrections and checks were made; empty where nothing is new.
    chosen_anew : bool
        Whether the model was chosen anew.
    """

    forecaster: Forecaster
    changed: Mapping[str, Any]
    chosen_anew: bool

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**self.changed, "chosen_anew": self.chosen_anew}

    def lines(self, language: str) -> list[str]:
        """Return what changed in words."""
        if not self.changed:
            return [sentence("refreshed.nothing")]
        said = dict(self.changed)
        for name in ("courses", "reached", "model"):
            said |= {f"{name}_{when}": one for when, one in zip(WHEN, said[name], strict=True)}
        at, day = said[CHOSEN_AT]
        how = Note("refreshed.anew" if self.chosen_anew else "refreshed.kept")
        way = "fewer" if said["largest"] < 0 else "more"
        most = Note(f"refreshed.{way}", values={"n": abs(said["largest"])})
        said |= {"how": replace(how, values={"at": at, "day": day}), "most": most}
        moved = "same" if said["same"] == said["latest"] else "moved"
        return [sentence(f"refreshed.{code}", said) for code in ("counts", "model", moved)]


def refresh_forecaster(
    old: Forecaster, log: OutcomeLog, *, evidence: Evidence | None = None, anew: bool = False
) -> Refreshed:
    """Return a forecaster fitted again to a log that has grown.

    The parameters are fitted to all that is there now. The choice among models, the corrections,
    what is said of courses under way and of strategies, and the check are those of ``old``, until
    the log has a tenth more courses than when these were made or fewer, has gone on for a month,
    or the intervals fall short of the log: then, or if ``anew``, all is done anew. Raises
    RequestError if the ``evidence`` is not that of the old one, or the old one's promises hold and
    the new one's do not.

    Examples
    --------
    >>> refresh_forecaster(forecaster, log).to_text()
    'Nothing new: the log holds the very courses that the model was fitted to.'
    """
    if log.fingerprint == old.log_summary.fingerprint:
        return Refreshed(old, {}, False)
    was, now = str(old.assessment.get("evidence", "")), str(evidence_name(evidence))
    if was and was != now:
        raise RequestError(*problem_and_remedy("refused.other_evidence", {"was": was, "now": now}))
    new = None if anew or _is_due(old, log) else _moved(old, log, evidence)
    if new is not None:
        return Refreshed(new, _changes(old, new, log), False)
    new = fit_forecaster(log, evidence=evidence, **_asked(old))
    if _fails(new) and not _fails(old) and assess_forecaster(old, log).verdict != "fails":
        raise RequestError(*problem_and_remedy("refused.refresh_fails"))
    return Refreshed(new, _changes(old, new, log), True)


def _asked(old: Forecaster) -> dict[str, Any]:
    return {"goal": old.goal, "horizon": old.horizon, "seed": old.seed, "extra": old.extra}


def _fails(forecaster: Forecaster) -> bool:
    found = forecaster.assessment.get("coverage") or {}
    return bool(found) and falls_short(found)


def _chosen_at(forecaster: Forecaster) -> list[Any]:
    summary = forecaster.log_summary
    return list(forecaster.assessment.get(CHOSEN_AT) or (summary.n_courses, summary.last_start))


def _is_due(old: Forecaster, log: OutcomeLog) -> bool:
    at, day = _chosen_at(old)
    if not old.log_summary.n_courses <= len(log.courses) < GROWN * at or not day:
        return True
    return bool((log.courses["started_on"].max().date() - date.fromisoformat(day)).days >= MONTH)


# The old one with its parameters fitted again. None where that cannot be done, or its intervals
# fall short even of the courses that it was fitted to, which flatters.
def _moved(old: Forecaster, log: OutcomeLog, evidence: Evidence | None) -> Forecaster | None:
    with one_thread():
        basis = Basis.of(log, evidence=evidence, **_asked(old))
        check_not_its_own(evidence, log, old.goal)
        chosen = [one for one in basis.specs if one.name == old.assessment.get("model")]
        seen = chosen[0].fit(basis.durations, old.seen) if chosen and old.seen else None
        fits = (old.model, old.seen, seen)
        accelerated = [one for one in fits if isinstance(one, FittedAcceleratedTime)]
        if len(accelerated) < len(fits) or len({one.parameter_names for one in accelerated}) > 1:
            return None
        model = accelerated[0].moved(*accelerated[1:])
        against = basis.contradicted_by(model)
        new = replace(
            old,
            model=model,
            seen=seen,
            stopping=basis.stopping(model, old.recalibration),
            log_summary=basis.summary,
            assessment={**old.assessment, "contradicted": against, CHOSEN_AT: _chosen_at(old)},
            notes=basis.notes,
        )
        return None if _misses(new, basis) else new


def _misses(forecaster: Forecaster, basis: Basis) -> bool:
    _, rows, durations = basis.part
    predicted = basis.predicted(forecaster.model, forecaster.recalibration)
    own = of_goal(rows)
    outcomes = Outcomes.from_durations(durations).take(own)
    return falls_short(asdict(interval_coverage(predicted[own], outcomes, level=LEVEL)))


def _changes(old: Forecaster, new: Forecaster, log: OutcomeLog) -> dict[str, Any]:
    latest = log.courses.sort_values("started_on", kind="stable").tail(LATEST)
    rows: list[dict[str, Any]] = latest.to_dict("records")  # type: ignore[assignment]
    asked = [enquiry_of(row, old.extra) for row in rows]
    beyond = old.horizon + 1
    both = (old, new)
    medians = [np.minimum(one.counts_here(asked).median(), beyond) for one in both]
    moved = medians[1] - medians[0]
    return {
        "courses": [one.log_summary.n_courses for one in both],
        "reached": [told(one.log_summary.n_reached) for one in both],
        "model": [str(one.assessment.get("model", "published evidence only")) for one in both],
        "coverage": [(one.assessment.get("coverage") or {}).get("tie_split") for one in both],
        CHOSEN_AT: _chosen_at(new),
        "latest": len(asked),
        "same": int((moved == 0).sum()),
        "largest": int(moved[np.abs(moved).argmax()]),
    }
