"""What was seen of each path: from when, until when, and whether the event came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from forecast._types import AnyArray, BoolArray, FloatArray, IntArray
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    from forecast.survival import Durations


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """One row per path: watched in steps ``entry + 1`` to ``step``, event at ``step`` or not.

    The event at a step comes before dropping out at that step: a path censored at step 4 is
    known to be without the event after four steps.

    Attributes
    ----------
    step : ndarray of shape (n,), int
        The last step watched, from 1.
    observed : ndarray of shape (n,), bool
        Whether the event happened at ``step``.
    entry : ndarray of shape (n,), int
        Steps taken, event-free, before the path is watched. Zeros if not given.
    weight : ndarray of shape (n,), float
        How many paths this one stands for. Ones if not given.
    subject : ndarray of shape (n,)
        Paths of one subject are not independent. Each path its own subject if not given.

    Raises
    ------
    DataError
        If lengths differ, a step is below 1 or an entry is not before its step.

    Examples
    --------
    >>> seen = Outcomes([2, 3], [True, False])
    >>> seen.n_events, seen.up_to(1).n_events
    (1, 0)
    """

    step: IntArray
    observed: BoolArray
    entry: IntArray = None  # type: ignore[assignment]
    weight: FloatArray = None  # type: ignore[assignment]
    subject: AnyArray = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        step = np.array(self.step, dtype=np.int64)
        n = len(step)
        entry = np.zeros(n, np.int64) if self.entry is None else self.entry
        weight = np.ones(n) if self.weight is None else self.weight
        subject = np.arange(n) if self.subject is None else self.subject
        arrays = {
            "step": step,
            "observed": np.array(self.observed, dtype=bool),
            "entry": np.array(entry, dtype=np.int64),
            "weight": np.array(weight, dtype=np.float64),
            "subject": np.array(subject, dtype=object),
        }
        for name, array in arrays.items():
            if array.shape != (n,):
                raise DataError(
                    f"{name} has shape {array.shape}, step has {n} row(s).",
                    "Give one value per path.",
                )
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        bad = (step < 1) | (arrays["entry"] >= step) | (arrays["entry"] < 0)
        if bad.any():
            raise DataError(
                f"{bad.sum()} path(s) were never watched, first row {bad.argmax()}.",
                "Give steps from 1, each after its entry.",
            )

    @classmethod
    def from_durations(cls, durations: Durations) -> Outcomes:
        """Return one row per path, the spells of a path joined."""
        path = path_of_row(durations)
        first = np.flatnonzero(np.diff(path, prepend=-1))
        last = np.append(first[1:], len(path)) - 1
        return cls(
            durations.step[last],
            durations.observed[last],
            durations.entry[first],
            durations.weight[last],
            durations.subject[last],
        )

    def __len__(self) -> int:
        return len(self.step)

    @property
    def n_events(self) -> int:
        """How many paths were seen to reach the event."""
        return int((self.observed & (self.weight > 0)).sum())

    def take(self, rows: IntArray | BoolArray) -> Outcomes:
        """Return the paths asked for, by position or by a mask."""
        return Outcomes(
            self.step[rows],
            self.observed[rows],
            self.entry[rows],
            self.weight[rows],
            self.subject[rows],
        )

    def up_to(self, horizon: int) -> Outcomes:
        """Return the same paths with watching ended at ``horizon``.

        Raises
        ------
        RequestError
            If a path is watched only beyond ``horizon``.
        """
        late = self.entry >= horizon
        if late.any():
            raise RequestError(
                f"{late.sum()} path(s) enter at step {horizon} or later, first {late.argmax()}.",
                "Leave them out or take a longer horizon.",
            )
        return Outcomes(
            np.minimum(self.step, horizon),
            self.observed & (self.step <= horizon),
            self.entry,
            self.weight,
            self.subject,
        )

    def conditioned(self, distribution: CountDistribution) -> CountDistribution:
        """Return each row's distribution given no event by that path's entry; steps unchanged."""
        self.check_matches(distribution)
        if not self.entry.any():
            return distribution
        before = np.arange(1, distribution.horizon + 1) <= self.entry[:, None]
        left = 1 - (distribution.pmf * before).sum(axis=1)
        pmf = np.where(before, 0, distribution.pmf) / np.maximum(left, 1e-12)[:, None]
        return CountDistribution(pmf / np.maximum(pmf.sum(axis=1), 1)[:, None])

    def check_matches(self, distribution: CountDistribution) -> None:
        """Raise RequestError unless ``distribution`` has one row per path."""
        if len(distribution) != len(self):
            raise RequestError(
                f"There are {len(distribution)} predicted distribution(s) for {len(self)} path(s).",
                "Give one distribution per path, in the same order.",
            )


def path_of_row(durations: Durations) -> IntArray:
    """Return the number of the path each row belongs to, counted from 0 in row order.

    A row goes on from the row before it when both are of one subject, the earlier ended without
    the event, and the later enters at the step where the earlier ended. The spells of a path
    must therefore stand together, in order; otherwise each counts as a path that entered late,
    which is scored honestly too.
    """
    same = durations.subject[1:] == durations.subject[:-1]
    onward = (durations.entry[1:] == durations.step[:-1]) & ~durations.observed[:-1]
    starts = np.append(True, ~(same & onward).astype(bool))[: len(durations)]
    return np.cumsum(starts) - 1


def follow_paths(distribution: CountDistribution, durations: Durations) -> CountDistribution:
    """Return one distribution per path from one per row: each step's hazard is its spell's own.

    Steps before the first spell take the first spell's hazard, steps after the last the last's.
    """
    path = path_of_row(durations)
    first = np.flatnonzero(np.diff(path, prepend=-1))
    if len(first) == len(path):
        return distribution
    last = np.append(first[1:], len(path)) - 1
    row = np.repeat(last[:, None], distribution.horizon, axis=1)
    steps = np.arange(1, distribution.horizon + 1)
    for spell in range(len(path) - 1, -1, -1):
        row[path[spell]] = np.where(steps <= durations.step[spell], spell, row[path[spell]])
    return CountDistribution.from_hazard(distribution.hazard()[row, steps - 1])


def by_subject(values: FloatArray, subject: AnyArray) -> FloatArray:
    """Return the sum of ``values`` for each subject.

    Examples
    --------
    >>> by_subject(np.array([1.0, 2.0, 4.0]), np.array(["a", "b", "a"], dtype=object)).tolist()
    [5.0, 2.0]
    """
    _, owner = np.unique(subject.astype(str), return_inverse=True)
    return np.asarray(np.bincount(owner, weights=values), dtype=np.float64)
