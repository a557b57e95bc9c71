"""From a log to a forecaster, again from one that has grown, and to any number with its error.

The choice among models, the corrections, the law of courses under way, the models under strategies
and the check rest on hundreds of courses, and a day's rows hardly change them; the parameters they
do. So the parameters are fitted again, from where they stood, and the rest is taken over and said
to be, until the log has grown by a tenth or gone on for a month. What the stopped courses that were
carried on have done to the parameters is taken over too: these move as those of the fit to what was
seen move.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import date
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import IntArray, cluster_counts
from forecast._checks import (
    HORIZON,
    LEVEL,
    MOST_TO_CHECK,
    check_level,
    check_seed,
    check_whole_number,
)
from forecast._jobs import one_thread
from forecast._notes import Note, problem_and_remedy, sentence
from forecast._plain import Result, plain, plain_rows, plain_values
from forecast.assess import (
    LeftOut,
    Outcomes,
    Recalibration,
    assess_predictions,
    interval_coverage,
    predict_left_out,
    recalibrate_out_of_fold,
    score_candidates,
)
from forecast.counts import FEW, FEWEST_LIGHTENED, Basis, Evidence, evidence_name, of_goal, told
from forecast.errors import DataError, ForecastError, RequestError
from forecast.forecaster.forecaster import Forecaster
from forecast.forecaster.promises import CHOSEN_AT, assess_forecaster, falls_short
from forecast.log import OutcomeLog, check_log, enquiry_of
from forecast.midcourse import LAST_LANDMARK, Midcourse, fit_midcourse, usual_midcourse
from forecast.regimes import LEAST_CLIENTS, fit_strategies, regime_verdict
from forecast.survival import CountDistribution, CountModel, Durations, FittedAcceleratedTime
from forecast.tattoo import GROUPINGS, groups_of

if TYPE_CHECKING:
    import pandas as pd

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
        If no course of the log can be used, or all of many finished ones are of one client.

    Examples
    --------
    >>> small = fit_forecaster(log.where(log.courses["body_site"] == "forearm"))
    >>> small.log_summary.n_courses, small.recalibration is None  # too few to check anything by
    (10, True)
    """
    with one_thread():
        given: Any = {"goal": goal, "horizon": horizon, "seed": seed}
        basis = _basis_of(log, evidence, {**given, "extra": extra})
        summary, part, durations = basis.summary, basis.part, basis.durations
        chosen, whole, recalibration, midcourse = basis.specs[0], part[2], None, None
        found: dict[str, Any] = {}
        if summary.n_reached >= FEWEST_TO_CHECK:
            if len(set(part[0].courses["client_id"])) < 2:
                raise DataError(*problem_and_remedy("refused.one_client"))
            chosen, whole, recalibration, midcourse, found = _checked(basis.specs, *part, **given)
        seen: Any = chosen.fit(durations) if len(durations) else basis.from_evidence
        model = seen
        if whole is not part[2]:
            again: Any = chosen.fit(whole, seen)
            model = replace(again, notes=seen.notes)  # which are of what was seen
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
                **found,
                "contradicted": basis.contradicted_by(model),
                "evidence": sorted(evidence.members) if evidence else [],
            },
            notes=basis.notes,
        )


# What a log gives to fit to, with evidence that does not hold the share of this very log.
def _basis_of(log: OutcomeLog, evidence: Evidence | None, asked: dict[str, Any]) -> Basis:
    from forecast.sharing import is_member

    basis = Basis.of(log, evidence=evidence, **asked)
    if evidence is not None and is_member(log, evidence.members, goal=asked["goal"]):
        raise RequestError(*problem_and_remedy("refused.evidence_own"))
    return basis


