"""A workbook: its sheets as text, with what is left unread of them; and an empty one to fill in."""

from __future__ import annotations

import io
import lzma
import struct
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._notes import Note, problem_and_remedy, texts_of
from forecast.errors import DataError
from forecast.log.cells import as_text, rule_of
from forecast.log.cleaning import EXAMPLE
from forecast.log.columns import TABLES, Column

if TYPE_CHECKING:
    import pandas as pd

MAX_SHEET_ROWS = 100_000  # filled rows of one sheet
MAX_UNPACKED_BYTES = 200_000_000  # of all parts of the workbook together
MAX_PARTS = 2_000
MAX_SHEET_COLUMNS = 500
LAST_ROW = 1_048_576  # of any sheet
WHITES = (0, 64, "00000000", "00FFFFFF", "FFFFFFFF")  # by theme, by index, or as written
COLOURED_SHOWN = 3  # cells
# What zipfile, openpyxl and the parser below it raise on parts that are not as they should be.
CORRUPT = (
    ArithmeticError, AttributeError, EOFError, LookupError, OSError, RuntimeError, SyntaxError,
    TypeError, ValueError, struct.error, zipfile.BadZipFile, zlib.error, lzma.LZMAError,
)  # fmt: skip
MAC_EPOCH = 1904
OLD_FORMAT = b"\xd0\xcf\x11\xe0"  # the container of .xls files and of encrypted workbooks
ROWS = 2_000  # that the drop-down lists reach down to
WIDEST = 255  # characters of a drop-down list, as spreadsheets allow
EXAMPLES: dict[str, Any] = {
    "age_years": 34, "area_cm2": 25, "tattoo_age_years": 8, "skin_type": "III",
    "body_site": "forearm",
    "inks": "black;red", "inks_treated": "black", "ink_density": "medium", "sessions_given": 4,
    "fading_pct": 40, "wavelengths_nm": "532;1064", "outcome": "ongoing", "laser_id": "laser-1",
    "operator_id": "op-1", "grader_id": "gr-1", "package": "six sessions", "price_paid": 600,
}  # fmt: skip

Sheets = dict[str, "pd.DataFrame"]


def letters(place: int) -> str:
    """Return the letters of a sheet's column: "A" of the first, 0, and "AB" of 27."""
    first, last = divmod(place, 26)
    return (letters(first - 1) if first else "") + chr(ord("A") + last)


def first_line(error: Exception) -> str:
    """Return what an error says first."""
    return str(error).partition("\n")[0]


def sheets_of(path: Path, wanted: Callable[[str], bool]) -> tuple[Sheets, list[Note]]:
    """Return the sheets whose title is ``wanted``, as text, with row numbers as index, and notes.

    A formula counts by the result that is stored with it. Whatever is wrong with a workbook, its
    file is closed, and a DataError says what.
    """
    import openpyxl

    formulas = _check_parts(path)
    try:
        with warnings.catch_warnings(), ExitStack() as opened:
            # openpyxl warns of parts that carry no cells (validation lists, pictures)
            warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
            books = []
            for stored in (True, False) if formulas else (True,):
                file = opened.enter_context(path.open("rb"))
                books.append(openpyxl.load_workbook(file, read_only=True, data_only=stored))
                opened.callback(books[-1].close)
            return _read(path, books, wanted)
    except DataError:
        raise
    except CORRUPT as error:
        raise _unopened(path, error) from error


def _check_parts(path: Path) -> bool:
    """Refuse what is no workbook or too large; return whether any sheet holds formulas."""
    with path.open("rb") as file:
        start = file.read(4)
    if start == OLD_FORMAT:
        raise DataError(*problem_and_remedy("reading.old_format", {"file": path.name}))
    try:
        with zipfile.ZipFile(path) as parts:
            sizes = [part.file_size for part in parts.infolist()]
            if sum(sizes) > MAX_UNPACKED_BYTES or len(sizes) > MAX_PARTS:
                held = {"file": path.name, "unpacked": sum(sizes), "parts": len(sizes)}
                limits = {"most": MAX_UNPACKED_BYTES, "most_parts": MAX_PARTS}
                limits |= {"most_rows": MAX_SHEET_ROWS}
                raise DataError(*problem_and_remedy("reading.unpacks", {**held, **limits}))
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
                limits = {"rows": LAST_ROW, "most": MAX_SHEET_ROWS}
                raise DataError(
                    *problem_and_remedy("reading.endless", {"file": path.name, **limits})
                )
    return found


def _unopened(path: Path, error: Exception) -> DataError:
    values = {"file": path.name, "why": first_line(error)}
    return DataError(*problem_and_remedy("reading.unopened", values))


