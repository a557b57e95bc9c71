"""From what several clinics gave to common effects: shares pooled, or an exact joint fit in rounds.

The common effects may stand in for the published evidence: `fit_forecaster(log, evidence=...)`.
A prior for one clinic is as wide as the doubt about the common effect and the spread between
clinics together. The spread found among few clinics says little of itself, so that in a prior the
judgement that published evidence uses counts as much as three more clinics would.

Newton's method on the pooled rows needs, in each round, only a gradient and a square matrix from
each clinic: sums travel, rows stay. Whoever pools keeps a `JointRounds`, which writes the next
question; each clinic answers it from its own log; the answers go back in, until the fit is done. It
equals the fit on the pooled rows, of the covariates every clinic can speak of, missing ones at
their pooled mean.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import LEVEL
from forecast._files import read_json, unsealed
from forecast._notes import (
    Note,
    Sentence,
    aligned,
    bullets,
    notes_as_json,
    problem_and_remedy,
    sentence,
    why,
)
from forecast._plain import Result, plain, read
from forecast.assess import tie_split_coverage
from forecast.causal.rates import random_effects
from forecast.counts import (
    BETWEEN_CLINICS,
    COVARIATES,
    LIGHTEN,
    NEVER_COVARIATES,
    check_goal,
    duration_prior,
    hazard_prior,
)
from forecast.errors import DataError, RequestError
from forecast.sharing.share import (
    ANSWER,
    JOINT_SCHEMA,
    QUESTION,
    SHARED_MODEL,
    Share,
    check_kind,
    checked_names,
    digest,
)
from forecast.survival import (
    SMOOTH_NAMES,
    CountDistribution,
    Counts,
    Encoding,
    ScoreAndInformation,
    joint_fit,
    smooth_baseline,
)
from forecast.tattoo import INK_COVARIATES

POOLED, SCHEMA = "session-forecast pooled evidence", 1
# Standard deviation between clinics that is judged, not found: for effects as in published
# evidence; for the level, a clinic's own speed of a third on the count of sessions.
JUDGED = dict.fromkeys(COVARIATES, BETWEEN_CLINICS) | {
    "baseline[level]": 0.6,
    "baseline[slope]": 0.3,
    "baseline[curve]": 0.3,
    # one clinic covers at half faded, another at four fifths: 0.23 to 0.54 of the sessions
    LIGHTEN: 0.6,
}
JUDGED_WORTH = 3  # clinics that the judgement counts as
LEAST_ERROR = 0.5  # of the shares' median one
FARTHEST_APART = 4.0  # standard deviations
N_DRAWS, FARTHEST = 4000, 200
FEWEST_FURTHER, FURTHER_DRAWS = 3, 200  # clinics to say what a further one should expect
TOSS_UP = 0.5  # a share of 80 % intervals that might hold so seldom says nothing of a further one
QUARTERS = (0.75, 0.5, 0.25)  # of clients still uncleared
NORMAL_QUARTILE = 0.6744897501960817
# Their hazard ratio mixes how slow they are with whether they clear at all, and the finer
# colours are told relative to the others.
MAY_NEVER_CLEAR = {
    *NEVER_COVARIATES,
    *(name for name, group in INK_COVARIATES.items() if group <= INK_COVARIATES["ink_other"]),
}


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class PooledEvidence(Result):
    """Common effects of several clinics, usable as the prior of any."""

    goal: str
    parameters: tuple[str, ...]  # as in a share: three of the baseline, then log hazard ratios
    mean: FloatArray  # (k,), the common effects
    covariance: FloatArray  # (k, k), of them, without the spread between clinics
    variance_between: FloatArray  # (k,), NaN where it could not be estimated
    n_clinics: tuple[int, ...]  # that gave each parameter
    members: tuple[str, ...]  # fingerprints of the shares
    counts: Mapping[str, int]  # ``courses`` and ``reached``, about
    notes: tuple[Note, ...] = ()
    # 95 % intervals of the common effects; None where one clinic alone gave an effect.
    intervals: tuple[tuple[float, float] | None, ...] = ()

    @property
    def spread(self) -> FloatArray:
        """Standard deviation of a clinic's own effect around the common one, for a prior."""
        judged = np.array([JUDGED[name] for name in self.parameters]) ** 2
        found = np.nan_to_num(self.variance_between)
        others = np.where(np.isfinite(self.variance_between), np.array(self.n_clinics) - 1, 0)
        pooled = (others * found + JUDGED_WORTH * judged) / (others + JUDGED_WORTH)
        return np.asarray(np.sqrt(pooled))

    @property
    def width(self) -> FloatArray:
        """Standard deviation of a clinic's own effect: doubt and spread together."""
        return np.asarray(np.sqrt(np.diag(self.covariance) + self.spread**2))

    def hazard_prior(self) -> dict[str, tuple[float, float]]:
        """Return mean and standard deviation of each parameter of the grouped hazard.

        Covariates that no clinic gave keep the published evidence.
        """
        pairs = zip(self.mean.tolist(), self.width.tolist(), strict=True)
        own = dict(zip(self.parameters, pairs, strict=True))
        return {**hazard_prior(self.goal), **own}

    def duration_prior(self) -> dict[str, tuple[float, float]]:
        """Return the same on the log number of sessions, with location and log scale.

        The baseline gives the quartiles of the reference tattoo, and with them location, scale
        and the Weibull shape through which a log hazard ratio moves the log of the count. Inks
        that may never clear keep the published evidence.
        """
        total = self.covariance[:3, :3] + np.diag(self.spread[:3] ** 2)
        rng = np.random.default_rng(0)
        draws = rng.multivariate_normal(self.mean[:3], total, size=N_DRAWS)
        early, middle, late = _log_quartiles(draws).T
        scale = np.log(np.maximum(late - early, 1e-3) / (2 * NORMAL_QUARTILE))
        first, _, last = _log_quartiles(self.mean[None, :3])[0]
        shape = float(np.log(np.log(QUARTERS[2]) / np.log(QUARTERS[0])) / (last - first))
        effects = {
            name: (-mean / shape, width / shape)
            for name, (mean, width) in self.hazard_prior().items()
            if name in self.parameters[3:] and name not in MAY_NEVER_CLEAR
        }
        both = np.stack([middle, scale])
        widths = np.ptp(np.quantile(both, [0.25, 0.75], axis=1), axis=0) / (2 * NORMAL_QUARTILE)
        location, log_scale = zip(np.median(both, axis=1).tolist(), widths.tolist(), strict=True)
        published = duration_prior(self.goal)
        return {**published, "location": location, **effects, "log_scale": log_scale}

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        found = {"kind": POOLED, "schema": SCHEMA, **plain(self)}
        between = [v if np.isfinite(v) else None for v in self.variance_between.tolist()]
        return {**found, "variance_between": between, **notes_as_json(self.notes)}

    @classmethod
    def from_dict(cls, stored: Any, *, named: str = "The evidence") -> PooledEvidence:
        """Return the evidence that `to_dict` wrote, or raise RequestError on anything else."""
        if not isinstance(stored, dict) or stored.get("kind") != POOLED:
            raise RequestError(*problem_and_remedy("refused.no_evidence", {"name": named}))
        stored = unsealed(stored, named=named, remedy=sentence("refused.evidence_damaged_do"))
        if stored.get("schema") != SCHEMA:
            values = {"name": named, "schema": stored.get("schema"), "known": SCHEMA}
            raise RequestError(*problem_and_remedy("refused.evidence_schema", values))
        try:
            # a file written before notes had codes has their sentences alone
            old = [Note("sharing.as_written", "info", {"says": str(s)}) for s in stored["notes"]]
            found = read(cls, {**stored, "notes": stored.get("note_codes", old)})
            found._check()
        except (ArithmeticError, AttributeError, KeyError, TypeError, ValueError) as problem:
            values = {"name": named, "why": str(problem)}
            raise RequestError(*problem_and_remedy("refused.evidence_damaged", values)) from None
        return found

    def _check(self) -> None:
        check_goal(self.goal)
        k = len(checked_names(self.parameters))
        shapes = (self.mean.shape, self.variance_between.shape, (len(self.n_clinics),))
        if any(shape != (k,) for shape in shapes) or self.covariance.shape != (k, k):
            raise ValueError(f"{k} parameters, but other numbers of values")
        variances = np.diag(self.covariance)
        if not np.isfinite(self.mean).all() or not (variances > 0).all():
            raise ValueError("a mean that is no number or a variance not above zero")
        if not all(isinstance(n, int) for n in self.counts.values()):
            raise ValueError("a count that is no number")
        if (self.variance_between < 0).any():
            raise ValueError("a spread below zero")
        for note in self.notes:
            str(note)  # KeyError where nobody has words for it

    def lines(self, language: str) -> list[str]:
        """Return a table of the common effects, and what they rest on."""
        errors, spread = np.sqrt(np.diag(self.covariance)), np.sqrt(self.variance_between)
        values = {"clinics": len(self.members), **self.counts, "goal": self.goal}
        heads = ("effect", "mean", "error", "interval", "spread", "clinics")
        rows: list[list[str]] = [[sentence(f"sharing.head_{name}") for name in heads]]
        ends = self.intervals or (None,) * len(self.parameters)
        columns = zip(self.parameters, self.mean, errors, ends, spread, self.n_clinics, strict=True)
        for name, mean, error, held, between, clinics in columns:
            rows.append([
                name,
                _cell(mean),
                _cell(error),
                sentence("sharing.interval", {"low": held[0], "high": held[1]}) if held else "-",
                _cell(between) if np.isfinite(between) else "-",
                str(clinics),
            ])  # fmt: skip
        table = aligned(rows, language, to_the_right=True)
        return [sentence("sharing.pooled", values), "", *table, "", *bullets(self.notes)]


