"""What reading a log did to it, and the rows set aside: written out to be mended, read back in."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import astuple, dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import counted
from forecast._files import write_whole
from forecast._notes import Note, texts_of
from forecast._plain import Result, plain_rows
from forecast.errors import RequestError
from forecast.log.cells import OVERFLOW, as_text, distinct_texts
from forecast.log.headings import read_headings
from forecast.log.identity import HELPERS, masked

if TYPE_CHECKING:
    import pandas as pd

ENTRY = ("table", "row", "column", "value", "rule", "remedy")
FLAGGED = (*ENTRY, "blanked")
TOLERATED = ("table", "column", "tolerance", "count", "row", "written", "read_as")
LONGEST_SHOWN = 60  # characters of a cell in the text; the frames hold all of it
TO_MEND = """\
To correct: change the rows in the log itself; or correct them in set_aside_<table>.csv and save
that as mended_<table>.csv in the log's folder (in a workbook: as a sheet of that name).
Then check again."""


@dataclass(frozen=True, slots=True)
class RowCount:
    """Rows of one table: ``rows_in == used + set_aside``, always; empty rows are no rows."""

    rows_in: int
    used: int
    set_aside: int
    empty: int = 0


def _holes(escaped: str) -> str:
    return escaped.replace(r"\{\}", "(.+?)").replace(r"\{:d\}", r"([\d,]+)")


@cache
def _templates(language: str) -> list[tuple[re.Pattern[str], str]]:
    listed = texts_of(language).get("report", {})
    return [(re.compile(_holes(re.escape(english))), other) for english, other in listed.items()]


def in_words(text: str, language: str) -> str:
    """Return ``text``, a line of the report or part of one, in a language, or as it is.

    Examples
    --------
    >>> in_words("Write one of yes, no.", "de")
    'Bitte schreiben: eines von yes, no.'
    """
    for pattern, other in _templates(language):
        if found := pattern.fullmatch(text):
            return other.format(*(in_words(part, language) for part in found.groups()))
    return text


@dataclass(frozen=True, slots=True)
class Place:
    """A sheet that rows of a table stand in: those numbered above ``after``, up to ``last``.

    ``letters`` names the sheet's column of each column of the log, such as "F".
    """

    sheet: str
    after: int
    last: int
    letters: Mapping[str, str]

    def cell(self, row: int, column: str) -> str:
        """Return the cell's place as a spreadsheet writes it."""
        return f"{self.sheet}!{self.letters.get(column, 'A')}{row - self.after}"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class LogReport(Result):
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
    flagged : DataFrame with the same columns, and blanked
        Contradictions in rows that are used all the same; and, where ``blanked``, optional cells
        that could not be used and are read as not recorded.
    tolerated : DataFrame with columns table, column, tolerance, count, row, written, read_as
        Spellings read although they are not the log's own: how often, and the first one.
    extra_columns : dict of str to tuple of str
        Columns that the log does not know; they are kept out of everything.
    notes : tuple of Note
        What else a reader should know.
    withheld : dict of str to DataFrame
        The rows set aside, as they were written; the index is the row number.
    places : dict of str to tuple of Place
        The sheets that each table was read from; empty for CSV and Parquet files. Where a table
        was put together from several, its rows are numbered on from one to the next.
    """

    source: str
    rows: Mapping[str, RowCount]
    set_aside: pd.DataFrame
    flagged: pd.DataFrame
    tolerated: pd.DataFrame
    extra_columns: Mapping[str, tuple[str, ...]]
    notes: tuple[Note, ...] = ()
    withheld: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    places: Mapping[str, tuple[Place, ...]] = field(default_factory=dict)

    def cell(self, table: str, row: int, column: str) -> str:
        """Return where a cell stands in its workbook, as "courses!F12"; empty where unknown."""
        for place in self.places.get(table, ()):
            if place.after < row <= place.last:
                return place.cell(row, column)
        return ""

    def _listed(self, entries: pd.DataFrame) -> list[dict[str, Any]]:
        listed = plain_rows(entries)
        for one in listed if self.places else ():
            one["cell"] = self.cell(one["table"], one["row"], one["column"])
        return listed

    def to_dict(self) -> dict[str, Any]:
        """Return the report as plain lists and numbers, ready for JSON.

        Cells that seem to hold a name, a number or an address of somebody are masked; the frames,
        and the rows written out to be mended, have them as they are.
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
        """Return the report for people: counts first, then each rule with its first cases.

        Parameters
        ----------
        examples : int
            How many cases of each rule are shown.
        language : {"en", "de"}
            What it is written in; names of tables, columns and levels stay as the log has them.
        """
        parts = [f"Log: {self.source}", "", *self._counts()]
        blanked = self.flagged["blanked"]
        for title, listed in (
            ("Set aside (not used until corrected)", self.set_aside),
            ("Flagged (the row is used, the cell read as not recorded)", self.flagged[blanked]),
            ("Flagged (used all the same)", self.flagged[~blanked]),
        ):
            if len(listed):
                parts += ["", f"{title}:", *self._by_rule(listed, examples)]
        if len(self.set_aside):
            parts += ["", TO_MEND]
        if len(self.tolerated):
            parts += ["", "Understood from another spelling:", *self._spelled()]
        for table, names in self.extra_columns.items():
            parts += ["", f"Columns of {table} that the log does not know, kept out: "]
            parts[-1] += ", ".join(names) + "."
        lines = [in_words(line, language) for line in "\n".join(parts).split("\n")]
        notes = [note.say(language) for note in self.notes]
        return "\n".join([*lines, *(["", *notes] if notes else [])])

    def in_brief(self) -> str:
        """Return in one line how many rows were set aside and flagged, empty when none was."""
        aside = {table: count.set_aside for table, count in self.rows.items()}
        courses, others = aside.pop("courses", 0), sum(aside.values())
        flagged = len(self.flagged[["table", "row"]].drop_duplicates())
        parts = []
        if courses or others:
            kinds = [counted(courses, "course")] * (courses > 0)
            word = "other row" if courses else "row"
            kinds += [counted(others, word)] * (others > 0)
            parts.append(f"{' and '.join(kinds)} set aside")
        if flagged:
            parts.append(f"{counted(flagged, 'row')} flagged")
        return ", ".join(parts)

    def _counts(self) -> list[str]:
        lines = [f"{'table':<10}{'rows in':>9}{'used':>9}{'set aside':>11}"]
        for table, count in self.rows.items():
            empty = f"   and {counted(count.empty, 'empty row')}" if count.empty else ""
            lines.append(
                f"{table:<10}{count.rows_in:>9,}{count.used:>9,}{count.set_aside:>11,}{empty}"
            )
        return lines

    def _by_rule(self, listed: pd.DataFrame, examples: int) -> list[str]:
        lines = []
        for (table, column, rule), cases in listed.groupby(["table", "column", "rule"], sort=False):
            where = f"{table}.{column}" if column else table
            lines.append(f"  {where}, {counted(len(cases), 'row')}, rule: {rule}.")
            for case in cases.head(examples).to_dict("records"):
                value = f"{_shortened(masked(case['value']))!r}" if case["value"] else "empty"
                cell = self.cell(str(table), case["row"], str(column)) or f"row {case['row']}"
                lines.append(f"    {cell}: {value}. {case['remedy']}")
            if len(cases) > examples:
                lines.append(f"    and {len(cases) - examples} more.")
        return lines

    def _spelled(self) -> list[str]:
        return [
            f"  {habit['table']}{'.' if habit['column'] else ''}{habit['column']}: "
            f"{habit['tolerance']}, {counted(habit['count'], 'time')}, "
            f"first in row {habit['row']}: "
            f"{_shortened(masked(habit['written']))!r} read as {habit['read_as']!r}."
            for habit in self.tolerated.to_dict("records")
        ]


