"""Which row has the headings, and which column each means."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from forecast._notes import problem_and_remedy, sentence
from forecast.errors import DataError
from forecast.log.cells import OVERFLOW, WORDS, folded, normal_heading, rule_of
from forecast.log.columns import TABLES, words

if TYPE_CHECKING:
    import pandas as pd

SEARCHED_ROWS = 10  # a title above the headings is tolerated


def refuse_repeated(where: str, given: Iterable[Any], cells: Sequence[str] = ()) -> None:
    """Raise DataError if two ``given`` headings mean one column; ``where`` begins the sentence.

    ``cells`` has the place of each heading, such as "courses!F1", where it is known.

    Examples
    --------
    >>> refuse_repeated("The file", ["Course ID", "course_id"])
    Traceback (most recent call last):
    forecast.errors.DataError: The file has two columns for course_id. Keep one of them, and ...
    """
    seen: dict[str, int] = {}
    for place, heading in enumerate(given):
        name = normal_heading(heading) or str(heading)
        if name in seen:
            from forecast.log.identity import quoted

            values: dict[str, Any] = {"where": where, "name": quoted(name, place + 1)}
            values["cells"] = [cells[at] for at in (seen[name], place)] if cells else []
            code = "reading.two_columns_at" if cells else "reading.two_columns"
            raise DataError(*problem_and_remedy(code, values))
        seen[name] = place


def read_headings(name: str, given: list[Any]) -> dict[Any, str]:
    """Return which column each heading means; headings that the log does not know are left out.

    Raises DataError if a required column is missing or two headings mean the same column.
    """
    from forecast.log.identity import quoted

    rules = {rule.name: rule for rule in TABLES[name]}
    found: dict[Any, str] = {}
    refuse_repeated(sentence("reading.table", {"table": name}), given)
    for heading in given:
        known = normal_heading(heading)
        if known in rules:
            found[heading] = known
    missing = [rule for rule in rules.values() if rule.required and rule.name not in found.values()]
    if missing:
        first, others = missing[0], [heading for heading in given if heading not in found]
        listed = [quoted(heading, place) for place, heading in enumerate(given, start=1)]
        values: dict[str, Any] = {"table": name, "columns": [rule.name for rule in missing]}
        values |= {"given": ", ".join(listed) or sentence("reading.none"), "first": first.name}
        values |= {"rule": rule_of(first), "hint": _likely_heading(first.name, others)}
        raise DataError(*problem_and_remedy("reading.no_column", values))
    return found


def _likely_heading(column: str, given: Iterable[Any]) -> str:
    from forecast.log.identity import quoted

    spelled = {normal_heading(heading): heading for heading in given}
    close = get_close_matches(column, spelled, n=1)
    if not close or quoted(spelled[close[0]], 0) != str(spelled[close[0]]):
        return ""
    return sentence("reading.likely_heading", {"heading": str(spelled[close[0]]), "column": column})


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
    where = sentence("reading.sheet" if sheet else "reading.table", {"table": name, "title": sheet})
    required = [rule.name for rule in TABLES[name] if rule.required]
    filled = [
        (number, [None if _blank(cell) else str(cell).strip() for cell in cells])
        for number, cells in zip(rows.index, rows.iloc[:SEARCHED_ROWS].to_numpy(), strict=False)
        if not all(map(_blank, cells))
    ]
    if not filled:
        raise DataError(*problem_and_remedy("reading.empty_table", {"where": where}))
    if not any(normal_heading(cell) in known for _, cells in filled for cell in cells):
        values: dict[str, Any] = {"where": where, "columns": required}
        raise DataError(*problem_and_remedy("reading.no_headings", values))
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
    below = below.iloc[:, named]
    below.columns = headings
    return below, int(number), named


def _blank(cell: object) -> bool:
    return cell is None or cell != cell or not str(cell).strip()


def is_total(text: str) -> bool:
    """Return whether a cell begins as a row of totals does, such as "Summe 2021"."""
    first = re.split(r"[\s:_.,(]", folded(text.strip()), maxsplit=1)[0]
    return first in words(WORDS["total"])