def _cell(value: float) -> Sentence:
    return sentence("text.number", {"n": value, "digits": 2})


def pool_shares(
    shares: Sequence[Mapping[str, Any]], *, names: Sequence[str] = ()
) -> PooledEvidence:
    """Return the common effects of the ``shares`` of several clinics, by random effects (REML).

    Shares are as `share_log` returns them, one per clinic; what is said of one calls it by its
    place among them, or by ``names``. Raises RequestError if there are fewer than two, one is
    there twice, or goals differ.

    Examples
    --------
    >>> logs = (log, forecast.simulate_log(60, seed=2))
    >>> pool_shares([forecast.sharing.share_log(one) for one in logs]).counts
    {'courses': 160, 'reached': 130}
    """
    called = [*names] or [*range(1, len(shares) + 1)]
    read = [
        Share.from_dict(one, named=sentence("sharing.one_share", {"n": name}))
        for one, name in zip(shares, called, strict=True)
    ]
    _check_together(read, called)
    given = {name for share in read for name in share.parameters}
    effects = tuple(name for name in (*SMOOTH_NAMES, *COVARIATES, LIGHTEN) if name in given)
    values, errors = np.full((2, len(read), len(effects)), np.nan)
    for row, share in enumerate(read):
        at = [effects.index(name) for name in share.parameters]
        values[row, at], errors[row, at] = share.estimates, share.errors
    values, errors, notes = _held(values, errors, effects, read[0].goal, called)
    found = random_effects(values, errors)
    notes += [
        Note("sharing.count_twice", "caution"),
        Note("sharing.judged", "info", {"clinics": JUDGED_WORTH}),
    ]
    if not found.converged:
        notes.append(Note("sharing.not_settled", "caution"))
    if len(read) >= FEWEST_FURTHER:
        said = further_clinic(values, errors, effects)
        held = "_held" * (said["skill_low"] <= 0)
        code = f"further{'_unknown' if said['coverage_low'] < TOSS_UP else held}"
        notes.append(Note(f"sharing.{code}", "info", {"clinics": len(read), **said}))
    return PooledEvidence(
        goal=read[0].goal,
        parameters=effects,
        mean=found.mean,
        covariance=np.diag(found.error**2),
        variance_between=found.variance_between,
        n_clinics=tuple(found.n_groups.tolist()),
        members=tuple(share.digest for share in read),
        counts={name: sum(share.counts[name] for share in read) for name in read[0].counts},
        notes=tuple(notes),
        intervals=tuple(
            (low, high) if np.isfinite(low) else None for low, high in found.interval().tolist()
        ),
    )


