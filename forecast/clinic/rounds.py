"""The exact joint fit of several clinics by exchange of files: sums travel, rows stay.

Newton's method on the pooled rows needs, in each round, only a gradient and a square matrix from
each clinic. Whoever pools keeps a `JointRounds`, which writes the next question; each clinic
answers it from its own log with `answer_question`; the answers go back in, until the fit is
done. It equals the fit on the pooled rows, of the covariates that every clinic can speak of,
missing ones at their pooled mean.

What travels is exact and so says more than a share: sums over all courses of a clinic and their
cross-products, at each round's parameters. Covariates that fewer than five courses of some clinic
speak of are left out, and counts per session are not sent. Somebody who knows all courses of a
clinic but one could work out that one; a share is made so that they could not.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import numpy as np

from forecast.clinic.answers import ANSWER, QUESTION, SCHEMA, check_kind, fingerprint
from forecast.clinic.attributes import COVARIATES, LIGHTEN
from forecast.clinic.pool import PooledEvidence
from forecast.clinic.share import SHARED_MODEL
from forecast.errors import DataError, RequestError
from forecast.survival import Counts, Encoding, ScoreAndInformation, joint_fit

if TYPE_CHECKING:
    from forecast.survival import Site

__all__ = ["JointRounds"]

STATE = "session-forecast joint fit: rounds"
Answers: TypeAlias = tuple[Mapping[str, Any], ...]
Put: TypeAlias = Callable[[dict[str, Any]], Answers]


def counts_of(stored: Mapping[str, Any]) -> Counts:
    """Return the counts that `plain_counts` wrote, all sessions in one."""
    at_risk, events = np.array([stored["at_risk"]]), np.array([stored["events"]])
    return Counts(
        at_risk,
        events,
        at_risk,
        events,
        float(stored["weight"]),
        np.array(stored["first"], dtype=np.float64),
        np.array(stored["second"], dtype=np.float64),
        np.array(stored["zero_one"], dtype=np.bool_),
        int(stored["n_rows"]),
        int(stored["n_subjects"]),
    )


class Unanswered(Exception):  # noqa: N818 (not an error: the fit waits for answers)
    """The fit needs an answer that has not come yet; carries the question."""

    def __init__(self, question: dict[str, Any]) -> None:
        super().__init__("unanswered")
        self.question = question


@dataclass(frozen=True, slots=True)
class JointRounds:
    """A joint fit under way: the questions so far and what each clinic answered.

    Attributes
    ----------
    goal : str
    answers : tuple of tuple of mapping
        One tuple per round, in the order asked; within it one answer per clinic.
    """

    goal: str = "clear"
    answers: tuple[Answers, ...] = ()

    def advance(self) -> tuple[dict[str, Any] | None, PooledEvidence | None]:
        """Return the question to send out next, or None and the common model when done.

        Raises
        ------
        RequestError
            If the answers do not belong to the questions, or clinics share no covariate.
        """
        asked = 0

        def put(question: dict[str, Any]) -> Answers:
            nonlocal asked
            if asked == len(self.answers):
                raise Unanswered(question)
            round_answers = self.answers[asked]
            asked += 1
            mark = fingerprint(question)
            if any(answer.get("question") != mark for answer in round_answers):
                raise RequestError(
                    f"An answer of round {asked} is to another question.",
                    "Give each clinic's answer to the question written last.",
                )
            return round_answers

        try:
            return None, run(self.goal, put)
        except Unanswered as waiting:
            return waiting.question, None

    def with_answers(self, answers: Sequence[Any]) -> JointRounds:
        """Return these rounds and one more, with the answers of all clinics.

        Raises
        ------
        RequestError
            If one is no answer, is there twice, or clinics are missing.
        """
        for answer in answers:
            check_kind(answer, ANSWER, "answer")
        texts = [json.dumps(answer, sort_keys=True) for answer in answers]
        wanted = len(self.answers[0]) if self.answers else max(len(texts), 2)
        if len(set(texts)) < len(texts) or len(texts) != wanted:
            raise RequestError(
                f"There are {len(set(texts))} different answers, {wanted} are needed.",
                "Give one answer of each clinic, the same clinics in every round.",
            )
        # in an order of their own, so that sums do not depend on how the files were named
        ordered = tuple(answer for _, answer in sorted(zip(texts, answers, strict=True),
                                                       key=lambda pair: pair[0]))  # fmt: skip
        return replace(self, answers=(*self.answers, ordered))

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "kind": STATE,
            "schema": SCHEMA,
            "goal": self.goal,
            "answers": [list(one) for one in self.answers],
        }

    @classmethod
    def from_dict(cls, stored: Any) -> JointRounds:
        """Return the rounds that :meth:`to_dict` wrote, or raise RequestError."""
        check_kind(stored, STATE, "file of rounds")
        return cls(stored["goal"], tuple(tuple(one) for one in stored["answers"]))


def run(goal: str, put: Put) -> PooledEvidence:
    """Fit jointly, asking with ``put``."""
    base = {"kind": QUESTION, "schema": SCHEMA, "goal": goal}
    first = put({**base, "ask": "columns"})
    try:
        means = common_means(first)
        fitted = joint_fit(
            SHARED_MODEL,
            Encoding(tuple((name, None) for name in means)),
            cast("Sequence[Site]", first),  # asked by file, never called
            ask=lambda _, method, arguments: read_answers(
                method, put({**base, "ask": method, "fills": means, **told(arguments)})
            ),
        )
        counts = {
            name: sum(int(answer["counts"].get(name) or 0) for answer in first)
            for name in first[0]["counts"]
        }
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        if isinstance(problem, RequestError | DataError):
            raise
        raise RequestError(f"An answer is damaged ({problem!r}).", "Ask for it again.") from None
    return PooledEvidence(
        goal=goal,
        parameters=fitted.names,
        mean=fitted.parameters,
        covariance=fitted.covariance_matrix,
        variance_between=np.full(len(fitted.names), np.nan),
        n_clinics=(len(first),) * len(fitted.names),
        members=tuple(fingerprint(answer) for answer in first),
        counts=counts,
        notes=(
            f"The exact fit on the rows of {len(first)} clinics together, which takes them for "
            "one; the spread between them in a prior is judged, not found.",
            "Use it where none of these clinics' logs is fitted: its courses would count twice.",
        ),
    )


def common_means(first: Answers) -> dict[str, float]:
    """Return the pooled mean of each covariate that every clinic can speak of."""
    columns = [answer["columns"] for answer in first]
    common = [name for name in (*COVARIATES, LIGHTEN) if all(name in one for one in columns)]
    if not common:
        raise RequestError("The clinics share no covariate.", "Pool their shares instead.")
    return {
        name: sum(one[name]["sum"] for one in columns)
        / sum(one[name]["courses"] for one in columns)
        for name in common
    }


def told(arguments: tuple[Any, ...]) -> dict[str, Any]:
    """Return the parameters that a question is asked at, if any."""
    return {"parameters": arguments[0].tolist()} if arguments else {}


def read_answers(method: str, answers: Answers) -> list[Any]:
    """Return the sums in the answers to one question."""
    sums = [answer["sums"] for answer in answers]
    if method == "counts":
        return [counts_of(one) for one in sums]
    if method == "expected":
        return [np.array(one["information"], dtype=np.float64) for one in sums]
    return [ScoreAndInformation.from_dict(one) for one in sums]
