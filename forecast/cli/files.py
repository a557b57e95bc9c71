"""Files that come in and go out: CSV without pandas, and nothing left half written."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._checks import nearest
from forecast._csv import csv_rows, refuse_long_cell
from forecast._files import write_whole
from forecast.errors import DataError, ForecastError, RequestError

if TYPE_CHECKING:
    from forecast.log import Enquiry

__all__ = [
    "check_can_write",
    "read_enquiries",
    "read_gradings",
    "read_one_enquiry",
    "read_table",
    "write_text",
]

MOST_ROWS = 200_000


def read_table(path: Path, known: Sequence[str]) -> dict[int, dict[str, str]]:
    """Return the rows of a CSV file by line, as texts by column name; empty cells are left out.

    The columns may be parted by commas, tabs, or semicolons where the header has no comma; one
    that is not ``known`` must be empty.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise DataError(
            f"{path.name} is not UTF-8 text (byte {error.start}).",
            "Save it as CSV UTF-8 and try again.",
        ) from None
    header = text.partition("\n")[0]
    separator = next((mark for mark in (",", "\t", ";") if mark in header), ",")
    rows: dict[int, list[str]] = {}
    try:
        rows.update(csv_rows(text, separator))
    except csv.Error as error:
        raise DataError(
            f"{path.name} cannot be read as CSV ({error}).",
            "Save it again as CSV UTF-8.",
        ) from None
    line, names = next(iter(rows.items()), (0, []))
    names = checked_header(path, names, known)
    rows.pop(line, None)
    table = {line: named_cells(path, line, names, row) for line, row in rows.items()}
    table = {line: row for line, row in table.items() if row}
    if not 1 <= len(table) <= MOST_ROWS:
        raise DataError(
            f"{path.name} has {len(table)} rows below its header.", f"Give 1 to {MOST_ROWS}."
        )
    refuse_columns(path, table, known)
    return table


def checked_header(path: Path, cells: Sequence[str], known: Sequence[str]) -> list[str]:
    """Return the columns that a header means, spelled as in a log, or raise DataError.

    None may be there twice, and one must be known.
    """
    from forecast.log import normal_heading, refuse_repeated

    for place, name in enumerate(cells, start=1):
        refuse_long_cell(path.name, f"the heading of column {place}", len(name))
    names = [normal_heading(name) for name in cells]
    if cells and not set(names) & set(known):
        raise DataError(
            f"{path.name} has no headings: its first line names no column that is known here.",
            f"Put the names of the columns there; known are {', '.join(known)}.",
        )
    refuse_repeated(path.name, names)
    return names


def named_cells(path: Path, line: int, names: Sequence[str], row: Sequence[str]) -> dict[str, str]:
    """Return the filled cells of a row by column name."""
    if len(row) > len(names) and any(cell.strip() for cell in row[len(names) :]):
        raise DataError(
            f"{path.name} line {line} has {len(row)} cells, its header {len(names)}.",
            "Put quotes around a cell that holds the separator, for example the inks.",
        )
    for name, cell in zip(names, row, strict=False):
        refuse_long_cell(path.name, f"line {line}, column {name}", len(cell))
    return {name: cell.strip() for name, cell in zip(names, row, strict=False) if cell.strip()}


def refuse_columns(
    path: Path, table: Mapping[int, Mapping[str, str]], known: Sequence[str]
) -> None:
    """Raise DataError for a column that has no meaning here."""
    for name in {name: None for row in table.values() for name in row}:
        if name not in known:
            raise DataError(
                f"{path.name} has a column {name!r} that is not known here.",
                f"Known are {', '.join(known)}.{nearest(name, known)}",
            )


def number(path: Path, line: int, name: str, text: str) -> float:
    """Return a cell as a number, or raise DataError."""
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise DataError(
            f"{path.name} line {line}: {name} is {text!r}, which is not a number.",
            "Give a number, or leave the cell empty.",
        )
    return value