def further_clinic(
    estimates: FloatArray, errors: FloatArray, names: Sequence[str]
) -> dict[str, float]:
    """Return what a further clinic should expect of the common effects before it has a log.

    Each clinic, a row of ``estimates``, is left out in turn, its clients foretold from the others,
    and judged by its own estimates: the reference tattoo, and it with each attribute alone.
    ``coverage`` is how often 80 % intervals hold, ``skill`` what they gain in CRPS over one answer
    for all; ``_low`` and ``_high`` around the mean of the clinics are a 95 % prediction interval
    (Higgins et al. 2009, J R Stat Soc A 172:137).
    """
    from scipy.stats import t

    judged = np.array([JUDGED[name] for name in names])
    cases = np.vstack([np.zeros(len(names) - 3), np.eye(len(names) - 3)])
    rows = []
    for left_out, own in enumerate(estimates):
        rest = np.arange(len(estimates)) != left_out
        found = random_effects(estimates[rest], errors[rest])
        between = np.where(np.isfinite(found.variance_between), found.variance_between, judged**2)
        given = np.isfinite(own) & np.isfinite(found.mean)
        width = np.hypot(found.error, np.sqrt(between))
        rng = np.random.default_rng(left_out)
        drawn = found.mean + width * rng.normal(size=(FURTHER_DRAWS, len(names)))
        used = np.append(True, given[3:])
        told = _laws(np.where(given, drawn, 0.0), cases[used]).mean(axis=0)
        true = _laws(np.where(given, own, 0.0)[None], cases[used])[0]
        steps = np.arange(1, FARTHEST + 1)
        held = [
            tie_split_coverage(CountDistribution(np.tile(law, (FARTHEST, 1))), steps, level=LEVEL)
            for law in told
        ]
        plain = _miss(np.tile(told.mean(axis=0), (len(told), 1)), true)
        rows.append((float((true * held).sum(axis=1).mean()), 1 - _miss(told, true) / plain))
    table = np.array(rows)
    mean, spread = table.mean(axis=0), table.std(axis=0, ddof=1)
    half = float(t.ppf(0.975, len(rows) - 1) * (1 + 1 / len(rows)) ** 0.5) * spread
    low, high = np.maximum(mean - half, [0.0, -np.inf]), np.minimum(mean + half, 1.0)
    return {
        f"{name}{end}": float(value)
        for at, name in enumerate(("coverage", "skill"))
        for end, value in (("", mean[at]), ("_low", low[at]), ("_high", high[at]))
    }


