"""Which row has the headings, and which column each means."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

from forecast.errors import DataError
from forecast.log.cells import rule_of
from forecast.log.columns import TABLES
from forecast.log.identity import OVERFLOW, normal_heading, quoted, quoted_all

if TYPE_CHECKING:
    import pandas as pd

SEARCHED_ROWS = 10  # a title above the headings is tolerated


def table_of(name: str) -> str | None:
    """Return the table that a file or sheet of this name belongs to, mended rows included.

    Examples
    --------
    >>> table_of("Courses"), table_of("mended_courses_2"), table_of("notes")
    ('courses', 'courses', None)
    """
    normal = normal_heading(name)
    if normal in TABLES:
        return normal
    return next((table for table in TABLES if normal.startswith(f"mended_{table}")), None)


def refuse_repeated(where: str, given: Iterable[Any]) -> None:
    """Raise DataError if two headings mean one column; ``where`` begins the sentence."""
    seen: set[str] = set()
    for place, heading in enumerate(given, start=1):
        name = normal_heading(heading) or str(heading)
        if name in seen:
            raise DataError(
                f"{where} has two columns for {quoted(name, place)}.",
                "Keep one of them, and give the other a heading of its own.",
            )
        seen.add(name)


def read_headings(name: str, given: list[Any]) -> dict[Any, str]:
    """Return which column each heading means; headings that the log does not know are left out.

    Raises
    ------
    DataError
        If a required column is missing or two headings mean the same column.

    Examples
    --------
    >>> read_headings("lasers", ["Laser ID", "regime", "Wavelengths (nm)", "colour"])
    {'Laser ID': 'laser_id', 'regime': 'regime', 'Wavelengths (nm)': 'wavelengths_nm'}
    """
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
    spelled = {normal_heading(heading): heading for heading in given}
    close = get_close_matches(column, spelled, n=1)
    if not close or quoted(spelled[close[0]], 0) != str(spelled[close[0]]):
        return ""
    return f" Perhaps {str(spelled[close[0]])!r} is meant for it: then call it {column}."


def with_headings(
    name: str, rows: pd.DataFrame, *, uneven: bool = False
) -> tuple[pd.DataFrame, int]:
    """Return the rows below the headings, under them, and the row that the headings stand in.

    Parameters
    ----------
    name : str
        The table.
    rows : DataFrame
        All cells as text, index is the row number.
    uneven : bool
        Whether cells beyond the last heading break their row; otherwise they are a column
        without a heading.

    Raises
    ------
    DataError
        If there is nothing at all, or no row that could be headings; what stands in the rows
        then is not repeated, for it may be of people.
    """
    known = {rule.name for rule in TABLES[name]}
    required = [rule.name for rule in TABLES[name] if rule.required]
    filled = [
        (number, [None if _blank(cell) else str(cell).strip() for cell in cells])
        for number, *cells in rows.iloc[:SEARCHED_ROWS].itertuples(name=None)
        if not all(map(_blank, cells))
    ]
    if not filled:
        raise DataError(
            f"Table {name} is empty: it has neither headings nor rows.",
            "Give it a heading and at least one row, or take it away.",
        )
    if not any(normal_heading(cell) in known for _, cells in filled for cell in cells):
        raise DataError(
            f"Table {name} has no headings: none of its first rows names one of its columns.",
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
    return below.iloc[:, named].set_axis(headings, axis=1), int(number)


def _blank(cell: object) -> bool:
    return cell is None or cell != cell or not str(cell).strip()
