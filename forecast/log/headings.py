"""Which row has the headings, which column each means, and which say who a client is."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from difflib import get_close_matches
from statistics import median
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.errors import DataError
from forecast.log.cells import (
    LATEST,
    WORDS,
    UnreadableError,
    as_text,
    date_order,
    folded,
    in_use,
    read_cell,
    rule_of,
)
from forecast.log.columns import TABLES, Column, words

if TYPE_CHECKING:
    import pandas as pd

HELPERS = ("problem", "remedy", "mends")  # columns of our own list of rows set aside
OVERFLOW = "cells beyond the headings"
SEARCHED_ROWS = 10  # a title above the headings is tolerated


def normal_heading(heading: object) -> str:
    """Return a heading in the log's spelling.

    Examples
    --------
    >>> normal_heading("Area (cm²)"), normal_heading(" Course ID")
    ('area_cm2', 'course_id')
    """
    spelled = str(heading).strip().lower().replace("²", "2").replace("%", "pct")
    return re.sub(r"[\s\-./()_]+", "_", spelled).strip("_")


def table_of(name: str) -> str | None:
    """Return the table that a file or sheet of this name belongs to, mended rows included.

    Examples
    --------
    >>> table_of("Courses"), table_of("mended_courses_2"), table_of("notes")
    ('courses', 'courses', None)
    """
    normal = normal_heading(name)
    if normal in TABLES:
        return normal
    return next((table for table in TABLES if normal.startswith(f"mended_{table}")), None)


def refuse_repeated(where: str, given: Iterable[Any], cells: Sequence[str] = ()) -> None:
    """Raise DataError if two headings mean one column; ``where`` begins the sentence.

    ``cells`` has the place of each heading, such as "courses!F1", where it is known.
    """
    seen: dict[str, int] = {}
    for place, heading in enumerate(given):
        name = normal_heading(heading) or str(heading)
        if name in seen:
            at = f": {cells[seen[name]]} and {cells[place]}" if cells else ""
            raise DataError(
                f"{where} has two columns for {name}{at}.",
                "Keep one of them, and give the other a heading of its own.",
            )
        seen[name] = place


def read_headings(name: str, given: list[Any]) -> dict[Any, str]:
    """Return which column each heading means; headings that the log does not know are left out.

    Raises
    ------
    DataError
        If a required column is missing or two headings mean the same column.

    Examples
    --------
    >>> read_headings("lasers", ["Laser ID", "regime", "Wavelengths (nm)", "colour"])
    {'Laser ID': 'laser_id', 'regime': 'regime', 'Wavelengths (nm)': 'wavelengths_nm'}
    """
    rules = {rule.name: rule for rule in TABLES[name]}
    found: dict[Any, str] = {}
    refuse_repeated(f"Table {name}", given)
    for heading in given:
        known = normal_heading(heading)
        if known in rules:
            found[heading] = known
    missing = [rule for rule in rules.values() if rule.required and rule.name not in found.values()]
    if missing:
        listed = ", ".join(rule.name for rule in missing)
        raise DataError(
            f"Table {name} has no column {listed}; it has {', '.join(map(str, given)) or 'none'}.",
            f"Add {missing[0].name}: {rule_of(missing[0])}."
            + _likely_heading(missing[0].name, [name for name in given if name not in found]),
        )
    return found


def _likely_heading(column: str, given: Iterable[Any]) -> str:
    spelled = {normal_heading(heading): heading for heading in given}
    close = get_close_matches(column, spelled, n=1)
    if not close:
        return ""
    return f" Perhaps {str(spelled[close[0]])!r} is meant for it: then call it {column}."


def with_headings(
    name: str, rows: pd.DataFrame, *, uneven: bool = False, sheet: str = ""
) -> tuple[pd.DataFrame, int, list[int]]:
    """Return the rows below the headings, under them; the headings' row; each column's place.

    Parameters
    ----------
    name : str
        The table.
    rows : DataFrame
        All cells as text, index is the row number.
    uneven : bool
        Whether cells beyond the last heading break their row; otherwise they are a column
        without a heading.
    sheet : str
        The title of the sheet, to be named where something is wrong.

    Raises
    ------
    DataError
        If there is nothing at all, or no row that could be headings; what stands in the rows
        then is not repeated, for it may be of people.
    """
    known = {rule.name for rule in TABLES[name]}
    where = f"Table {name} (sheet {sheet!r}, from A1 on)" if sheet else f"Table {name}"
    required = [rule.name for rule in TABLES[name] if rule.required]
    filled = [
        (number, [None if _blank(cell) else str(cell).strip() for cell in cells])
        for number, *cells in rows.iloc[:SEARCHED_ROWS].itertuples(name=None)
        if not all(map(_blank, cells))
    ]
    if not filled:
        raise DataError(
            f"{where} is empty: it has neither headings nor rows.",
            "Give it a heading and at least one row, or take it away.",
        )
    if not any(normal_heading(cell) in known for _, cells in filled for cell in cells):
        raise DataError(
            f"{where} has no headings: none of its first rows names one of its columns.",
            f"Put the names of the columns above the rows, among them {', '.join(required)}.",
        )
    complete = [row for row in filled if {*required} <= {normal_heading(cell) for cell in row[1]}]
    number, cells = complete[0] if complete else filled[0]
    below = rows.loc[number:].iloc[1:]
    if uneven:
        width = max(i + 1 for i, cell in enumerate(cells) if cell)
        beyond = below.iloc[:, width:].apply(lambda row: ",".join(filter(None, row)), axis=1)
        below = below.iloc[:, :width].assign(**{OVERFLOW: beyond})
        cells = [*cells[:width], OVERFLOW]
    named = [i for i, cell in enumerate(cells) if cell or not below.iloc[:, i].map(_blank).all()]
    headings = [cells[i] or f"column {i + 1} without a heading" for i in named]
    return below.iloc[:, named].set_axis(headings, axis=1), int(number), named


def _blank(cell: object) -> bool:
    return cell is None or cell != cell or not str(cell).strip()


SAMPLE = 5_000  # distinct texts of a column that are looked at
BY_NAME = {
    "a name": "name names surname forename firstname lastname fullname initials vorname nachname "
    "prenom apellido apellidos",
    "an e-mail address": "email mail",
    "a phone number": "phone telephone mobile cell cellphone tel fax whatsapp telefon handy "
    "telefono",
    "an address": "address street postcode zip zipcode postal city town adresse anschrift plz",
    "a birth date": "dob birth birthdate birthday born birthyear geburtsdatum geburtstag geboren "
    "naissance nacimiento",
    "an official number": "ssn passport nhs insurance iban licence license",
    "an account": "instagram facebook tiktok twitter",
}
NOT_OF_PERSONS = frozenset(
    words(
        "package laser ink file sheet device product treatment clinic column table colour brand "
        "model studio salon room machine branch"
    )
)
# looked for from the start of a word only: else a long text takes the square of its length
EMAIL = re.compile(r"(?<![\w.+-])[\w.+-]++@[\w-]+\.\w+")
PHONE = re.compile(r"(?<![\w+])(\+\d{1,3}[\d ()/.-]{7,}\d|\(?0\d{2,5}\)?[ /][\d /-]{4,}\d)(?!\w)")
STREET = re.compile(
    r"\b\d+[a-z]?,? [A-Z]\w+( [A-Z]\w+)* "
    r"(Street|St|Road|Rd|Avenue|Ave|Lane|Drive|Close|Court|Way)\b"
    r"|\b[A-ZÄÖÜ]\w+(straße|strasse|str\.|gasse|weg|allee|platz) \d+"
    r"|\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b"
)
WORD = r"[A-ZÀ-ÖØ-Ý][a-zß-öø-ÿ]+(?:[-'’][A-ZÀ-ÖØ-Ý]?[a-zß-öø-ÿ]+)?"
PERSON = re.compile(rf"(?:(?:Mr|Mrs|Ms|Dr)\.? )?{WORD},? (?:{WORD} |[A-Z]\. ?)?{WORD}")
NOT_NAMES = frozenset({"laser_id", "course_id", "tattoo_id"})  # lasers have names too
# Distinct texts before a free column is judged by looks; package names repeat, people's do not.
MANY, MANY_PACKAGES = 3, 5
FIRST_YEAR = 1900  # of dates of birth
GROWN_UP = 16  # years before treatment that dates of birth lie


def refuse_identifying(tables: Mapping[str, pd.DataFrame]) -> None:
    """Raise DataError if a column names people, by its heading or by what stands in it.

    All such columns are listed at once. The message never repeats what they hold.
    """
    found = []
    for table, frame in tables.items():
        known = {rule.name: rule.kind for rule in TABLES[table]}
        treated = _treated(frame, known)
        for heading in frame.columns:
            name = normal_heading(heading)
            if heading in HELPERS or heading == OVERFLOW:
                continue
            if known.get(name, "text") not in ("id", "text"):
                continue
            why = None if name in known else _by_name(name)
            why = why or _by_content(name, frame[heading], extra=name not in known, treated=treated)
            if why:
                found.append((f"{table}.{heading}", why))
    if found:
        listed = ", ".join(f"{column} ({why})" for column, why in found)
        raise DataError(
            f"{len(found)} column(s) seem to say who a person is: {listed}.",
            "Drop them, or put a pseudonym such as c001 in their place: nothing here needs them.",
        )


def identifies(heading: str, cells: pd.Series[Any]) -> str | None:
    """Return what a column that the log does not know seems to say of a person, None if nothing."""
    name = normal_heading(heading)
    return _by_name(name) or _by_content(name, cells, extra=True, treated=None)


def is_total(text: str) -> bool:
    """Return whether a cell begins as a row of totals does.

    Examples
    --------
    >>> is_total("Summe 2021"), is_total("Sommer")
    (True, False)
    """
    first = re.split(r"[\s:_.,(]", folded(text.strip()), maxsplit=1)[0]
    return first in words(WORDS["total"])


def _treated(frame: pd.DataFrame, kinds: Mapping[str, str]) -> float | None:
    for heading in frame.columns:
        if kinds.get(normal_heading(heading)) == "date":
            years, _ = _years(frame[heading])
            return median(years) if years else None
    return None


def _by_name(name: str) -> str | None:
    parts = set(name.split("_"))
    if parts & NOT_OF_PERSONS:
        return None
    for what, listed in BY_NAME.items():
        if parts & set(words(listed)):
            return what
    return "an e-mail address" if "e_mail" in name else None


def _by_content(
    name: str, cells: pd.Series[Any], *, extra: bool, treated: float | None
) -> str | None:
    texts = _distinct(cells)
    if not texts:
        return None
    for what, pattern in (
        ("e-mail addresses", EMAIL),
        ("phone numbers", PHONE),
        ("addresses", STREET),
    ):
        if any(pattern.search(text) for text in texts):
            return what
    if name not in NOT_NAMES and _are_names(name, texts, cells, extra=extra):
        return "names of people"
    return "birth dates" if extra and _are_birth_dates(cells, treated) else None


def _distinct(cells: pd.Series[Any]) -> list[str]:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(cells):
        return []
    if isinstance(cells.dtype, pd.CategoricalDtype):
        held = cells.cat.categories.to_numpy()
        found = held[in_use(cells.cat.codes.to_numpy(), len(held))]
    else:
        found = cells.dropna().astype(str).drop_duplicates().to_numpy()
    step = -(-len(found) // SAMPLE) or 1
    texts = (str(value).strip() for value in found[::step])
    return [text for text in texts if text]


def _are_names(name: str, texts: list[str], cells: pd.Series[Any], *, extra: bool) -> bool:
    """Judge by looks: two or three capitalised words, in most of the distinct texts."""
    if extra and len(texts) < MANY:
        return False
    if name == "package" and len(texts) < max(MANY_PACKAGES, cells.notna().sum() / 3):
        return False
    looking_so = sum(PERSON.fullmatch(text) is not None for text in texts)
    return looking_so >= 0.6 * len(texts)


def _are_birth_dates(cells: pd.Series[Any], treated: float | None) -> bool:
    years, looked_at = _years(cells)
    if treated is None or len(years) < 0.8 * looked_at:
        return False
    return bool(years) and treated - median(years) >= GROWN_UP


def _years(cells: pd.Series[Any]) -> tuple[list[int], int]:
    """Return the years of a column's cells, of those that are dates, and how many were looked at.

    At most about ``SAMPLE`` cells are, evenly spaced.
    """
    import pandas as pd

    rule, years = Column("date", "date"), []
    if pd.api.types.is_numeric_dtype(cells):
        return [], 0
    some = cells.iloc[np.flatnonzero(cells.notna())[:: len(cells) // SAMPLE + 1]]
    if pd.api.types.is_datetime64_any_dtype(some):
        found = some.dt.year
        return found[(found >= FIRST_YEAR) & (found <= LATEST.year)].tolist(), len(some)
    texts = [as_text(cell) or "" for cell in some]
    order = date_order(texts)
    for text in texts:
        try:
            value = read_cell(rule, text, order=order, earliest=date(FIRST_YEAR, 1, 1)).value
        except UnreadableError:
            continue
        if isinstance(value, date):
            years.append(value.year)
    return years, len(some)