# Chances of each count for parameters (d, p) and cases (c, p - 3): (d, c, FARTHEST).
def _laws(parameters: FloatArray, cases: FloatArray) -> FloatArray:
    level = smooth_baseline(parameters[:, :3], FARTHEST)
    line = np.clip(level[:, None, :] + (parameters[:, 3:] @ cases.T)[:, :, None], -30, 3)
    hazard = -np.expm1(-np.exp(line))
    pmf = CountDistribution.from_hazard(hazard.reshape(-1, FARTHEST)).pmf
    return pmf.reshape(hazard.shape)


# The expected CRPS of what was told, (c, h), where the law is another.
def _miss(told: FloatArray, true: FloatArray) -> float:
    by, happens = np.cumsum(told, axis=1), np.cumsum(true, axis=1)
    return float(((by - happens) ** 2 + happens * (1 - happens)).sum())


def _check_together(shares: Sequence[Share], called: Sequence[str | int]) -> None:
    if len(shares) < 2:
        raise RequestError(*problem_and_remedy("refused.one_share", {"n": len(shares)}))
    digests = [share.digest for share in shares]
    twice = next((n for n, one in enumerate(digests) if one in digests[:n]), None)
    if twice is not None:
        values = {"first": called[digests.index(digests[twice])], "twice": called[twice]}
        raise RequestError(*problem_and_remedy("refused.same_shares", values))
    goals = sorted({share.goal for share in shares})
    if len(goals) > 1:
        raise RequestError(*problem_and_remedy("refused.share_goals", {"goals": goals}))


