"""Covariates as numbers: which columns, which levels, in which order. Learnt once, then frozen."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray
from forecast._checks import counted, nearest
from forecast._notes import Note
from forecast.errors import DataError, RequestError

if TYPE_CHECKING:
    import pandas as pd

MOST_LEVELS = 200  # more are labels of rows, not levels: nothing can be learnt of each
SHORT = 50_000  # rows

CodeArray: TypeAlias = npt.NDArray[np.signedinteger[Any]]
Levels: TypeAlias = tuple[str, ...]


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
            series = None if whole is not None else frame[name]
            levels = None if series is None or numeric(series) else known_levels(name, series)
            if levels is not None and len(levels) > MOST_LEVELS:
                raise DataError(
                    f"Column {name!r} has {len(levels)} different texts, the first {levels[0]!r}.",
                    f"Give a column of at most {MOST_LEVELS} levels, or numbers; leave out labels.",
                )
            if levels is None:
                numbered = whole[:, at] if whole is not None else frame[name]
                values = np.asarray(numbered, dtype=np.float64)
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
        texts = [(frame[name], name, levels) for name, levels in columns if levels is not None]
        return cls(tuple(columns), tuple(dropped), tuple(level_shares(*text) for text in texts))

    def encode(
        self,
        covariates: pd.DataFrame | Mapping[str, Any] | None,
        *,
        constant: bool = False,
        average: bool = False,
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

    def unseen(self, covariates: pd.DataFrame | Mapping[str, Any]) -> tuple[Note, ...]:
        """Return a note for each level that is answered at the average, and of how many rows."""
        found = []
        texts = [column for column in self.columns if column[1] is not None]
        for name, levels in texts if self.shares else ():
            assert levels is not None
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
    first = values[:100]  # nearly always tells numbers from zeros and ones
    if not ((first == 0) | (first == 1)).all():
        return False
    return bool(((values == 0) | (values == 1)).all())


def numeric(series: pd.Series[Any]) -> bool:
    """Say whether the column holds numbers (or true and false)."""
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    if hasattr(series, "cat"):
        return False
    if is_numeric_dtype(series) or is_bool_dtype(series):
        return True
    return all(isinstance(value, int | float | np.number) for value in series)


def known_levels(name: str, series: pd.Series[Any]) -> Levels:
    """Return the levels in use: sorted, or in the order of a categorical; none may be missing."""
    refuse_missing(name, series.isna().to_numpy(dtype=bool))
    if hasattr(series, "cat"):
        return tuple(map(str, series.cat.remove_unused_categories().cat.categories))
    return tuple(sorted({str(value) for value in series.unique()}))


def level_shares(series: pd.Series[Any], name: str, levels: Levels) -> tuple[float, ...]:
    """Return the share of each level among the rows."""
    count = np.bincount(codes(name, series, levels), minlength=len(levels))
    return tuple((count / len(series)).tolist())


def is_single(values: Any) -> bool:
    """Say whether ``values`` is one value rather than a list of them."""
    if isinstance(values, list | tuple):
        return False  # numpy would look through all of it
    if isinstance(values, np.ndarray):
        return values.ndim == 0
    return isinstance(values, str | int | float) or values is None or np.ndim(values) == 0


def count_rows(covariates: pd.DataFrame | Mapping[str, Any], needed: Sequence[str]) -> int:
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
