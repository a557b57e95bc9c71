"""Read one column of the log: each distinct text once, numbers and dates whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.clinic.courses import Column
from forecast.clinic.tolerance import (
    EARLIEST,
    LATEST,
    UnreadableError,
    date_order,
    read_cell,
    rule_of,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ColumnReading", "Habit", "Ids", "as_text", "distinct_texts", "in_use", "read_column"]

Codes = npt.NDArray[np.signedinteger[Any]]

# A text with a digit and without spaces or marks that mean something: as it stands.
PLAIN_TEXT = r"[A-Za-z0-9_.\-]*[0-9][A-Za-z0-9_.\-]*"


class Habit(NamedTuple):
    """A tolerance used in a column: how often, and the first time."""

    tolerance: str
    n_cells: int
    position: int
    written: str
    read_as: str


class Ids(NamedTuple):
    """The ids of a column as numbers: looking those up is many times faster than texts.

    ``codes`` has the place of each row's id in ``distinct``, -1 where there is none.
    """

    distinct: npt.NDArray[np.object_]
    codes: Codes


@dataclass(slots=True)
class ColumnReading:
    """The values of a column, and where they could not be had; ``ids`` of a column of ids.

    ``sound`` says that every text was read, and that none is missing that must be there.
    """

    values: pd.Series[Any]
    broken: dict[str, npt.NDArray[np.bool_]] = field(default_factory=dict)
    habits: list[Habit] = field(default_factory=list)
    ids: Ids | None = None
    sound: bool = False


def read_column(rule: Column, cells: pd.Series[Any]) -> ColumnReading:
    """Return the meanings of a column's cells; ``broken`` maps each rule to where it fails.

    Text is read as a person wrote it; columns that are numbers or dates already are taken as
    they are. Empty cells are None, NaN or NaT; limits and presence are checked elsewhere.
    """
    import pandas as pd

    if rule.kind == "date" and pd.api.types.is_datetime64_any_dtype(cells):
        days = cells if cells.dt.tz is None else cells.dt.tz_localize(None)
        days = days.dt.normalize().astype("datetime64[ns]", copy=False)
        beyond = (days < pd.Timestamp(EARLIEST)) | (days > pd.Timestamp(LATEST))
        broken = {rule_of(rule): beyond.to_numpy(bool)} if beyond.any() else {}
        return ColumnReading(days, broken)
    if rule.kind == "integer" and not rule.may_be_blank and _is_filled(cells):
        return ColumnReading(cells.astype(np.int64))
    if rule.kind in ("integer", "number") and _is_number(cells):
        numbers = cells.astype(np.float64)
        unusable = np.isinf(numbers.to_numpy())
        if rule.kind == "integer" and cells.dtype.kind == "f":
            unusable |= numbers.notna().to_numpy() & (numbers != np.floor(numbers)).to_numpy()
        if not unusable.any():
            return ColumnReading(numbers)
        return ColumnReading(numbers.mask(unusable), {rule_of(rule): unusable})
    return _read_texts(rule, cells)


def as_text(value: object) -> str | None:
    """Return a cell of any type as the text that a person would have written, None if empty.

    Examples
    --------
    >>> as_text(3.0), as_text(True), as_text({"red", "black"}), as_text(float("nan"))
    ('3', 'yes', 'black;red', None)
    """
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, set | frozenset | list | tuple | np.ndarray):
        return ";".join(sorted(str(part) for part in value))
    if type(value).__name__ == "NAType" or value != value:  # pandas' NA, NaN and NaT
        return None
    if isinstance(value, float | np.floating):
        return f"{float(value):.15g}"
    if isinstance(value, date):
        return value.isoformat().removesuffix("T00:00:00")
    return str(value)


def _is_number(cells: pd.Series[Any]) -> bool:
    import pandas as pd

    kinds = pd.api.types
    other = kinds.is_bool_dtype(cells) or kinds.is_complex_dtype(cells)
    return bool(kinds.is_numeric_dtype(cells) and not other)


def _is_filled(cells: pd.Series[Any]) -> bool:
    """Say whether cells are whole numbers of a kind that can have no gaps."""
    return isinstance(cells.dtype, np.dtype) and cells.dtype.kind == "i"


def _read_texts(rule: Column, cells: pd.Series[Any]) -> ColumnReading:
    codes, texts = distinct_texts(cells)
    meanings, unclear = _at_face_value(rule, texts)
    order = date_order(texts) if rule.kind == "date" else None
    broken: dict[str, list[int]] = {}
    habits: dict[str, list[int]] = {}
    for i in unclear:
        try:
            meaning, needed = read_cell(rule, texts[i], order=order)
        except UnreadableError as error:
            broken.setdefault(str(error), []).append(i)
            continue
        meanings[i] = meaning
        for habit in needed:
            habits.setdefault(habit, []).append(i)
    empty = any(meanings[i] is None for i in unclear) or bool((codes < 0).any())
    return ColumnReading(
        _spread(rule, meanings, codes, cells.index),
        {text: np.isin(codes, bad) for text, bad in broken.items()},
        [_habit(habits[habit], habit, codes, texts, meanings) for habit in sorted(habits)],
        _ids(meanings, codes, as_written=not unclear) if rule.kind == "id" else None,
        rule.kind not in ("integer", "number") and not broken and not (rule.required and empty),
    )


def distinct_texts(cells: pd.Series[Any]) -> tuple[Codes, npt.NDArray[np.object_]]:
    """Return the place of each cell's text among the distinct texts, -1 if empty, and those.

    A categorical column of texts, as large files are read, already is just that.
    """
    import pandas as pd

    if isinstance(cells.dtype, pd.CategoricalDtype):
        held = np.asarray(cells.cat.categories, dtype=object)
        codes: Codes = np.asarray(cells.cat.codes)
        if pd.api.types.infer_dtype(held, skipna=True) in ("string", "empty"):
            used = in_use(codes, len(held))
            if used.all():
                return codes, held
            place = np.append(np.cumsum(used) - 1, -1)
            return place[codes], held[used]
    if pd.api.types.infer_dtype(cells, skipna=True) not in ("string", "empty"):
        cells = cells.astype(object).map(as_text)
    places, found = pd.factorize(cells.astype(object))
    return places, np.asarray(found, dtype=object)


def in_use(codes: npt.NDArray[np.integer[Any]], size: int) -> npt.NDArray[np.bool_]:
    """Return which of ``size`` texts some row has; code -1 stands for none."""
    used = np.zeros(size + 1, dtype=bool)
    used[codes] = True
    return used[:size]


def _ids(meanings: npt.NDArray[Any], codes: Codes, *, as_written: bool) -> Ids:
    """Return ids as numbers; two texts may mean one id where they are not as written."""
    import pandas as pd

    if as_written:
        return Ids(meanings, codes)
    place, distinct = pd.factorize(meanings)
    return Ids(np.asarray(distinct, dtype=object), np.append(place, -1)[codes])


def _at_face_value(
    rule: Column, texts: npt.NDArray[np.object_]
) -> tuple[npt.NDArray[Any], list[int]]:
    """Return the meanings that need no second look, and the positions of the rest."""
    import pandas as pd

    if rule.kind in ("integer", "number"):
        numbers = pd.to_numeric(pd.Series(texts, dtype=object), errors="coerce")
        meanings: npt.NDArray[Any] = np.array(numbers, dtype=np.float64)
        clear = np.isfinite(meanings)
        if rule.kind == "integer":
            clear &= meanings == np.floor(meanings)
        meanings[~clear] = np.nan
    elif rule.kind in ("id", "text"):
        meanings = texts.copy()
        clear = pd.Series(texts, dtype="string[pyarrow]").str.fullmatch(PLAIN_TEXT).to_numpy(bool)
        meanings[~clear] = None
    else:
        meanings = np.full(len(texts), None, dtype=object)
        clear = np.zeros(len(texts), dtype=bool)
    return meanings, [int(i) for i in np.flatnonzero(~clear)]


def _spread(
    rule: Column, meanings: npt.NDArray[Any], codes: Codes, index: pd.Index[Any]
) -> pd.Series[Any]:
    """Give every row the meaning of its text; code -1, the empty cell, takes the last place."""
    import pandas as pd

    if rule.kind == "date":
        days = pd.to_datetime(pd.Series([*meanings, None], dtype=object))
        return pd.Series(days.to_numpy("datetime64[ns]")[codes], index, name=rule.name)
    empty = np.nan if meanings.dtype == np.float64 else None
    values = np.append(meanings, [empty])[codes]
    # without a type given, pandas would look at every text for a date
    return pd.Series(values, index, dtype=values.dtype, name=rule.name)


def _habit(
    having: list[int],
    tolerance: str,
    codes: Codes,
    texts: npt.NDArray[np.object_],
    meanings: npt.NDArray[Any],
) -> Habit:
    where = np.flatnonzero(np.isin(codes, having))
    first = codes[where[0]]
    read_as = as_text(meanings[first]) or "not recorded"
    return Habit(tolerance, len(where), int(where[0]), str(texts[first]), read_as)
