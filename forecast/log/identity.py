"""Which columns, cells and headings say who a person is, in seven languages."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from functools import cache, partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._notes import Note, problem_and_remedy, sentence
from forecast._shipped import shipped
from forecast.errors import DataError
from forecast.log.cells import (
    ANY_DATE,
    EMPTY_WORDS,
    LATEST,
    OVERFLOW,
    SERIAL,
    UnreadableError,
    as_text,
    date_order,
    distinct_texts,
    iso_days,
    normal_heading,
    read_cell,
)
from forecast.log.columns import TABLES, words

if TYPE_CHECKING:
    import pandas as pd

SAMPLE, FEW = 5_000, 50  # distinct texts of a column that are looked at, of one of codes
LONGEST = 200  # characters of a text that are looked at for a person's name
# looked for from the start of a word only: else a long text takes the square of its length
EMAIL = re.compile(r"(?<![\w.+-])[\w.+-]++@[\w-]+\.\w+")
PHONE = re.compile(
    r"(?<![\w+])(\+\d{1,3}[\d ()/.-]{7,}\d|00\d{2}[ ./-]?\d[\d ./-]{6,}\d"
    r"|\(?0\d{2,5}\)?[ /-][\d /-]{4,}\d|0\d{9,10}|0\d-\d{7,8}|0\d{1,2}([ .-]\d{2,3}){3,4}"
    r"|\(\d{2,3}\) ?\d{3,4}[ -]?\d{3,4}|\d{3}[-. ]\d{3}[-. ]\d{3,4})(?!\w)"
)
DIGITS = re.compile(r"[2-9]\d{8,9}")  # a phone number without any mark
CAPITAL = r"[A-ZÀ-ÖØ-ÝĀĄĆĘŁŃÓŚŹŻŠŽ]"
STREET = re.compile(
    rf"\b\d+[a-z]?,? {CAPITAL}\w+( {CAPITAL}\w+)* "
    r"(Street|St|Road|Rd|Avenue|Ave|Lane|Drive|Close|Court|Way|Crescent|Square|Terrace)\b"
    rf"|\b{CAPITAL}[\w-]{{0,40}} ?([Ss]traße|[Ss]trasse|[Ss]tr\.|[Aa]llee|[Pp]latz|[Ww]eg) \d+"
    rf"|\b{CAPITAL}[\w-]{{0,40}}(gasse|straat|laan|gracht|plein) \d+|\bAm {CAPITAL}\w+ \d+"
    r"|\b\d+( bis| ter)?,? (rue|avenue|boulevard|impasse|chemin|allée|place|quai) \w"
    r"|\b(Calle|C/|Avenida|Avda\.|Plaza|Paseo|Via|Viale|Piazza|Corso|Vicolo|ul\.|al\.|os\.|pl\.)"
    rf" ?(\w+ ){{0,3}}{CAPITAL}\w+( \w+)?,? (n\.º ?|nº ?)?\d+"
    r"|\b[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}\b"
)
TELLING = {"e_mail": EMAIL, "phone": PHONE, "address": STREET}
TOWN = re.compile(rf"(.*, ?)?(\d{{2}}-\d{{3}}|\d{{5}}|\d{{4}} ?[A-Z]{{2}}) {CAPITAL}\w+.*")
WORD = rf"{CAPITAL}[^\W\d_A-Z]+(?:[-'’]{CAPITAL}?[^\W\d_A-Z]+)?"
TITLE = r"(?:Mr|Mrs|Ms|Dr|Herr|Frau|Hr|Fr|Mme|Sra?|Sig|Dhr|Mw|Pani?)\.? "
PERSON = re.compile(
    rf"{TITLE}{WORD}|(?:{TITLE})?{WORD},? (?:{WORD} |{CAPITAL}\. ?)?{WORD}"
    rf"|(?:{CAPITAL}\. ?){{1,2}}{WORD}|{WORD},? {CAPITAL}\.?"
)
ALONE = re.compile(WORD)
PSEUDONYMS = {
    "courses": ("course_id", "client_id"),
    "sessions": ("operator_id",),
    "gradings": ("grader_id",),
    "promises": ("course_id", "client_id"),
}
LONE_NAMES = "log.lone_names"
MOST_PLACES = 5  # are listed
NOT_NAMES = frozenset({"laser_id", "course_id", "tattoo_id"})  # lasers have names too
# Distinct texts before a free column is judged by looks; package names repeat, people's do not.
MANY, MANY_PACKAGES = 3, 5
FIRST_YEAR = 1900  # of dates of birth
GROWN_UP = 16  # years before treatment that dates of birth lie
MOST, MOSTLY, OFTEN, SELDOM = 0.8, 0.6, 0.3, 0.05  # shares of the distinct texts of a column
SHORT_YEAR = re.compile(r"\d{1,2}[./ -]\d{1,2}[./ -]'?(\d{2})")
LONG_YEAR = re.compile(r"(?:.{0,20}\W)?(19\d\d|20[01]\d)")
LONGEST_HEADING = 40


@cache
def _listed() -> Mapping[str, Mapping[str, frozenset[str]]]:
    return {
        name: {what: frozenset(words(listed)) for what, listed in of.items()}
        for name, of in shipped(Path(__file__).with_suffix(".toml")).items()
    }


def refuse_identifying(tables: Mapping[str, pd.DataFrame]) -> None:
    """Raise DataError if a column names people, by its heading or by what stands in it.

    All such columns are listed at once. The message never repeats what they hold, nor a heading
    that is none. Clients must have codes: anything else under client_id is refused.
    """
    found = []
    for table, frame in tables.items():
        known = {rule.name: rule.kind for rule in TABLES[table]}
        treated = cache(partial(_treated, frame, known))
        for place, (heading, cells) in enumerate(frame.items()):
            name = normal_heading(heading)
            if heading == OVERFLOW or known.get(name, "text") not in ("id", "text"):
                continue
            why = None if name in known else _by_name(name)
            why = why or _by_content(name, cells, extra=name not in known, treated=treated)
            if why:
                said = {"name": f"{table}.{quoted(heading, place + 1)}", "why": why}
                found.append(Note("reading.column_why", values=said))
    if found:
        values = {"columns": found, "found": len(found)}
        raise DataError(*problem_and_remedy("reading.identifying", values))


def lone_names(tables: Mapping[str, pd.DataFrame]) -> Iterator[Note]:
    """Yield a note where something among codes looks like a name: by its row, never repeated."""
    found: list[Note] = []
    for table, names in PSEUDONYMS.items():
        frame = tables.get(table)
        for heading, cells in () if frame is None else frame.items():
            if (name := normal_heading(heading)) in names:
                places, distinct = distinct_texts(cells)
                odd = np.isin(places, _like_names(name, [*map(str.strip, distinct)]))
                said = {"name": f"{table}.{name}"}
                found += [
                    Note("reading.in_row", values=said | {"row": at}) for at in cells.index[odd]
                ]
    if found:
        yield Note(LONE_NAMES, "caution", {"n": len(found), "places": found[:MOST_PLACES]})


# Clients are told by a word of their own; in other codes a lone word with a capital may be a name.
def _like_names(name: str, texts: list[str]) -> list[int]:
    if name == "client_id":
        looks: list[object] = [*_own_words(texts)]
    else:
        looks = [ALONE.fullmatch(text) or PERSON.fullmatch(text[:LONGEST]) for text in texts]
    return [
        at
        for at, text in enumerate(texts)
        if (looks[at] or _has_given_name(text))
        and text.lower().replace(" ", "_") not in EMPTY_WORDS
    ]


def identifies(heading: str, cells: pd.Series[Any]) -> str | None:
    """Return what a column that the log does not know seems to say of a person, None if nothing."""
    name = normal_heading(heading)
    return _by_name(name) or _by_content(name, cells, extra=True, treated=lambda: None)


def is_code(text: str) -> bool:
    """Say whether one text is a code: digits with few letters, or one or two letters.

    Examples
    --------
    >>> is_code("c017"), is_code("client-017"), is_code("schmidt1"), is_code("Anna"), is_code("A")
    (True, True, False, False, True)
    """
    own = _long_words(text) - _listed()["codes"]["words"]
    return _is_code(text, own) and masked(text) == text


def is_birth_date(text: str) -> bool:
    """Say whether one text is the day, month and year on which somebody grown up was born.

    Examples
    --------
    >>> is_birth_date("12.03.1985"), is_birth_date("12.3.85"), is_birth_date("20210305-2")
    (True, True, False)
    >>> is_birth_date("12-3-85"), is_birth_date("22001"), is_birth_date("2021-03-05")
    (False, False, False)
    """
    year = _year_of_day(text)
    return year is not None and year <= date.today().year - GROWN_UP


def quoted(heading: object, place: int) -> str:
    """Return a heading as messages show it: by its place if it does not look like one.

    Examples
    --------
    >>> quoted("Client Name", 2), quoted("anna@schmidt.example", 3)
    ('Client Name', 'column 3')
    """
    text = str(heading)
    plain = len(text) <= LONGEST_HEADING and not re.search(r"\d{5}", text)
    return text if plain and masked(text) == text else f"column {place}"


def masked(text: str) -> str:
    """Return a text, or in its place what it seems to hold of a person.

    Examples
    --------
    >>> masked("forearm"), masked("call 0171 5551234")
    ('forearm', '(a phone number)')
    """
    for what, pattern in TELLING.items():
        if pattern.search(text):
            return sentence("log.masked", {"what": f"person_{what}"})
    return sentence("log.masked", {"what": "person_name"}) if _has_given_name(text) else text


def _treated(frame: pd.DataFrame, kinds: Mapping[str, str]) -> float | None:
    for place, heading in enumerate(frame.columns):
        if kinds.get(normal_heading(heading)) == "date":
            years, _ = _years(frame.iloc[:, place])
            return float(np.median(years)) if years else None
    return None


def _by_name(name: str) -> str | None:
    parts, listed = set(name.split("_")), _listed()
    if _is_of_things(name):
        return None
    found = [what for what, whole in listed["whole"].items() if name in whole]
    found += [what for what, some in listed["parts"].items() if parts & some]
    found += ["person_e_mail"] * ("e_mail" in name)
    return found[0] if found else None


def _is_of_things(name: str) -> bool:
    return not _listed()["things"]["words"].isdisjoint(name.split("_"))


def _by_content(
    name: str, cells: pd.Series[Any], *, extra: bool, treated: Callable[[], float | None]
) -> str | None:
    texts = _distinct(cells)
    if not texts:
        return None
    together = "\n".join(texts)  # which none of the patterns reaches across
    for what, pattern in TELLING.items():
        if pattern.search(together):
            return f"people_{what}"
    if name == "client_id" and not _are_codes(texts):
        return "no_codes"
    if name not in NOT_NAMES and _are_names(name, texts, cells, extra=extra):
        return "people_name"
    if extra:
        return _extra_by_content(cells, texts, treated)
    some = texts[:: len(texts) // FEW + 1]
    years = [year for text in some if (year := _year_of_day(text)) is not None]
    return "people_birth_date" if _of_birth(years, len(some), treated) else None


# Towns most often, phone numbers without a mark that do not count up, or dates of birth.
def _extra_by_content(
    cells: pd.Series[Any], texts: list[str], treated: Callable[[], float | None]
) -> str | None:
    if len(texts) >= MANY and _share(TOWN.fullmatch, texts) >= MOSTLY:
        return "people_address"
    phones = [text for text in texts if DIGITS.fullmatch(text)]
    starts = {text[:6] for text in phones}
    if len(phones) >= max(MANY, MOSTLY * len(texts)) and len(starts) > len(phones) / 3:
        return "people_phone"
    return "people_birth_date" if _of_birth(*_years(cells), treated) else None


def _of_birth(years: list[int], looked_at: int, treated: Callable[[], float | None]) -> bool:
    if len(years) < MOST * looked_at or len(set(years)) < MANY:
        return False
    since = treated()
    return since is not None and since - float(np.median(years)) >= GROWN_UP


def _share(test: Callable[[str], object], texts: list[str]) -> float:
    return sum(bool(test(text[:LONGEST])) for text in texts) / len(texts)


def _are_codes(texts: list[str]) -> bool:
    """Say whether texts are codes: digits with few letters, or one word that most begin with."""
    own = _own_words(texts)
    others = sum(not _is_code(text, words) for text, words in zip(texts, own, strict=True))
    return others < MANY or others <= SELDOM * len(texts)


def _own_words(texts: list[str]) -> list[set[str]]:
    spoken = [_long_words(text) for text in texts]
    shared = Counter(chain.from_iterable(spoken))
    common = {word for word, n in shared.items() if n > max(MANY, 0.2 * len(texts))}
    return [own - common - _listed()["codes"]["words"] for own in spoken]


def _long_words(text: str) -> set[str]:
    """Return the words of four letters or more that can be spoken, or are in another script."""
    found = re.findall(r"[^\W\d_]{4,}", text[:LONGEST].lower())
    if not found or re.fullmatch(r"(?=.*\d)[0-9a-fA-F-]{8,40}", text):
        return set()
    return {word for word in found if re.search(r"[aeiouyäöüáéíóú]|[^\x00-\x7f]", word)}


def _is_code(text: str, own: set[str]) -> bool:
    if text.lower() in EMPTY_WORDS:
        return True
    digits = any(letter.isdigit() for letter in text)
    short = len(text) <= 2 and text.isascii()
    return (digits or short) and not own and not _has_given_name(text) and len(text) <= LONGEST


def _distinct(cells: pd.Series[Any]) -> list[str]:
    import pandas as pd

    if pd.api.types.is_float_dtype(cells) or pd.api.types.is_bool_dtype(cells):
        return []
    _, found = distinct_texts(cells)
    step = -(-len(found) // SAMPLE) or 1
    return [*filter(None, map(str.strip, found[::step]))]


def _are_names(name: str, texts: list[str], cells: pd.Series[Any], *, extra: bool) -> bool:
    """Judge by looks: capitalised words or initials, given names, or short foreign words."""
    if extra and len(texts) < MANY:
        return False
    if name == "package" and len(texts) < max(MANY_PACKAGES, cells.notna().sum() / 3):
        return False
    given = _share(_has_given_name, texts)
    of_things = extra and _is_of_things(name)  # which have names of two words too
    return (
        (not of_things and _share(PERSON.fullmatch, texts) >= MOSTLY)
        or (given >= OFTEN and given * len(texts) >= MANY)
        or (len(texts) >= MANY_PACKAGES and _share(_is_foreign_name, texts) >= MOSTLY)
    )


def _has_given_name(text: str) -> bool:
    if not re.search(r"[^\W\d_]{2}", text[:LONGEST]):
        return False
    apart = re.sub(r"(?<=[^\W\d_A-Z])(?=[A-Z])", " ", text[:LONGEST])
    found = {word.lower() for word in re.findall(r"[^\W\d_]{2,}", apart)}
    return not all(map(found.isdisjoint, _listed()["given"].values()))


def _is_foreign_name(text: str) -> bool:
    parts = text.split()
    letters = "".join(parts)
    return len(parts) <= 3 and letters.isalpha() and min(letters) > "ͯ"


def _years(cells: pd.Series[Any]) -> tuple[list[int], int]:
    """Return the years of a column's dates, and of how many cells, at most about ``SAMPLE``."""
    import pandas as pd

    if pd.api.types.is_float_dtype(cells) or pd.api.types.is_bool_dtype(cells):
        return [], 0
    some = cells.iloc[np.flatnonzero(cells.notna())[:: len(cells) // SAMPLE + 1]]
    if pd.api.types.is_datetime64_any_dtype(some):
        found = some.dt.year
        return found[(found >= FIRST_YEAR) & (found <= LATEST.year)].tolist(), len(some)
    texts = np.array([*map(as_text, some), None], dtype=object)[:-1]
    days = iso_days(texts, date(FIRST_YEAR, 1, 1))
    plain = ~np.isnat(days)
    others = [text.strip() for text in texts[~plain] if text and text.strip()]
    order = date_order(others)
    years = [year for text in others if (year := _year_of(text, order)) is not None]
    years += (days[plain].astype("datetime64[Y]").astype(int) + 1970).tolist()
    return years, len(others) + int(plain.sum())


def _full_year(short: str) -> int:
    return 1900 + int(short) if int(short) > 30 else 2000 + int(short)


# Of a code: neither 12-3-85 nor days since 1900, which running numbers are too, say a day.
def _year_of_day(text: str) -> int | None:
    if match := SHORT_YEAR.fullmatch(text):
        if "-" in text or " " in text:
            return None
        text = f"{text[: match.start(1)].removesuffix(chr(39))}{_full_year(match[1])}"
    try:
        read = read_cell(ANY_DATE, text, order="day", earliest=date(FIRST_YEAR, 1, 1))
    except UnreadableError:
        return None
    return read.value.year if isinstance(read.value, date) and SERIAL not in read.habits else None


def _year_of(text: str, order: Any) -> int | None:
    if match := SHORT_YEAR.fullmatch(text):
        return _full_year(match[1])
    try:
        value = read_cell(ANY_DATE, text, order=order, earliest=date(FIRST_YEAR, 1, 1)).value
        return value.year if isinstance(value, date) else None
    except UnreadableError:
        match = LONG_YEAR.fullmatch(text)
        return int(match[1]) if match else None
