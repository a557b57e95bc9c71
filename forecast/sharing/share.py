"""What a clinic may give away of its log: a share with noise, or exact sums for a joint fit.

A share holds no row, id, date or value of any course. It is the grouped proportional-hazards
model (complementary log-log, smooth baseline) of the common covariates: its effects are log hazard
ratios, on which published evidence is written; its likelihood has one maximum, so that every clinic
gives the same thing; and the exact joint fit (`JointRounds`) has the same parameters.

What keeps courses out of a share is noise. Each effect has normal noise of ``NOISE`` times the
square root of effects per course, in its own standard errors: leaving out a course moves k effects
by the square root of k / n of their errors on average, so by an eighth of the noise, and whoever
knows all other courses and asks whether one was there gains at most ``2 Phi(1 / 16) - 1``, 0.05,
over a guess. That is an average: rare courses, which would move most, are kept away by leaving out
covariates that fewer than about 20 speak of. Standard errors and counts have noise of their own.

The noise follows from every cell of the courses' table. So the same log gives the same share,
asking again averages nothing out, and the noise of two shares one course apart has nothing in
common. Whoever holds that whole table could work the noise out, and has no need to.

What answers a joint fit is exact: sums over all courses and their cross-products. Whoever holds the
answers to two fits one course apart has that course; a share is made so that they could not. It is
for clinics that would show each other their logs. Covariates that fewer than five courses speak of
are left out, and counts per session are not sent.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._files import SEAL, unsealed
from forecast._notes import problem_and_remedy, sentence
from forecast._plain import plain
from forecast.counts import COVARIATES, CURVES, LIGHTEN, check_goal, durations_of, judged_rows
from forecast.errors import DataError, ForecastError, RequestError
from forecast.survival import PIVOT, SMOOTH_NAMES, DiscreteHazard, Encoding, RowsHere

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

KIND, SCHEMA = "session-forecast share", 2
FEWEST = 5  # courses that a number must rest on
FEWEST_REACHED = 20  # below this, 27 effects say little and a course says much
# A standard deviation of 3 on each log hazard ratio: keeps a rare level finite, moves nothing.
RIDGE = 0.1
SHARED_MODEL = DiscreteHazard(penalty=RIDGE)
MEANS = {"link": "cloglog", "baseline": "smooth", "pivot": PIVOT, "ridge": RIDGE}
NOISE = 8.0
COUNT_NOISE = 30.0  # courses, the standard deviation
ERROR_NOISE = 0.3  # of the log of a standard error
FEWEST_APART, APART_NOISE = 20, 4.0  # courses that speak of a covariate, about
LARGEST_EFFECT = 20.0
SHARED = tuple(name for name in COVARIATES if name not in CURVES)
MOST_NUMBERS = 2 + 3 * (len(SHARED) + 4)  # that noise is drawn for
COUNTS = ("courses", "reached")

JOINT_SCHEMA = 1
QUESTION = "session-forecast joint fit: question"
ANSWER = "session-forecast joint fit: answer"
MOMENTS = ("weight", "first", "second", "zero_one", "n_rows", "n_subjects")


def share_log(log: OutcomeLog, *, goal: str = "clear") -> dict[str, Any]:
    """Return what the clinic may give away of its ``log``, as plain JSON values.

    ``goal`` is ``clear`` or ``lighten``. ``kind``, ``schema`` (2) and ``goal``; ``model``, what the
    parameters mean; ``parameters``, their names: ``baseline[level]``, ``[slope]`` and ``[curve]``
    (log cumulative hazard step at session 8 and how it moves with log(session / 8)), then one log
    hazard ratio for each covariate given, for the goal ``lighten`` also that of wanting lightening
    (``lighten``), left out if too few do; ``estimates`` and ``standard_errors``, which hold the
    noise; ``left_out``, the covariates too rare to give; ``counts`` (``courses``, ``reached``),
    about, to the nearest ten; ``worth``, the courses that would tell as much without noise.

    Raises DataError if fewer than 20 courses reached the goal.

    Examples
    --------
    >>> share = share_log(log)
    >>> share["counts"], share["worth"], share["left_out"][:2]
    ({'courses': 140, 'reached': 100}, 22, ['region_head_neck', 'region_lower_trunk'])
    """
    rows, reached = rows_to_give(log, goal, code="refused.few_to_share")
    noise = _noise_of(log, goal)
    about = [
        max(FEWEST_REACHED, 10 * round((n + COUNT_NOISE * next(noise)) / 10))
        for n in (len(log.courses), reached)
    ]
    told = told_apart(rows)
    names = (*SHARED, *((LIGHTEN,) if goal != "clear" else ()))
    about_told = {name: told.get(name, 0) + APART_NOISE * next(noise) for name in names}
    given = [name for name in told if about_told[name] >= FEWEST_APART]
    fitted = SHARED_MODEL.fit(durations_of(rows, dict.fromkeys(given)))
    assert fitted.clustered_matrix is not None
    own = np.sqrt(np.diag(fitted.clustered_matrix))
    share = NOISE**2 * len(own) / about[0]  # variance of the noise, in squared errors
    told_errors = own * math.sqrt(1 + share) * np.exp([ERROR_NOISE * next(noise) for _ in own])
    errors = [float(f"{error:.1e}") for error in told_errors]
    noisy = fitted.parameters + own * math.sqrt(share) * [next(noise) for _ in own]
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "goal": goal,
        "model": dict(MEANS),
        "parameters": list(fitted.names),
        # to the decimals that the standard error leaves, at most a fifth of it
        "estimates": [
            round(value, math.ceil(-math.log10(0.2 * error)))
            for value, error in zip(noisy.tolist(), errors, strict=True)
        ],
        "standard_errors": errors,
        "left_out": [name for name in names if name not in given],
        "counts": dict(zip(COUNTS, about, strict=True)),
        "worth": round(about[0] / (1 + share)),
    }


def rows_to_give(log: OutcomeLog, goal: str, *, code: str) -> tuple[pd.DataFrame, int]:
    """Return the rows of a log for a goal, and how many reached it; DataError if too few did."""
    rows = judged_rows(log, goal=check_goal(goal))
    reached = int(rows["observed"].sum())
    if reached < FEWEST_REACHED:
        raise DataError(*problem_and_remedy(code, {"reached": reached, "least": FEWEST_REACHED}))
    return rows, reached


# Standard normal numbers that follow from every cell of the courses, whatever their order.
def _noise_of(log: OutcomeLog, goal: str) -> Iterator[float]:
    lines = sorted(log.courses.to_csv(index=False).splitlines())
    sums = hashlib.shake_256("\n".join([goal, *lines]).encode()).digest(8 * MOST_NUMBERS)
    for drawn in np.frombuffer(sums, dtype=">u8").tolist():
        yield NormalDist().inv_cdf((drawn + 0.5) / 2**64)


def is_member(log: OutcomeLog, members: Sequence[str], *, goal: str) -> bool:
    """Say whether ``members``, fingerprints, have the share of ``log`` for ``goal`` of today.

    Examples
    --------
    >>> is_member(log, [digest(share_log(log))], goal="clear"), is_member(log, [], goal="clear")
    (True, False)
    """
    try:
        return digest(share_log(log, goal=goal)) in members
    except ForecastError:
        return False  # too small a log to have a share


def told_apart(rows: pd.DataFrame) -> dict[str, int]:
    """Return how many courses that reached the goal differ from a covariate's commonest value."""
    found = {}
    for name in (*SHARED, *((LIGHTEN,) if LIGHTEN in rows else ())):
        values = rows[name]
        apart = rows["observed"] & values.notna() & ~values.isin(values.mode()[:1])
        if apart.any():
            found[name] = int(apart.sum())
    return found


