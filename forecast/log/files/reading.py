"""Which tables of a log are at a place: a folder of CSV or Parquet files, a workbook, a daybook."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import numpy as np
import numpy.typing as npt

from forecast._checks import shown
from forecast._files import (
    MAX_CELL,
    SEAL,
    checksums,
    csv_rows,
    read_json,
    read_whole,
    refuse_long_cell,
    sum_of,
)
from forecast._notes import Note, Sentence, problem_and_remedy, sentence, why
from forecast.errors import DataError
from forecast.log.cells import SEPARATORS, DateOrder, coded_texts, folded, normal_heading
from forecast.log.cleaning import refuse_repeated, with_headings
from forecast.log.columns import ALL_TABLES, TABLES, column
from forecast.log.files.daybook_file import is_daybook, read_tables
from forecast.log.files.workbook import (
    Sheets,
    apply_corrections,
    corrected_file,
    first_line,
    letters,
    sheets_of,
)
from forecast.log.identity import quoted
from forecast.log.report import Place

if TYPE_CHECKING:
    import pandas as pd

MAX_ROWS = 20_000_000  # of one CSV or Parquet table
MAX_BYTES = 2_000_000_000  # of one table, unpacked
MAX_COLUMNS = 500
TOP = 20_000  # characters in which the mark between cells is looked for
Words = Mapping[str, Mapping[str, str]]  # column, and what a word in it means
BYTE_ORDERS = {b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16", b"\xef\xbb\xbf": "utf-8-sig"}
DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs"}


@dataclass(slots=True)
class RawLog:
    """Tables as they were written; the index of each is the row number in its file."""

    source: str
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    own_words: dict[str, pd.DataFrame] = field(default_factory=dict)  # as before a map's words
    empty: dict[str, int] = field(default_factory=dict)
    tolerated: list[tuple[Any, ...]] = field(default_factory=list)  # as TOLERATED has them
    notes: list[Note] = field(default_factory=list)
    places: dict[str, tuple[Place, ...]] = field(default_factory=dict)
    corrected: dict[str, dict[int, str]] = field(default_factory=dict)
    cleared_at: float | None = None
    cleared_judged: str = ""
    date_order: DateOrder | None = None
    mapped: bool = False  # whether these are sheets of the clinic's own
    written: dict[str, str] = field(default_factory=dict)  # checksums of files, if any


def read_raw(path: Path) -> RawLog:
    """Return the tables at ``path`` by row number, nothing judged yet, or raise DataError."""
    try:
        if not path.exists():
            raise DataError(*problem_and_remedy("reading.no_path", {"path": str(path)}))
        raw = _folder(path) if path.is_dir() else _one_file(path)
        if "courses" in raw.tables and not is_daybook(path):
            correct(raw, path)
    except OSError as error:
        values = {"path": str(error.filename or path), "why": why(error)}
        raise DataError(*problem_and_remedy("reading.not_readable", values)) from error
    if "courses" not in raw.tables:
        found = [repr(str(title)) for title in [*every_sheet(path)[0]][:12]]
        code = "reading.no_courses_but" if found else "reading.no_courses"
        raise DataError(*problem_and_remedy(code, {"path": str(path), "found": found}))
    return raw


def every_sheet(path: Path) -> tuple[Sheets, list[Note]]:
    r"""Return the cells of every sheet of a workbook, or CSV file of a folder, and what to note.

    Raises
    ------
    DataError
        If there is neither, or a file is corrupt, too large or not in UTF-8; it names the file.

    Examples
    --------
    >>> written = (folder / "prices.csv").write_text("size;price\nsmall;90\n")
    >>> every_sheet(folder)[0]["prices"].to_numpy().tolist()
    [['size', 'price'], ['small', '90']]
    """
    if not path.is_dir():
        return sheets_of(path, lambda _: True)
    raw = RawLog(str(path))
    files = [file for file in sorted(path.glob("*.csv")) if not file.name.startswith(".")]
    return {file.stem: _csv_cells(raw, file)[0] for file in files}, raw.notes


def place_of(title: str, frame: pd.DataFrame, columns: Sequence[str], after: int = 0) -> Place:
    """Return where the rows of a sheet stand, their index already numbered on from ``after``."""
    named = zip(map(normal_heading, frame.columns), columns, strict=True)
    last = int(frame.index.max()) if len(frame) else after
    return Place(title.strip(), after, last, dict(named))


def _one_file(path: Path) -> RawLog:
    raw = RawLog(str(path))
    if is_daybook(path):
        tables, stated = read_tables(path)
        for name, frame in tables.items():
            if len(frame) or name == "courses":
                add_table(raw, name, frame)
                last = int(frame.index.max()) if len(frame) else 0
                raw.places[name] = (Place("", 0, last, ids=frame.iloc[:, 0]),)
        keep_stated(raw, path.name, stated)
        return raw
    if path.suffix.lower() not in (".xlsx", ".xlsm") or not path.is_file():
        raise DataError(*problem_and_remedy("reading.no_log", {"file": path.name}))
    sheets, notes = sheets_of(path, lambda title: normal_heading(title) in TABLES)
    for title, rows in sheets.items():
        name = normal_heading(title)
        if name in raw.tables:
            twice = {"file": path.name, "table": name}
            raise DataError(*problem_and_remedy("reading.two_sheets", twice))
        frame, number, places = with_headings(name, rows, sheet=title)
        headings_found(raw, name, number)
        cells = [f"{title.strip()}!{letters(at)}{number}" for at in places]
        refuse_repeated(sentence("reading.table", {"table": name}), frame.columns, cells)
        raw.places[name] = (place_of(title, frame, [*map(letters, places)]),)
        add_table(raw, name, frame)
    raw.notes += notes
    return raw


def _folder(path: Path) -> RawLog:
    raw = RawLog(str(path))
    # what macOS and spreadsheets leave beside each file is none of ours
    files = [file for file in sorted(path.iterdir()) if not file.name.startswith((".", "~$"))]
    for file in files:
        if file.name.lower() == "datapackage.json":
            stated = read_json(file)
            if not isinstance(stated, dict):
                raise DataError(*problem_and_remedy("reading.no_object", {"file": file.name}))
            keep_stated(raw, file.name, stated)
            raw.written = checksums(stated)
    of: dict[str, Path] = {}
    for file in files:
        name, kind = normal_heading(file.stem), file.suffix.lower()
        if kind not in (".csv", ".parquet") or name not in ALL_TABLES:
            continue
        if not file.is_file():
            raise DataError(*problem_and_remedy("reading.no_file", {"file": file.name}))
        if name in of:
            values = {"table": name, "path": str(path), "files": [of[name].name, file.name]}
            raise DataError(*problem_and_remedy("reading.table_twice", values))
        of[name] = file
        add_table(raw, name, _parquet(file) if kind == ".parquet" else _csv(raw, file))
    return raw


def keep_stated(raw: RawLog, file: str, stated: Mapping[str, Any]) -> None:
    """Keep what a file says of dates and of when a tattoo counts as clear, or raise DataError."""
    order = stated.get("date_order")
    if order not in (None, *get_args(DateOrder)):
        values = {"file": file, "given": shown(order), "orders": get_args(DateOrder)}
        raise DataError(*problem_and_remedy("reading.date_order", values))
    percent, judged = stated.get("cleared_at"), stated.get("cleared_judged", "")
    if percent is not None and (isinstance(percent, bool) or not isinstance(percent, int | float)):
        values = {"file": file, "given": shown(percent)}
        raise DataError(*problem_and_remedy("reading.cleared_at_stated", values))
    bases = column("gradings", "basis").levels
    if judged != "" and (not isinstance(judged, str) or judged.partition(",")[0] not in bases):
        stated = {"file": file, "given": shown(judged), "bases": bases}
        raise DataError(*problem_and_remedy("reading.cleared_judged", stated))
    raw.cleared_at, raw.cleared_judged, raw.date_order = percent, judged, order


def headings_found(raw: RawLog, name: str, row: int) -> None:
    """Note where the headings were, unless it was the first row."""
    if row > 1:
        raw.notes.append(Note("log.headings_found", values={"table": name, "row": row}))


def add_table(raw: RawLog, name: str, frame: pd.DataFrame) -> None:
    """Put a table into the log as it was written, without its empty rows."""
    _refuse_long_cells(name, frame)
    refuse_repeated(sentence("reading.table", {"table": name}), frame.columns)
    empty = _empty_rows(frame)
    if empty.any():
        frame = frame[~empty]
    raw.empty[name] = int(empty.sum())
    raw.tables[name] = frame


def correct(raw: RawLog, path: Path, words: Mapping[str, Words] | None = None) -> None:
    """Put corrected rows, if there are any, into their tables; ``words`` are by table."""
    file = corrected_file(path)
    if not file.is_file():
        return
    sheets, notes = sheets_of(file, lambda title: normal_heading(title) in TABLES)
    raw.notes += [note for note in notes if note.code != "log.colours_not_read"]
    for title, cells in sheets.items():
        table = normal_heading(title)
        if table not in raw.tables:
            values = {"file": file.name, "table": table}
            raise DataError(*problem_and_remedy("reading.corrected_of_none", values))
        theirs = in_levels(with_headings(table, cells, sheet=title)[0], (words or {}).get(table))
        whole, raw.corrected[table] = apply_corrections(table, raw.tables[table], theirs)
        rows, there = raw.corrected[table].keys(), set(raw.tables[table].index)
        raw.tables[table] = whole
        counts = {"replaced": len(rows & there), "added": len(rows - there)}
        raw.notes.append(Note("log.corrected", values={"table": table, **counts}))


def in_levels(frame: pd.DataFrame, words: Words | None) -> pd.DataFrame:
    """Return a table with words of the clinic's own, folded, as the levels that they mean."""
    import pandas as pd

    for name, meanings in (words or {}).items():
        if name in frame:
            texts = [_in_levels(text, meanings) for text in frame[name]]
            frame = frame.assign(**{name: pd.Series(texts, frame.index, dtype=object)})
    return frame