def entries(
    table: str,
    rows: pd.Index[Any],
    column: str,
    values: pd.Series[Any],
    rule: str,
    remedy: str | list[str],
    *,
    blanked: bool = False,
) -> pd.DataFrame:
    """Return one listed row per fault, in the columns of ``FLAGGED``; a remedy for all or each."""
    import pandas as pd

    codes, texts = distinct_texts(values)
    written = np.append(texts, "")[codes]
    frame = pd.DataFrame({"row": rows.to_numpy(), "value": written})
    told = frame.assign(table=table, column=column, rule=rule, remedy=remedy, blanked=blanked)
    return told[list(FLAGGED)]


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


def _shortened(text: str) -> str:
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."


RECORD = "belongs_to.json"
PREFIX = "set_aside_"


def write_set_aside(report: LogReport, folder: str | Path) -> tuple[Path, ...]:
    """Write the rows a ``report`` set aside, a ``set_aside_<table>.csv`` each; return the paths.

    Each row stands as it was written, with what is wrong (``problem``), what to do (``remedy``)
    and which row of the log it replaces (``mends``). To mend: correct the cells, leave
    ``mends`` alone, save the file as ``mended_<table>.csv`` in the log's folder (or as a sheet
    ``mended_<table>`` of the workbook) and read the log again. Rows may as well be corrected in
    the log itself, or the mended rows added below its own: the three helper columns do no harm.

    A file changed since it was written is not written over: the new one is then numbered,
    ``set_aside_<table>_2.csv``. ``belongs_to.json`` beside them names the log.

    Raises
    ------
    RequestError
        If ``folder`` exists and is not a folder, or holds rows of another log.
    """
    folder = Path(folder)
    if folder.exists() and not folder.is_dir():
        raise RequestError(f"{folder} is a file.", "Name a folder for the rows set aside.")
    contents = {
        table: _to_mend(report, table, rows)
        .to_csv(index=False, lineterminator="\n")
        .encode("utf-8-sig")
        for table, rows in report.withheld.items()
        if len(rows)
    }
    return _put_on_shelf(report.source, folder, contents)


