"""Which row has the headings, and which column each means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from forecast.errors import DataError
from forecast.log.cells import OVERFLOW, WORDS, folded, normal_heading, rule_of
from forecast.log.columns import TABLES, words

if TYPE_CHECKING:
    import pandas as pd

SEARCHED_ROWS = 10  # a title above the headings is tolerated


def refuse_repeated(where: str, given: Iterable[Any], cells: Sequence[str] = ()) -> None:
    """Raise DataError if two ``given`` headings mean one column; ``where`` begins the sentence.

    ``cells`` has the place of each heading, such as "courses!F1", where it is known.
    """
    seen: dict[str, int] = {}
    for place, heading in enumerate(given):
        name = normal_heading(heading) or str(heading)
        if name in seen:
            from forecast.log.identity import quoted

            at = f": {cells[seen[name]]} and {cells[place]}" if cells else ""
            raise DataError(
                f"{where} has two columns for {quoted(name, place + 1)}{at}.",
                "Keep one of them, and give the other a heading of its own.",
            )
        seen[name] = place


def read_headings(name: str, given: list[Any]) -> dict[Any, str]:
    """Return which column each heading means; headings that the log does not know are left out.

    Raises DataError if a required column is missing or two headings mean the same column.
    """
    from forecast.log.identity import quoted_all

    rules = {rule.name: rule for rule in TABLES[name]}
    found: dict[Any, str] = {}
    refuse_repeated(f"Table {name}", given)
    for heading in given:
        known = normal_heading(heading)
        if known in rules:
            found[heading] = known
    missing = [rule for rule in rules.values() if rule.required and rule.name not in found.values()]
    if missing:
        listed = ", ".join(rule.name for rule in missing)
        raise DataError(
            f"Table {name} has no column {listed}; it has {quoted_all(given) or 'none'}.",
            f"Add {missing[0].name}: {rule_of(missing[0])}."
            + _likely_heading(missing[0].name, [name for name in given if name not in found]),
        )
    return found


def _likely_heading(column: str, given: Iterable[Any]) -> str:
    from forecast.log.identity import quoted

    spelled = {normal_heading(heading): heading for heading in given}
    close = get_close_matches(column, spelled, n=1)
    if not close or quoted(spelled[close[0]], 0) != str(spelled[close[0]]):
        return ""
    return f" Perhaps {str(spelled[close[0]])!r} is meant for it: then call it {column}."


def with_headings(
    name: str, rows: pd.DataFrame, *, uneven: bool = False, sheet: str = ""
) -> tuple[pd.DataFrame, int, list[int]]:
    """Return the rows below the headings, under them; the headings' row; each column's place.

    ``rows`` are all cells as text, the index the row number. With ``uneven`` rows cells beyond the
    last heading break their row; else they are a column without a heading. Raises DataError, which
    names the ``sheet``, if there is nothing at all or no row that could be headings; what stands in
    the rows then is not repeated, for it may be of people.
    """
    known = {rule.name for rule in TABLES[name]}
    where = f"Table {name} (sheet {sheet!r}, from A1 on)" if sheet else f"Table {name}"
    required = [rule.name for rule in TABLES[name] if rule.required]
    filled = [
        (number, [None if _blank(cell) else str(cell).strip() for cell in cells])
        for number, *cells in rows.iloc[:SEARCHED_ROWS].itertuples(name=None)
        if not all(map(_blank, cells))
    ]
    if not filled:
        raise DataError(
            f"{where} is empty: it has neither headings nor rows.",
            "Give it a heading and at least one row, or take it away.",
        )
    if not any(normal_heading(cell) in known for _, cells in filled for cell in cells):
        raise DataError(
            f"{where} has no headings: none of its first rows names one of its columns.",
            f"Put the names of the columns above the rows, among them {', '.join(required)}.",
        )
    complete = [row for row in filled if {*required} <= {normal_heading(cell) for cell in row[1]}]
    number, cells = complete[0] if complete else filled[0]
    below = rows.loc[number:].iloc[1:]
    if uneven:
        width = max(i + 1 for i, cell in enumerate(cells) if cell)
        beyond = below.iloc[:, width:].apply(lambda row: ",".join(filter(None, row)), axis=1)
        below = below.iloc[:, :width].assign(**{OVERFLOW: beyond})
        cells = [*cells[:width], OVERFLOW]
    named = [i for i, cell in enumerate(cells) if cell or not below.iloc[:, i].map(_blank).all()]
    headings = [cells[i] or f"column {i + 1} without a heading" for i in named]
    return below.iloc[:, named].set_axis(headings, axis=1), int(number), named


def _blank(cell: object) -> bool:
    return cell is None or cell != cell or not str(cell).strip()


def is_total(text: str) -> bool:
    """Return whether a cell begins as a row of totals does, such as "Summe 2021"."""
    first = re.split(r"[\s:_.,(]", folded(text.strip()), maxsplit=1)[0]
    return first in words(WORDS["total"])
