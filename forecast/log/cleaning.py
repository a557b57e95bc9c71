"""Bring one table of the log to its canonical form: headings, cells, and what cannot be read."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray
from forecast._notes import NOTHING, Sentence, problem_and_remedy, sentence
from forecast.errors import DataError
from forecast.log.cells import (
    OVERFLOW,
    WORDS,
    DateOrder,
    Ids,
    distinct_texts,
    folded,
    meant,
    normal_heading,
    read_column,
    rule_of,
    says_none,
    says_nothing,
)
from forecast.log.columns import ALL_TABLES, TABLES, Column, words
from forecast.log.enquiry import EXTRA, NUMBER, extra_value
from forecast.log.identity import quoted
from forecast.log.report import entries

if TYPE_CHECKING:
    import pandas as pd


EXAMPLE = "EXAMPLE"  # the id of the rows that an empty workbook comes with
SEARCHED_ROWS = 10  # a title above the headings is tolerated
FOUND = {"gradings": "fading_pct", "reactions": "reaction"}  # what a row of these is about
MOST_LEVELS = 20  # texts that differ, from which a column is free text (a judgement)


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
            values: dict[str, Any] = {"where": where, "name": quoted(name, place + 1)}
            values["cells"] = [cells[at] for at in (seen[name], place)] if cells else []
            code = "reading.two_columns_at" if cells else "reading.two_columns"
            raise DataError(*problem_and_remedy(code, values))
        seen[name] = place


def read_headings(name: str, given: list[Any]) -> dict[Any, str]:
    """Return which column each heading means that the log knows; DataError if one is missing."""
    rules = {rule.name: rule for rule in TABLES[name]}
    refuse_repeated(sentence("reading.table", {"table": name}), given)
    meant_by = {heading: normal_heading(heading) for heading in given}
    found = {heading: known for heading, known in meant_by.items() if known in rules}
    missing = [rule for rule in rules.values() if rule.required and rule.name not in found.values()]
    if missing:
        first = missing[0]
        listed = [quoted(heading, place) for place, heading in enumerate(given, start=1)]
        others = {known: heading for heading, known in meant_by.items() if heading not in found}
        hint = ""
        for close in get_close_matches(first.name, others, n=1):
            alike = str(others[close])
            if quoted(alike, 0) == alike:
                values = {"heading": alike, "column": first.name}
                hint = sentence("reading.likely_heading", values)
        said = {"table": name, "columns": [rule.name for rule in missing], "first": first.name}
        said |= {"given": ", ".join(listed) or sentence("reading.none")}
        said |= {"rule": rule_of(first), "hint": hint}
        raise DataError(*problem_and_remedy("reading.no_column", said))
    return found


def with_headings(
    name: str, rows: pd.DataFrame, *, uneven: bool = False, sheet: str = ""
) -> tuple[pd.DataFrame, int, list[int]]:
    """Return the rows below the headings, under them; the headings' row; each column's place.

    ``rows`` are all cells as text, the index the row number. With ``uneven`` rows cells beyond the
    last heading break their row; else they are a column without a heading. Raises DataError, which
    names the ``sheet``, if there is nothing at all or no row that could be headings; what stands in
    the rows then is not repeated, for it may be of people.
    """
    known = {rule.name for rule in ALL_TABLES[name]}
    where = sentence("reading.sheet" if sheet else "reading.table", {"table": name, "title": sheet})
    required = [rule.name for rule in ALL_TABLES[name] if rule.required]
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


def without_finding(name: str, raw: pd.DataFrame, *, mapped: bool) -> BoolArray:
    """Return which rows of a table say that nothing was found, shape (n,): a visit, no reaction.

    An empty cell says so only in sheets of a clinic's own, which are ``mapped``: they have a row
    for every visit. A row that gives a severity, or says that it lasts, is about something.
    """
    cells = {normal_heading(heading): raw[heading] for heading in raw}
    rows = np.full(len(raw), FOUND.get(name) in cells and (mapped or name == "reactions"))
    for column in (FOUND.get(name, ""), "severity", "lasting"):
        if rows.any() and column in cells:
            blank = mapped or column != "reaction"
            codes, texts = distinct_texts(cells[column])
            said = [
                (blank and says_nothing(text)) or (name == "reactions" and says_none(text))
                for text in texts
            ]
            rows &= np.array([*said, blank], dtype=np.bool_)[codes]
    return rows


@dataclass(slots=True)
class CleanTable:
    """One table on its way in, by row number; ``ids`` are those of all rows of its file."""

    name: str
    frame: pd.DataFrame
    set_aside: list[pd.DataFrame] = field(default_factory=list)
    flagged: list[pd.DataFrame] = field(default_factory=list)
    tolerated: list[tuple[Any, ...]] = field(default_factory=list)  # as TOLERATED has them
    extra: tuple[str, ...] = ()
    date_order: DateOrder | None = None  # as the log itself states it
    ids: dict[str, Ids] = field(default_factory=dict)
    index: pd.Index[Any] = field(init=False)

    def __post_init__(self) -> None:
        self.index = self.frame.index

    def codes(self, column: str) -> npt.NDArray[np.signedinteger[Any]]:
        """Return the number of the id in each row of ``frame``, shape (n,)."""
        codes = self.ids[column].codes
        if len(self.frame) == len(codes):
            return codes
        return codes[self.index.get_indexer(self.frame.index)]

    def of_course(self, courses: CleanTable, column: str) -> npt.NDArray[Any]:
        """Return a number or date of its course for each row; ids are numbered as in courses."""
        values: npt.NDArray[Any] = courses.frame[column].to_numpy()
        by_number = np.zeros(len(courses.ids["course_id"].distinct), dtype=values.dtype)
        by_number[courses.codes("course_id")] = values
        return np.asarray(by_number[self.codes("course_id")])

    def refuse(self, bad: pd.Series[bool] | BoolArray, *fault: Any) -> None:
        """Set the rows of a mask aside for a fault.

        A fault is its column and its code and, where its words need them, another value of each
        row (None for none) and values that are the same for all.
        """
        self._list(self.set_aside, bad, *fault)
        if bad.any():
            self.frame = self.frame[~bad]

    def flag(self, bad: pd.Series[bool] | BoolArray, *fault: Any) -> None:
        """List a contradiction in the rows of a mask, as `refuse` does, and keep them."""
        self._list(self.flagged, bad, *fault)

    def tolerate(
        self, column: str, spelling: str, count: int, row: int, written: str, read_as: str
    ) -> None:
        """List a spelling that was read, how often, and the first time."""
        what = sentence(f"spellings.{spelling}")
        self.tolerated.append((self.name, column, what, count, row, written, read_as))

    def _list(
        self,
        where: list[pd.DataFrame],
        bad: pd.Series[bool] | BoolArray,
        column: str,
        fault: str,
        other: pd.Series[Any] | None = None,
        values: Mapping[str, Any] = NOTHING,
    ) -> None:
        if bad.any():
            rule, remedy = problem_and_remedy(f"faults.{fault}", {"other": 0, **values})
            rows = self.frame[bad]
            remedies: Any = remedy
            if other is not None:
                code, others = remedy.note.code, other[bad].tolist()
                said = {one: sentence(code, {**values, "other": one}) for one in {*others}}
                remedies = [said[one] for one in others]
            where.append(entries(self.name, rows.index, column, rows[column], rule, remedies))


def clean_table(name: str, raw: pd.DataFrame, *, date_order: DateOrder | None = None) -> CleanTable:
    """Return a table of cells, text or typed, in its canonical form; faults are listed in it."""
    import pandas as pd

    headings = read_headings(name, list(raw.columns))
    written = {known: raw[given] for given, known in headings.items()}
    aside = []
    for at, rows, fault in _no_rows(name, written):
        said = problem_and_remedy(f"faults.{fault}")
        aside.append(entries(name, rows, at, written[at][rows], *said))
        raw = raw.drop(index=rows)
    table = CleanTable(name, raw, aside, date_order=date_order)
    written = {known: raw[given] for given, known in headings.items()}
    ours = {*headings, OVERFLOW}
    named = enumerate(raw.columns, start=1)
    table.extra = tuple(quoted(given, place) for place, given in named if given not in ours)
    for given, known in headings.items():
        if given != known:
            above = int(raw.index.min()) - 1 if len(raw) else 1
            table.tolerate(known, "heading", 1, above, str(given), known)
    if OVERFLOW in raw:  # a row of a text file may have more cells than there are headings
        beyond = raw[OVERFLOW][raw[OVERFLOW].fillna("") != ""]
        said = problem_and_remedy("faults.overflow")
        table.set_aside.append(entries(name, beyond.index, "", beyond, *said))
    # a column that is not there has nothing recorded, held as large files hold their texts
    nowhere: Any = np.full(len(raw), -1)
    nothing = pd.Categorical.from_codes(nowhere, pd.Index([], dtype=object))
    absent = pd.Series(nothing, raw.index)
    rules = {rule.name: rule for rule in TABLES[name]}
    numbers = {
        rules[known]: cells
        for known, cells in written.items()
        if rules[known].kind in ("integer", "number")
    }
    columns = {
        known: _column(table, rule, written.get(known, absent), numbers)
        for known, rule in rules.items()
    }
    columns |= _of_its_own(raw, ours, numbers) if name == "courses" else {}
    table.frame = pd.DataFrame(columns, index=raw.index, copy=False)
    if table.set_aside:
        gone = np.unique(np.concatenate([frame["row"].to_numpy() for frame in table.set_aside]))
        table.frame = table.frame[~table.frame.index.isin(gone)].copy()
    for rule in TABLES[name]:
        whole = rule.kind == "integer" and not rule.may_be_blank
        if whole and table.frame[rule.name].dtype != np.int64:
            table.frame[rule.name] = table.frame[rule.name].astype(np.int64)
    return table


# Columns that the log does not know, in order of their headings: what may enter a model that asks.
def _of_its_own(
    raw: pd.DataFrame, ours: set[Any], numbers: Mapping[Column, pd.Series[Any]]
) -> dict[str, pd.Series[Any]]:
    own = [given for given in raw.columns if given not in ours and given != EXTRA]
    found = {normal_heading(given): _own_column(raw[given], numbers) for given in own}
    kept = {name: own for name, own in found.items() if own is not None and name.isidentifier()}
    return dict(sorted(kept.items()))


def _own_column(
    cells: pd.Series[Any], beside: Mapping[Column, pd.Series[Any]]
) -> pd.Series[Any] | None:
    """Return a column of the clinic's own as numbers or levels, None for dates and free text."""
    import pandas as pd

    if pd.api.types.is_datetime64_any_dtype(cells):
        return None
    numbers = read_column(NUMBER, cells, beside)
    if not numbers.broken:
        return numbers.values
    place, texts = distinct_texts(cells)
    levels = np.array([*map(extra_value, texts), None], dtype=object)
    if len({*levels} - {None}) > MOST_LEVELS:
        return None
    return pd.Series(levels[place], cells.index, dtype=object)


