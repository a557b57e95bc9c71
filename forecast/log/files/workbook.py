"""Workbooks: sheets as text, with what is left unread; one to fill in; rows to be corrected."""

from __future__ import annotations

import hashlib
import io
import lzma
import struct
import warnings
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from datetime import date
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._files import write_whole
from forecast._notes import Note, in_language, problem_and_remedy, sentence, texts_of
from forecast.errors import DataError, RequestError
from forecast.log.cells import OVERFLOW, as_text, rule_of
from forecast.log.cleaning import EXAMPLE, read_headings
from forecast.log.columns import TABLES, Column

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log.report import LogReport

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
BESIDE = ("where", "problem", "remedy")  # in front of each row, and REPLACES behind it
REPLACES = "replaces"
WIDTHS = (14, 40, 40)
FAULTY = "FFF2A8"
MOST_CORRECTED = 5_000  # of a table: more are not corrected by hand, but where they come from

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

    with path.open("rb") as file:
        if file.read(len(OLD_FORMAT)) == OLD_FORMAT:
            raise DataError(*problem_and_remedy("reading.old_format", {"file": path.name}))
    try:
        formulas = _any_formula(path)
        with warnings.catch_warnings(), ExitStack() as opened:
            # openpyxl warns of parts that carry no cells (validation lists, pictures)
            warnings.filterwarnings("ignore", category=UserWarning, module="openpyxl")
            books = []
            for stored in (True, False) if formulas else (True,):
                content = opened.enter_context(path.open("rb"))
                books.append(openpyxl.load_workbook(content, read_only=True, data_only=stored))
                opened.callback(books[-1].close)
            return _read(path, books, wanted)
    except DataError:
        raise
    except CORRUPT as error:
        values = {"file": path.name, "why": first_line(error)}
        raise DataError(*problem_and_remedy("reading.unopened", values)) from error


def _any_formula(path: Path) -> bool:
    """Return whether any sheet holds a formula; refuse what is too large, endless or tricky."""
    found = False
    with zipfile.ZipFile(path) as parts:
        sizes = [part.file_size for part in parts.infolist()]
        values = {"file": path.name, "unpacked": sum(sizes), "parts": len(sizes)}
        values |= {"most": MAX_UNPACKED_BYTES, "most_parts": MAX_PARTS, "most_rows": MAX_SHEET_ROWS}
        if sum(sizes) > MAX_UNPACKED_BYTES or len(sizes) > MAX_PARTS:
            raise DataError(*problem_and_remedy("reading.unpacks", values))
        for name in (name for name in parts.namelist() if name.endswith(".xml")):
            content = parts.read(name)
            if b"<!DOCTYPE" in content[:10_000]:
                raise ValueError(f"{name} defines entities")
            if name.startswith("xl/worksheets/"):
                found = found or b"<f" in content
                # openpyxl walks through the whole sheet before it hands out the first row
                if content.count(b"<row") > LAST_ROW:
                    limits = {"file": path.name, "rows": LAST_ROW, "most": MAX_SHEET_ROWS}
                    raise DataError(*problem_and_remedy("reading.endless", limits))
    return found


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
    """Give a column of a sheet, the first being 0, a list of its levels in a ``language``."""
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


def corrected_file(log: str | Path) -> Path:
    """Return where the corrected rows of a log are read from: in its folder, or beside its file.

    Examples
    --------
    >>> corrected_file("clinic/book.xlsx").as_posix()
    'clinic/book_corrected.xlsx'
    """
    path = Path(log)
    return (
        path / "corrected.xlsx" if path.is_dir() else path.with_name(f"{path.stem}_corrected.xlsx")
    )


def write_to_correct(
    report: LogReport, path: str | Path, *, language: str = "en"
) -> tuple[Path | None, tuple[Path, ...]]:
    """Write the rows that somebody should correct as a workbook with a sheet for each table.

    Each row stands as it was written, faulty cells in colour, with where it stands in the log, what
    is wrong and what to do. ``replaces`` behind it says which row it takes the place of. Correct
    the cells, leave ``replaces`` alone, save the workbook as `corrected_file` and read the log
    again. Rows corrected before are in it too, so that the new one takes the old one's place.

    A workbook that somebody changed since it was written, or that is of another log, stays: the new
    one is then numbered, ``to-correct-2.xlsx``.

    ``report`` is that of a log that was read; problems and remedies are in ``language``, "en" or
    "de". Returned are the workbook, None if nothing is to be corrected, and those of this log left
    as changed. Raises RequestError if ``path`` is a folder, or not named ``.xlsx``.

    Examples
    --------
    >>> write_to_correct(log.report, folder / "to-correct.xlsx")  # nothing is wrong in this one
    (None, ())
    """
    path, log = Path(path), str(Path(report.source).resolve())
    if path.suffix != ".xlsx" or path.is_dir():
        code = "refused.correct_folder" if path.is_dir() else "refused.correct_no_xlsx"
        raise RequestError(*problem_and_remedy(code, {"path": str(path)}))
    free: list[Path] = []
    changed: list[Path] = []
    for number in count(1):
        place = path if number == 1 else path.with_name(f"{path.stem}-{number}.xlsx")
        if not place.exists():
            free.append(place)
            break
        owner, as_written = _kept_in(place)
        if owner == log:
            (free if as_written else changed).append(place)
    needed = any(map(len, report.to_correct.values()))
    if needed:
        write_whole(free[0], _workbook(report, log, language))
    for stale in free[needed:]:
        stale.unlink(missing_ok=True)
    return free[0] if needed else None, tuple(changed)


