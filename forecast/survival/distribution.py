"""Time to an event counted in steps: who was at risk when, what was seen, what is predicted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray
from forecast._checks import check_level, check_whole_number, counted, nearest
from forecast._notes import Note
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
        Numeric columns, or text columns whose values are levels; the index becomes 0 to n - 1.
        Not copied, where :meth:`from_frame` and :meth:`take` copy what they are given.
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

    Examples
    --------
    >>> durations.step, durations.observed.astype(int), len(durations.take(durations.observed))
    (array([1, 2, 2, 3, 4, 5]), array([1, 1, 0, 1, 1, 0]), 4)
    """

    step: IntArray
    observed: BoolArray
    covariates: pd.DataFrame
    subject: AnyArray
    entry: IntArray
    weight: FloatArray

    def __post_init__(self) -> None:
        from pandas import RangeIndex

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
                    f"{name} has shape {array.shape}, step has {counted(n, 'row')}.",
                    "Give one value per row.",
                )
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        if len(self.covariates) != n:
            raise DataError(
                f"covariates has {counted(len(self.covariates), 'row')}, step has {n}.",
                "Give one row of covariates per row.",
            )
        covariates = self.covariates.copy(deep=False)
        covariates.index = RangeIndex(n)
        object.__setattr__(self, "covariates", covariates)
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
        covariates: Sequence[str] = (),
        entry: str | None = None,
        subject: str | None = None,
        weight: str | None = None,
    ) -> Durations:
        """Return the durations held in named columns of ``frame``.

        Without ``covariates`` there are none, which is all that a life table needs. Without
        ``subject`` every row is its own; without ``entry`` all start at 0; without
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

    return factorize(subject)[0]


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
    return np.asarray(numbers == 1)


def refuse(bad: BoolArray, name: str, what: str, remedy: str) -> None:
    """Raise DataError naming the first bad row, if there is one."""
    if bad.any():
        raise DataError(
            f"{counted(bad.sum(), 'value')} of {name}: row {bad.argmax()} {what}.", remedy
        )


ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class CountDistribution:
    """When the event happens, as probabilities over steps 1 to ``horizon``.

    A row need not sum to one: what is missing is the probability that the event has not
    happened by the last step, which covers both "later" and "never".

    Attributes
    ----------
    pmf : ndarray of shape (n_subjects, horizon)
        ``pmf[i, k]`` is the probability that subject ``i`` has the event at step ``k + 1``.
    notes : tuple of Note
        What the model that predicts has to say of the rows asked about: levels it never saw.

    Raises
    ------
    DataError
        If an entry is negative or not a number, or a row sums to more than one.

    Examples
    --------
    >>> import numpy as np
    >>> two_steps = CountDistribution(np.array([[0.25, 0.5]]))
    >>> two_steps.quantile(0.5)
    array([2.])
    >>> two_steps.quantile(0.9)
    array([inf])
    """

    pmf: FloatArray
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        pmf = np.array(self.pmf, dtype=np.float64)
        if pmf.ndim != 2 or pmf.shape[1] < 1:
            raise DataError(
                f"pmf has shape {pmf.shape}.", "Give one row per subject and one column per step."
            )
        total = pmf.sum(axis=1)
        if pmf.size and not (pmf.min() >= 0 and total.max() <= 1 + ROUNDING):
            bad = ~(pmf >= 0).all(axis=1) | ~(total <= 1 + ROUNDING)
            raise DataError(
                f"{counted(bad.sum(), 'row')} of pmf without probabilities, "
                f"first row {bad.argmax()}.",
                "Each entry must be at least 0 and each row must sum to at most 1.",
            )
        pmf.setflags(write=False)
        object.__setattr__(self, "pmf", pmf)

    @classmethod
    def from_hazard(cls, hazard: npt.ArrayLike) -> CountDistribution:
        """Return the distribution with the given hazard at each step, shape (n, horizon)."""
        hazard = np.atleast_2d(np.asarray(hazard, dtype=np.float64))
        before = np.cumprod(1 - hazard, axis=1)
        before = np.hstack([np.ones((hazard.shape[0], 1)), before[:, :-1]])
        return cls(before * hazard)

    @property
    def horizon(self) -> int:
        """The last step."""
        return int(self.pmf.shape[1])

    def __len__(self) -> int:
        return int(self.pmf.shape[0])

    def __getitem__(self, rows: Any) -> CountDistribution:
        """Return the distribution of the rows asked for; one number gives one row."""
        return CountDistribution(np.atleast_2d(self.pmf[rows]))

    def cdf(self) -> FloatArray:
        """Return the probability of the event by each step, shape (n, horizon)."""
        return np.minimum(np.cumsum(self.pmf, axis=1), 1.0)

    def survival(self) -> FloatArray:
        """Return the probability of no event by each step, shape (n, horizon)."""
        return 1 - self.cdf()

    def not_yet(self) -> FloatArray:
        """Return the probability of no event by the horizon, shape (n,)."""
        return self.survival()[:, -1]

    def hazard(self) -> FloatArray:
        """Return the chance of the event at each step given none before, shape (n, horizon)."""
        before = np.hstack([np.ones((len(self), 1)), self.survival()[:, :-1]])
        return np.divide(self.pmf, before, out=np.zeros_like(self.pmf), where=before > 0)

    def quantile(self, level: float) -> FloatArray:
        """Return the first step by which the event has happened with probability ``level``.

        Shape (n,); ``inf`` where that is beyond the horizon.
        """
        return self._first_by(check_level(level))[:, 0]

    def median(self) -> FloatArray:
        """Return the median step, shape (n,); ``inf`` where it is beyond the horizon."""
        return self.quantile(0.5)

    def interval(self, level: float) -> FloatArray:
        """Return equal-tailed interval ends, shape (n, 2); ``inf`` beyond the horizon."""
        tail = (1 - check_level(level)) / 2
        return self._first_by(tail, 1 - tail)

    def _first_by(self, *levels: float) -> FloatArray:
        reached = self.cdf()[:, None, :] >= np.array(levels)[:, None] - ROUNDING
        first: FloatArray = reached.argmax(axis=2) + 1.0
        first[~reached[:, :, -1]] = np.inf
        return first

    def mean_capped(self, cap: int) -> FloatArray:
        """Return the expected step, counting at most ``cap``: E[min(K, cap)], shape (n,).

        ``cap`` may not exceed the horizon: beyond it nothing is known.
        """
        cap = check_whole_number(cap, name="cap", low=1, high=self.horizon)
        return np.asarray(1 + self.survival()[:, : cap - 1].sum(axis=1))

    def given_not_by(self, step: int) -> CountDistribution:
        """Return the distribution of the *remaining* steps, given no event by ``step``.

        Its first column is step ``step + 1``. A row that could not have got this far has no
        distribution and is refused.
        """
        step = check_whole_number(step, name="step", low=0, high=self.horizon - 1)
        left = self.survival()[:, step - 1] if step else np.ones(len(self))
        if (left <= 0).any():
            raise DataError(
                f"Row {int((left <= 0).argmax())} has the event by step {step} for certain.",
                "Condition on an earlier step.",
            )
        return CountDistribution(self.pmf[:, step:] / left[:, None])
