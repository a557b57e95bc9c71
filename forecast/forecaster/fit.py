"""Fit a forecaster to a clinic's own log: rows, model, recalibration, what it rests on."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import HORIZON, MOST_TO_CHECK, check_kind, check_seed, check_whole_number
from forecast._jobs import one_thread
from forecast._notes import problem_and_remedy
from forecast._plain import plain_rows, plain_values
from forecast.assess import (
    Assessment,
    Outcomes,
    Recalibration,
    assess_predictions,
    choose,
    predict_left_out,
    recalibrate_out_of_fold,
    score_candidates,
)
from forecast.counts import (
    FEW,
    FEWEST_LIGHTENED,
    LIGHTEN,
    Evidence,
    LogSummary,
    Stopping,
    by_contents,
    candidates,
    check_goal,
    contradicted,
    course_rows,
    durations_of,
    evidence_model,
    evidence_name,
    extra_columns,
    fill_missing,
    fit_notes,
    fit_stopping,
    length_of,
    of_goal,
    to_clearing,
    with_extra,
    with_width,
)
from forecast.errors import DataError, RequestError
from forecast.forecaster.forecaster import Forecaster
from forecast.log import check_log, judged_part, some_clients, suspicions
from forecast.midcourse import LAST_LANDMARK, Midcourse, fit_midcourse, usual_midcourse
from forecast.regimes import fit_strategies, regime_verdict
from forecast.survival import CountDistribution, Durations, FittedAcceleratedTime
from forecast.tattoo import GROUPINGS, groups_of

if TYPE_CHECKING:
    import numpy.typing as npt
    import pandas as pd

    from forecast._types import IntArray
    from forecast.assess import LeftOut
    from forecast.log import OutcomeLog
    from forecast.survival import CountModel, FittedCountModel

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
    >>> fit_forecaster(log).horizon
    25
    """
    with one_thread():
        basis = Basis.of(log, goal, horizon, seed, extra, evidence)
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
        filled = fill_missing(part[1], summary.means)[["course_id", *summary.means]]
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
            strategies=fit_strategies(part[0], filled, chosen) if goal == "clear" else {},
            regime_verdict=regime_verdict(part[0], seed=seed),
            log_summary=summary,
            goal=goal,
            horizon=horizon,
            seed=seed,
            assessment={
                **(checked.to_dict() if checked else {}),
                "contradicted": against_evidence(model, basis.from_evidence),
                "evidence": str(evidence_name(evidence)),
            },
            notes=(*suspicions(log), *fit_notes(summary, evidence)),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """What a log gives to fit to."""

    summary: LogSummary  # of all courses
    log: OutcomeLog  # courses whose result is known
    rows: pd.DataFrame  # the same as model rows
    durations: Durations  # and as a count model takes them
    # the same of the clients that are looked at again and again, all in most logs
    part: tuple[OutcomeLog, pd.DataFrame, Durations]
    published: CountModel  # the model with the evidence as its prior
    from_evidence: FittedAcceleratedTime  # what that says with no log
    specs: tuple[CountModel, ...]  # the candidates
    horizon: int

    @classmethod
    def of(
        cls,
        log: OutcomeLog,
        goal: str,
        horizon: int,
        seed: int,
        extra: Sequence[str],
        evidence: Evidence | None,
    ) -> Basis:
        """Return what a log gives, checked as ``fit_forecaster`` says."""
        rows = checked_rows(log, goal, horizon, seed)
        own = extra_columns(log, extra)
        rows = with_extra(rows, log, own)
        if evidence is not None:
            check_evidence(evidence, log, goal)
        summary = LogSummary.of(log, rows, own)
        log, rows = judged_part(log, rows)
        rows = by_contents(rows)
        names = [name for one in own for name in one.names]
        published: Any = with_width(evidence_model(goal, evidence), names)
        # the log's mean stands in for a missing covariate
        fills = {**summary.means, **({LIGHTEN: None} if LIGHTEN in rows else {})}
        durations = durations_of(rows, fills)
        specs = candidates(goal, n_events=int(durations.observed.sum()), evidence=evidence)
        return cls(
            summary, log, rows, durations, some_clients(log, rows, durations, seed=seed),
            published, published.from_prior(tuple(fills)),
            tuple(with_width(one, names) for one in specs), horizon,
        )  # fmt: skip

    def predicted(
        self, model: FittedCountModel, recalibration: Recalibration | None
    ) -> CountDistribution:
        """Return what a model expects of the clients of ``part``, recalibrated."""
        log, _, durations = self.part
        found = model.predict(durations.covariates, self.horizon)
        if recalibration is None:
            return found
        return recalibration.apply(found, groups=groups_of(log.courses.itertuples()))

    def stopping(self, model: FittedCountModel, recalibration: Recalibration | None) -> Stopping:
        """Return when clients stop, by the sessions that a model expects of them."""
        _, rows, durations = self.part
        lengths = length_of(model.predict(to_clearing(durations.covariates), self.horizon))
        return fit_stopping(rows, lengths, self.predicted(model, recalibration).pmf)


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
        chosen = choose(scores)
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
        own = None if goal == "clear" else of_goal(rows)[at]
        if own is not None:  # learnt from all, but no surer than the courses that want it
            recalibration = replace(recalibration, n_events=max(seen.take(own).n_events, 1))
        assessment = assess_own(corrected, seen, by, own, seed=seed)
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
    log: OutcomeLog,
    rows: pd.DataFrame,
    durations: Durations,
    found: LeftOut,
    *,
    horizon: int,
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