def _in_levels(text: object, meanings: Mapping[str, str]) -> object:
    if not isinstance(text, str):
        return text
    whole = meanings.get(folded(text.strip()))
    if whole is not None:
        return whole
    parts = [part.strip() for part in re.split(SEPARATORS, text)]
    read = [meanings.get(folded(part), part) for part in parts]
    return ";".join(filter(None, read)) if read != parts else text


def _refuse_long_cells(name: str, frame: pd.DataFrame) -> None:
    where = sentence("refused.of_table", {"table": name})
    for place, (heading, cells) in enumerate(frame.items(), start=1):
        refuse_long_cell(where, sentence("refused.head_at", {"n": place}), len(str(heading)))
        texts = cells.cat.categories if hasattr(cells, "cat") else cells
        if texts.dtype != object or _longest(texts.to_numpy()) <= MAX_CELL:
            continue
        sizes = cells.astype(object).map(_length)
        told = {"row": sizes.idxmax(), "column": quoted(heading, place).removeprefix("column ")}
        refuse_long_cell(where, sentence("refused.cell_at", told), sizes.max())


def _longest(cells: npt.NDArray[np.object_]) -> int:
    try:
        return max(map(len, cells.tolist()), default=0)  # several times as fast where all are texts
    except TypeError:
        return max(map(_length, cells))


