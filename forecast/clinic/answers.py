"""A clinic's answers to the questions of a joint fit: sums over its courses, never a row."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.clinic.rows import check_goal, judged_rows
from forecast.clinic.share import (
    FEWEST_REACHED,
    SHARED_MODEL,
    at_least,
    filled_durations,
    shareable,
    totals,
)
from forecast.errors import DataError, RequestError
from forecast.survival import Counts, Encoding, RowsHere, smooth_baseline

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["ANSWER", "QUESTION", "SCHEMA", "answer_question", "check_kind", "fingerprint"]

SCHEMA = 1
QUESTION = "session-forecast joint fit: question"
ANSWER = "session-forecast joint fit: answer"


def answer_question(log: OutcomeLog, question: Any) -> dict[str, Any]:
    """Return a clinic's answer to one question of a joint fit, as plain JSON values.

    Raises
    ------
    RequestError
        If it is no question of this version, or asks for a covariate that fewer than five
        courses speak of.
    DataError
        If fewer than 20 courses reached the goal.
    """
    check_kind(question, QUESTION, "question")
    try:
        goal = check_goal(question["goal"])
        rows = judged_rows(log, goal=goal)
        if int(rows["observed"].sum()) < FEWEST_REACHED:
            raise DataError(
                f"Only {int(rows['observed'].sum())} course(s) reached the goal.",
                f"Join once {FEWEST_REACHED} have: below that, single courses show.",
            )
        given = shareable(rows)
        if question["ask"] == "columns":
            found = what_is_there(log, rows, given)
        else:
            found = sums_of(rows, question, given)
    except (KeyError, TypeError, ValueError, AttributeError) as problem:
        if isinstance(problem, RequestError | DataError):
            raise
        raise RequestError(f"The question is damaged ({problem}).", "Ask for it again.") from None
    return {"kind": ANSWER, "schema": SCHEMA, "question": fingerprint(question), **found}


def what_is_there(log: OutcomeLog, rows: pd.DataFrame, given: Sequence[str]) -> dict[str, Any]:
    """Return which covariates this log can speak of, their sums and how many courses have them."""
    return {
        "columns": {
            name: {"sum": float(rows[name].sum()), "courses": int(rows[name].notna().sum())}
            for name in given
        },
        "counts": {name: at_least(n) for name, n in totals(log, rows).items()},
    }


def sums_of(
    rows: pd.DataFrame, question: Mapping[str, Any], given: Sequence[str]
) -> dict[str, Any]:
    """Return the sums that a question asks for."""
    fills = {str(name): float(value) for name, value in question["fills"].items()}
    rare = [name for name in fills if name not in given]
    if rare:
        raise RequestError(
            f"The question asks for {rare[0]}, of which this log has too few courses.",
            "Start the joint fit afresh with this clinic's answer.",
        )
    encoding = Encoding(tuple((name, None) for name in fills))
    site = RowsHere.of(SHARED_MODEL, filled_durations(rows, fills), encoding)
    if question["ask"] == "counts":
        return {"sums": plain_counts(site.counts())}
    parameters = np.array(question["parameters"], dtype=np.float64)
    if parameters.shape != (3 + len(fills),) or not np.isfinite(parameters).all():
        raise ValueError("the parameters")
    if question["ask"] == "expected":
        return {"sums": {"information": site.expected(parameters, smooth_baseline()).tolist()}}
    if question["ask"] != "derivatives":
        raise ValueError(f"it asks for {question['ask']!r}")
    return {"sums": site.derivatives(parameters, smooth_baseline()).to_dict()}


def plain_counts(counts: Counts) -> dict[str, Any]:
    """Return totals and moments of the covariates; what happened at each session stays here."""
    return {
        "at_risk": float(counts.at_risk.sum()),
        "events": float(counts.events.sum()),
        "weight": counts.weight,
        "first": counts.first.tolist(),
        "second": counts.second.tolist(),
        "zero_one": counts.zero_one.tolist(),
        "n_rows": counts.n_rows,
        "n_subjects": counts.n_subjects,
    }


def check_kind(stored: Any, kind: str, word: str) -> None:
    """Raise RequestError unless ``stored`` is of this kind and version."""
    if not isinstance(stored, dict) or stored.get("kind") != kind:
        raise RequestError(f"This is not the {word} of a joint fit.", "Give the right file.")
    if stored.get("schema") != SCHEMA:
        raise RequestError(
            f"The {word} has schema {stored.get('schema')!r}, this is {SCHEMA}.",
            "Use the same version everywhere.",
        )


def fingerprint(stored: Mapping[str, Any]) -> str:
    """Return a fingerprint of plain values."""
    return hashlib.sha256(json.dumps(stored, sort_keys=True).encode()).hexdigest()[:16]
