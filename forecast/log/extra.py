"""Columns of the clinic's own: what is kept of them in a log, and of an enquiry."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from forecast.errors import RequestError
from forecast.log.cells import (
    EMPTY_WORDS,
    UnreadableError,
    as_text,
    distinct_texts,
    normal_heading,
    read_cell,
    read_column,
)
from forecast.log.columns import Column

if TYPE_CHECKING:
    import pandas as pd

NUMBER = Column("", "number")
EXTRA = "extra"  # an enquiry's field for them, and so no heading of one
MOST_LEVELS = 20  # texts that differ, from which a column is free text (a judgement)


class Extra(dict[str, str | float]):
    """What an enquiry says of the clinic's own columns: a mapping that does not change, hashable.

    Names are kept in the log's spelling, texts as levels, and what is not recorded is left out.

    Examples
    --------
    >>> Extra({"Sun exposure": " Often ", "visits": 3, "referral": None})
    {'sun_exposure': 'often', 'visits': 3.0}
    """

    def __init__(self, given: Any = ()) -> None:
        try:
            found = {normal_heading(name): extra_value(one) for name, one in dict(given).items()}
        except (TypeError, ValueError):
            example = 'Give a mapping, as {"sun_exposure": "often"}.'
            raise RequestError(f"extra is {given!r}.", example) from None
        super().__init__((name, one) for name, one in found.items() if one is not None)

    def _refuse(self, *_: Any) -> NoReturn:
        raise TypeError("An enquiry does not change: make another with dataclasses.replace.")

    __setitem__ = __delitem__ = __ior__ = clear = pop = _refuse
    popitem = setdefault = update = _refuse  # type: ignore[assignment]

    def __hash__(self) -> int:  # type: ignore[override]
        return hash(frozenset(self.items()))

    def __reduce__(self) -> tuple[Any, ...]:
        return Extra, (dict(self),)


def extra_value(given: object) -> str | float | None:
    """Return a value as a number or a level, None where it is not recorded.

    True is "yes", "Word of mouth" is "word of mouth", 2 is 2.0.
    """
    if isinstance(given, int | float | np.number) and not isinstance(given, bool):
        return float(given) if np.isfinite(given) else None
    level = " ".join((as_text(given) or "").lower().replace(";", ",").split())
    return None if not level or level.replace(" ", "_") in EMPTY_WORDS else level


def extra_number(value: str | float | None) -> float | None:
    """Return a value as a number, read as a cell of a log is; None where it is none.

    Examples
    --------
    >>> extra_number("1,5"), extra_number("often")
    (1.5, None)
    """
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
