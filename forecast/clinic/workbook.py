"""Read the sheets of an .xlsx workbook as text, within stated limits."""

from __future__ import annotations

import lzma
import struct
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.clinic.cells import as_text
from forecast.clinic.headings import normal_heading, table_of
from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["MAX_SHEET_ROWS", "MAX_UNPACKED_BYTES", "Sheets", "read_workbook"]

MAX_SHEET_ROWS = 100_000  # filled rows of one sheet
MAX_UNPACKED_BYTES = 200_000_000  # of all parts of the workbook together
MAX_PARTS = 2_000
MAX_COLUMNS = 500
LAST_ROW = 1_048_576  # of any sheet
# What zipfile, openpyxl and the parser below it raise on parts that are not as they should be.
CORRUPT = (
    ArithmeticError, AttributeError, EOFError, LookupError, OSError, RuntimeError, SyntaxError,
    TypeError, ValueError, struct.error, zipfile.BadZipFile, zlib.error, lzma.LZMAError,
)  # fmt: skip
MAC_EPOCH = 1904
COUNTS_FROM_1904 = (
    "The workbook counts days from 1904: a date kept as a bare number is read four years early; "
    "give such cells a date format."
)
OLD_FORMAT = b"\xd0\xcf\x11\xe0"  # the container of .xls files and of encrypted workbooks


@dataclass(slots=True)
class Sheets:
    """The sheets named after a table, as text; the index is the row number."""

    sheets: dict[str, pd.DataFrame] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def read_workbook(path: Path) -> Sheets:
    """Return the log's sheets. A formula counts by the result that is stored with it.

    Raises
    ------
    DataError
        If the file is no workbook, or larger than the limits; they are checked before it is
        unpacked.
    """
    formulas = _check_parts(path)
    try:
        with warnings.catch_warnings():
            # openpyxl warns of parts that carry no cells (validation lists, pictures)
            warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
            return _read_sheets(path, formulas)
    except DataError:
        raise
    except CORRUPT as error:
        raise _unopened(path, error) from error


def _read_sheets(path: Path, formulas: bool) -> Sheets:
    """Walk through the sheets of a workbook; whatever is wrong with it, the file is closed."""
    import openpyxl

    with ExitStack() as opened:
        books = []
        for stored in (True, False) if formulas else (True,):
            file = opened.enter_context(path.open("rb"))
            books.append(openpyxl.load_workbook(file, read_only=True, data_only=stored))
            opened.callback(books[-1].close)
        return _sheets_of(path, books)


def _sheets_of(path: Path, books: list[Any]) -> Sheets:
    """Return the sheets of an open workbook: stored results first, then formulas if any."""
    found = Sheets()
    if books[0].epoch.year == MAC_EPOCH:
        found.notes.append(COUNTS_FROM_1904)
    for title in books[0].sheetnames:
        name = normal_heading(title)
        if table_of(name) is None:
            found.notes.append(f"Sheet {title!r} is not a table of the log and was not read.")
            continue
        if name in found.sheets:
            raise DataError(f"{path.name} has two sheets named {name}.", "Keep one of them.")
        found.sheets[name], used = _rows(path, title, [book[title] for book in books])
        if used:
            note = f"Sheet {title!r}: {used} formula(s) read by their stored results."
            found.notes.append(note)
    return found


def _unopened(path: Path, error: Exception) -> DataError:
    return DataError(
        f"{path.name} cannot be opened as a workbook ({str(error).partition(chr(10))[0]}).",
        "Save it anew as .xlsx, or give the tables as CSV files in a folder.",
    )


def _check_parts(path: Path) -> bool:
    """Refuse what is no workbook or too large; return whether any sheet holds formulas."""
    with path.open("rb") as file:
        start = file.read(4)
    if start == OLD_FORMAT:
        raise DataError(
            f"{path.name} is an old .xls file or is protected by a password.",
            "Save it as .xlsx without a password.",
        )
    try:
        with zipfile.ZipFile(path) as parts:
            sizes = [part.file_size for part in parts.infolist()]
            if sum(sizes) > MAX_UNPACKED_BYTES or len(sizes) > MAX_PARTS:
                raise DataError(
                    f"{path.name} unpacks to {sum(sizes):,} bytes in {len(sizes):,} parts.",
                    f"At most {MAX_UNPACKED_BYTES:,} bytes, {MAX_PARTS:,} parts and "
                    f"{MAX_SHEET_ROWS:,} rows a sheet are read; give larger tables as CSV files.",
                )
            return _any_formula(path, parts)
    except DataError:
        raise
    except CORRUPT as error:
        raise _unopened(path, error) from error


def _any_formula(path: Path, parts: zipfile.ZipFile) -> bool:
    """Return whether any sheet holds a formula; refuse entities of their own and endless sheets."""
    found = False
    for name in parts.namelist():
        if not name.endswith(".xml"):
            continue
        content = parts.read(name)
        if b"<!DOCTYPE" in content[:10_000]:
            raise _unopened(path, ValueError(f"{name} defines entities"))
        if name.startswith("xl/worksheets/"):
            found = found or b"<f" in content
            # openpyxl walks through the whole sheet before it hands out the first row
            if content.count(b"<row") > LAST_ROW:
                raise DataError(
                    f"{path.name} has a sheet of more than {LAST_ROW:,} rows.",
                    f"At most {MAX_SHEET_ROWS:,} filled rows a sheet are read; give larger tables "
                    "as CSV files.",
                )
    return found


def _rows(path: Path, title: str, sheets: list[Any]) -> tuple[pd.DataFrame, int]:
    """Return the cells of a sheet as text, and how many formulas were read by their results."""
    import pandas as pd

    kept: dict[int, list[str | None]] = {}
    used = 0
    for number, (cells, formulas) in enumerate(_pairs(sheets), start=1):
        texts = [_text(cell) for cell in cells]
        for position, formula in enumerate(formulas):
            if isinstance(formula, str) and formula.startswith("="):
                used += texts[position] is not None
                texts[position] = texts[position] or formula
        if any(text and text.strip() for text in texts):
            kept[number] = texts
        if len(kept) > MAX_SHEET_ROWS or number > LAST_ROW or len(texts) > MAX_COLUMNS:
            raise DataError(
                f"Sheet {title!r} of {path.name} has more than {MAX_SHEET_ROWS:,} rows or "
                f"{MAX_COLUMNS} columns.",
                "Give a table of that size as CSV or Parquet in a folder.",
            )
    width = max((len(texts) for texts in kept.values()), default=0)
    padded = [[*texts, *[None] * (width - len(texts))] for texts in kept.values()]
    return pd.DataFrame(padded, index=list(kept), dtype=object), used


def _text(cell: Any) -> str | None:
    """Return a cell as text; a fraction shown as a percentage is that percentage."""
    value = cell.value
    if isinstance(value, int | float) and "%" in (cell.number_format or ""):
        return f"{100 * value:.12g} %"
    return as_text(value)


def _pairs(sheets: list[Any]) -> Iterator[tuple[tuple[Any, ...], tuple[Any, ...]]]:
    """Walk through the stored values and, beside them, the formulas where there are any."""
    for sheet in sheets:
        sheet.reset_dimensions()  # they may claim a million columns
    if len(sheets) == 1:
        for cells in sheets[0].iter_rows():
            yield cells, ()
        return
    values, written = (sheet.iter_rows() for sheet in sheets)
    for cells, formulas in zip(values, written, strict=True):
        yield cells, tuple(getattr(cell.value, "text", cell.value) for cell in formulas)
