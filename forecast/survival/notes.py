"""What a fit rests on, put into numbers and words once for every model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError
from forecast.survival.durations import Durations
from forecast.survival.model import FitNotes

__all__ = [
    "count_steps",
    "first_seen",
    "fit_notes",
    "notes_from_dict",
    "notes_to_dict",
    "one_row_each",
    "refuse_no_events",
]

FloatArray: TypeAlias = npt.NDArray[np.float64]

WELL_SUPPORTED = 5
EVENTS_PER_COVARIATE = 10


def count_steps(
    durations: Durations, weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return (at risk, events) at steps 1 to the last, weighted, each of shape (steps,)."""
    weight = durations.weight if weight is None else weight
    steps = int(durations.step.max(initial=0))
    event = durations.observed
    events = np.bincount(durations.step[event], weight[event], steps + 1)[1:]
    leave = np.bincount(durations.step, weight, steps + 1)[1:]
    join = np.bincount(durations.entry, weight, steps + 1)[:steps]
    # at risk at t: joined before t, not left before t
    left = np.concatenate([[0.0], np.cumsum(leave)[:-1]])
    at_risk: FloatArray = np.cumsum(join) - left
    return at_risk, events.astype(np.float64)


def fit_notes(
    durations: Durations,
    *,
    n_covariates: int,
    converged: bool = True,
    dropped: Sequence[str] = (),
    messages: Sequence[str] = (),
    rows_at_risk: FloatArray | None = None,
) -> FitNotes:
    """Return the notes of a fit, with the doubts that any model shares.

    ``rows_at_risk`` per step is counted here unless it is known already.
    """
    used = durations.weight > 0
    at_risk = rows_at_risk
    if at_risk is None:
        at_risk, _ = count_steps(durations, used.astype(np.float64))
    supported = np.flatnonzero(at_risk >= WELL_SUPPORTED)
    n_events = int(durations.observed[used].sum())
    doubts = list(messages)
    if dropped:
        doubts.append(f"Left out, the same in every row: {', '.join(dropped)}.")
    if n_covariates and n_events < EVENTS_PER_COVARIATE * n_covariates:
        doubts.append(
            f"{n_events} event(s) for {n_covariates} covariate(s): effects are uncertain."
        )
    if not converged:
        doubts.append("The iterations did not settle; take the numbers with caution.")
    return FitNotes(
        n_rows=len(durations),
        n_subjects=count_subjects(durations),
        n_events=n_events,
        horizon=len(at_risk),
        supported_to=int(supported[-1]) + 1 if len(supported) else 0,
        converged=converged,
        messages=tuple(doubts),
    )


def one_row_each(durations: Durations) -> bool:
    """Say whether subjects are just the row numbers: nobody was named, all are independent."""
    subject = durations.subject
    return subject.dtype.kind in "iu" and bool((subject == np.arange(len(subject))).all())


def count_subjects(durations: Durations) -> int:
    """Return the number of distinct subjects."""
    if one_row_each(durations):
        return len(durations)
    return len(set(durations.subject.tolist()))


def refuse_no_events(durations: Durations, weight: FloatArray | None = None) -> None:
    """Raise FitError if nobody had the event."""
    weight = durations.weight if weight is None else weight
    if not weight[durations.observed].sum() > 0:
        raise FitError(
            f"None of the {len(durations)} row(s) had the event.",
            "Nothing can be learnt of when it happens; add rows, or start from a prior.",
        )


def notes_to_dict(notes: FitNotes) -> dict[str, Any]:
    """Return the notes as plain values."""
    return {**asdict(notes), "messages": list(notes.messages)}


def notes_from_dict(stored: Mapping[str, Any]) -> FitNotes:
    """Return the notes that :func:`notes_to_dict` wrote."""
    return FitNotes(**{**stored, "messages": tuple(stored["messages"])})


def first_seen(subject: npt.NDArray[Any]) -> npt.NDArray[np.int64]:
    """Return subjects numbered in the order they are first met."""
    from pandas import factorize

    places: npt.NDArray[np.int64] = factorize(subject)[0]
    return places