# Whose rows a workbook holds, as far as it says, and whether it is as it was written.
def _kept_in(path: Path) -> tuple[str | None, bool]:
    import openpyxl

    try:
        book = openpyxl.load_workbook(path)
    except CORRUPT:
        return None, False
    return book.properties.subject, book.properties.keywords == _sum_of(book)


def _sum_of(book: Any) -> str:
    cells = (cell for sheet in book for row in sheet.values for cell in (sheet.title, *row))
    return _digest(" ".join(str(cell).split()) for cell in cells)


def _workbook(report: LogReport, log: str, language: str) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, rows in report.to_correct.items():
        if len(rows):
            _fill(book.create_sheet(table), report, table, rows.head(MOST_CORRECTED), language)
    book.properties.subject, book.properties.keywords = log, _sum_of(book)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def _fill(sheet: Any, report: LogReport, table: str, rows: pd.DataFrame, language: str) -> None:
    import pandas as pd
    from openpyxl.styles import Alignment, Font, PatternFill

    headings = read_headings(table, list(rows.columns))
    texts = rows.rename(columns=headings).astype(object).map(_stripped)
    tokens = _tokens(texts[list(headings.values())])
    listed = pd.concat([report.set_aside, report.flagged[report.flagged["blanked"]]])
    faults = dict(list(listed[listed["table"] == table].groupby("row")))
    heads = (sentence(f"report.{one}").say(language) for one in BESIDE)
    sheet.append([*heads, *texts.columns, REPLACES])
    places = {name: at for at, name in enumerate(texts.columns, start=len(BESIDE) + 1)}
    for (row, *cells), token in zip(texts.itertuples(name=None), tokens, strict=True):
        own = faults[row].to_dict("records") if row in faults else []
        beside = (
            [report.cell(table, row, one["column"]) for one in own],
            [f"{one['column']}: {in_language(one['rule'], language)}" for one in own],
            [one["remedy"] for one in own],
        )
        said = [dict.fromkeys(in_language(text, language) for text in part) for part in beside]
        replaces = report.corrected.get(table, {}).get(row, token)
        sheet.append([*("\n".join(part) or None for part in said), *map(_safe, cells), replaces])
        for one in own:
            at = places.get(one["column"] or OVERFLOW, 1)
            sheet.cell(sheet.max_row, at).fill = PatternFill("solid", fgColor=FAULTY)
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for at, width in enumerate(WIDTHS):
        sheet.column_dimensions[letters(at)].width = width
        for cell in sheet[letters(at)]:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
    for rule in TABLES[table]:
        if rule.name in places:
            add_list(sheet, rule, places[rule.name] - 1, language)
    sheet.freeze_panes = sheet.cell(2, len(BESIDE) + 1)


def apply_corrections(
    table: str, raw: pd.DataFrame, corrected: pd.DataFrame
) -> tuple[pd.DataFrame, dict[int, str]]:
    """Return the table with its corrected rows in it, and what each says that it replaces.

    A corrected row takes the place of the row that its ``replaces`` names, if that still says
    what it said, and is added below the table otherwise.
    """
    import pandas as pd

    names = read_headings(table, list(raw.columns))
    given = {known: written for written, known in names.items()}
    known = read_headings(table, list(corrected.columns))
    fresh = corrected.rename(columns={one: given.get(name, name) for one, name in known.items()})
    fresh = fresh[[name for name in fresh if name in raw or name in known.values()]]
    wanted = corrected[REPLACES].fillna("").astype(str).str.strip() if REPLACES in corrected else ""
    tokens = [*pd.Series(wanted, corrected.index)]
    texts = raw[list(names)].rename(columns=names).astype(object).map(_stripped)
    places: dict[str, list[int]] = {token: [] for token in tokens}
    for row, token in zip(texts.index, _tokens(texts), strict=True):
        if token in places:
            places[token].append(int(row))
    last = int(raw.index.max()) if len(raw) else 1
    rows = []
    for token in tokens:
        last += not places[token]
        rows.append(places[token].pop(0) if places[token] else last)
    parts = raw[~raw.index.isin(rows)], fresh.set_axis(rows, axis=0)
    columns = list(dict.fromkeys([*raw, *fresh]))
    whole = pd.concat([part for part in parts if len(part)] or parts[:1])
    return whole.reindex(columns=columns).sort_index(), dict(zip(rows, tokens, strict=True))


# What a spreadsheet cannot hold is shown as such, and what it would run begins with a space.
def _safe(text: str) -> str | None:
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    held = str(ILLEGAL_CHARACTERS_RE.sub("\N{REPLACEMENT CHARACTER}", text))
    return f" {held}" if held.startswith(("=", "@", "+", "-")) else held or None


# For each row what tells it from others: all that it says, whatever the order of its columns.
def _tokens(texts: pd.DataFrame) -> Iterator[str]:
    names = sorted(texts.columns)
    for cells in texts[names].itertuples(index=False, name=None):
        yield _digest(f"{name} {cell}" for name, cell in zip(names, cells, strict=True) if cell)


def _digest(texts: Iterable[str]) -> str:
    return hashlib.sha256("\x1f".join(texts).encode("utf-8", "replace")).hexdigest()[:12]


def _stripped(value: object) -> str:
    return (as_text(value) or "").strip()
