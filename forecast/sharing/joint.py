"""The exact joint fit of several clinics by exchange of files: sums travel, rows stay.

Newton's method on the pooled rows needs, in each round, only a gradient and a square matrix from
each clinic. Whoever pools keeps a `JointRounds`, which writes the next question; each clinic
answers it from its own log; the answers go back in, until the fit is done. It equals the fit on
the pooled rows, of the covariates every clinic can speak of, missing ones at their pooled mean.

What travels is exact: sums over all courses of a clinic and their cross-products. Whoever holds the
answers to two fits one course apart has that course; a share is made so that they could not. It is
for clinics that would show each other their logs. Covariates that fewer than five courses of some
clinic speak of are left out, and counts per session are not sent.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from forecast._arrays import FloatArray
from forecast._notes import Note, problem_and_remedy
from forecast._plain import plain, read
from forecast.counts import COVARIATES, LIGHTEN, durations_of
from forecast.errors import DataError, RequestError
from forecast.sharing.pool import PooledEvidence
from forecast.sharing.share import FEWEST, SHARED_MODEL, digest, rows_to_give, told_apart
from forecast.survival import Counts, Encoding, RowsHere, ScoreAndInformation, joint_fit

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

SCHEMA = 1
QUESTION = "session-forecast joint fit: question"
ANSWER = "session-forecast joint fit: answer"
STATE = "session-forecast joint fit: rounds"
MOMENTS = ("weight", "first", "second", "zero_one", "n_rows", "n_subjects")
Answers: TypeAlias = tuple[Mapping[str, Any], ...]
Put: TypeAlias = Callable[[dict[str, Any]], Answers]


def answer_question(log: OutcomeLog, question: Any) -> dict[str, Any]:
    """Return the answer of a clinic's ``log`` to a joint fit's question, as plain JSON values.

    Raises RequestError if it is no question of this version, or asks for a covariate that fewer
    than five courses have, and DataError if fewer than 20 courses reached the goal.

    Examples
    --------
    >>> answer_question(log, JointRounds().advance()[0])["counts"]
    {'courses': 150, 'reached': 85}
    """
    _check_kind(question, QUESTION, "refused.no_question")
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
            found = _score_and_information(rows, question, given)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        if isinstance(problem, RequestError | DataError):
            raise
        values = {"why": str(problem)}
        raise RequestError(*problem_and_remedy("refused.question_damaged", values)) from None
    return {"kind": ANSWER, "schema": SCHEMA, "question": digest(question), **found}


def _score_and_information(
    rows: pd.DataFrame, question: Mapping[str, Any], given: Sequence[str]
) -> dict[str, Any]:
    fills = {str(name): float(value) for name, value in question["fills"].items()}
    rare = [name for name in fills if name not in given]
    if rare:
        raise RequestError(*problem_and_remedy("refused.question_rare", {"name": rare[0]}))
    encoding = Encoding(tuple((name, None) for name in fills))
    site = RowsHere.of(durations_of(rows, fills), encoding)
    if question["ask"] == "counts":
        counts = site.counts()  # what happened at each session stays here
        total = {"at_risk": float(counts.at_risk.sum()), "events": float(counts.events.sum())}
        return {"sums": total | {name: plain(getattr(counts, name)) for name in MOMENTS}}
    parameters = np.array(question["parameters"], dtype=np.float64)
    if parameters.shape != (3 + len(fills),) or not np.isfinite(parameters).all():
        raise ValueError("the parameters")
    if question["ask"] == "expected":
        return {"sums": {"information": site.expected(parameters).tolist()}}
    if question["ask"] != "derivatives":
        raise ValueError(f"it asks for {question['ask']!r}")
    return {"sums": plain(site.derivatives(parameters))}


def _check_kind(stored: Any, kind: str, code: str) -> None:
    if not isinstance(stored, dict) or stored.get("kind") != kind:
        raise RequestError(*problem_and_remedy(code))
    if stored.get("schema") != SCHEMA:
        values = {"schema": stored.get("schema"), "known": SCHEMA}
        raise RequestError(*problem_and_remedy("refused.joint_schema", values))


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
            _check_kind(answer, ANSWER, "refused.no_answer")
        texts = [json.dumps(answer, sort_keys=True) for answer in answers]
        wanted = len(self.answers[0]) if self.answers else max(len(texts), 2)
        if len(set(texts)) < len(texts) or len(texts) != wanted:
            values = {"n": len(set(texts)), "wanted": wanted}
            raise RequestError(*problem_and_remedy("refused.answers", values))
        # in an order of their own, so that sums do not depend on how the files were named
        ordered = tuple(answer for _, answer in sorted(zip(texts, answers, strict=True),
                                                       key=lambda pair: pair[0]))  # fmt: skip
        return replace(self, answers=(*self.answers, ordered))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {"kind": STATE, "schema": SCHEMA, **plain(self)}

    @classmethod
    def from_dict(cls, stored: Any) -> JointRounds:
        """Return the rounds that :meth:`to_dict` wrote, or raise RequestError."""
        _check_kind(stored, STATE, "refused.no_rounds")
        return cls(stored["goal"], tuple(tuple(one) for one in stored["answers"]))


def _run(goal: str, put: Put) -> PooledEvidence:
    base = {"kind": QUESTION, "schema": SCHEMA, "goal": goal}
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
        means = _common_means(first)
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


def _common_means(first: Answers) -> dict[str, float]:
    columns = [answer["columns"] for answer in first]
    common = [name for name in (*COVARIATES, LIGHTEN) if all(name in one for one in columns)]
    if not common:
        raise RequestError(*problem_and_remedy("refused.nothing_shared"))
    return {
        name: sum(one[name]["sum"] for one in columns)
        / sum(one[name]["courses"] for one in columns)
        for name in common
    }
