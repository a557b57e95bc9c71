"""What a log gives to fit a count model to: rows, of a large log a part, candidates, evidence."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import (
    HORIZON,
    MOST_TO_CHECK,
    check_kind,
    check_seed,
    check_whole_number,
    nearest,
)
from forecast._notes import Note, problem_and_remedy
from forecast.counts.attributes import (
    LIGHTEN,
    NEVER_COVARIATES,
    SHAPE,
    Evidence,
    ExtraColumn,
    duration_prior,
)
from forecast.counts.doubts import fit_notes
from forecast.counts.estimate import Stopping, fit_stopping, length_of, to_clearing
from forecast.counts.log_summary import LogSummary
from forecast.counts.rows import (
    FEWEST_ALIKE,
    FEWEST_FOR_DATA_ALONE,
    FEWEST_WITH_LEVEL,
    by_contents,
    check_goal,
    course_rows,
    durations_of,
    fill_missing,
    is_judged,
    of_goal,
)
from forecast.errors import DataError, RequestError
from forecast.log import check_log, column_names, masked, normal_heading
from forecast.survival import AcceleratedTime, FittedAcceleratedTime, LifeTable
from forecast.tattoo import groups_of

if TYPE_CHECKING:
    import pandas as pd

    from forecast.assess import Recalibration
    from forecast.log import OutcomeLog
    from forecast.survival import CountDistribution, CountModel, Durations, FittedCountModel


CONTRADICTS = 2.5  # standard deviations
# Of each level of a column of the clinic's own, and of a standard deviation of its numbers, around
# none: half the root mean square of the published effects (0.47), for what nobody has published on
# is likelier to say little. On invented logs of 150 courses 0.40 gained no more where it says much.
WIDTH = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """What a log gives to fit to.

    Attributes
    ----------
    summary : LogSummary
        Of all courses.
    log, rows : OutcomeLog, DataFrame
        The n courses whose result is known, and their rows as `course_rows` has them.
    durations : Durations
        What a count model takes of them, a row for each.
    part : tuple of OutcomeLog, DataFrame and Durations
        The same of the clients that are looked at again and again: all, in most logs.
    from_evidence : FittedAcceleratedTime
        What the first candidate, whose prior is the evidence, says with no log.
    specs : tuple of CountModel
        The candidates, from the most trusted on.
    notes : tuple of Note
        What every answer says that rests on the log.
    horizon : int
        The last session that answers go up to.

    Examples
    --------
    >>> basis = Basis.of(log)
    >>> len(basis.log.courses), [spec.name for spec in basis.specs][-1]
    (145, 'life table')
    """

    summary: LogSummary
    log: OutcomeLog
    rows: pd.DataFrame
    durations: Durations
    part: tuple[OutcomeLog, pd.DataFrame, Durations]
    from_evidence: FittedAcceleratedTime
    specs: tuple[CountModel, ...]
    notes: tuple[Note, ...]
    horizon: int

    @classmethod
    def of(
        cls,
        log: OutcomeLog,
        *,
        goal: str = "clear",
        horizon: int = HORIZON,
        seed: int = 0,
        extra: Sequence[str] = (),
        evidence: Evidence | None = None,
    ) -> Basis:
        """Return what a log gives, checked as ``fit_forecaster`` says."""
        whole, rows = log, checked_rows(log, goal, horizon, seed)
        own = extra_columns(log, extra)
        found: dict[str, FloatArray] = {}
        for one in own:
            found |= one.covariates(log.courses[one.name])
        rows = rows.assign(**found)
        if evidence is not None:
            give = "what pool_shares or load_evidence returns"
            check_kind(evidence, Evidence, name="evidence", give=give)
            if evidence.goal != goal:
                values = {"goal": evidence.goal, "asked": goal}
                raise RequestError(*problem_and_remedy("refused.evidence_goal", values))
        summary = LogSummary.of(log, rows, own)
        judged = is_judged(rows)
        if not judged.all():  # of some courses no result is known yet
            log, rows = log.part(np.flatnonzero(judged)), rows[judged].reset_index(drop=True)
        rows = by_contents(rows)
        names = [name for one in own for name in one.names]
        # the log's mean stands in for a missing covariate
        fills = {**summary.means, **({LIGHTEN: None} if LIGHTEN in rows else {})}
        durations = durations_of(rows, fills)
        n_events = int(durations.observed.sum())
        specs: Any = candidates(goal, n_events=n_events, evidence=evidence, own=names)
        return cls(
            summary, log, rows, durations, some_clients(log, rows, durations, seed=seed),
            specs[0].from_prior(tuple(fills)), specs,
            (*whole.suspicions, *fit_notes(summary, evidence)), horizon,
        )  # fmt: skip

    @property
    def filled(self) -> pd.DataFrame:
        """The rows of ``part`` by course, each covariate filled."""
        means = self.summary.means
        return fill_missing(self.part[1], means)[["course_id", *means]]

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

    def contradicted_by(self, model: FittedCountModel) -> list[dict[str, float | str]]:
        """Return the published effects that a fitted model speaks against."""
        if not isinstance(model, FittedAcceleratedTime):
            return []
        known = [
            dict(zip(one.parameter_names, zip(one.theta, one.errors, strict=True), strict=True))
            for one in (model, self.from_evidence)
        ]
        published = {name: effect for name, effect in known[1].items() if "extra." not in name}
        return contradicted(known[0], published)


def checked_rows(log: OutcomeLog, goal: str, horizon: int, seed: int) -> pd.DataFrame:
    """Return the model's rows of a log, or say why nothing can be fitted to them."""
    horizon = check_whole_number(horizon, name="horizon", low=2, high=100)
    check_seed(seed)
    rows = course_rows(check_log(log), goal=check_goal(goal))
    if not len(rows):
        raise DataError(*problem_and_remedy("refused.nothing_to_fit"))
    needed = (rows["step"] - rows["entry"])[rows["observed"] & of_goal(rows)]
    # the horizon may not lie under the bulk of the log's own counts
    if len(needed) and needed.median() > horizon:
        values = {"horizon": horizon, "least": math.ceil(needed.quantile(0.9))}
        raise RequestError(*problem_and_remedy("refused.horizon", values))
    return rows


