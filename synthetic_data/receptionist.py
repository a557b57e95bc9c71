"""How a receptionist writes a log: spellings whose meaning is certain, each counted."""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

from synthetic_data.xlsx import Formula, Percent

__all__ = ["Kept", "Row", "Sheets", "keep_by_hand"]

Row = dict[str, Any]
Sheets = dict[str, list[Row]]
Spelled = tuple[Any, tuple[str, ...]]  # the cell, and the tolerances that reading it takes

CASE = "upper and lower case, spaces and hyphens"
SYNONYM = "another word for the same thing"
EMPTY = "a word or mark for 'not recorded'"
COMMA = "a decimal comma"
UNIT = "the unit written in the cell"
YES_NO = "yes and no written another way"
SEPARATOR = "a set joined by another mark than ;"
SERIAL = "a spreadsheet's date number"
DAY_FIRST = "a date with the day first, as other dates of the table prove"
HEADING = "a heading with other spelling"
ROMAN = {"I": 1, "II": 2, "III": 3, "IV": 4, "V": 5, "VI": 6}
SPREADSHEET_ZERO = date(1899, 12, 30)
TITLES = {"courses": " Courses", "sessions": "SESSIONS", "gradings": "Gradings"}
HEADINGS = {
    "course_id": "Course ID", "client_id": "Client ID", "started_on": "Started on",
    "age_years": "Age (years)", "skin_type": "Skin type", "body_site": "Body site",
    "area_cm2": "Area (cm²)", "treated_on": "Treated on", "fading_pct": "Fading (%)",
}  # fmt: skip
OTHER_SHEETS: dict[str, list[list[object]]] = {
    "Price list": [["single session", 155], ["block of six", 810]],
    "to do": [["order goggles"]],
}


@dataclass(frozen=True)
class Kept:
    """The sheets' cells, where each row went, and the tolerances that reading them takes."""

    sheets: dict[str, list[list[object]]]
    numbers: dict[int, int]
    habits: list[tuple[Any, ...]]


def keep_by_hand(tables: Sheets, planted: set[tuple[int, str]]) -> Kept:
    """Return the tables as kept by hand; cells with a planted fault stay as they are."""
    sheets: dict[str, list[list[object]]] = {}
    numbers: dict[int, int] = {}
    counts: Counter[tuple[str, str, str]] = Counter()
    for table, rows in tables.items():
        columns = list(rows[0])
        title: list[list[object]] = [["All courses since we opened"], []] * (table == "courses")
        headings = [HEADINGS.get(name, name) for name in columns]
        counts.update((table, name, HEADING) for name in columns if name in HEADINGS)
        cells = [*title, [*headings, *(["Remarks"] if table == "courses" else [])]]
        for position, row in enumerate(rows):
            if position == 100:
                cells.append([" "])  # an empty row in the middle
            written = [
                row[name]
                if (id(row), name) in planted
                else spelled(table, name, row[name], position, counts)
                for name in columns
            ]
            cells.append(written + (["very sore"] if title and position % 40 == 7 else []))
            numbers[id(row)] = len(cells)
        cells += [[" ", "  "]] * 3  # and some at the end
        sheets[TITLES.get(table, table)] = cells
    return Kept(sheets | OTHER_SHEETS, numbers, listed(counts))


def listed(counts: Counter[tuple[str, str, str]]) -> list[tuple[Any, ...]]:
    """Return a line for each tolerance, the tables' notes among them."""
    habits = [
        ("a habit of spelling", table, "", column, "", "tolerated", count, tolerance)
        for (table, column, tolerance), count in sorted(counts.items())
    ]
    notes = [
        ("a title above the headings", "courses", 3, "", "", "note", 1, "found in row 3"),
        (
            "formulas with results",
            "courses",
            "",
            "price_paid",
            "",
            "note",
            1,
            "read by the stored result",
        ),
        ("a column of remarks", "courses", "", "Remarks", "", "extra column", 1, "Remarks"),
        *(
            ("a sheet that is no table", title, "", "", "", "note", 1, f"Sheet {title!r}")
            for title in OTHER_SHEETS
        ),
    ]
    return [*habits, *notes]