# What clients left out of the fit say: the simplest candidate within one standard error of the
# best, what to fit it to (see `_carried_on`), its correction, learnt from all predictions; what
# gradings say, None with too few and for ``lighten``; and how good it is, as plain JSON values.
# That is of predictions recalibrated by maps that did not see them, for the goal ``lighten`` of
# courses that want it, and left out when too few of them got there.
def _checked(
    models: tuple[CountModel, ...],
    log: OutcomeLog,
    rows: pd.DataFrame,
    durations: Durations,
    *,
    goal: str,
    horizon: int,
    seed: int,
) -> tuple[CountModel, Durations, Recalibration, Midcourse | None, dict[str, Any]]:
    given: Any = {"n_draws": N_DRAWS, "horizon": horizon + LAST_LANDMARK}
    results = predict_left_out(models, durations, **given)
    scores = score_candidates(results)
    name = str(scores.set_index("chosen").loc[True, "model"])
    chosen = next(model for model in models if model.name == name)
    found = next(result for result in results if result.name == name)
    row, whole, law = np.arange(len(durations)), durations, None
    if goal == "clear" and len(durations) <= MOST_TO_CHECK:
        row, whole, law = _carried_on(log, rows, durations, found, horizon=horizon)
    if whole is not durations:
        found = predict_left_out([chosen], whole, **given)[0]
    predicted = found.predicted
    assert predicted is not None  # who is chosen was fitted
    of = row[found.rows]
    by = groups_of(log.courses.iloc[of].itertuples(), sites=True)
    mapped = {factor: by[factor] for factor in GROUPINGS}
    corrected, recalibration = recalibrate_out_of_fold(
        predicted, found.outcomes, groups=mapped, seed=seed
    )
    # each course once again, as it was seen
    at, first = np.unique(of, return_index=True)
    seen = Outcomes.from_durations(durations.take(at))
    recalibration = replace(recalibration, n_paths=len(at), n_events=seen.n_events)
    midcourse = None
    if goal == "clear":
        said = recalibration.apply(predicted, groups=mapped)[first]
        midcourse = fit_midcourse(log, rows.iloc[at], said, horizon=horizon, seed=seed, near=law)
    own = of_goal(rows)[at]
    wanted, judged = seen.take(own), first[own]
    if goal == "lighten":  # learnt from all, but no surer than the courses that want it
        recalibration = replace(recalibration, n_events=max(wanted.n_events, 1))
    said_of: dict[str, Any] = {"model": name, "candidates": plain_rows(scores)}
    if goal == "clear" or wanted.n_events >= FEWEST_LIGHTENED:
        groups = {factor: labels[judged] for factor, labels in by.items()}
        told_to = CountDistribution(corrected.pmf[judged, :horizon])
        assessment = assess_predictions(told_to, wanted, groups=groups, seed=seed)
        said_of |= {
            "scores": plain_rows(assessment.scores),
            # what rests on fewer than five is not kept, for the file would tell of them
            "reliability": _of_five(assessment.reliability),
            "coverage": plain_values(asdict(assessment.coverage)),
            "subgroups": _of_five(assessment.subgroups),
        }
    return chosen, whole, recalibration, midcourse, said_of


def _of_five(counted: pd.DataFrame) -> list[dict[str, Any]]:
    return [row for row in plain_rows(counted) if not 0 < row["n_events"] <= FEW]


# Whose each row is of durations in which stopped courses go on as their gradings say, those
# durations, and the law that says so: each such course stands at several steps instead, evenly
# weighted (multiple imputation). The same durations where the log's gradings are too few to say.
def _carried_on(
    log: OutcomeLog, rows: pd.DataFrame, durations: Durations, found: LeftOut, *, horizon: int
) -> tuple[IntArray, Durations, Midcourse | None]:
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
    whole = replace(
        durations.take(row),
        step=np.concatenate([durations.step[others], step.ravel()]),
        observed=np.concatenate([durations.observed[others], cleared.ravel()]),
        weight=durations.weight[row] * share,
    )
    return row, whole, law