def some_clients(
    log: OutcomeLog, rows: pd.DataFrame, durations: Durations, *, seed: int
) -> tuple[OutcomeLog, pd.DataFrame, Durations]:
    """Return the log, its model rows and durations, of clients drawn until there are enough.

    Whole clients are drawn, by ``seed``, up to `MOST_TO_CHECK` courses; a smaller log comes back as
    it is.
    """
    if len(rows) <= MOST_TO_CHECK:
        return log, rows, durations
    clients, of_row = np.unique(rows["client_id"].to_numpy().astype(str), return_inverse=True)
    place = np.random.default_rng([seed, 11]).permutation(len(clients))
    courses = np.bincount(of_row)
    taken = np.cumsum(courses[place]) <= MOST_TO_CHECK
    chosen = np.zeros(len(clients), dtype=bool)
    chosen[place[taken]] = True
    keep = np.flatnonzero(chosen[of_row])
    return log.part(keep), rows.iloc[keep].reset_index(drop=True), durations.take(keep)


def extra_columns(log: OutcomeLog, names: Sequence[str]) -> tuple[ExtraColumn, ...]:
    """Return how the columns ``names`` of a log's courses enter the model."""
    if isinstance(names, str):
        raise RequestError(*problem_and_remedy("refused.extra_one", {"given": names}))
    return tuple(_learnt(log, name) for name in dict.fromkeys(map(normal_heading, names)))


def _learnt(log: OutcomeLog, name: str) -> ExtraColumn:
    if wrong := _wrong_heading(log, name):
        raise RequestError(*wrong)
    cells = log.courses[name].dropna()
    if len(cells) < FEWEST_WITH_LEVEL:
        values = {"name": name, "n": len(cells), "least": FEWEST_WITH_LEVEL}
        raise RequestError(*problem_and_remedy("refused.extra_few", values))
    if cells.dtype.kind == "f":
        low, middle, high = np.quantile(cells, [0.16, 0.5, 0.84]).tolist()
        # half a usual range, or the standard deviation where most are alike
        spread = (high - low) / 2 or float(cells.std())
        found = ExtraColumn(name, (), float(f"{middle:.3g}"), float(f"{spread:.3g}"))
    else:
        counts = cells.value_counts()
        kept = sorted(map(str, counts.index[counts >= FEWEST_ALIKE]))
        if sum(masked(level) != level for level in map(str, counts.index)) >= len(counts) / 2:
            raise RequestError(*problem_and_remedy("refused.extra_person", {"name": name}))
        found = ExtraColumn(name, tuple(kept), spread=float(len(kept) > 1))
    if not found.spread > 0:
        values = {"name": name, "least": FEWEST_ALIKE}
        raise RequestError(*problem_and_remedy("refused.extra_alike", values))
    return found