@dataclass(frozen=True, slots=True, eq=False)
class Share:
    """A share that was read and found whole."""

    goal: str
    parameters: tuple[str, ...]
    estimates: FloatArray
    # Standard errors. How estimates go together is not given, and next to the noise, which is drawn
    # for each alone, it is little.
    errors: FloatArray
    counts: Mapping[str, int]
    digest: str  # fingerprint of the content

    @classmethod
    def from_dict(cls, stored: Any, *, named: str = "The share") -> Share:
        """Return the share held in plain values, or raise RequestError on anything else."""
        if not isinstance(stored, dict) or stored.get("kind") != KIND:
            raise RequestError(*problem_and_remedy("refused.not_a_share", {"name": named}))
        stored = unsealed(stored, named=named, remedy=sentence("refused.share_damaged_do"))
        if stored.get("schema") != SCHEMA or stored.get("model") != MEANS:
            values = {"name": named, "schema": stored.get("schema")}
            raise RequestError(*problem_and_remedy("refused.share_schema", values))
        try:
            estimates = np.array(stored["estimates"], dtype=np.float64)
            errors = np.array(stored["standard_errors"], dtype=np.float64)
            k = len(stored["parameters"])
            if estimates.shape != (k,) or errors.shape != (k,):
                raise ValueError(f"{k} parameters, but other numbers of values")
            if not (np.abs(estimates) <= LARGEST_EFFECT).all():
                raise ValueError("an estimate beyond what can be")
            if not ((errors > 0) & (errors <= LARGEST_EFFECT)).all():
                raise ValueError("a standard error beyond what can be")
            return cls(
                check_goal(stored["goal"]),
                checked_names(stored["parameters"]),
                estimates,
                errors,
                counts={name: int(stored["counts"][name]) for name in COUNTS},
                digest=digest(stored),
            )
        except (ArithmeticError, AttributeError, KeyError, TypeError, ValueError) as problem:
            values = {"name": named, "why": str(problem)}
            raise RequestError(*problem_and_remedy("refused.share_damaged", values)) from None


