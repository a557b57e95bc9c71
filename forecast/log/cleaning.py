"""Bring one table of the log to its canonical form, and list what could not be read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray
from forecast._notes import NOTHING, Sentence, problem_and_remedy, sentence
from forecast.log.cells import OVERFLOW, Ids, meant, normal_heading, read_column, rule_of
from forecast.log.columns import TABLES, Column
from forecast.log.extra import EXTRA, extra_column
from forecast.log.headings import is_total, read_headings
from forecast.log.identity import quoted
from forecast.log.report import TOLERATED, entries

if TYPE_CHECKING:
    import pandas as pd


EXAMPLE = "EXAMPLE"  # the id of the rows that an empty workbook comes with


@dataclass(slots=True)
class CleanTable:
    """One table on its way in; the index of ``frame`` is the row number in the file.

    ``ids`` holds its columns of ids as numbers, of all rows of the file, see `codes`.
    """

    name: str
    frame: pd.DataFrame
    set_aside: list[pd.DataFrame] = field(default_factory=list)
    flagged: list[pd.DataFrame] = field(default_factory=list)
    tolerated: list[dict[str, Any]] = field(default_factory=list)
    extra: tuple[str, ...] = ()
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
        """Return a number or date of its course for each row; all courses must be there.

        The ids of the table must be numbered as those of courses.
        """
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
        values = (self.name, column, what, count, row, written, read_as)
        self.tolerated.append(dict(zip(TOLERATED, values, strict=True)))

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


def clean_table(name: str, raw: pd.DataFrame) -> CleanTable:
    """Return a table in its canonical form, with the rows that cannot be read listed.

    ``raw`` has cells as text, or typed columns; its index is the row number. Raises DataError if a
    required column is missing or two headings mean the same column.
    """
    import pandas as pd

    headings = read_headings(name, list(raw.columns))
    table = CleanTable(name, pd.DataFrame(index=raw.index))
    written = {known: raw[given] for given, known in headings.items()}
    for at, rows, fault in _no_rows(name, written):
        said = problem_and_remedy(f"faults.{fault}")
        table.set_aside.append(entries(name, rows, at, written[at][rows], *said))
        raw = raw.drop(index=rows)
        table.frame = table.frame.drop(index=rows)
        table.index = table.frame.index
        written = {known: raw[given] for given, known in headings.items()}
    ours = {*headings, OVERFLOW}
    table.extra = tuple(
        quoted(given, place)
        for place, given in enumerate(raw.columns, start=1)
        if given not in ours
    )
    for given, known in headings.items():
        if given != known:
            above = int(raw.index.min()) - 1 if len(raw) else 1
            table.tolerate(known, "heading", 1, above, str(given), known)
    if OVERFLOW in raw:
        _refuse_overflow(table, raw[OVERFLOW])
    columns = {
        rule.name: _column(table, rule, written[rule.name])
        if rule.name in written
        else _absent(rule, raw.index)
        for rule in TABLES[name]
    }
    columns |= _of_its_own(raw, ours) if name == "courses" else {}
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
def _of_its_own(raw: pd.DataFrame, ours: set[Any]) -> dict[str, pd.Series[Any]]:
    own = [given for given in raw.columns if given not in ours and given != EXTRA]
    found = {normal_heading(given): extra_column(raw[given]) for given in own}
    kept = {name: own for name, own in found.items() if own is not None and name.isidentifier()}
    return dict(sorted(kept.items()))


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
    for row in first.index[blank >= len(required) / 2]:
        for column, cells in written.items():
            if isinstance(cells[row], str) and is_total(cells[row]):
                yield column, first.index[first.index == row], "total"
                break
    key = required[0]
    examples = first.index[_holds(written[key], EXAMPLE)]
    if len(examples):
        yield key, examples, "example"


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


# A row of a text file may have more cells than there are headings.
def _refuse_overflow(table: CleanTable, cells: pd.Series[Any]) -> None:
    beyond = cells.fillna("") != ""
    if beyond.any():
        said = problem_and_remedy("faults.overflow")
        rows = cells.index[beyond]
        table.set_aside.append(entries(table.name, rows, "", cells[beyond], *said))


# The column as it is used, and in the lists of the table the cells that break its rule: they are
# emptied, or their rows set aside.
def _column(table: CleanTable, rule: Column, cells: pd.Series[Any]) -> pd.Series[Any]:
    reading = read_column(rule, cells)
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


# Return a column that a table does not have: nothing recorded, or the default.
def _absent(rule: Column, index: pd.Index[Any]) -> pd.Series[Any]:
    import pandas as pd

    if rule.kind == "date":
        return pd.Series(pd.NaT, index, dtype="datetime64[ns]")
    if rule.kind in ("integer", "number"):
        return pd.Series(np.nan if rule.default is None else rule.default, index, np.float64)
    texts = np.empty(len(index), dtype=object)  # each is None, and no memory used for it
    if rule.default is not None:
        texts[:] = rule.default
    return pd.Series(texts, index, dtype=object)