def spelled(
    table: str, column: str, value: Any, position: int, counts: Counter[tuple[str, str, str]]
) -> Any:
    """Return a cell as it is written at this place, and count the tolerances it takes."""
    write = WAYS.get(column)
    written, needed = write(value, position) if write else (value, ())
    counts.update((table, column, tolerance) for tolerance in needed)
    return written


def skin_type(value: str, position: int) -> Spelled:
    """Write a number, or "Type IV", or the roman number."""
    if position % 3 == 0:
        return ROMAN[value], (SYNONYM,)
    return (f"Type {value}", (SYNONYM,)) if position % 7 == 1 else (value, ())


def capitals(value: str, position: int) -> Spelled:
    """Write words as people do, every other time."""
    if value is None or position % 2:
        return value, ()
    return value.replace("_", " ").capitalize(), (CASE,)


def inks(value: str, position: int) -> Spelled:
    """Write the colours with capitals, joined by commas."""
    if position % 3 == 0:
        return value, ()
    parts = [part.replace("_", " ").capitalize() for part in value.split(";")]
    return ", ".join(parts), (CASE, SEPARATOR) if len(parts) > 1 else (CASE,)


def yes_no(value: str | None, position: int) -> Spelled:
    """Write Y and N."""
    return (value, ()) if value is None or position % 2 else (value[0].upper(), (YES_NO,))


def or_mark(mark: str) -> Callable[[Any, int], Spelled]:
    """Return a way of writing that puts a mark where nothing is known."""
    return lambda value, _: (mark, (EMPTY,)) if value is None else (value, ())


def decimal_comma(value: float | None, position: int) -> Spelled:
    """Write a decimal comma every third time."""
    if value is None or position % 3 or value == int(value):
        return value, ()
    return f"{value:g}".replace(".", ","), (COMMA,)


def price(value: float | None, position: int) -> Spelled:
    """Write a currency sign, or let the spreadsheet work it out."""
    if value is None or position % 3 == 0:
        return value, ()
    if position % 3 == 1:
        return f"€ {value:g}", (UNIT,)
    return Formula(f"{value:g}-0", value), ()


def outcome(value: str, position: int) -> Spelled:
    """Write the outcome as spoken."""
    if position % 2:
        return value, ()
    return ("on going", (SYNONYM,)) if value == "ongoing" else (value.upper(), (CASE,))


def regime(value: str, position: int) -> Spelled:
    """Write capitals, or the whole word."""
    if position % 3 == 0:
        return value.upper(), (CASE,)
    word = {"ns": "Nanosecond", "ps": "Picosecond"}[value]
    return (word, (SYNONYM,)) if position % 3 == 1 else (value, ())


def day_first(value: date, position: int) -> Spelled:
    """Write dates as in Europe."""
    doubtless = value.day == value.month
    return f"{value:%d/%m/%Y}", (
        "a date written out or with other marks" if doubtless else DAY_FIRST,
    )


def serial(value: date, position: int) -> Spelled:
    """Leave the date's number, as a cell without a format shows it."""
    return ((value - SPREADSHEET_ZERO).days, (SERIAL,)) if position % 4 == 0 else (value, ())


def percent(value: float, position: int) -> Spelled:
    """Write a percent sign, or let the spreadsheet show one."""
    if position % 3 == 0:
        return value, ()
    if position % 3 == 1:
        return f"{value:g} %", (UNIT,)
    return Percent(value / 100), (UNIT,)


WAYS: dict[str, Callable[[Any, int], Spelled]] = {
    "skin_type": skin_type,
    "body_site": capitals,
    "inks": inks,
    "ink_density": capitals,
    "smoker": yes_no,
    "origin": or_mark("unknown"),
    "scarring": or_mark("?"),
    "tattoo_age_years": or_mark("n/a"),
    "area_cm2": decimal_comma,
    "goal": lambda value, _: (None if value == "clear" else value, ()),
    "sessions_elsewhere": lambda value, _: (value or None, ()),
    "price_paid": price,
    "outcome": outcome,
    "regime": regime,
    "treated_on": day_first,
    "fluence_j_cm2": decimal_comma,
    "graded_on": serial,
    "fading_pct": percent,
    "severity": capitals,
    "reaction": capitals,
    "lasting": yes_no,
}