# What a share may move the common effects by, whoever wrote it: no effect counts for more than four
# usual ones, nor lies farther from the others, and from what is published, than clinics do.
def _held(
    values: FloatArray,
    errors: FloatArray,
    names: tuple[str, ...],
    goal: str,
    called: Sequence[str | int],
) -> tuple[FloatArray, FloatArray, list[Note]]:
    errors = np.maximum(errors, LEAST_ERROR * np.nanmedian(errors, axis=0))
    published = hazard_prior(goal)
    known = np.array([published.get(name, (np.nan, np.nan))[0] for name in names])
    centre = np.nanmedian(np.vstack([values, known]), axis=0)
    reach = FARTHEST_APART * np.hypot(errors, np.array([JUDGED[name] for name in names]))
    held = np.clip(values, centre - reach, centre + reach)
    notes = [
        Note(
            "sharing.stands_apart",
            "caution",
            {"share": called[row], "what": ", ".join(np.array(names)[apart].tolist())},
        )
        for row, apart in enumerate((values != held) & np.isfinite(values))
        if apart.any()
    ]
    return held, errors, notes


def load_evidence(path: str | os.PathLike[str]) -> PooledEvidence:
    """Return the pooled evidence saved as JSON at ``path``.

    Raises RequestError if it cannot be read or is something else.

    Examples
    --------
    >>> load_evidence("none.json")
    Traceback (most recent call last):
    forecast.errors.RequestError: none.json cannot be read: there is no such file. ...
    """
    try:
        stored = read_json(Path(path))
    except OSError as error:
        values = {"path": os.fspath(path), "why": why(error)}
        raise RequestError(*problem_and_remedy("refused.evidence_unread", values)) from None
    return PooledEvidence.from_dict(stored, named=os.fspath(path))


# Log sessions by which a quarter, half and three quarters reached the goal, for baselines of shape
# (n, 3); between whole sessions the cumulative hazard is a power of time, and beyond the last one
# looked at it goes on as it did.
def _log_quartiles(baseline: FloatArray) -> FloatArray:
    linear = smooth_baseline(baseline, FARTHEST)
    # a curve that turns down far out is held at what it was at its highest, and never at zero
    total = np.log(np.maximum.accumulate(np.cumsum(np.exp(np.clip(linear, -30, 30)), axis=1), 1))
    steps = np.log(np.arange(1, FARTHEST + 1))
    found = np.empty((len(baseline), len(QUARTERS)))
    for column, left in enumerate(QUARTERS):
        wanted = np.log(-np.log(left))
        after = np.clip((total < wanted).sum(axis=1), 1, FARTHEST - 1)
        rows = np.arange(len(total))
        low, high = total[rows, after - 1], total[rows, after]
        share = np.clip((wanted - low) / np.maximum(high - low, 1e-9), -5.0, 5.0)
        found[:, column] = steps[after - 1] + share * (steps[after] - steps[after - 1])
    return found


STATE = "session-forecast joint fit: rounds"
Answers: TypeAlias = tuple[Mapping[str, Any], ...]
Put: TypeAlias = Callable[[dict[str, Any]], Answers]


def _counts_of(stored: Mapping[str, Any]) -> Counts:
    at_risk, events = [stored["at_risk"]], [stored["events"]]
    by_step = {"at_risk": at_risk, "events": events, "rows_at_risk": at_risk, "row_events": events}
    return read(Counts, {**stored, **by_step})


class _Unanswered(Exception):  # noqa: N818 (not an error: the fit waits for answers)
    def __init__(self, question: dict[str, Any]) -> None:
        super().__init__("unanswered")
        self.question = question


