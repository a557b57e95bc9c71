"""Columns of the clinic's own: what is kept of them in a log, and of an enquiry."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.errors import RequestError
from forecast.log.cells import (
    EMPTY_WORDS,
    UnreadableError,
    as_text,
    distinct_texts,
    read_cell,
    read_column,
)
from forecast.log.columns import Column
from forecast.log.identity import normal_heading

if TYPE_CHECKING:
    import pandas as pd

NUMBER = Column("", "number")
EXTRA = "extra"  # an enquiry's field for them, and so no heading of one
MOST_LEVELS = 20  # texts that differ, from which a column is free text (a judgement)


class Extra(Mapping[str, str | float]):
    """What an enquiry says of the clinic's own columns: an immutable mapping, hashable.

    Names are kept in the log's spelling, texts as levels, and what is not recorded is left out.

    Examples
    --------
    >>> Extra({"Sun exposure": " Often ", "visits": 3, "referral": None})
    {'sun_exposure': 'often', 'visits': 3.0}
    """

    __slots__ = ("_items",)

    def __init__(self, given: Mapping[str, Any] | None = None) -> None:
        if given is not None and not isinstance(given, Mapping):
            raise RequestError(
                f"extra is {given!r}.", 'Give a mapping, as {"sun_exposure": "often"}.'
            )
        found = ((normal_heading(name), extra_value(one)) for name, one in (given or {}).items())
        self._items = {name: one for name, one in found if one is not None}

    def __getitem__(self, name: str) -> str | float:
        return self._items[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def __hash__(self) -> int:
        return hash(frozenset(self._items.items()))

    def __repr__(self) -> str:
        return repr(self._items)


def extra_value(given: object) -> str | float | None:
    """Return a value as a number or a level, None where it is not recorded.

    Examples
    --------
    >>> extra_value(True), extra_value("Word of  mouth"), extra_value(2), extra_value("n/a")
    ('yes', 'word of mouth', 2.0, None)
    """
    if isinstance(given, int | float | np.number) and not isinstance(given, bool):
        return float(given) if np.isfinite(given) else None
    level = " ".join((as_text(given) or "").lower().replace(";", ",").split())
    return None if not level or level.replace(" ", "_") in EMPTY_WORDS else level


def extra_number(value: str | float | None) -> float | None:
    """Return a value as a number, read as a cell of a log is; None where it is none."""
    if value is None or isinstance(value, float):
        return value
    try:
        return float(str(read_cell(NUMBER, value).value))
    except UnreadableError:
        return None


def extra_column(cells: pd.Series[Any]) -> pd.Series[Any] | None:
    """Return a column that the log does not know as numbers, or as texts of some levels.

    None where it is neither: dates, and free text.
    """
    import pandas as pd

    if pd.api.types.is_datetime64_any_dtype(cells):
        return None
    numbers = read_column(NUMBER, cells)
    if not numbers.broken:
        return numbers.values
    place, texts = distinct_texts(cells)
    levels = np.array([*map(extra_value, texts), None], dtype=object)
    if len({*levels} - {None}) > MOST_LEVELS:
        return None
    return pd.Series(levels[place], cells.index, dtype=object)
