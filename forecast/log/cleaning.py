"""Bring one table of the log to its canonical form, and list what could not be read."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.log.cells import Ids, first_unknown, read_column, rule_of
from forecast.log.columns import TABLES, Column
from forecast.log.headings import HELPERS, OVERFLOW, read_headings
from forecast.log.report import BLANKED, TOLERATED, entries

if TYPE_CHECKING:
    import pandas as pd
    import pandera.pandas as pa


@lru_cache
def table_schema(table: str, columns: frozenset[str] | None = None) -> pa.DataFrameSchema:
    """Return the schema of a cleaned table of the log, of all its columns or of some.

    It carries presence, levels and limits; the types are those of the cleaned frames. These
    fulfil it, but for numbers that are flagged and kept above their limit.
    """
    import pandera.pandas as pa

    known = {
        rule.name: pa.Column(
            checks=_checks(rule), nullable=not rule.required, description=rule.meaning
        )
        for rule in TABLES[table]
        if columns is None or rule.name in columns
    }
    return pa.DataFrameSchema(known, name=table, ordered=True)


def _checks(rule: Column) -> list[pa.Check]:
    import pandera.pandas as pa

    if rule.kind in ("level", "flag"):
        return [pa.Check.isin(rule.levels)]
    if rule.kind not in ("integer", "number"):
        return []
    checks = []
    if rule.low is not None:
        checks.append(pa.Check.ge(rule.low))
    if rule.high is not None:
        checks.append(pa.Check.le(rule.high))
    return checks


def broken_rules(table: str, frame: pd.DataFrame, *, sound: Collection[str] = ()) -> pd.DataFrame:
    """Return the cells of a typed table that break its rules, as columns ``row`` and ``column``.

    Columns known to be ``sound`` are not looked at again.
    """
    import warnings

    import pandas as pd
    import pandera.pandas as pa

    columns = frozenset(rule.name for rule in TABLES[table] if rule.name not in sound)
    checked = frame.copy(deep=False)
    try:
        with warnings.catch_warnings():
            # pandera 0.35 joins its failure cases in a way that pandas 2 warns about
            warnings.filterwarnings("ignore", "The behavior of DataFrame conc", FutureWarning)
            # nothing is coerced, so that there is no need for the copy it would make
            table_schema(table, columns).validate(checked, lazy=True, inplace=True)
    except pa.errors.SchemaErrors as errors:
        cases = errors.failure_cases
        return pd.DataFrame({"row": cases["index"], "column": cases["column"]})
    finally:
        # the frame and what pandera hangs on it hold each other, and with them a large table
        vars(checked).pop("pandera", None)
    return pd.DataFrame({"row": [], "column": []})


@dataclass(slots=True)
class CleanTable:
    """One table on its way in; the index of ``frame`` is the row number in the file.

    ``ids`` holds its columns of ids as numbers, of all rows of the file, see `codes`; ``sound``
    the columns whose every cell is known to fulfil its rule.
    """

    name: str
    frame: pd.DataFrame
    set_aside: list[pd.DataFrame] = field(default_factory=list)
    flagged: list[pd.DataFrame] = field(default_factory=list)
    tolerated: list[dict[str, Any]] = field(default_factory=list)
    extra: tuple[str, ...] = ()
    ids: dict[str, Ids] = field(default_factory=dict)
    sound: set[str] = field(default_factory=set)
    index: pd.Index[Any] = field(init=False)

    def __post_init__(self) -> None:
        self.index = self.frame.index

    def codes(self, column: str) -> npt.NDArray[np.signedinteger[Any]]:
        """Return the number of the id in each row of ``frame``, shape (n,)."""
        codes = self.ids[column].codes
        if len(self.frame) == len(codes):
            return codes
        return codes[self.index.get_indexer(self.frame.index)]

    def refuse(
        self,
        bad: pd.Series[bool],
        column: str,
        rule: str,
        remedy: str,
        *,
        other: pd.Series[Any] | None = None,
    ) -> None:
        """Set the rows of a mask aside, and list why; ``other`` fills ``{}`` in the remedy."""
        if bad.any():
            self._list(self.set_aside, bad, column, rule, remedy, other)
            self.frame = self.frame[~bad]

    def flag(
        self,
        bad: pd.Series[bool],
        column: str,
        rule: str,
        remedy: str,
        *,
        other: pd.Series[Any] | None = None,
    ) -> None:
        """List a contradiction in the rows of a mask, and keep them."""
        if bad.any():
            self._list(self.flagged, bad, column, rule, remedy, other)

    def tolerate(
        self, column: str, tolerance: str, count: int, row: int, written: str, read_as: str
    ) -> None:
        """List a spelling that was read, how often, and the first time."""
        values = (self.name, column, tolerance, count, row, written, read_as)
        self.tolerated.append(dict(zip(TOLERATED, values, strict=True)))

    def _list(
        self,
        where: list[pd.DataFrame],
        bad: pd.Series[bool],
        column: str,
        rule: str,
        remedy: str,
        other: pd.Series[Any] | None,
    ) -> None:
        rows = self.frame[bad]
        remedies = remedy if other is None else [remedy.format(row) for row in other[bad]]
        where.append(entries(self.name, rows.index, column, rows[column], rule, remedies))


def clean_table(name: str, raw: pd.DataFrame) -> CleanTable:
    """Return a table in its canonical form, with the rows that cannot be read listed.

    Parameters
    ----------
    name : str
        "courses", "sessions", "gradings", "reactions" or "lasers".
    raw : DataFrame
        Cells as text, or typed columns; the index is the row number. It is not changed.

    Raises
    ------
    DataError
        If a required column is missing or two headings mean the same column.
    """
    import pandas as pd

    headings = read_headings(name, list(raw.columns))
    table = CleanTable(name, pd.DataFrame(index=raw.index))
    table.extra = tuple(
        str(given)
        for given in raw.columns
        if given not in headings and given not in (*HELPERS, OVERFLOW)
    )
    _list_spelled(table, headings)
    if OVERFLOW in raw:
        _refuse_overflow(table, raw[OVERFLOW])
    written = {known: raw[given] for given, known in headings.items()}
    columns = {}
    for rule in TABLES[name]:
        if rule.name in written:
            columns[rule.name] = _column(table, rule, written[rule.name])
        else:
            columns[rule.name] = _absent(rule, raw.index)
            table.sound.add(rule.name)
    table.frame = pd.DataFrame(columns, index=raw.index, copy=False)
    _keep_rules(table, written)
    for rule in TABLES[name]:
        if rule.kind == "integer" and not rule.may_be_blank:
            table.frame[rule.name] = table.frame[rule.name].astype(np.int64)
    return table


def of_course(courses: CleanTable, column: str, table: CleanTable) -> npt.NDArray[Any]:
    """Return a number or date of its course for each row of a table whose courses are all there.

    The ids of the table must be numbered as those of courses.
    """
    values: npt.NDArray[Any] = courses.frame[column].to_numpy()
    by_number = np.zeros(len(courses.ids["course_id"].distinct), dtype=values.dtype)
    by_number[courses.codes("course_id")] = values
    return np.asarray(by_number[table.codes("course_id")])


def empty_table(name: str) -> pd.DataFrame:
    """Return a table without rows, its columns in their canonical types."""
    import pandas as pd

    no_rows = pd.DataFrame({rule.name: pd.Series([], dtype=object) for rule in TABLES[name]})
    return clean_table(name, no_rows).frame


def _list_spelled(table: CleanTable, headings: dict[Any, str]) -> None:
    """List the headings that were read although they are spelled in another way."""
    for given, known in headings.items():
        if given != known:
            above = int(table.frame.index.min()) - 1 if len(table.frame) else 1
            table.tolerate(known, "a heading with other spelling", 1, above, str(given), known)


def _refuse_overflow(table: CleanTable, cells: pd.Series[Any]) -> None:
    """Set aside rows of a text file with more cells than there are headings."""
    beyond = cells.fillna("") != ""
    if beyond.any():
        rule = "no more cells than headings"
        remedy = "Put quotation marks around a cell that holds a comma, such as 12,5."
        rows = cells.index[beyond]
        table.set_aside.append(entries(table.name, rows, "", cells[beyond], rule, remedy))


def _column(table: CleanTable, rule: Column, cells: pd.Series[Any]) -> pd.Series[Any]:
    reading = read_column(rule, cells)
    rows = cells.index
    if reading.ids is not None:
        table.ids[rule.name] = reading.ids
    if reading.sound:
        table.sound.add(rule.name)
    values = reading.values
    for text, bad in reading.broken.items():
        values = _not_used(table, rule, cells, values, bad, text)
    for habit in reading.habits:
        where = (habit.n_cells, int(rows[habit.position]), habit.written, habit.read_as)
        table.tolerate(rule.name, habit.tolerance, *where)
    if rule.may_be_blank and rule.kind in ("integer", "number"):
        beyond = ((values < rule.low) | (values > rule.high)).to_numpy()
        if beyond.any():
            values = _not_used(table, rule, cells, values, beyond, rule_of(rule))
    return values if rule.default is None else values.fillna(rule.default)


def _not_used(
    table: CleanTable,
    rule: Column,
    cells: pd.Series[Any],
    values: pd.Series[Any],
    bad: npt.NDArray[np.bool_],
    text: str,
) -> pd.Series[Any]:
    """List the cells of a mask that break a rule; return the values without them.

    The rows are set aside, or used with the cell empty where the column allows for that.
    """
    remedy = _remedy(rule, text)
    written = cells[bad].astype(str)
    meant = {cell: remedy + _meant(rule, cell) for cell in written.unique()}
    remedies = [meant[cell] for cell in written]
    listed = entries(table.name, cells.index[bad], rule.name, cells[bad], text, remedies)
    (table.flagged if rule.may_be_blank else table.set_aside).append(listed)
    return values.mask(bad) if values[bad].notna().any() else values


def _absent(rule: Column, index: pd.Index[Any]) -> pd.Series[Any]:
    """Return the column that a table does not have: nothing recorded, or the default."""
    import pandas as pd

    if rule.kind == "date":
        return pd.Series(pd.NaT, index, dtype="datetime64[ns]")
    if rule.kind in ("integer", "number"):
        return pd.Series(np.nan if rule.default is None else rule.default, index, np.float64)
    return pd.Series(np.full(len(index), rule.default, dtype=object), index, dtype=object)


def _remedy(rule: Column, text: str) -> str:
    if rule.may_be_blank:
        return f"Write {text}; {BLANKED}."
    return f"Write {text}." if rule.required else f"Write {text}, or leave the cell empty."


def _meant(rule: Column, cell: str) -> str:
    """Return the level closest to the part of the cell that is none, in a sentence."""
    close = get_close_matches(first_unknown(rule, cell), rule.levels, n=1)
    return f" Perhaps {close[0]} is meant." if close else ""


def _keep_rules(table: CleanTable, written: Mapping[str, pd.Series[Any]]) -> None:
    """Set aside the rows that break a rule of the schema, and those listed as unreadable."""
    listed = {cell for frame in table.set_aside for cell in _cells(frame)}
    rules = {rule.name: rule for rule in TABLES[table.name]}
    broken = broken_rules(table.name, table.frame, sound=table.sound)
    for name, rows in broken.groupby("column")["row"]:
        rule = rules[str(name)]
        if rule.kept_above:
            rows = rows[~(table.frame.loc[rows, rule.name] > rule.high).to_numpy()]
        fresh = [row for row in rows.astype(int) if (row, rule.name) not in listed]
        missing = table.frame.loc[fresh, rule.name].isna()
        cells = written[rule.name].loc[fresh]
        must = f"a value in every row: {rule_of(rule)}"
        for bad, text in ((cells[missing], must), (cells[~missing], rule_of(rule))):
            remedy = _remedy(rule, rule_of(rule))
            table.set_aside.append(entries(table.name, bad.index, rule.name, bad, text, remedy))
    gone = {row for frame in table.set_aside for row, _ in _cells(frame)}
    if gone:
        table.frame = table.frame[~table.frame.index.isin(list(gone))].copy()


def _cells(listed: pd.DataFrame) -> zip[tuple[int, str]]:
    return zip(listed["row"].astype(int), listed["column"], strict=True)