# Rows that are none of the table: totals below it, and the example of an empty workbook. Each with
# its column, and the code of what to say of it.
def _no_rows(
    name: str, written: dict[str, pd.Series[Any]]
) -> Iterator[tuple[str, pd.Index[Any], str]]:
    first = next(iter(written.values()))
    required = [rule.name for rule in TABLES[name] if rule.required]
    blank = np.zeros(len(first))
    for one in required:
        blank += written[one].isna().to_numpy(bool) | _holds(written[one], "")
    key = required[0]
    example = _holds(written[key], EXAMPLE)
    for row in first.index[~example & (blank >= len(required) / 2)]:
        for column, cells in written.items():
            if isinstance(cells[row], str) and is_total(cells[row]):
                yield column, first.index[first.index == row], "total"
                break
    if example.any():
        yield key, first.index[example], "example"


# which cells are this text; Parquet has cells that are lists, which answer otherwise
def _holds(cells: pd.Series[Any], text: str) -> npt.NDArray[np.bool_]:
    if cells.dtype != object:
        return (cells == text).fillna(False).to_numpy(bool)
    try:
        return np.asarray(cells.to_numpy() == text, bool)
    except (TypeError, ValueError):
        return np.array([one is True for one in map(text.__eq__, cells.tolist())], bool)


