"""Time to an event counted in steps: who was at risk when, and what was seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._checks import nearest
from forecast._types import AnyArray, BoolArray, FloatArray, IntArray
from forecast.errors import DataError
from forecast.survival.encoding import numbers as as_numbers

if TYPE_CHECKING:
    import pandas as pd

MOST_STEPS = 1_000_000  # tables per step are kept: a mistyped count must not fill the memory


@dataclass(frozen=True, slots=True, eq=False)
class Durations:
    """One row per spell: at risk in steps ``entry + 1`` to ``step``, event at ``step`` if observed.

    A subject whose covariates change has one row per spell of constant covariates, the next
    starting where the one before ended; only the last can carry the event.

    Attributes
    ----------
    step : ndarray of shape (n,), int
        The last step at risk, from 1.
    observed : ndarray of shape (n,), bool
        Whether the event happened at ``step``; otherwise the row is censored there.
    covariates : DataFrame of shape (n, p)
        Numeric columns, or text columns whose values are levels. A copy, index 0 to n - 1.
    subject : ndarray of shape (n,)
        Who the row belongs to: rows of one subject are not independent.
    entry : ndarray of shape (n,), int
        Steps already taken, event-free, before the row is watched (left truncation).
    weight : ndarray of shape (n,), float
        How many rows this one stands for; 0 or more.

    Raises
    ------
    DataError
        If a step is below 1 or above a million, an entry is negative or not before its step, a
        weight is negative, anything but a covariate is missing, or lengths differ.
    """

    step: IntArray
    observed: BoolArray
    covariates: pd.DataFrame
    subject: AnyArray
    entry: IntArray
    weight: FloatArray

    def __post_init__(self) -> None:
        arrays = {
            "step": whole("step", self.step),
            "observed": flags("observed", self.observed),
            "subject": np.array(self.subject),
            "entry": whole("entry", self.entry),
            "weight": as_numbers("weight", self.weight).copy(),
        }
        n = len(arrays["step"])
        for name, array in arrays.items():
            if array.shape != (n,):
                raise DataError(
                    f"{name} has shape {array.shape}, step has {n} row(s).",
                    "Give one value per row.",
                )
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        if len(self.covariates) != n:
            raise DataError(
                f"covariates has {len(self.covariates)} row(s), step has {n}.",
                "Give one row of covariates per row.",
            )
        object.__setattr__(self, "covariates", self.covariates.reset_index(drop=True))
        refuse(arrays["step"] < 1, "step", "is below 1", "Count steps from 1.")
        refuse(arrays["entry"] < 0, "entry", "is negative", "Give the steps taken before.")
        refuse(
            arrays["entry"] >= arrays["step"],
            "entry",
            "is not before its step",
            "Leave out rows that were never at risk.",
        )
        allowed = (arrays["weight"] >= 0) & np.isfinite(arrays["weight"])
        refuse(~allowed, "weight", "is not 0 or more", "Give weights from 0 up.")
        refuse(arrays["step"] > MOST_STEPS, "step", f"is above {MOST_STEPS:,}", "Use longer steps.")
        refuse(missing(arrays["subject"]), "subject", "is missing", "Name every subject.")

    @classmethod
    def from_frame(
        cls,
        frame: pd.DataFrame,
        *,
        step: str,
        observed: str,
        covariates: Sequence[str],
        entry: str | None = None,
        subject: str | None = None,
        weight: str | None = None,
    ) -> Durations:
        """Return the durations held in named columns of ``frame``.

        Without ``subject`` every row is its own; without ``entry`` all start at 0; without
        ``weight`` each row counts once.
        """
        import pandas as pd

        named = [step, observed, entry, subject, weight, *covariates]
        missing = [name for name in named if name is not None and name not in frame.columns]
        if missing:
            raise DataError(
                f"The frame has no column {missing[0]!r}.",
                f"Its columns are {list(frame.columns)}.{nearest(missing[0], frame.columns)}",
            )
        if frame.index.has_duplicates:
            raise DataError(
                f"The frame's index repeats {frame.index[frame.index.duplicated()].tolist()[0]!r}.",
                "Give every row its own label, for example with reset_index().",
            )
        n = len(frame)
        return cls(
            step=frame[step].to_numpy(),
            observed=frame[observed].to_numpy(),
            # put together here: copying columns that lie apart would copy their numbers thrice
            covariates=pd.DataFrame({name: frame[name] for name in covariates}, index=frame.index),
            subject=frame[subject].to_numpy() if subject else np.arange(n, dtype=np.int32),
            entry=frame[entry].to_numpy() if entry else np.zeros(n, dtype=np.int64),
            weight=frame[weight].to_numpy() if weight else np.ones(n),
        )

    def __len__(self) -> int:
        return len(self.step)

    def take(self, rows: IntArray | BoolArray) -> Durations:
        """Return the rows asked for, in that order, by position or by a mask."""
        return Durations(
            self.step[rows],
            self.observed[rows],
            self.covariates.iloc[np.arange(len(self))[rows]],
            self.subject[rows],
            self.entry[rows],
            self.weight[rows],
        )


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


def one_row_each(durations: Durations) -> bool:
    """Say whether subjects are just the row numbers: nobody was named, all are independent."""
    subject = durations.subject
    return subject.dtype.kind in "iu" and bool((subject == np.arange(len(subject))).all())


def count_subjects(durations: Durations) -> int:
    """Return the number of distinct subjects."""
    if one_row_each(durations):
        return len(durations)
    return len(set(durations.subject.tolist()))


def first_seen(subject: AnyArray) -> IntArray:
    """Return subjects numbered in the order they are first met."""
    from pandas import factorize

    places: IntArray = factorize(subject)[0]
    return places


def missing(values: AnyArray) -> BoolArray:
    """Mark None and values that do not equal themselves (NaN, NaT)."""
    if values.dtype.kind not in "fOM":
        return np.zeros(values.shape, dtype=bool)
    from pandas import isna

    return np.asarray(isna(values))


def whole(name: str, values: npt.ArrayLike) -> IntArray:
    """Return ``values`` as whole numbers, or raise DataError."""
    if np.asarray(values).dtype.kind in "iu":
        return np.array(values, dtype=np.int64)
    numbers = as_numbers(name, values)
    refuse(numbers != np.floor(numbers), name, "is not a whole number", "Give whole steps.")
    return numbers.astype(np.int64)


def flags(name: str, values: npt.ArrayLike) -> BoolArray:
    """Return ``values`` as yes or no, or raise DataError."""
    if np.asarray(values).dtype == np.bool_:
        return np.array(values)
    numbers = as_numbers(name, values)
    refuse(~np.isin(numbers, (0, 1)), name, "is neither true nor false", "Give true or false.")
    yes: BoolArray = numbers == 1
    return yes


def refuse(bad: BoolArray, name: str, what: str, remedy: str) -> None:
    """Raise DataError naming the first bad row, if there is one."""
    if bad.any():
        raise DataError(f"{bad.sum()} value(s) of {name}: row {bad.argmax()} {what}.", remedy)