def _length(cell: object) -> int:
    return len(cell) if isinstance(cell, str | bytes) else 0


def _empty_rows(frame: pd.DataFrame) -> pd.Series[bool]:
    import pandas as pd

    typed = (place for place, kind in enumerate(frame.dtypes) if kind.kind in "iufM")
    if any(frame.iloc[:, place].notna().all() for place in typed):
        return pd.Series(False, frame.index)
    blank = np.arange(len(frame))
    for position in range(frame.shape[1]):
        cells = frame.iloc[blank, position]
        texts = map(str.strip, map(str, cells.tolist()))
        empty = np.array([not text for text in texts], dtype=bool)
        blank = blank[empty | cells.isna().to_numpy(bool)]
    return pd.Series(np.isin(np.arange(len(frame)), blank), frame.index)


def _check_size(name: str, rows: int, unpacked: int) -> None:
    if rows > MAX_ROWS or unpacked > MAX_BYTES:
        held = {"rows": max(rows, 1), "unpacked": unpacked}
        limits = {"most_rows": MAX_ROWS, "most": MAX_BYTES}
        raise DataError(*problem_and_remedy("reading.too_large", {"file": name, **held, **limits}))


def _csv(raw: RawLog, file: Path) -> pd.DataFrame:
    rows, uneven = _csv_cells(raw, file)
    frame, number, _ = with_headings(normal_heading(file.stem), rows, uneven=uneven)
    headings_found(raw, file.stem, number)
    return frame


def _csv_cells(raw: RawLog, file: Path) -> tuple[pd.DataFrame, bool]:
    import pandas as pd

    _check_size(file.name, 0, file.stat().st_size)
    text = _decoded(raw, file)
    top = text[:TOP].splitlines()[:10]
    counts = {mark: sum(line.count(mark) for line in top) for mark in DELIMITERS}
    mark = max(counts, key=lambda key: counts[key])
    if mark != ",":
        habit = sentence("spellings.separated", {"mark": DELIMITERS[mark]})
        raw.tolerated.append(_file_habit(file, habit, max(top, key=len)))
    uneven = False
    try:
        rows = pd.read_csv(
            io.StringIO(text), sep=mark, header=None, dtype=str, na_filter=False,
            skip_blank_lines=False, low_memory=False,
        )  # fmt: skip
    except pd.errors.EmptyDataError as error:
        raise DataError(*problem_and_remedy("reading.empty_file", {"file": file.name})) from error
    except pd.errors.ParserError:
        rows, uneven = _uneven(file, text, mark), True
    _check_size(file.name, len(rows), len(text))
    rows.index = pd.RangeIndex(1, len(rows) + 1)
    return rows, uneven