GROWN = 1.1  # times as many courses, or
MONTH = 30  # days on: all is done anew
LATEST = 50  # courses of which old and new estimates are held against each other


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Refreshed(Result):
    """A model fitted again; the old ``forecaster`` where nothing is new.

    ``changed`` has pairs (old, new) of courses, those that reached the goal, model and coverage,
    how far the medians of the latest clients moved, and the courses and the last start at which
    choice, corrections and checks were made; it is empty where nothing is new.
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
            said[f"{name}_before"], said[f"{name}_now"] = said[name]
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
    members = sorted(evidence.members) if evidence else []
    was = old.assessment.get("evidence", members)
    if was != members:
        values = {"was": evidence_name(was), "now": evidence_name(members)}
        raise RequestError(*problem_and_remedy("refused.other_evidence", values))
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
        basis = _basis_of(log, evidence, _asked(old))
        chosen = [one for one in basis.specs if one.name == old.assessment.get("model")]
        seen = chosen[0].fit(basis.durations, old.seen) if chosen and old.seen else None
        fits = (old.model, old.seen, seen)
        accelerated = [one for one in fits if isinstance(one, FittedAcceleratedTime)]
        if len(accelerated) < len(fits) or len({one.parameter_names for one in accelerated}) > 1:
            return None
        model = accelerated[0].moved(*accelerated[1:])
        _, rows, durations = basis.part
        own = of_goal(rows)
        predicted = basis.predicted(model, old.recalibration)[own]
        outcomes = Outcomes.from_durations(durations).take(own)
        if falls_short(asdict(interval_coverage(predicted, outcomes, level=LEVEL))):
            return None
        against = basis.contradicted_by(model)
        return replace(
            old,
            model=model,
            seen=seen,
            stopping=basis.stopping(model, old.recalibration),
            log_summary=basis.summary,
            assessment={**old.assessment, "contradicted": against, CHOSEN_AT: _chosen_at(old)},
            notes=basis.notes,
        )


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
        "model": [str(one.assessment.get("model", "published_evidence_only")) for one in both],
        "coverage": [(one.assessment.get("coverage") or {}).get("tie_split") for one in both],
        CHOSEN_AT: _chosen_at(new),
        "latest": len(asked),
        "same": int((moved == 0).sum()),
        "largest": int(moved[np.abs(moved).argmax()]),
    }


IDS = ("course_id", "client_id", "tattoo_id")


@dataclass(frozen=True, slots=True)
class Bootstrap:
    """A statistic of a log, its ``estimate``, with an interval over resamples of its ``clients``.

    The ``interval`` is the middle ``level`` of the ``replicates``, ``error`` their standard
    deviation. Both are None where clients are fewer than 20, where fewer than 9 of 10 gave a
    number, or where all gave the same. Of those ``unanswered`` it was no number or not to be had.
    """

    estimate: float
    interval: tuple[float, float] | tuple[None, None]
    level: float
    error: float | None
    replicates: int
    unanswered: int
    clients: int

    def to_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        return dict(plain(self))


def bootstrap(
    log: OutcomeLog,
    statistic: Callable[[OutcomeLog], float],
    *,
    replicates: int = 200,
    level: float = 0.95,
    seed: int = 0,
) -> Bootstrap:
    """Return a statistic of a log with its interval, clients drawn anew with all of theirs.

    Parameters
    ----------
    log : OutcomeLog
    statistic : callable
        Takes a log, gives a number. A client drawn twice stands in that log as two.
    replicates : int
        Resamples, at least 10.
    level : float
        Of the interval.
    seed : int
        Of the resamples.

    Raises
    ------
    RequestError
        If the statistic of the log itself is no finite number.

    Examples
    --------
    >>> found = bootstrap(log, lambda one: one.courses["sessions_given"].mean(), replicates=10)
    >>> found.interval[0] < found.estimate < found.interval[1], found.clients
    (True, 125)
    """
    replicates = check_whole_number(replicates, name="replicates", low=10)
    tail = (1 - check_level(level)) / 2
    estimate = _number(statistic(check_log(log)))
    if estimate is None:
        raise RequestError(*problem_and_remedy("refused.no_statistic"))
    clients = np.unique(log.courses["client_id"].to_numpy(dtype=str), return_inverse=True)[1]
    size = int(clients.max()) + 1
    found = []
    for times in cluster_counts(size, replicates, seed=check_seed(seed)):
        with suppress(ForecastError):
            found.append(_number(statistic(_drawn(log, times[clients]))))
    numbers = [one for one in found if one is not None]
    enough = size >= LEAST_CLIENTS and len(numbers) >= 0.9 * replicates
    spread = float(np.std(numbers, ddof=1)) if enough else 0.0
    ends = np.quantile(numbers, [tail, 1 - tail]).tolist() if spread else (None, None)
    return Bootstrap(
        estimate=estimate,
        interval=(ends[0], ends[1]),
        level=level,
        error=spread or None,
        replicates=replicates,
        unanswered=replicates - len(numbers),
        clients=size,
    )


def _number(value: Any) -> float | None:
    if isinstance(value, int | float | np.number) and isfinite(value):
        return float(value)
    return None


# The log with each course so many times, each copy a course of a client of its own.
def _drawn(log: OutcomeLog, times: IntArray) -> OutcomeLog:
    courses = log.courses.loc[log.courses.index.repeat(times)]
    copy = courses.groupby(level=0).cumcount().to_numpy()
    courses = courses.reset_index(drop=True)
    tag = np.where(copy > 0, np.char.add("~", copy.astype(str)), "")
    ids = {
        name: courses[name].where(courses[name].isna(), courses[name].astype(str) + tag)
        for name in IDS
    }
    renamed = courses[["course_id"]].assign(new=ids["course_id"])

    def copied(table: pd.DataFrame) -> pd.DataFrame:
        rows = renamed.merge(table, on="course_id")
        return rows.assign(course_id=rows["new"])[table.columns]

    return replace(
        log,
        courses=courses.assign(**ids),
        sessions=copied(log.sessions),
        gradings=copied(log.gradings),
        reactions=copied(log.reactions),
    )