def assess_own(
    corrected: CountDistribution,
    outcomes: Outcomes,
    by: Mapping[str, npt.NDArray[np.object_]],
    own: npt.NDArray[np.bool_] | None,
    *,
    seed: int,
) -> Assessment | None:
    """Return the assessment on all courses, or on those that want lightening if enough do."""
    if own is None:
        return assess_predictions(corrected, outcomes, groups=by, seed=seed)
    if outcomes.take(own).n_events < FEWEST_LIGHTENED:
        return None
    some = {name: labels[own] for name, labels in by.items()}
    return assess_predictions(corrected[own], outcomes.take(own), groups=some, seed=seed)


def check_evidence(evidence: Evidence, log: OutcomeLog, goal: str) -> None:
    """Raise RequestError when the evidence is of another goal or holds this log itself."""
    from forecast.sharing import is_member

    check_kind(
        evidence, Evidence, name="evidence", give="what pool_shares or load_evidence returns"
    )
    if evidence.goal != goal:
        values = {"other": evidence.goal, "goal": goal}
        raise RequestError(*problem_and_remedy("refused.evidence_goal", values))
    if is_member(log, evidence.members, goal=goal):
        raise RequestError(*problem_and_remedy("refused.evidence_own"))


def checked_rows(log: OutcomeLog, goal: str, horizon: int, seed: int) -> pd.DataFrame:
    """Return the model's rows of a log, or say why nothing can be fitted to them."""
    horizon = check_whole_number(horizon, name="horizon", low=2, high=100)
    check_seed(seed)
    rows = course_rows(check_log(log), goal=check_goal(goal))
    if not len(rows):
        raise DataError(*problem_and_remedy("refused.nothing_to_fit"))
    check_horizon(rows, horizon)
    return rows


def check_horizon(rows: pd.DataFrame, horizon: int) -> None:
    """Raise RequestError when the horizon lies under the bulk of the log's own counts."""
    needed = (rows["step"] - rows["entry"])[rows["observed"] & of_goal(rows)]
    if len(needed) and needed.median() > horizon:
        values = {"horizon": horizon, "least": math.ceil(needed.quantile(0.9))}
        raise RequestError(*problem_and_remedy("refused.horizon", values))


def against_evidence(
    model: FittedCountModel, evidence: FittedAcceleratedTime
) -> list[dict[str, float | str]]:
    """Return the published effects that the fitted model speaks against."""
    if not isinstance(model, FittedAcceleratedTime):
        return []
    known = [
        dict(zip(one.parameter_names, zip(one.theta, one.errors, strict=True), strict=True))
        for one in (model, evidence)
    ]
    published = {name: effect for name, effect in known[1].items() if "extra." not in name}
    return contradicted(known[0], published)