@dataclass(frozen=True, slots=True)
class JointRounds:
    """A joint fit under way: the questions so far and what each clinic answered.

    Attributes
    ----------
    goal : str
        ``clear`` or ``lighten``.
    answers : tuple of tuple of mapping
        One tuple per round, in the order asked; within it one answer per clinic.

    Examples
    --------
    >>> question, model = JointRounds().advance()
    >>> question["ask"], model
    ('columns', None)
    """

    goal: str = "clear"
    answers: tuple[Answers, ...] = ()

    def advance(self) -> tuple[dict[str, Any] | None, PooledEvidence | None]:
        """Return the question to send out next, or None and the common model when done.

        Raises RequestError if the answers do not belong to the questions, or clinics share no
        covariate.
        """
        rounds = enumerate(self.answers, start=1)

        def put(question: dict[str, Any]) -> Answers:
            number, given = next(rounds, (0, ()))
            if not given:
                raise _Unanswered(question)
            mark = digest(question)
            if any(answer.get("question") != mark for answer in given):
                raise RequestError(*problem_and_remedy("refused.other_question", {"n": number}))
            return given

        try:
            return None, _run(self.goal, put)
        except _Unanswered as waiting:
            return waiting.question, None

    def with_answers(self, answers: Sequence[Any]) -> JointRounds:
        """Return these rounds and one more, with the answers of all clinics.

        Raises RequestError if one is no answer, is there twice, or clinics are missing.
        """
        for answer in answers:
            check_kind(answer, ANSWER, "refused.no_answer")
        texts = [json.dumps(answer, sort_keys=True) for answer in answers]
        wanted = len(self.answers[0]) if self.answers else max(len(texts), 2)
        if len(set(texts)) < len(texts) or len(texts) != wanted:
            values = {"n": len(set(texts)), "wanted": wanted}
            raise RequestError(*problem_and_remedy("refused.answers", values))
        # in an order of their own, so that sums do not depend on how the files were named
        ordered = tuple(answers[place] for place in np.argsort(texts, kind="stable"))
        return replace(self, answers=(*self.answers, ordered))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"kind": STATE, "schema": JOINT_SCHEMA, **plain(self)}

    @classmethod
    def from_dict(cls, stored: Any) -> JointRounds:
        """Return the rounds that :meth:`to_dict` wrote, or raise RequestError."""
        check_kind(stored, STATE, "refused.no_rounds")
        return cls(stored["goal"], tuple(tuple(one) for one in stored["answers"]))


def _run(goal: str, put: Put) -> PooledEvidence:
    base = {"kind": QUESTION, "schema": JOINT_SCHEMA, "goal": goal}
    first = put({**base, "ask": "columns"})

    def ask(method: str, *arguments: FloatArray) -> list[Any]:
        at = {"parameters": arguments[0].tolist()} if arguments else {}
        question = {**base, "ask": method, "fills": means, **at}
        read_sums: dict[str, Callable[[Any], Any]] = {
            "counts": _counts_of,
            "expected": lambda sums: np.array(sums["information"], dtype=np.float64),
            "derivatives": lambda sums: read(ScoreAndInformation, sums),
        }
        return [read_sums[method](answer["sums"]) for answer in put(question)]

    try:
        columns = [answer["columns"] for answer in first]
        common = [name for name in (*COVARIATES, LIGHTEN) if all(name in one for one in columns)]
        if not common:
            raise RequestError(*problem_and_remedy("refused.nothing_shared"))
        means = {
            name: sum(one[name]["sum"] for one in columns)
            / sum(one[name]["courses"] for one in columns)
            for name in common
        }
        fitted = joint_fit(SHARED_MODEL, Encoding(tuple((name, None) for name in means)), ask)
        counts = {
            name: sum(int(answer["counts"].get(name) or 0) for answer in first)
            for name in first[0]["counts"]
        }
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        if isinstance(problem, RequestError | DataError):
            raise
        values = {"why": repr(problem)}
        raise RequestError(*problem_and_remedy("refused.answer_damaged", values)) from None
    return PooledEvidence(
        goal=goal,
        parameters=fitted.names,
        mean=fitted.parameters,
        covariance=fitted.covariance_matrix,
        variance_between=np.full(len(fitted.names), np.nan),
        n_clinics=(len(first),) * len(fitted.names),
        members=tuple(digest(answer) for answer in first),
        counts=counts,
        notes=(
            Note("sharing.joint", "info", {"clinics": len(first)}),
            Note("sharing.joint_count_twice", "caution"),
        ),
    )