def checked_names(stored: Sequence[str]) -> tuple[str, ...]:
    """Return the parameters' names, or raise ValueError when some are unknown or missing."""
    names = tuple(str(name) for name in stored)
    unknown = [name for name in names[3:] if name not in (*SHARED, LIGHTEN)]
    if names[:3] != SMOOTH_NAMES or unknown or len(set(names)) < len(names):
        raise ValueError(f"unknown or repeated parameters {unknown or names[:3]}")
    return names


def digest(stored: Mapping[str, Any]) -> str:
    """Return a fingerprint of a file's content, its seal left out."""
    content = {name: value for name, value in stored.items() if name != SEAL}
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


def answer_question(log: OutcomeLog, question: Any) -> dict[str, Any]:
    """Return the answer of a clinic's ``log`` to a joint fit's question, as plain JSON values.

    Raises RequestError if it is no question of this version, or asks for a covariate that fewer
    than five courses have, and DataError if fewer than 20 courses reached the goal.

    Examples
    --------
    >>> answer_question(log, forecast.sharing.JointRounds().advance()[0])["counts"]
    {'courses': 150, 'reached': 85}
    """
    check_kind(question, QUESTION, "refused.no_question")
    try:
        rows, reached = rows_to_give(log, question["goal"], code="refused.few_to_join")
        given = [name for name, n in told_apart(rows).items() if n >= FEWEST]
        if question["ask"] == "columns":
            counts = {"courses": len(log.courses), "reached": reached}
            found = {
                "columns": {
                    name: {"sum": float(rows[name].sum()), "courses": int(rows[name].notna().sum())}
                    for name in given
                },
                "counts": {name: n - n % FEWEST for name, n in counts.items()},
            }
        else:
            found = {"sums": _sums(rows, question, given)}
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        if isinstance(problem, RequestError | DataError):
            raise
        values = {"why": str(problem)}
        raise RequestError(*problem_and_remedy("refused.question_damaged", values)) from None
    return {"kind": ANSWER, "schema": JOINT_SCHEMA, "question": digest(question), **found}


def _sums(rows: pd.DataFrame, question: Mapping[str, Any], given: Sequence[str]) -> Any:
    fills = {str(name): float(value) for name, value in question["fills"].items()}
    rare = [name for name in fills if name not in given]
    if rare:
        raise RequestError(*problem_and_remedy("refused.question_rare", {"name": rare[0]}))
    site = RowsHere.of(durations_of(rows, fills), Encoding(tuple((name, None) for name in fills)))
    if question["ask"] == "counts":
        counts = site.counts()  # what happened at each session stays here
        total = {"at_risk": float(counts.at_risk.sum()), "events": float(counts.events.sum())}
        return total | {name: plain(getattr(counts, name)) for name in MOMENTS}
    parameters = np.array(question["parameters"], dtype=np.float64)
    if parameters.shape != (3 + len(fills),) or not np.isfinite(parameters).all():
        raise ValueError("the parameters")
    if question["ask"] == "expected":
        return {"information": site.expected(parameters).tolist()}
    if question["ask"] != "derivatives":
        raise ValueError(f"it asks for {question['ask']!r}")
    return plain(site.derivatives(parameters))


def check_kind(stored: Any, kind: str, code: str) -> None:
    """Raise RequestError unless a file of a joint fit is of a kind and this version."""
    if not isinstance(stored, dict) or stored.get("kind") != kind:
        raise RequestError(*problem_and_remedy(code))
    if stored.get("schema") != JOINT_SCHEMA:
        values = {"schema": stored.get("schema"), "known": JOINT_SCHEMA}
        raise RequestError(*problem_and_remedy("refused.joint_schema", values))
