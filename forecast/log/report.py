"""What reading a log did to it: rows used, set aside, flagged, and the spellings tolerated."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note
from forecast._plain import plain_rows
from forecast.log.cells import distinct_texts

if TYPE_CHECKING:
    import pandas as pd

ENTRY = ("table", "row", "column", "value", "rule", "remedy")
BLANKED = "until then the cell is read as not recorded"  # in the remedy of such a cell
TOLERATED = ("table", "column", "tolerance", "count", "row", "written", "read_as")
LONGEST_SHOWN = 60  # characters of a cell in the text; the frames hold all of it
TO_MEND = """\
To mend: correct the rows in the log itself; or correct them in set_aside_<table>.csv and save
that as mended_<table>.csv in the log's folder (in a workbook: as a sheet of that name).
Then check again."""


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
        Contradictions in rows that are used all the same; and optional cells that could not be
        used and are read as not recorded, as their remedy then says.
    tolerated : DataFrame with columns table, column, tolerance, count, row, written, read_as
        Spellings read although they are not the log's own: how often, and the first one.
    extra_columns : dict of str to tuple of str
        Columns that the log does not know; they are kept out of everything.
    notes : tuple of Note
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
    notes: tuple[Note, ...] = ()
    withheld: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain lists and numbers, ready for JSON."""
        return {
            "source": self.source,
            "rows": {
                table: dict(zip(("in", "used", "set_aside", "empty"), astuple(count), strict=True))
                for table, count in self.rows.items()
            },
            "set_aside": plain_rows(self.set_aside),
            "flagged": plain_rows(self.flagged),
            "tolerated": plain_rows(self.tolerated),
            "extra_columns": {table: list(names) for table, names in self.extra_columns.items()},
            "notes": list(map(str, self.notes)),
            "note_codes": [note.to_dict() for note in self.notes],
        }

    def to_text(self, *, examples: int = 3) -> str:
        """Return the report for people: counts first, then each rule with its first cases.

        Parameters
        ----------
        examples : int
            How many cases of each rule are shown.
        """
        parts = [f"Log: {self.source}", "", *self._counts()]
        blanked = self.flagged["remedy"].str.contains(BLANKED, regex=False).to_numpy(bool)
        for title, listed in (
            ("Set aside (not used until mended)", self.set_aside),
            ("Flagged (the row is used, the cell read as not recorded)", self.flagged[blanked]),
            ("Flagged (used all the same)", self.flagged[~blanked]),
        ):
            if len(listed):
                parts += ["", f"{title}:", *_by_rule(listed, examples)]
        if len(self.set_aside):
            parts += ["", TO_MEND]
        if len(self.tolerated):
            parts += ["", "Read although written another way:", *self._spelled()]
        for table, names in self.extra_columns.items():
            parts += ["", f"Columns of {table} that the log does not know, kept out: "]
            parts[-1] += ", ".join(names) + "."
        return "\n".join([*parts, *(["", *map(str, self.notes)] if self.notes else [])])

    def in_brief(self) -> str:
        """Return in one line how many rows were set aside and flagged, empty when none was."""
        aside = {table: count.set_aside for table, count in self.rows.items()}
        courses, others = aside.pop("courses", 0), sum(aside.values())
        flagged = len(self.flagged[["table", "row"]].drop_duplicates())
        parts = []
        if courses or others:
            kinds = [_counted(courses, "course")] * (courses > 0)
            word = "other row" if courses else "row"
            kinds += [_counted(others, word)] * (others > 0)
            parts.append(f"{' and '.join(kinds)} set aside")
        if flagged:
            parts.append(f"{_counted(flagged, 'row')} flagged")
        return ", ".join(parts)

    def _counts(self) -> list[str]:
        lines = [f"{'table':<10}{'rows in':>9}{'used':>9}{'set aside':>11}"]
        for table, count in self.rows.items():
            empty = f"   and {count.empty} empty row(s)" if count.empty else ""
            lines.append(
                f"{table:<10}{count.rows_in:>9,}{count.used:>9,}{count.set_aside:>11,}{empty}"
            )
        return lines

    def _spelled(self) -> list[str]:
        return [
            f"  {habit['table']}{'.' if habit['column'] else ''}{habit['column']}: "
            f"{habit['tolerance']}, {habit['count']} time(s), first in row {habit['row']}: "
            f"{_shortened(habit['written'])!r} read as {habit['read_as']!r}."
            for habit in self.tolerated.to_dict("records")
        ]


def entries(
    table: str,
    rows: pd.Index[Any],
    column: str,
    values: pd.Series[Any],
    rule: str,
    remedy: str | list[str],
) -> pd.DataFrame:
    """Return one listed row per fault, in the columns of ``ENTRY``; a remedy for all or each."""
    import pandas as pd

    codes, texts = distinct_texts(values)
    written = np.append(texts, "")[codes]
    frame = pd.DataFrame({"row": rows.to_numpy(), "value": written})
    return frame.assign(table=table, column=column, rule=rule, remedy=remedy)[list(ENTRY)]


def gather(listed: Iterable[pd.DataFrame], columns: tuple[str, ...] = ENTRY) -> pd.DataFrame:
    """Return the listed faults one under the other, by table and row."""
    import pandas as pd

    filled = [frame for frame in listed if len(frame)]
    if not filled:
        kinds = {name: np.int64 if name == "row" else object for name in columns}
        return pd.DataFrame({name: pd.Series([], dtype=kinds[name]) for name in columns})
    whole = pd.concat(filled, ignore_index=True)
    order = whole.sort_values(["table", "row", "column"], kind="stable").index
    return whole.loc[order].reset_index(drop=True)


def _by_rule(listed: pd.DataFrame, examples: int) -> list[str]:
    lines = []
    for (table, column, rule), cases in listed.groupby(["table", "column", "rule"], sort=False):
        where = f"{table}.{column}" if column else table
        lines.append(f"  {where}, {len(cases)} row(s), rule: {rule}.")
        for case in cases.head(examples).to_dict("records"):
            value = f"{_shortened(case['value'])!r}" if case["value"] else "empty"
            lines.append(f"    row {case['row']}: {value}. {case['remedy']}")
        if len(cases) > examples:
            lines.append(f"    and {len(cases) - examples} more.")
    return lines


def _counted(number: int, word: str) -> str:
    return f"{number:,} {word}{'s' * (number != 1)}"


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
