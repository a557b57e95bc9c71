"""Fit a forecaster to a clinic's own log: rows, model, recalibration, what it rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import HORIZON, MOST_TO_CHECK
from forecast._jobs import one_thread
from forecast._notes import problem_and_remedy
from forecast._plain import plain_rows, plain_values
from forecast.assess import (
    Assessment,
    Outcomes,
    Recalibration,
    assess_predictions,
    predict_left_out,
    recalibrate_out_of_fold,
    score_candidates,
)
from forecast.counts import FEW, FEWEST_LIGHTENED, Basis, evidence_name, of_goal
from forecast.errors import RequestError
from forecast.forecaster.forecaster import Forecaster
from forecast.midcourse import LAST_LANDMARK, Midcourse, fit_midcourse, usual_midcourse
from forecast.regimes import fit_strategies, regime_verdict
from forecast.survival import CountDistribution, Durations
from forecast.tattoo import GROUPINGS, groups_of

if TYPE_CHECKING:
    import pandas as pd

    from forecast._arrays import IntArray
    from forecast.assess import LeftOut
    from forecast.counts import Evidence
    from forecast.log import OutcomeLog
    from forecast.survival import CountModel

FEWEST_TO_CHECK = 10  # events below which folds say nothing
N_DRAWS = 50  # parameter draws behind an out-of-fold prediction


def fit_forecaster(
    log: OutcomeLog,
    *,
    goal: str = "clear",
    horizon: int = HORIZON,
    seed: int = 0,
    extra: Sequence[str] = (),
    evidence: Evidence | None = None,
) -> Forecaster:
    """Return a forecaster fitted to all courses of a log, finished and unfinished.

    Parameters
    ----------
    log : OutcomeLog
        As ``read_log`` returns it.
    goal : str
        ``clear``, or ``lighten`` (enough for a cover-up).
    horizon : int
        The last session an estimate speaks of.
    seed : int
        Of folds and parameter draws.
    extra : sequence of str
        Columns of the clinic's own among its courses, numbers or at most 20 levels, that say
        something of a tattoo before its first session. Each enters with a prior around none.
    evidence : PooledEvidence, optional
        What other clinics found together, in place of the published evidence.

    Raises
    ------
    RequestError
        If the goal is unknown or not that of the evidence, this log's own share is in the
        evidence, most finished courses needed more sessions than the horizon, or a column of
        ``extra`` is not there, free text, of persons or constant.
    DataError
        If no course of the log can be used.

    Examples
    --------
    >>> small = fit_forecaster(log.where(log.courses["body_site"] == "forearm"))
    >>> small.log_summary.n_courses, small.recalibration is None  # too few to check anything by
    (10, True)
    """
    with one_thread():
        given: Any = {"goal": goal, "horizon": horizon, "seed": seed, "extra": extra}
        basis = Basis.of(log, evidence=evidence, **given)
        check_not_its_own(evidence, log, goal)
        summary, part, durations = basis.summary, basis.part, basis.durations
        checked = None
        if summary.n_reached >= FEWEST_TO_CHECK:
            checked = Checked.of(basis.specs, *part, goal=goal, horizon=horizon, seed=seed)
        chosen = checked.chosen if checked else basis.published
        seen: Any = chosen.fit(durations) if len(durations) else basis.from_evidence
        model = seen
        if checked and checked.whole is not part[2]:
            again: Any = chosen.fit(checked.whole, seen)
            model = replace(again, notes=seen.notes)  # which are of what was seen
        midcourse = checked.midcourse if checked else None
        recalibration = checked.recalibration if checked else None
        if goal == "clear" and midcourse is None:
            midcourse = usual_midcourse(basis.log, basis.rows, steps=horizon)
        return Forecaster(
            model=model,
            seen=seen,
            evidence=basis.from_evidence if getattr(chosen, "prior", None) else None,
            stopping=basis.stopping(model, recalibration),
            recalibration=recalibration,
            midcourse=midcourse,
            strategies=fit_strategies(part[0], basis.filled, chosen) if goal == "clear" else {},
            regime_verdict=regime_verdict(part[0], seed=seed),
            log_summary=summary,
            goal=goal,
            horizon=horizon,
            seed=seed,
            assessment={
                **(checked.to_dict() if checked else {}),
                "contradicted": basis.contradicted_by(model),
                "evidence": str(evidence_name(evidence)),
            },
            notes=basis.notes,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What folds grouped by client say: which model, how to correct it, how good it then is."""

    chosen: CountModel  # the simplest candidate within one standard error of the best
    scores: pd.DataFrame  # one row per candidate
    recalibration: Recalibration  # fitted to all its out-of-fold predictions
    # Of predictions recalibrated by maps that did not see them; for the goal ``lighten`` of courses
    # that want it, None when too few of them got there.
    assessment: Assessment | None
    midcourse: Midcourse | None  # what gradings say; None with too few, and for ``lighten``
    whole: Durations  # what to fit to, see `carried_on`

    @classmethod
    def of(
        cls,
        models: tuple[CountModel, ...],
        log: OutcomeLog,
        rows: pd.DataFrame,
        durations: Durations,
        *,
        goal: str,
        horizon: int,
        seed: int,
    ) -> Checked:
        """Score the candidates on who was left out, choose, recalibrate and assess."""
        specs = {model.name: model for model in models}
        given: Any = {"n_draws": N_DRAWS, "horizon": horizon + LAST_LANDMARK}
        results = predict_left_out(models, durations, **given)
        scores = score_candidates(results)
        chosen = str(scores.set_index("chosen").loc[True, "model"])
        found = next(result for result in results if result.name == chosen)
        row, whole, law = np.arange(len(durations)), durations, None
        if goal == "clear" and len(durations) <= MOST_TO_CHECK:
            row, whole, law = carried_on(log, rows, durations, found, horizon=horizon)
        if whole is not durations:
            found = predict_left_out([specs[chosen]], whole, **given)[0]
        predicted = found.predicted
        assert predicted is not None  # who is chosen was fitted
        of = row[found.rows]
        by_all = groups_of(log.courses.iloc[of].itertuples(), sites=True)
        mapped = {name: by_all[name] for name in GROUPINGS}
        corrected_all, recalibration = recalibrate_out_of_fold(
            predicted, found.outcomes, groups=mapped, seed=seed
        )
        # each course once again, as it was seen
        at, first = np.unique(of, return_index=True)
        further = corrected_all[first]
        seen = Outcomes.from_durations(durations.take(at))
        by = {name: values[first] for name, values in by_all.items()}
        recalibration = replace(recalibration, n_paths=len(at), n_events=seen.n_events)
        midcourse = None
        if goal == "clear":
            said = recalibration.apply(predicted, groups=mapped)[first]
            midcourse = fit_midcourse(
                log, rows.iloc[at], said, horizon=horizon, seed=seed, near=law
            )
        corrected = CountDistribution(further.pmf[:, :horizon])
        own, assessment = of_goal(rows)[at], None
        wanted = seen.take(own)
        if goal == "lighten":  # learnt from all, but no surer than the courses that want it
            recalibration = replace(recalibration, n_events=max(wanted.n_events, 1))
        if goal == "clear" or wanted.n_events >= FEWEST_LIGHTENED:
            groups = {name: labels[own] for name, labels in by.items()}
            assessment = assess_predictions(corrected[own], wanted, groups=groups, seed=seed)
        return cls(specs[chosen], scores, recalibration, assessment, midcourse, whole)

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values: scores of every candidate, and what was found of the chosen."""
        chosen = {"model": self.chosen.name, "candidates": plain_rows(self.scores)}
        if self.assessment is None:
            return chosen
        return chosen | {
            "scores": plain_rows(self.assessment.scores),
            # what rests on fewer than five is not kept, for the file would tell of them
            "reliability": _of_five(self.assessment.reliability),
            "coverage": plain_values(asdict(self.assessment.coverage)),
            "subgroups": _of_five(self.assessment.subgroups),
            "messages": [str(note) for note in self.assessment.messages],
        }


def _of_five(counted: pd.DataFrame) -> list[dict[str, Any]]:
    return [row for row in plain_rows(counted) if not 0 < row["n_events"] <= FEW]


def carried_on(
    log: OutcomeLog, rows: pd.DataFrame, durations: Durations, found: LeftOut, *, horizon: int
) -> tuple[IntArray, Durations, Midcourse | None]:
    """Return durations in which stopped courses go on as their gradings say, and whose each is.

    And the law that says so: each stands at several steps instead, evenly weighted (multiple
    imputation). The same durations where the log's gradings are too few to say.
    """
    predicted = found.predicted
    assert predicted is not None
    scored = rows.iloc[found.rows]
    law = fit_midcourse(log, scored, predicted, horizon=horizon, seed=None)
    if law is None:
        return np.arange(len(durations)), durations, None
    which, step, cleared = law.completed(log, scored, predicted, horizon=horizon)
    stopped, times = found.rows[which], step.shape[1]
    others = np.setdiff1d(np.arange(len(durations)), stopped)
    row = np.concatenate([others, np.repeat(stopped, times)])
    share = np.where(np.arange(len(row)) < len(others), 1.0, 1 / times)
    whole = Durations(
        step=np.concatenate([durations.step[others], step.ravel()]),
        observed=np.concatenate([durations.observed[others], cleared.ravel()]),
        covariates=durations.covariates.iloc[row],
        subject=durations.subject[row],
        entry=durations.entry[row],
        weight=durations.weight[row] * share,
    )
    return row, whole, law


def check_not_its_own(evidence: Evidence | None, log: OutcomeLog, goal: str) -> None:
    """Raise RequestError when the evidence holds the share of this very log."""
    from forecast.sharing import is_member

    if evidence is not None and is_member(log, evidence.members, goal=goal):
        raise RequestError(*problem_and_remedy("refused.evidence_own"))