def whole(path: Path, line: int, name: str, text: str) -> int:
    """Return a cell as a whole number, or raise DataError."""
    value = number(path, line, name, text)
    if not value.is_integer():
        raise DataError(f"{path.name} line {line}: {name} is {text!r}.", "Give a whole number.")
    return int(value)


def read_enquiries(path: Path, *, named: bool = False) -> dict[str, Enquiry]:
    """Return the enquiries of a CSV file by ``enquiry_id``.

    Without one they are 1, 2, 3, …, unless ``named`` asks that each has its own.
    """
    from forecast.log import Enquiry

    table = read_table(path, ["enquiry_id", *(field.name for field in fields(Enquiry))])
    enquiries: dict[str, Enquiry] = {}
    for position, (line, row) in enumerate(table.items(), start=1):
        if named and "enquiry_id" not in row:
            raise DataError(
                f"{path.name} line {line}: enquiry_id is missing.",
                "A register of promises needs the id that the course will have in the log.",
            )
        label = row.pop("enquiry_id", str(position))
        if label in enquiries:
            raise DataError(f"{path.name} has two enquiries {label!r}.", "Give each its own id.")
        enquiries[label] = enquiry_of(path, line, row)
    return enquiries


def enquiry_of(path: Path, line: int, row: Mapping[str, str]) -> Enquiry:
    """Return the enquiry of one row; it reads its own cells, and its errors name the line."""
    from forecast.log import Enquiry

    required = {field.name: "" for field in fields(Enquiry) if field.default is MISSING}
    cells: dict[str, Any] = required | dict(row)
    try:
        return Enquiry(**cells)
    except ForecastError as error:
        raise type(error)(f"{path.name} line {line}: {error.problem}", error.remedy) from None


def read_one_enquiry(path: Path) -> Enquiry:
    """Return the only enquiry of a CSV file with a header and one row."""
    enquiries = read_enquiries(path)
    if len(enquiries) != 1:
        raise DataError(
            f"{path.name} has {len(enquiries)} enquiries, this command takes one.",
            "Give a header and one row.",
        )
    return next(iter(enquiries.values()))


def read_gradings(path: Path) -> list[tuple[int, float] | tuple[int, float, str]]:
    """Return ``(after_session, percent)`` or ``(after_session, percent, date)`` of each row."""
    table = read_table(path, ["after_session", "fading_pct", "graded_on", "grader_id", "course_id"])
    courses = {row["course_id"] for row in table.values() if "course_id" in row}
    if len(courses) > 1:
        raise DataError(
            f"{path.name} has gradings of {len(courses)} courses.", "Keep those of one course."
        )
    gradings: list[tuple[int, float] | tuple[int, float, str]] = []
    for line, row in table.items():
        for name in ("after_session", "fading_pct"):
            if name not in row:
                raise DataError(
                    f"{path.name} line {line}: {name} is missing.",
                    "A grading needs after_session and fading_pct.",
                )
        after = whole(path, line, "after_session", row["after_session"])
        percent = number(path, line, "fading_pct", row["fading_pct"].removesuffix("%"))
        seen = row.get("graded_on")
        gradings.append((after, percent, seen) if seen else (after, percent))
    return gradings


def check_can_write(path: Path) -> None:
    """Raise RequestError now, before long work, when ``path`` could not be written after it."""
    folder = path.absolute().parent
    if not folder.is_dir():
        raise RequestError(f"The folder {folder} does not exist.", "Make it, or name another.")
    if path.is_dir():
        raise RequestError(f"{path} is a folder.", "Give the name of a file.")
    if not os.access(folder, os.W_OK):
        raise RequestError(f"The folder {folder} cannot be written to.", "Name another.")


def write_text(path: Path, text: str) -> None:
    """Write a file whole: first beside its place, then into it, so that no half is ever seen."""
    check_can_write(path)
    write_whole(path, text)