def _to_mend(report: LogReport, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    headings = read_headings(table, list(rows.columns))
    texts = _texts(rows[list(headings)].rename(columns=headings))
    listed = report.set_aside[report.set_aside["table"] == table]
    placed = zip(listed["row"].tolist(), listed["column"].tolist(), strict=True)
    cells = [report.cell(table, row, column) for row, column in placed]
    at = [f" ({cell})" if cell else "" for cell in cells]
    why = listed["column"] + " " + listed["value"].map(repr) + ": " + listed["rule"] + at
    problems = why.groupby(listed["row"]).agg("; ".join)
    remedies = (
        listed["remedy"].groupby(listed["row"]).agg(lambda part: " ".join(dict.fromkeys(part)))
    )
    tokens = [_token(row, cells) for row, cells in zip(texts.index, _cells(texts), strict=True)]
    if "mends" in rows:  # mended once already: still the same row of the log
        before = rows["mends"].fillna("").astype(str)
        tokens = [old or new for old, new in zip(before, tokens, strict=True)]
    # columns that the log does not know may tell what a cell was to mean
    others = [name for name in rows.columns if name not in (*headings, *HELPERS, OVERFLOW)]
    texts = pd.concat([texts, _texts(rows[others])], axis=1)
    safe = texts.map(lambda text: f" {text}" if text.startswith(("=", "@", "+", "-")) else text)
    helpers = {
        "problem": problems.reindex(texts.index).fillna(""),
        "remedy": remedies.reindex(texts.index).fillna(""),
        "mends": pd.Series(tokens, texts.index, dtype=object),
    }
    return safe.assign(**helpers)


def shelf_for(log: str, folder: str | Path) -> Path:
    """Return ``folder``, or ``folder-2``, ``folder-3``, …: the first that is not another log's."""
    wanted = Path(folder)
    for place in _numbered(wanted):
        owner, _ = _record_of(place)
        if owner in ("", _owner_name(log)):
            return place
    raise AssertionError("numbers do not end")


def changed_files(folder: Path) -> tuple[Path, ...]:
    """Return the files of rows set aside that are not as they were written."""
    _, written = _record_of(folder)
    files = sorted(folder.glob(f"{PREFIX}*.csv")) if folder.is_dir() else []
    return tuple(path for path in files if not _is_as_written(path, written))


# One file per table goes into the folder, and whose rows they are. A file that was changed since it
# was written is left alone: the new one gets a number. Files of tables that have no row set aside
# any more are taken away unless they were changed.
def _put_on_shelf(log: str, folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    owner, written = _record_of(folder)
    if owner not in ("", _owner_name(log)):
        raise RequestError(
            f"{folder} holds rows set aside from {owner}.", "Name another folder for this log."
        )
    if not contents and not written:
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    paths, now = [], {}
    for table, content in contents.items():
        path = next(
            place
            for place in _numbered(folder / f"{PREFIX}{table}.csv")
            if not place.exists() or _is_as_written(place, written)
        )
        write_whole(path, content)
        now[path.name] = _digest(content)
        paths.append(path)
    for name in written.keys() - now.keys():
        if _is_as_written(folder / name, written):
            (folder / name).unlink()
    if now:
        record = json.dumps({"log": _owner_name(log), "written": now}, indent=1)
        write_whole(folder / RECORD, f"{record}\n".encode())
    else:
        (folder / RECORD).unlink()
    return tuple(paths)


# Whose rows a folder holds, "" where nothing says so, and the digest of each file.
def _record_of(folder: Path) -> tuple[str, dict[str, str]]:
    try:
        stored = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return str(stored["log"]), {str(k): str(v) for k, v in stored["written"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "", {}


# A log's source in the one way in which it is recorded.
def _owner_name(log: str) -> str:
    return str(Path(log).resolve()) if Path(log).exists() else log


def _is_as_written(path: Path, written: Mapping[str, str]) -> bool:
    return path.is_file() and written.get(path.name) == _digest(path.read_bytes())


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


# A path, and then the same with 2, 3, … at the end of its name.
def _numbered(path: Path) -> Iterator[Path]:
    yield path
    mark = "_" if path.suffix else "-"
    number = 2
    while True:
        yield path.with_name(f"{path.stem}{mark}{number}{path.suffix}")
        number += 1


def apply_mends(
    table: str, raw: pd.DataFrame, mended: pd.DataFrame
) -> tuple[pd.DataFrame, int, int]:
    """Return the table with its mended rows, and how many were replaced and how many added.

    A mended row replaces the row that its ``mends`` names, if that still says what it said, and
    is added below the table otherwise.
    """
    import pandas as pd

    names = read_headings(table, list(raw.columns))
    known = {known: given for given, known in names.items()}
    fresh_names = read_headings(table, list(mended.columns))
    fresh = mended.rename(
        columns={given: known.get(name, name) for given, name in fresh_names.items()}
    )
    tokens = mended["mends"] if "mends" in mended else pd.Series("", mended.index)
    wanted = tokens.fillna("").astype(str).str.strip()
    places = _places(raw[list(names)].rename(columns=names), set(wanted))
    last = int(raw.index.max()) if len(raw) else 1
    rows, added = [], 0
    for token in wanted:
        added += token not in places
        rows.append(places.get(token, last + added))
    fresh = fresh.set_axis(rows, axis=0)
    fresh = fresh[~fresh.index.duplicated(keep="last")]
    kept = raw[~raw.index.isin(rows)]
    return pd.concat([kept, fresh]).sort_index(), len(set(rows) & set(raw.index)), added


def _places(raw: pd.DataFrame, wanted: set[str]) -> dict[str, int]:
    marks = {token.partition("#")[2] for token in wanted if "#" in token}
    if not marks:
        return {}
    texts = _texts(raw)
    places: dict[str, int] = {}
    for row, cells in zip(texts.index, _cells(texts), strict=True):
        token = _token(row, cells)
        if token in wanted:
            places[token] = int(row)
    return places


def _token(row: int, cells: Iterable[str]) -> str:
    return f"row {row} #{_digest(chr(31).join(cells).encode())[:10]}"


def _texts(frame: pd.DataFrame) -> pd.DataFrame:
    kept = frame[[name for name in frame.columns if name not in HELPERS]]
    return kept.astype(object).map(lambda value: (as_text(value) or "").strip())


def _cells(texts: pd.DataFrame) -> Iterable[tuple[Any, ...]]:
    return texts[sorted(texts.columns)].itertuples(index=False, name=None)