def _decoded(raw: RawLog, file: Path) -> str:
    content = read_whole(file, MAX_BYTES)
    sum_then = raw.written.get(file.name, "")
    if sum_then.startswith(SEAL) and sum_then != sum_of(content):
        raw.notes.append(Note("log.not_as_written", values={"file": file.name}))
    encoding = next((one for mark, one in BYTE_ORDERS.items() if content.startswith(mark)), "utf-8")
    if encoding != "utf-8":
        raw.tolerated.append(_file_habit(file, sentence("spellings.byte_order"), encoding))
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as error:
        values = {"file": file.name, "row": content[: error.start].count(b"\n") + 1}
        raise DataError(*problem_and_remedy("reading.not_utf8", values)) from error
    if "\0" in text:
        row = text[: text.index("\0")].count("\n") + 1
        raise DataError(*problem_and_remedy("reading.zero_byte", {"file": file.name, "row": row}))
    return text


def _uneven(file: Path, text: str, mark: str) -> pd.DataFrame:
    """Return the cells of a file whose rows have unequal lengths, filled up with empty ones."""
    import pandas as pd

    rows: list[Sequence[str]] = []
    try:
        rows.extend(row for _, row in csv_rows(text, mark, strict=True))
    except csv.Error as error:
        values = {"file": file.name, "row": len(rows) + 1, "why": first_line(error)}
        raise DataError(*problem_and_remedy("reading.not_beyond", values)) from error
    width = max(map(len, rows))
    if width > MAX_COLUMNS:
        row = next(i for i, cells in enumerate(rows, start=1) if len(cells) > MAX_COLUMNS)
        counts = {"row": row, "cells": len(rows[row - 1]), "most": MAX_COLUMNS}
        raise DataError(*problem_and_remedy("reading.long_row", {"file": file.name, **counts}))
    return pd.DataFrame([[*row, *[""] * (width - len(row))] for row in rows], dtype=object)


def _file_habit(file: Path, what: Sentence, written: str) -> tuple[Any, ...]:
    shown = written if len(written) <= 40 else f"{written[:37]}..."
    return file.stem.lower(), "", what, 1, 1, shown, sentence("spellings.same_cells")


def _parquet(file: Path) -> pd.DataFrame:
    import pandas as pd
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        facts = pq.read_metadata(file)
        unpacked = sum(facts.row_group(i).total_byte_size for i in range(facts.num_row_groups))
        _check_size(file.name, facts.num_rows, unpacked)
        schema = pq.read_schema(file)
        refuse_repeated(file.name, schema.names)
        texts = [each.name for each in schema if _is_text(each.type)]
        frame = _coded(pq.read_table(file, read_dictionary=texts))
    except DataError:
        raise
    except (pa.ArrowException, OSError, LookupError, OverflowError, ValueError) as error:
        values = {"file": file.name, "why": first_line(error)}
        raise DataError(*problem_and_remedy("reading.no_parquet", values)) from error
    # An index without a name that pandas wrote along is no column of the log.
    named = [name for name in frame.columns if not str(name).startswith("__index_level_")]
    frame = frame[named] if len(named) < frame.shape[1] else frame
    frame.index = pd.RangeIndex(2, len(frame) + 2)
    return frame


def _coded(table: Any) -> pd.DataFrame:
    """Return an Arrow table as a frame whose texts are held once each, as categories.

    Each column stays a block of its own: large tables are not copied to be put together.
    """
    import pandas as pd
    import pyarrow as pa

    columns: dict[int, Any] = {}
    for place, name in enumerate(table.column_names):
        column = table.column(place)
        kind = column.type
        try:
            if pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
                column = column.cast(pa.string())
            if pa.types.is_timestamp(kind) and kind.tz is not None:
                column[:0].to_pandas()  # which fails where the zone is not known
        except (pa.ArrowException, LookupError, ValueError) as error:
            raise ValueError(f"column {name}: {error}") from error
        if _is_text(column.type):
            column = column.dictionary_encode()
        coded = pa.types.is_dictionary(column.type) and _is_text(column.type.value_type)
        columns[place] = coded_texts(column) if coded and len(column) else column.to_pandas()
    frame = pd.DataFrame(columns, copy=False)
    frame.columns = table.column_names
    return frame


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))
