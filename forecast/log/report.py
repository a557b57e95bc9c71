"""What reading a log did to it: rows used and set aside, and what was understood or flagged."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note, Sentence, in_language, sentence
from forecast._plain import Result, fields_of, plain_rows
from forecast.log.cells import distinct_texts
from forecast.log.identity import masked

if TYPE_CHECKING:
    import pandas as pd

ENTRY = ("table", "row", "column", "value", "rule", "remedy")
FLAGGED = (*ENTRY, "blanked")
TOLERATED = ("table", "column", "tolerance", "count", "row", "written", "read_as")
LONGEST_SHOWN = 60  # characters of a cell in the text; the frames hold all of it


@dataclass(frozen=True, slots=True)
class RowCount:
    """Rows of one table: ``rows_in == used + set_aside``, always; empty rows are no rows."""

    rows_in: int
    used: int
    set_aside: int
    empty: int = 0


@dataclass(frozen=True, slots=True)
class Place:
    """A sheet that rows of a table stand in: those numbered above ``after``, up to ``last``.

    ``letters`` names the sheet's column of each column of the log, such as "F". A daybook has no
    sheets: its rows are found by their course or laser, of which ``ids`` are.
    """

    sheet: str
    after: int
    last: int
    letters: Mapping[str, str] = field(default_factory=dict)
    ids: pd.Series[Any] | None = None

    def cell(self, row: int, column: str) -> str:
        """Return the cell's place as a spreadsheet writes it, or whose row of a daybook it is."""
        if self.ids is not None:
            return sentence(f"report.{self.ids.name}", {"id": self.ids[row]})
        return f"{self.sheet}!{self.letters.get(column, 'A')}{row - self.after}"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class LogReport(Result):
    """What happened to a log on its way in.

    Rows are numbered as a spreadsheet shows them: row 1 is the heading, row 2 the first below.
    Those of a daybook have the number that its own table gives them.

    Attributes
    ----------
    source : str
        Where the log came from.
    rows : dict of str to RowCount
        One count per table.
    set_aside : DataFrame with columns table, row, column, value, rule, remedy
        Why rows were not used; a row with two faults is listed twice.
    flagged : DataFrame with the same columns, and blanked
        Contradictions in rows that are used all the same; and, where ``blanked``, optional cells
        that could not be used and are read as not recorded.
    tolerated : DataFrame with columns table, column, tolerance, count, row, written, read_as
        Spellings read although they are not the log's own: how often, and the first one.
    extra_columns : dict of str to tuple of str
        Columns that the log does not know; they are kept out of everything.
    notes : tuple of Note
        What else a reader should know.
    to_correct : dict of str to DataFrame
        The rows that somebody should correct, as they were written; the index is the row number.
        They are those set aside for a fault of their own, those with a cell that could not be
        read, and those that were corrected before.
    corrected : dict of str to dict of int to str
        What the corrected rows say that they take the place of, by row number.
    places : dict of str to tuple of Place
        The sheets that each table was read from; empty for CSV and Parquet files. Where a table
        was put together from several, its rows are numbered on from one to the next.

    Examples
    --------
    >>> log.report.rows["courses"]
    RowCount(rows_in=150, used=150, set_aside=0, empty=0)
    """

    source: str
    rows: Mapping[str, RowCount]
    set_aside: pd.DataFrame
    flagged: pd.DataFrame
    tolerated: pd.DataFrame
    extra_columns: Mapping[str, tuple[str, ...]]
    notes: tuple[Note, ...] = ()
    to_correct: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    corrected: Mapping[str, Mapping[int, str]] = field(default_factory=dict)
    places: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)

    def cell(self, table: str, row: int, column: str) -> str:
        """Return where a cell stands in its workbook, as "courses!F12", else as "row 12"."""
        for place in self.places.get(table, ()):
            if place.after < row <= place.last:
                return place.cell(row, column)
        return sentence("report.row", {"row": row})

    def _listed(self, entries: pd.DataFrame) -> list[dict[str, Any]]:
        listed = plain_rows(entries)
        for one in listed if self.places else ():
            one["cell"] = self.cell(one["table"], one["row"], one["column"])
        return listed

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain lists and numbers, ready for JSON.

        Cells that seem to hold a name, a number or an address of somebody are masked; the frames,
        and the rows written out to be corrected, have them as they are.
        """
        return {
            "source": self.source,
            "rows": {
                table: dict(zip(("in", "used", "set_aside", "empty"), astuple(count), strict=True))
                for table, count in self.rows.items()
            },
            "set_aside": self._listed(_masked(self.set_aside, "value")),
            "flagged": self._listed(_masked(self.flagged, "value")),
            "tolerated": plain_rows(_masked(self.tolerated, "written")),
            "extra_columns": {table: list(names) for table, names in self.extra_columns.items()},
            "notes": list(map(str, self.notes)),
            "note_codes": [note.to_dict() for note in self.notes],
        }

    def to_text(self, *, examples: int = 3, language: str = "en") -> str:
        """Return the report for people: how much can be used, the counts, each rule with cases.

        Parameters
        ----------
        examples : int
            How many cases of each rule are shown.
        language : {"en", "de"}
            What it is written in; names of tables, columns and levels stay as the log has them.
        """
        return "\n".join(self.lines(language, examples=examples))

    def lines(self, language: str, *, examples: int = 3) -> list[str]:
        """Return the lines of :meth:`to_text`."""
        courses, brief = self.rows["courses"], self.in_brief()
        values = {"used": courses.used, "of": courses.rows_in, "brief": brief}
        parts: list[str] = [sentence("report.answer_but" if brief else "report.answer", values)]
        parts += [sentence("report.log", {"source": self.source}), "", *self._counts()]
        blanked = self.flagged["blanked"]
        for title, listed in (
            ("set_aside", self.set_aside),
            ("blanked", self.flagged[blanked]),
            ("flagged", self.flagged[~blanked]),
        ):
            if len(listed):
                parts += ["", sentence(f"report.{title}"), *self._by_rule(listed, examples)]
        if len(self.tolerated):
            parts += ["", sentence("report.spelled"), *self._spelled()]
        for table, names in self.extra_columns.items():
            parts += ["", sentence("report.extra_columns", {"table": table, "names": names})]
        lines = [in_language(line, language) for line in parts]
        notes = [note.say(language) for note in self.notes]
        return [*lines, *(["", *notes] if notes else [])]

    def in_brief(self) -> str:
        """Return in one line how many rows were set aside and flagged, empty when none was."""
        aside = {table: count.set_aside for table, count in self.rows.items()}
        courses, others = aside.pop("courses", 0), sum(aside.values())
        flagged = len(self.flagged[["table", "row"]].drop_duplicates())
        both = "_both" if courses and others else "_courses" if courses else "_rows"
        parts = [sentence(f"report.aside{both}", {"courses": courses, "rows": others})]
        parts *= bool(courses or others)
        parts += [sentence("report.flagged_rows", {"rows": flagged})] * bool(flagged)
        return sentence("report.brief", {"parts": parts}) if parts else ""

    def _counts(self) -> list[str]:
        lines: list[str] = [sentence("report.heads")]
        for table, count in self.rows.items():
            values = {"table": f"{table:<10}", **fields_of(count)}
            code = "report.rows_and_empty" if count.empty else "report.rows"
            lines.append(sentence(code, values))
        return lines

    def _by_rule(self, listed: pd.DataFrame, examples: int) -> list[str]:
        lines: list[str] = []
        for (table, column, rule), cases in listed.groupby(["table", "column", "rule"], sort=False):
            values = {"where": _where(table, column), "rows": len(cases), "rule": rule}
            lines.append(sentence("report.rule", values))
            for case in cases.head(examples).to_dict("records"):
                values = {"cell": self.cell(str(table), case["row"], str(column))}
                values |= {"value": _shown(case["value"]), "remedy": case["remedy"]}
                lines.append(sentence("report.case" if case["value"] else "report.empty", values))
            if len(cases) > examples:
                lines.append(sentence("report.more", {"n": len(cases) - examples}))
        return lines

    def _spelled(self) -> list[str]:
        lines: list[str] = []
        for habit in self.tolerated.to_dict("records"):
            table, column = habit["table"], habit["column"]
            values = {"where": _where(table, column), "count": habit["count"]}
            values |= {"what": habit["tolerance"], "cell": self.cell(table, habit["row"], column)}
            values |= {"written": _shown(habit["written"]), "read_as": habit["read_as"]}
            lines.append(sentence("report.spelling", values))
        return lines


def _where(table: object, column: object) -> str:
    return f"{table}.{column}" if column else str(table)


def entries(
    table: str,
    rows: pd.Index[Any],
    column: str,
    values: pd.Series[Any],
    rule: Sentence,
    remedy: Sentence | list[Sentence],
    *,
    blanked: bool = False,
) -> pd.DataFrame:
    """Return one listed row per fault, in the columns of ``FLAGGED``; a remedy for all or each."""
    import pandas as pd

    codes, texts = distinct_texts(values)
    written = np.append(texts, "")[codes]
    remedies = remedy if isinstance(remedy, list) else [remedy] * len(rows)
    said = (pd.Series(each, dtype=object) for each in ([rule] * len(rows), remedies))
    told = (table, rows.to_numpy(), column, written, *said, blanked)
    return pd.DataFrame(dict(zip(FLAGGED, told, strict=True)))


def gather(listed: Iterable[pd.DataFrame], columns: tuple[str, ...] = ENTRY) -> pd.DataFrame:
    """Return these columns of the listed faults one under the other, by table and row."""
    import pandas as pd

    filled = [frame for frame in listed if len(frame)]
    if not filled:
        kinds = {"row": np.int64, "blanked": np.bool_}
        empty = {name: pd.Series([], dtype=kinds.get(name, object)) for name in columns}
        return pd.DataFrame(empty)
    whole = pd.concat(filled, ignore_index=True)
    order = whole.sort_values(["table", "row", "column"], kind="stable").index
    return whole.loc[order, list(columns)].reset_index(drop=True)


def _masked(listed: pd.DataFrame, column: str) -> pd.DataFrame:
    return listed.assign(**{column: listed[column].map(lambda text: masked(str(text)))})


def _shown(cell: str) -> str:
    text = masked(cell)
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