# Books are one workbook opened for its stored results, and once more for its formulas if any.
def _read(path: Path, books: list[Any], wanted: Callable[[str], bool]) -> tuple[Sheets, list[Note]]:
    sheets: Sheets = {}
    notes: list[Note] = []
    if books[0].epoch.year == MAC_EPOCH:
        notes.append(Note("log.days_from_1904", "caution"))
    for title in books[0].sheetnames:
        if not wanted(title):
            notes.append(Note("log.sheet_not_read", values={"title": title}))
            continue
        sheets[title], used, coloured = _rows(path, title, [book[title] for book in books])
        if used:
            notes.append(Note("log.formulas_read", values={"title": title, "formulas": used}))
        if coloured:
            cells = [f"{letters(at)}{row}" for row, at in coloured[:COLOURED_SHOWN]]
            values = {"title": title, "cells": cells, "coloured": len(coloured)}
            notes.append(Note("log.colours_not_read", "caution", values))
    return sheets, notes


# the texts of a sheet, how many formulas gave theirs, and which cells stand out by their colour
def _rows(
    path: Path, title: str, sheets: list[Any]
) -> tuple[pd.DataFrame, int, list[tuple[int, int]]]:
    import pandas as pd

    kept: dict[int, list[str | None]] = {}
    coloured: list[tuple[int, int]] = []
    used = 0
    for number, (cells, formulas) in enumerate(_pairs(sheets), start=1):
        texts = [_text(cell) for cell in cells]
        coloured += [(number, at) for at, cell in enumerate(cells) if _is_coloured(cell)]
        for position, formula in enumerate(formulas):
            if isinstance(formula, str) and formula.startswith("="):
                used += texts[position] is not None
                texts[position] = texts[position] or formula
        if any(text and text.strip() for text in texts):
            kept[number] = texts
        if len(kept) > MAX_SHEET_ROWS or number > LAST_ROW or len(texts) > MAX_SHEET_COLUMNS:
            limits = {"rows": MAX_SHEET_ROWS, "columns": MAX_SHEET_COLUMNS}
            values = {"title": title, "file": path.name}
            raise DataError(*problem_and_remedy("reading.large_sheet", {**values, **limits}))
    width = max((len(texts) for texts in kept.values()), default=0)
    padded = [[*texts, *[None] * (width - len(texts))] for texts in kept.values()]
    # a colour of a whole column or of the heads is an ornament
    filled = [sum(bool(text) for text in texts) for texts in zip(*padded, strict=True)]
    own = [(row, at) for row, at in coloured if row in kept and row != next(iter(kept))]
    many = Counter(at for _, at in own)
    apart = [(row, at) for row, at in own if many[at] < (filled[at] - 1) / 2]
    return pd.DataFrame(padded, index=list(kept), dtype=object), used, apart


def _is_coloured(cell: Any) -> bool:
    if cell.value is None or not cell.has_style or cell.fill.fill_type != "solid":
        return False
    return cell.fill.fgColor.value not in WHITES


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


def new_workbook() -> bytes:
    """Return an .xlsx workbook with a sheet for each table of the log.

    Headings are frozen and say in a comment what each column may hold; required ones are bold.
    The one row of each table is an example that is never read as a course.

    Examples
    --------
    >>> new_workbook()[:2]  # a zip, as every .xlsx is
    b'PK'
    """
    import openpyxl
    from openpyxl.comments import Comment
    from openpyxl.styles import Font

    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, rules in TABLES.items():
        sheet = book.create_sheet(table)
        sheet.freeze_panes = "A2"
        for at, rule in enumerate(rules):
            head = sheet.cell(1, at + 1, rule.name)
            head.font = Font(bold=rule.required)
            said = "Required. " if rule.required else ""
            head.comment = Comment(f"{said}{rule.meaning} Write {rule_of(rule)}.", "forecast")
            head.comment.width, head.comment.height = 320, 120
            sheet.column_dimensions[letters(at)].width = max(len(rule.name) + 2, 12)
            sheet.cell(2, at + 1, EXAMPLE if at == 0 else _example(rule))
            add_list(sheet, rule, at)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def add_list(sheet: Any, rule: Column, at: int, language: str = "en") -> None:
    """Give the cells of a sheet's column, the first being 0, a list of levels to choose from.

    They are the words of a ``language`` that `rule_of` names too.
    """
    from openpyxl.worksheet.datavalidation import DataValidation

    said = texts_of(language).get("terms", {})
    listed = f'"{",".join(said.get(level, level) for level in rule.levels)}"'
    if rule.kind in ("level", "flag") and len(listed) <= WIDEST:
        choice = DataValidation("list", formula1=listed, allow_blank=True)
        sheet.add_data_validation(choice)
        choice.add(f"{letters(at)}2:{letters(at)}{ROWS}")


def _example(rule: Column) -> Any:
    if rule.name in EXAMPLES or rule.further or rule.name in ("stop_reason", "tattoo_id", "half"):
        return EXAMPLES.get(rule.name)
    if rule.kind == "date":
        return date(2024, 3, 11)
    if rule.kind in ("integer", "number"):
        return max(rule.low or 0, 1)
    return rule.levels[0] if rule.levels else f"{rule.name.removesuffix('_id')}-1"