def _wrong_heading(log: OutcomeLog, name: str) -> tuple[str, ...]:
    known = column_names("courses")
    own = [one for one in log.courses.columns if one not in known]
    if name in known:
        return problem_and_remedy("refused.extra_known", {"name": name})
    if name in own:
        return ()
    if name in map(normal_heading, log.report.extra_columns.get("courses", ())):
        return problem_and_remedy("refused.extra_text", {"name": name})
    values = {"name": name, "known": own or "none", "hint": nearest(name, own)}
    return problem_and_remedy("refused.extra_absent", values)


def contradicted(
    estimates: Mapping[str, tuple[float, float]], evidence: Mapping[str, tuple[float, float]]
) -> list[dict[str, float | str]]:
    """Return the priors that the log speaks against.

    ``estimates`` and ``evidence`` are mean and standard deviation of each parameter, after the log
    was seen and before. With Gaussian prior and likelihood, what the estimate moved by has variance
    prior less posterior under the prior; beyond 2.5 standard deviations it is reported, as
    ``parameter``, ``prior``, ``posterior`` and ``z``.
    """
    found: list[dict[str, float | str]] = []
    for name, (mean, spread) in evidence.items():
        after, left = estimates.get(name, (mean, spread))
        learnt = spread**2 - left**2
        if learnt <= 0:
            continue
        z = (after - mean) / learnt**0.5
        if abs(z) > CONTRADICTS:
            moved = {"prior": round(mean, 3), "posterior": round(after, 3), "z": round(z, 1)}
            found.append({"parameter": name, **moved})
    return found


# Of the cure mixture: a standard deviation of 0.5 on each log hazard ratio (most published ones
# are smaller), brought to the log duration by the Weibull shape; of what each covariate adds to the
# logit of the never share; and, for that share itself, two thirds between 0.02 and 0.5.
RIDGE = 4.0
SHARE_EFFECT = (0.0, RIDGE**-0.5)
SHARE_PRIOR = {"never": (-2.0, 2.0), "log_scale": (0.0, 1.0)}


def candidates(
    goal: str = "clear", *, n_events: int, evidence: Evidence | None = None, own: Sequence[str] = ()
) -> tuple[CountModel, ...]:
    """Return the candidate specifications for a log with ``n_events`` events, as they are trusted.

    First those with published evidence as their prior, or ``evidence`` in its place; they allow
    for a share of tattoos that never clears. The life table, to which white ink is as black, stands
    where the log speaks against them by more than one error: that a small log shows no difference
    between inks is no sign that there is none. Neither it nor the cure mixture takes part for the
    goal ``lighten``: few courses want it, and what tells their count from that of all others needs
    its prior. ``own`` are covariates of the clinic's own columns.
    """
    first = evidence_model(goal, evidence, own)
    with_evidence: tuple[CountModel, ...] = (
        first,
        replace(first, shape="loglogistic"),
        replace(first, shape="weibull"),
    )
    if goal == "lighten":
        return with_evidence
    if n_events < FEWEST_FOR_DATA_ALONE:
        return (*with_evidence, LifeTable())
    # which lets the log alone say who never clears
    alone = SHARE_PRIOR | {f"never[{name}]": SHARE_EFFECT for name in first.never or ()}
    alone |= dict.fromkeys(own, (0.0, WIDTH / SHAPE))
    given: Any = {"penalty": RIDGE * SHAPE**2, "prior": alone, "label": "cure mixture"}
    return (*with_evidence, LifeTable(), replace(first, shape="weibull", **given))


def evidence_model(
    goal: str = "clear", evidence: Evidence | None = None, own: Sequence[str] = ()
) -> AcceleratedTime:
    """Return the specification for a ``goal`` when the log has too little to choose by.

    ``evidence`` of other clinics takes the place of publications.
    """
    prior = dict(evidence.duration_prior() if evidence else duration_prior(goal))
    prior |= dict.fromkeys(own, (0.0, WIDTH / SHAPE))
    # what the share that never gets there depends on
    never = NEVER_COVARIATES if goal == "clear" else (*NEVER_COVARIATES, LIGHTEN)
    return AcceleratedTime("lognormal", prior=prior, never=never)
