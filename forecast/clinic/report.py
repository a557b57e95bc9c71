"""What reading a log did to it: rows used, set aside, flagged, and the spellings tolerated."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ENTRY", "LogReport", "RowCount", "entries", "gather"]

ENTRY = ("table", "row", "column", "value", "rule", "remedy")
TOLERATED = ("table", "column", "tolerance", "count", "row", "written", "read_as")


@dataclass(frozen=True, slots=True)
class RowCount:
    """Rows of one table: ``rows_in == used + set_aside``, always; empty rows are no rows."""

    rows_in: int
    used: int
    set_aside: int
    empty: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class LogReport:
    """What happened to a log on its way in.

    Rows are numbered as a spreadsheet shows them: row 1 is the heading, row 2 the first below.

    Attributes
    ----------
    source : str
        Where the log came from.
    rows : dict of str to RowCount
        One count per table.
    set_aside : DataFrame with columns table, row, column, value, rule, remedy
        Why rows were not used; a row with two faults is listed twice.
    flagged : DataFrame with the same columns
        Contradictions in rows that are used all the same.
    tolerated : DataFrame with columns table, column, tolerance, count, row, written, read_as
        Spellings read although they are not the log's own: how often, and the first one.
    extra_columns : dict of str to tuple of str
        Columns that the log does not know; they are kept out of everything.
    notes : tuple of str
        What else a reader should know.
    withheld : dict of str to DataFrame
        The rows set aside, as they were written; the index is the row number.
    """

    source: str
    rows: Mapping[str, RowCount]
    set_aside: pd.DataFrame
    flagged: pd.DataFrame
    tolerated: pd.DataFrame
    extra_columns: Mapping[str, tuple[str, ...]]
    notes: tuple[str, ...] = ()
    withheld: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain lists and numbers, ready for JSON."""
        return {
            "source": self.source,
            "rows": {
                table: {
                    "in": count.rows_in,
                    "used": count.used,
                    "set_aside": count.set_aside,
                    "empty": count.empty,
                }
                for table, count in self.rows.items()
            },
            "set_aside": records(self.set_aside),
            "flagged": records(self.flagged),
            "tolerated": records(self.tolerated),
            "extra_columns": {table: list(names) for table, names in self.extra_columns.items()},
            "notes": list(self.notes),
        }


def entries(
    table: str,
    rows: pd.Index[Any],
    column: str,
    values: Iterable[object],
    rule: str,
    remedy: str | list[str],
) -> pd.DataFrame:
    """Return one listed row per fault, in the columns of ``ENTRY``; a remedy for all or each."""
    import pandas as pd

    written = ["" if value is None or value != value else plain(value) for value in values]
    frame = pd.DataFrame({"row": rows.to_numpy(), "value": written})
    return frame.assign(table=table, column=column, rule=rule, remedy=remedy)[list(ENTRY)]


def gather(listed: Iterable[pd.DataFrame], columns: tuple[str, ...] = ENTRY) -> pd.DataFrame:
    """Return the listed faults one under the other, by table and row."""
    import pandas as pd

    filled = [frame for frame in listed if len(frame)]
    if not filled:
        return pd.DataFrame({name: [] for name in columns})
    whole = pd.concat(filled, ignore_index=True)
    order = whole.sort_values(["table", "row", "column"], kind="stable").index
    return whole.loc[order].reset_index(drop=True)


def plain(value: object) -> str:
    """Return a cell's value as a person would write it."""
    if isinstance(value, float):
        return f"{value:.15g}"
    return str(value).removesuffix(" 00:00:00")


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a report's frame as dictionaries of plain values."""
    return [
        {
            str(name): value.item() if hasattr(value, "item") else value
            for name, value in row.items()
        }
        for row in frame.to_dict("records")
    ]
