"""Rows to be corrected: written as a workbook, faulty cells in colour, and read back in."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Iterator
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._files import write_whole
from forecast._notes import in_language, problem_and_remedy, sentence
from forecast.errors import RequestError
from forecast.log.cells import OVERFLOW, as_text
from forecast.log.cleaning import read_headings
from forecast.log.columns import TABLES
from forecast.log.files.workbook import CORRUPT, add_list, letters
from forecast.log.report import LogReport

if TYPE_CHECKING:
    import pandas as pd

BESIDE = ("where", "problem", "remedy")  # in front of each row, and REPLACES behind it
REPLACES = "replaces"
WIDTHS = (14, 40, 40)
FAULTY = "FFF2A8"
MOST_CORRECTED = 5_000  # of a table: more are not corrected by hand, but where they come from


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
    texts = rows.rename(columns=headings).astype(object).map(_text)
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
    texts = raw[list(names)].rename(columns=names).astype(object).map(_text)
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


def _text(value: object) -> str:
    return (as_text(value) or "").strip()


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
