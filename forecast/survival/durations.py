"""Rows of time to an event counted in steps, and their covariates as numbers.

Who was at risk when and what was seen; which columns, which levels, in which order, learnt once,
then frozen.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray
from forecast._checks import counted, nearest
from forecast._notes import Note
from forecast.errors import DataError, RequestError

if TYPE_CHECKING:
    import pandas as pd

MOST_STEPS = 1_000_000  # tables per step are kept: a mistyped count must not fill the memory
MOST_LEVELS = 200  # more are labels of rows, not levels: nothing can be learnt of each
SHORT = 50_000  # rows

CodeArray: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Levels: TypeAlias = tuple[str, ...]
# a mapping gives each column as one value or as a list of values
Covariates: TypeAlias = "pd.DataFrame | Mapping[str, Any]"


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
        from pandas import RangeIndex, isna

        arrays = {
            "step": whole("step", self.step),
            "observed": flags("observed", self.observed),
            "subject": np.array(self.subject),
            "entry": whole("entry", self.entry),
            "weight": numbers("weight", self.weight).copy(),
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
        refuse(self.step < 1, "step", "is below 1", "Count steps from 1.")
        refuse(self.entry < 0, "entry", "is negative", "Give the steps taken before.")
        late, allowed = self.entry >= self.step, (self.weight >= 0) & np.isfinite(self.weight)
        refuse(late, "entry", "is not before its step", "Leave out rows that were never at risk.")
        refuse(~allowed, "weight", "is not 0 or more", "Give weights from 0 up.")
        refuse(self.step > MOST_STEPS, "step", f"is above {MOST_STEPS:,}", "Use longer steps.")
        refuse(isna(self.subject), "subject", "is missing", "Name every subject.")

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


def whole(name: str, values: npt.ArrayLike) -> IntArray:
    """Return ``values`` as whole numbers, or raise DataError."""
    if np.asarray(values).dtype.kind in "iu":
        return np.array(values, dtype=np.int64)
    found = numbers(name, values)
    refuse(found != np.floor(found), name, "is not a whole number", "Give whole steps.")
    return found.astype(np.int64)


def flags(name: str, values: npt.ArrayLike) -> BoolArray:
    """Return ``values`` as yes or no, or raise DataError."""
    if np.asarray(values).dtype == np.bool_:
        return np.array(values)
    found = numbers(name, values)
    refuse(~np.isin(found, (0, 1)), name, "is neither true nor false", "Give true or false.")
    return np.asarray(found == 1)


def refuse(bad: BoolArray, name: str, what: str, remedy: str) -> None:
    """Raise DataError naming the first bad row, if there is one."""
    if bad.any():
        raise DataError(
            f"{counted(bad.sum(), 'value')} of {name}: row {bad.argmax()} {what}.", remedy
        )


@dataclass(frozen=True, slots=True)
class Encoding:
    """How covariates become a matrix of numbers; frozen, and plain enough for JSON.

    A numeric column keeps its name. A text column gives one 0/1 column per level but the first,
    named ``column[level]``; the first level, in sorted order (or in the order of a pandas
    categorical), is the reference: it does not depend on which rows happen to be there.

    Attributes
    ----------
    columns : tuple of (name, levels)
        ``levels`` is None for a numeric column.
    dropped : tuple of str
        Columns with one value only, which can explain nothing.
    shares : tuple of tuple of float
        For each text column, the share of each level in the rows learnt from; empty if unknown.
    names : tuple of str
        The encoded columns, in the order of the matrix.

    Examples
    --------
    >>> encoding = Encoding((("dose", None), ("group", ("a", "b"))))
    >>> encoding.names
    ('dose', 'group[b]')
    >>> encoding.encode({"dose": [1.5, 2.0], "group": "b"})
    array([[1.5, 1. ],
           [2. , 1. ]])
    """

    columns: tuple[tuple[str, Levels | None], ...]
    dropped: tuple[str, ...] = ()
    shares: tuple[tuple[float, ...], ...] = ()
    names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        names: list[str] = []
        for name, levels in self.columns:
            names += [name] if levels is None else [f"{name}[{level}]" for level in levels[1:]]
        object.__setattr__(self, "names", tuple(names))

    @classmethod
    def learn(cls, frame: pd.DataFrame, *, keep: Collection[str] = ()) -> Encoding:
        """Return the encoding that ``frame`` calls for.

        A numeric column with one value only is dropped, unless its name is in ``keep`` (a
        prior can speak about what these rows cannot). Missing and infinite values are refused.
        """
        columns: list[tuple[str, Levels | None]] = []
        dropped: list[str] = []
        whole = float_block(frame, list(frame.columns))
        for at, name in enumerate(frame.columns):
            cells: Any = frame[name] if whole is None else whole[:, at]
            levels = known_levels(name, cells) if whole is None and not numeric(cells) else None
            if levels is not None and len(levels) > MOST_LEVELS:
                raise DataError(
                    f"Column {name!r} has {len(levels)} different texts, the first {levels[0]!r}.",
                    f"Give a column of at most {MOST_LEVELS} levels, or numbers; leave out labels.",
                )
            if levels is None:
                values = np.asarray(cells, dtype=np.float64)
                ends = (values.min(), values.max()) if len(values) else (0.0, 1.0)
                if not np.isfinite(ends).all():
                    refuse_missing(name, ~np.isfinite(values))
                constant = name not in keep and ends[0] == ends[1]
            else:
                constant = len(levels) < 2
            if constant:
                dropped.append(str(name))
            else:
                columns.append((str(name), levels))
        texts = [(name, frame[name], levels) for name, levels in columns if levels is not None]
        counts = [np.bincount(codes(*text), minlength=len(text[2])) for text in texts]
        shares = tuple(tuple((count / len(frame)).tolist()) for count in counts)
        return cls(tuple(columns), tuple(dropped), shares)

    def encode(
        self, covariates: Covariates | None, *, constant: bool = False, average: bool = False
    ) -> FloatArray:
        """Return the matrix of shape (n, len(names)) for a frame, or for a mapping.

        A mapping gives each column as one value or as a list of values. Columns the encoding does
        not know are left alone. With ``constant``, a column of ones comes first. With ``average``,
        a level never seen is not refused but stands at the average of the rows learnt from, if
        their shares are known; :meth:`unseen` says so. Raises RequestError if a column is missing,
        a level was never seen, or lists differ in length, and DataError if a value is missing or
        not a number.
        """
        covariates = {} if covariates is None else covariates
        needed = [name for name, _ in self.columns] or [str(name) for name in covariates]
        whole = None if self.names != tuple(needed) else float_block(covariates, needed)
        at, rows = int(constant), count_rows(covariates, needed) if whole is None else len(whole)
        matrix = np.zeros((rows, at + len(self.names)), order="F")  # it is filled by columns
        matrix[:, :at] = 1.0
        if whole is not None and np.isfinite(whole).all():
            matrix[:, at:] = whole
            return matrix
        shares = iter(self.shares)
        for name, levels in self.columns:
            values = covariates[name]
            if levels is None:
                matrix[:, at] = numbers(name, values)
                at += 1
                continue
            share = next(shares, ()) if average else ()
            each = np.eye(len(levels) + 1, len(levels))[:, 1:]  # its last row: of what is unseen
            each[-1] = share[1:] or 0.0
            of_rows = each[codes(name, values, levels, strict=not share)]
            matrix[:, at : at + len(levels) - 1] = of_rows
            at += len(levels) - 1
        with np.errstate(invalid="ignore", over="ignore"):
            sums = matrix.sum(axis=0)
        if not np.isfinite(sums).all() and not np.isfinite(matrix).all():
            column = int((~np.isfinite(matrix)).any(axis=0).argmax())
            refuse_missing(self.names[column - constant], ~np.isfinite(matrix[:, column]))
        return matrix

    def unseen(self, covariates: Covariates) -> tuple[Note, ...]:
        """Return a note for each level that is answered at the average, and of how many rows."""
        found = []
        for name, levels in self.columns if self.shares else ():
            if levels is None:
                continue
            values = covariates[name]
            new = codes(name, values, levels, strict=False) < 0
            given = np.atleast_1d(np.asarray(values, dtype=object))[new].tolist()
            for level in dict.fromkeys(str(value) for value in given):
                rows = sum(str(value) == level for value in given)
                said = {"column": name, "level": level, "rows": rows, "known": levels}
                found.append(Note("fit.unseen_level", "caution", said))
        return tuple(found)


def float_block(frame: Any, names: Sequence[str]) -> FloatArray | None:
    """Return the numbers of short columns at once where every one holds floats, else None.

    Column by column takes ten times as long; at many rows it spares a copy of all of them.
    """
    if isinstance(frame, Mapping):
        columns: list[Any] = [frame.get(name) for name in names]
        listed = all(isinstance(one, np.ndarray) and one.ndim == 1 for one in columns)
        alike = listed and len({(one.size, one.dtype) for one in columns}) == 1
        return np.array(columns).T if alike and columns[0].dtype == np.float64 else None
    if not 0 < len(frame) <= SHORT or any(kind != np.float64 for kind in frame.dtypes):
        return None
    return np.asarray((frame if [*frame] == [*names] else frame[[*names]]).to_numpy())


def is_zero_one(values: FloatArray) -> bool:
    """Say whether a column holds only zeros and ones."""
    # the first hundred nearly always tell numbers from zeros and ones
    return all(bool(((some == 0) | (some == 1)).all()) for some in (values[:100], values))


def numeric(series: pd.Series[Any]) -> bool:
    """Say whether the column holds numbers (or true and false)."""
    from pandas.api.types import is_numeric_dtype

    if hasattr(series, "cat"):
        return False
    each = (isinstance(value, int | float | np.number) for value in series)
    return is_numeric_dtype(series) or all(each)


def known_levels(name: str, series: pd.Series[Any]) -> Levels:
    """Return the levels in use: sorted, or in the order of a categorical; none may be missing."""
    refuse_missing(name, series.isna().to_numpy(dtype=bool))
    if hasattr(series, "cat"):
        return tuple(map(str, series.cat.remove_unused_categories().cat.categories))
    return tuple(sorted({str(value) for value in series.unique()}))


def is_single(values: Any) -> bool:
    """Say whether ``values`` is one value rather than a list of them."""
    # numpy would look through all of a list
    return not isinstance(values, list | tuple) and np.ndim(values) == 0


def count_rows(covariates: Covariates, needed: Sequence[str]) -> int:
    """Return the number of rows, after checking that every needed column is there."""
    for name in needed:
        if name not in covariates:
            known = [str(column) for column in covariates]
            raise RequestError(
                f"The covariates have no column {name!r}.",
                f"Give {', '.join(needed)}.{nearest(name, known)}",
            )
    if not isinstance(covariates, Mapping):
        return len(covariates)
    lengths = {name: len(covariates[name]) for name in needed if not is_single(covariates[name])}
    if len(set(lengths.values())) > 1:
        raise RequestError(
            f"The covariates differ in length: {lengths}.", "Give one value or lists of one length."
        )
    return next(iter(lengths.values()), 1)


def numbers(name: str, values: Any) -> FloatArray:
    """Return the values as floats, or raise DataError naming the column."""
    try:
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(
            f"Column {name!r} holds {first_not_a_number(values)!r}, which is not a number.",
            f"Give {name} as numbers.",
        ) from None


def first_not_a_number(values: Any) -> Any:
    """Return the first value that cannot be read as a number."""
    for value in np.atleast_1d(np.asarray(values, dtype=object)):
        try:
            float(value)
        except (TypeError, ValueError):
            return value
    return values


def codes(name: str, values: Any, levels: Levels, *, strict: bool = True) -> CodeArray:
    """Return the position of each value among ``levels``; what was never seen is refused, or -1."""
    if hasattr(values, "array"):  # of a whole column each distinct value is looked up once
        from pandas import factorize

        place, distinct = factorize(values)
        refuse_missing(name, place < 0)
        found = codes(name, list(distinct), levels, strict=False)[place]
        # the row is named by looking up each
        return codes(name, values.tolist(), levels) if strict and (found < 0).any() else found
    position = {level: code for code, level in enumerate(levels)}
    given = [values] if is_single(values) else values
    try:
        return np.array([position[value] for value in given], dtype=np.int16)  # MOST_LEVELS fit
    except (KeyError, TypeError):
        texts = [None if value is None or value != value else str(value) for value in given]
    refuse_missing(name, np.array([text is None for text in texts]))
    for row, text in enumerate(texts if strict else ()):
        if text not in position:
            raise RequestError(
                f"Column {name!r} has level {text!r} in row {row}, never seen in the fit.",
                f"Known levels are {', '.join(levels)}.{nearest(str(text), levels)}",
            )
    return np.array([position.get(str(text), -1) for text in texts], dtype=np.int16)


def refuse_missing(name: str, bad: BoolArray) -> None:
    """Raise DataError naming the column, how many values are missing and the first row."""
    if bad.any():
        raise DataError(
            f"Column {name!r} has {counted(int(bad.sum()), 'missing value')}, first in row "
            f"{int(bad.argmax())}.",
            "Fill them in, leave the rows out, or leave the column out.",
        )