def empty_table(name: str) -> pd.DataFrame:
    """Return a table without rows, its columns in their canonical types."""
    import pandas as pd

    no_rows = pd.DataFrame({rule.name: pd.Series([], dtype=object) for rule in TABLES[name]})
    return clean_table(name, no_rows).frame


# The column as it is used, and in the lists of the table the cells that break its rule: they are
# emptied, or their rows set aside.
def _column(
    table: CleanTable, rule: Column, cells: pd.Series[Any], beside: Mapping[Column, pd.Series[Any]]
) -> pd.Series[Any]:
    reading = read_column(rule, cells, beside, table.date_order)
    values = reading.values
    if reading.ids is not None:
        table.ids[rule.name] = reading.ids
    for habit in reading.habits:
        table.tolerate(rule.name, *habit)
    allowed = rule_of(rule)
    faults = [(bad, wanted, wanted) for wanted, bad in reading.broken.items()]
    if rule.required and not reading.sound:
        missing = values.isna().to_numpy()
        for unreadable in reading.broken.values():
            missing = missing & ~unreadable
        faults.append((missing, allowed, sentence("rules.in_every_row", {"rule": allowed})))
    for fault in faults:
        values = _not_used(table, rule, cells, values, *fault)
    if rule.kind in ("integer", "number"):
        numbers: npt.NDArray[Any] = values.to_numpy()
        beyond = numbers < rule.low
        if not rule.kept_above:
            beyond |= numbers > rule.high
        values = _not_used(table, rule, cells, values, beyond, allowed, allowed)
    return values if rule.default is None else values.fillna(rule.default)


def _not_used(
    table: CleanTable,
    rule: Column,
    cells: pd.Series[Any],
    values: pd.Series[Any],
    bad: npt.NDArray[np.bool_],
    wanted: Sentence,
    broken: Sentence,
) -> pd.Series[Any]:
    if not bad.any():
        return values
    blanked = rule.may_be_blank
    code = "until_then" if blanked else "write" if rule.required else "write_or_empty"
    written = cells[bad].astype(str)
    said = {
        cell: sentence(f"rules.{code}", {"rule": wanted, "hint": meant(rule, cell)})
        for cell in written.unique()
    }
    remedies = [said[cell] for cell in written]
    rows, cells = cells.index[bad], cells[bad]
    listed = entries(table.name, rows, rule.name, cells, broken, remedies, blanked=blanked)
    (table.flagged if blanked else table.set_aside).append(listed)
    return values.mask(bad) if values[bad].notna().any() else values
