"""What a cell of the log means: one text at a time, and a whole column, each distinct text once.

Whatever a person may have meant is read only where it is certain; the rest is refused with the rule
that it breaks.
"""

from __future__ import annotations

import re
import unicodedata
from calendar import monthrange
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from functools import cache, lru_cache
from math import isfinite, prod
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, cast

import numpy as np
import numpy.typing as npt

from forecast._notes import NOTHING, Note, Sentence, sentence
from forecast._shipped import shipped
from forecast.log.columns import Column, words

if TYPE_CHECKING:
    import pandas as pd

DateOrder = Literal["day", "month"]
Codes = npt.NDArray[np.signedinteger[Any]]
Habit = tuple[str, int, int, str, str]  # tolerance, how often, first row, as written, as read
NEAR = 0.8  # of a word to one that is known in any language, 1 is the same
# Spellings that are read although they are not the log's own, by the code of their words.
CASE, SYNONYM, YES_NO, SEPARATOR = "case", "synonym", "yes_no", "separator"
COMMA, GROUPED, UNIT, WHOLE, ABOUT, SIDES = "comma", "grouped", "unit", "whole", "about", "sides"
SERIAL, TIME, WRITTEN, SHORT_YEAR = "serial", "time", "written", "short_year"
WORD_FOR_EMPTY = "word_for_empty"
EARLIEST, LATEST = date(1980, 1, 1), date(2099, 12, 31)
ANY_DATE = Column("date", "date")
DAY = timedelta(days=1)
SERIAL_ZERO = date(1899, 12, 30)  # day 0 of spreadsheets, after their wrong leap day of 1900
WORDS = shipped(Path(__file__).with_name("words.toml"))
EMPTY_WORDS = frozenset(
    words("na n/a n.a. nan none null nil - -- – — ? . unknown not_known not_recorded missing _")
) | {*words(WORDS["empty"])}
SYNONYMS: dict[str, dict[str, str]] = {
    column: {word: level for level, listed in levels.items() for word in words(listed)}
    for column, levels in WORDS["levels"].items()
}
SYNONYMS["skin_type"] = {str(i + 1): roman for i, roman in enumerate(words("I II III IV V VI"))}
SYNONYMS["inks_treated"] = SYNONYMS["inks"]
YES = frozenset(words(f"yes y true 1 1.0 {WORDS['yes']}"))
NO = frozenset(words(f"no n false 0 0.0 {WORDS['no']}"))
NONE = NO | {*words(WORDS["none"])}
MONTHS = [words(beginnings) for beginnings in WORDS["months"]]
WIDE = 20  # from so far apart on, and further than the last parts of dates, first parts are days
ROUGH = re.compile(
    r"^(ca\.?|circa|about|approx\.?|etwa|ungef\.?|env\.?|environ|aprox\.?|~|≈) *", re.I
)
TWO_SIDES = re.compile(r"([\d.,]+) ?[x×*] ?([\d.,]+)")
# No two parts of a pattern may share one run of characters: time would grow with its square.
PLAIN = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
DECIMAL_COMMA = re.compile(r"[+-]?(0,\d+|\d+,(\d{1,2}|\d{4,}))")
THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d+|[+-]?\d{1,3}(\.\d{3})+,\d+")
# One mark before three digits may be either; what it is can be seen from numbers with a sure one.
DOUBTFUL = re.compile(r"(?<![\d.,])[1-9]\d{0,2}\.\d{3}(?![\d.,]|e[+-]?\d)", re.IGNORECASE)
SURE = {
    mark: re.compile(
        rf"(?<![\d{mark}])(\d*[{mark}](\d\d?|\d{{4,}})|(0\d*|\d{{4,}})?[{mark}]\d{{3}})(?![\d.,])"
    )
    for mark in ".,"
}
ISO = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})")
YEAR_FIRST = re.compile(r"(\d{4})[/. ](\d{1,2})[/. ](\d{1,2})|(\d{4})(\d{2})(\d{2})")
YEAR_LAST = re.compile(r"(\d{1,2})[/. -](\d{1,2})[/. -](\d{4})")
YEAR_SHORT = re.compile(r"(\d{1,2})[/. -](\d{1,2})[/. -](\d{2})")
CLOCK = re.compile(
    r"(?<![T ])[T ]+\d{1,2}:\d{2}(:\d{2}(\.\d*)?)?( ?[ap]m)?(Z|[+-]\d{2}:?\d{2})?$", re.I
)
SERIAL_DATE = re.compile(r"[2-7]\d{4}(\.\d*)?")
# A text with a digit and without spaces or marks that mean something: as it stands.
SEPARATORS = r"[;,/+&|]|\b(?i:and|und|et|y|e)\b"
DOUBTFUL_TEXT = r"^\s*[+-]?[1-9]\d{0,2}\.\d{3}\s*$"
PLAIN_TEXT = r"^[A-Za-z0-9_.\-]*[0-9][A-Za-z0-9_.\-]*$"


class Reading(NamedTuple):
    """A cell's meaning, None where it is empty, and the tolerances it needed."""

    value: str | int | float | date | None
    habits: tuple[str, ...] = ()


class UnreadableError(ValueError):
    """The cell's meaning is not certain; its one argument is the rule it breaks, a Sentence."""


@cache
def rule_of(rule: Column) -> Sentence:
    """Return what the column may hold, as the end of a sentence: "one of yes, no"."""
    if rule.kind == "date":
        return sentence("rules.date", {"low": str(EARLIEST), "high": str(LATEST)})
    if rule.kind in ("id", "text"):
        return sentence("rules.text")
    if rule.levels:
        code = "rules.some_of" if rule.kind == "set" else "rules.one_of"
        return sentence(code, {"of": rule.levels})
    low, high = ("any" if limit is None else limit for limit in (rule.low, rule.high))
    kind = {"integer": "whole", "set": "numbers"}.get(rule.kind, "number")
    unit = sentence("rules.unit", {"unit": rule.unit}) if rule.unit else ""
    return sentence(f"rules.{kind}", {"low": low, "high": high, "unit": unit})


def read_cell(
    rule: Column,
    text: str,
    *,
    order: DateOrder | None = None,
    stated: bool = False,
    earliest: date = EARLIEST,
) -> Reading:
    """Return the meaning of one cell, or raise UnreadableError.

    The ``order`` of dates is proven by others, or ``stated`` by whoever wrote them.
    """
    stripped = " ".join(text.split())
    if not stripped:
        return Reading(None)
    if stripped.startswith(("=", "#")) and not stripped.lstrip("#").isdigit():
        raise UnreadableError(sentence("rules.no_formula"))
    if rule.kind in ("id", "text"):
        empty = rule.kind == "id" and _key(stripped) in EMPTY_WORDS
        return Reading(None, (WORD_FOR_EMPTY,)) if empty else Reading(stripped)
    if _key(stripped) in EMPTY_WORDS and _key(stripped) not in rule.levels:
        return Reading(None, (WORD_FOR_EMPTY,))
    if rule.kind == "date":
        day = _any_date(stripped, order, stated)
        if earliest <= cast(date, day.value) <= LATEST:
            return day
        raise UnreadableError(rule_of(rule))
    readers = {"integer": _number, "number": _number, "set": _set, "flag": _flag, "level": _level}
    return readers[rule.kind](rule, stripped)


def date_order(texts: Iterable[str]) -> DateOrder | None:
    """Return the order that dates like 31/12/2025 prove, or None without proof or with both.

    Where all years have two digits, days must lie so far apart that they cannot be the years.
    """
    bare = [CLOCK.sub("", text.strip()) for text in texts]
    full, short = ([*filter(None, map(form.fullmatch, bare))] for form in (YEAR_LAST, YEAR_SHORT))
    matches = [*full, *short]
    marked = [one for one in matches if "." not in one[0]]  # points go by a habit of their own
    day = month = False
    for match in marked or matches:
        first, second, year = int(match[1]), int(match[2]), int(_in_full(match[3]))
        day |= first > 12 and _exists(year, second, first)
        month |= second > 12 and _exists(year, first, second)
    proven: DateOrder = "day" if day else "month"
    if day == month or not (full or _days_apart(short, proven)):
        return None
    return proven


def _days_apart(short: list[re.Match[str]], order: DateOrder) -> bool:
    days, years = ([int(match[part]) for match in short] for part in (1 + (order == "month"), 3))
    apart = max(days) - min(days)
    return apart >= WIDE and apart > max(years) - min(years)


def _in_full(year: str) -> str:
    return f"{'19' if year >= str(EARLIEST.year % 100) else '20'}{year}" if len(year) == 2 else year


def _exists(year: int, month: int, day: int) -> bool:
    return 1 <= month <= 12 and year > 0 and 1 <= day <= monthrange(year, month)[1]


def inside(rule: Column, value: float) -> bool:
    """Return whether a number keeps to the column's limits."""
    above = rule.low is None or value >= rule.low
    return above and (rule.high is None or value <= rule.high)


def says_nothing(text: str) -> bool:
    """Return whether a cell is empty, or has a word or mark for it."""
    return not text.strip() or _key(text) in EMPTY_WORDS


def says_none(text: str) -> bool:
    """Return whether a cell says that there was none, of reactions for example: "keine", "-"."""
    return folded(_key(text)) in NONE


@lru_cache(maxsize=4096)  # each is asked for again and again
def normal_heading(heading: object) -> str:
    """Return a heading in the log's spelling.

    Examples
    --------
    >>> normal_heading("Area (cm²)"), normal_heading(" Course ID")
    ('area_cm2', 'course_id')
    """
    spelled = str(heading).strip().lower().replace("²", "2").replace("%", "pct")
    return re.sub(r"[\s\-./()_]+", "_", spelled).strip("_")


def in_fractions(percents: Iterable[float]) -> tuple[Note, ...]:
    """Return a warning where gradings look like fractions: some faded, and none beyond 1.

    Examples
    --------
    >>> [len(in_fractions(percents)) for percents in ([0, 0.3, 0.6], [0, 0], [0, 1, 12])]
    [1, 0, 0]
    """
    return (FRACTIONS,) if 0 < max(percents, default=0.0) <= 1 else ()


def folded(text: str) -> str:
    """Return a text in small letters and without accents: "Weiß" is "weiss", "grün" is "grun"."""
    spread = unicodedata.normalize("NFKD", text.casefold())
    return "".join(mark for mark in spread if not unicodedata.combining(mark))


OVERFLOW = "cells beyond the headings"
FRACTIONS = Note("log.graded_in_fractions", "serious")
RISKS = ("skin_type", "ink_density", "layering", "scarring")  # their levels go from less to more


def _key(text: str) -> str:
    return re.sub(r"[\s_-]+", "_", text.strip().lower()) if len(text.strip()) > 1 else text.lower()


def _level(rule: Column, text: str) -> Reading:
    if text in rule.levels:
        return Reading(text)
    key = _key(text)
    if rule.name == "skin_type":
        key = re.sub(r"^(fitzpatrick|fst|skin|hauttyp|fototipo|type?|_)+", "", key)
        key = key.removesuffix(".0")
    by_key = {level.lower(): level for level in rule.levels}
    if key in by_key:
        return Reading(by_key[key], (CASE,) if _key(text) == key else (SYNONYM,))
    if (key := folded(key)) in (known := by_key | SYNONYMS.get(rule.name, {})):
        return Reading(known[key], (SYNONYM,))
    raise UnreadableError(rule_of(rule))


def _flag(rule: Column, text: str) -> Reading:
    if text in rule.levels:
        return Reading(text)
    if (key := folded(_key(text))) in YES | NO:
        return Reading("yes" if key in YES else "no", (CASE if key in rule.levels else YES_NO,))
    raise UnreadableError(rule_of(rule))


def _parts(text: str) -> list[str]:
    return [part.strip() for part in re.split(SEPARATORS, text) if part.strip()]


def first_unknown(rule: Column, text: str) -> str:
    """Return the part of a cell that is no level of its column, or an empty text."""
    for part in _parts(text) if rule.kind == "set" else [text.strip()]:
        try:
            _level(rule, part)
        except UnreadableError:
            return part
    return ""


def meant(rule: Column, text: str) -> str:
    """Return a sentence with the level, or two, that a cell comes closest to, or an empty text."""
    from difflib import get_close_matches  # which what can be read does not need

    unknown = first_unknown(rule, text)
    if higher := higher_of_two(rule, unknown):
        return sentence("rules.higher", {"level": higher})
    key = folded(_key(unknown))
    known = {level.lower(): level for level in rule.levels} | SYNONYMS.get(rule.name, {})
    parts = [level for level in rule.levels if key in level] or [
        level for word, level in known.items() if word.endswith(key) or key in word.split("_")
    ]
    either = list(dict.fromkeys(parts)) if len(key) > 2 else []
    near = get_close_matches(key, known, n=1, cutoff=NEAR)
    close = either if len(either) > 1 else [known[word] for word in near]
    if len(close) == 1:
        return sentence("rules.perhaps", {"level": close[0]})
    return sentence("rules.perhaps_either", {"levels": close}) if close else ""


def higher_of_two(rule: Column, text: str) -> str:
    """Return the highest of the levels of a risk that a cell like III-IV names, "" if not two."""
    if rule.name not in RISKS:
        return ""
    try:
        found = {_level(rule, part).value for part in re.split(r"[-–/,;]|\b(?:to|bis|or)\b", text)}
    except UnreadableError:
        return ""
    return [level for level in rule.levels if level in found][-1] if len(found) > 1 else ""


def _set(rule: Column, text: str) -> Reading:
    read = [_level(rule, one) if rule.levels else _number(rule, one) for one in _parts(text)]
    found = {reading.value for reading in read}
    numbers = [] if rule.levels else sorted(float(str(value)) for value in found)
    if not read or not all(inside(rule, number) for number in numbers):
        raise UnreadableError(rule_of(rule))
    habits = {SEPARATOR} if re.search(SEPARATORS, text.replace(";", "")) else set()
    habits.update(habit for reading in read for habit in reading.habits)
    ordered = [level for level in rule.levels if level in found]
    ordered += [f"{number:.15g}" for number in numbers]
    return Reading(";".join(ordered), tuple(sorted(habits)))


def _number(rule: Column, text: str) -> Reading:
    if (sure := ROUGH.sub("", text)) != text and rule.unit in ("years", "cm2", "%"):
        reading = _number(rule, sure)
        return Reading(reading.value, (*reading.habits, ABOUT))
    bare = _without_unit(rule, text)
    habits = () if bare == text else (UNIT,)
    if rule.unit == "cm2" and (sides := TWO_SIDES.fullmatch(bare.removesuffix("cm").rstrip())):
        lengths = [float(str(_number(rule, side).value)) for side in sides.groups()]
        return Reading(prod(lengths), (*habits, SIDES))
    if DECIMAL_COMMA.fullmatch(bare):
        bare, habits = bare.replace(",", "."), (*habits, COMMA)
    elif THOUSANDS.fullmatch(bare):
        marks = (",", ".") if bare.rfind(".") > bare.rfind(",") else (".", ",")
        bare, habits = bare.replace(marks[0], "").replace(marks[1], "."), (*habits, GROUPED)
    value = _sure(rule, bare)
    if rule.kind != "integer":
        return Reading(value, habits)
    if value != int(value):
        raise UnreadableError(rule_of(rule))
    return Reading(int(value), (*habits, WHOLE) if "." in bare else habits)


def _sure(rule: Column, bare: str) -> float:
    if not PLAIN.fullmatch(bare) or not isfinite(float(bare)):
        raise UnreadableError(rule_of(rule))
    if DOUBTFUL.fullmatch(bare.lstrip("+-")) and inside(rule, 1000 * float(bare)):
        raise UnreadableError(sentence("rules.which_mark", {"number": rule_of(rule)}))
    return float(bare)


def _without_unit(rule: Column, text: str) -> str:
    bare = re.sub(r"^[€$£]\s*|\s*[€$£]$", "", text) if "currency" in rule.unit else text
    for unit in (rule.unit, rule.unit.replace("2", "²")):
        if unit and bare.lower().endswith(unit.lower()):
            return bare[: -len(unit)].rstrip()
    return bare


def iso_days(
    texts: npt.NDArray[np.object_], earliest: date = EARLIEST
) -> npt.NDArray[np.datetime64]:
    """Return the days of texts that are nothing but YYYY-MM-DD, from ``earliest`` on, NaT else."""
    import pandas as pd

    read = pd.to_datetime(pd.Index(texts, dtype=object), format="%Y-%m-%d", errors="coerce")
    days, low, high = read.to_numpy("datetime64[D]"), np.datetime64(earliest), np.datetime64(LATEST)
    plain = (days.astype(str) == texts) & (days >= low) & (days <= high)
    return np.where(plain, days, np.datetime64("NaT"))


def _any_date(text: str, order: DateOrder | None, stated: bool) -> Reading:
    bare = CLOCK.sub("", text)
    habits = (TIME,) if bare != text else ()
    if match := ISO.fullmatch(bare):
        return Reading(_day(*match.groups()), habits)
    if SERIAL_DATE.fullmatch(bare):
        return Reading(SERIAL_ZERO + timedelta(days=int(float(bare))), (SERIAL,))
    if match := YEAR_FIRST.fullmatch(bare):
        return Reading(_day(*[part for part in match.groups() if part]), (*habits, WRITTEN))
    pointed = "." in bare and order == "month" and not stated  # nobody writes so
    if match := YEAR_LAST.fullmatch(bare):
        return _year_last(match, order, habits, pointed)
    if match := YEAR_SHORT.fullmatch(bare):
        if not order or pointed:
            raise UnreadableError(sentence("rules.which_is_the_day"))
        day, month, year = match.groups() if order == "day" else match.group(2, 1, 3)
        return Reading(_day(_in_full(year), month, day), (*habits, SHORT_YEAR))
    return _month_name(bare, habits)


def _year_last(
    match: re.Match[str], order: DateOrder | None, habits: tuple[str, ...], pointed: bool
) -> Reading:
    first, second, year = match.groups()
    if first == second:
        return Reading(_day(year, first, second), (*habits, WRITTEN))
    certain: DateOrder | None = "day" if int(first) > 12 else "month" if int(second) > 12 else order
    if certain is None and "." in match[0]:  # nobody writes a month first with points
        return Reading(_day(year, second, first), (*habits, WRITTEN))
    if certain is None or (certain == order and pointed):
        raise UnreadableError(sentence("rules.which_is_the_day"))
    month, day = (second, first) if certain == "day" else (first, second)
    return Reading(_day(year, month, day), (*habits, f"{certain}_first"))


def _month_name(text: str, habits: tuple[str, ...]) -> Reading:
    parts = [part for part in re.split(r"(?:\bde\b|[\s,./-])+", folded(text)) if part]
    of = [next((n for n, of in enumerate(MONTHS, 1) if part.startswith(of)), 0) for part in parts]
    bare = [re.sub(r"(?<=\d)(st|nd|rd|th|er)$", "", part) for part in parts]
    numbers = [number for number, month in zip(bare, of, strict=True) if not month]
    if len(parts) == 3 and len(numbers) == 2 and all(number.isdigit() for number in numbers):
        # with its month between them the day comes before a year of two digits
        last = len(numbers[1]) == 4 or (of[1] > 0 and len(numbers[0]) < 3)
        day, year = numbers if last else numbers[::-1]
        if len(year) == 4 or (len(year) == 2 and last):
            habit = WRITTEN if len(year) == 4 else SHORT_YEAR
            return Reading(_day(_in_full(year), str(max(of)), day), (*habits, habit))
    raise UnreadableError(rule_of(ANY_DATE))


def _day(year: str, month: str, day: str) -> date:
    try:
        return date(int(year), int(month), int(day))
    except ValueError as error:
        raise UnreadableError(rule_of(ANY_DATE)) from error


class Ids(NamedTuple):
    """Ids as numbers, looked up far faster than texts: places in ``distinct``, -1 for none."""

    distinct: npt.NDArray[np.object_]
    codes: Codes


@dataclass(slots=True)
class ColumnReading:
    """A column as read; ``sound`` if each text was read and none is missing that must be there."""

    values: pd.Series[Any]
    broken: dict[Sentence, npt.NDArray[np.bool_]] = field(default_factory=dict)
    habits: list[Habit] = field(default_factory=list)
    ids: Ids | None = None
    sound: bool = False


def read_column(
    rule: Column,
    cells: pd.Series[Any],
    beside: Mapping[Any, pd.Series[Any]] = NOTHING,
    stated: DateOrder | None = None,
) -> ColumnReading:
    """Return the meanings of a column's cells; limits and presence are checked elsewhere.

    Text is read as a person wrote it; columns that are numbers or dates already stay as they are.
    Where a column does not show its decimal mark, those ``beside`` it may. The order of dates is
    that ``stated``, else the one that they prove.
    """
    import pandas as pd

    if rule.kind == "date" and pd.api.types.is_datetime64_any_dtype(cells):
        days = cells if cells.dt.tz is None else cells.dt.tz_localize(None)
        beyond = (days < pd.Timestamp(EARLIEST)) | (days >= pd.Timestamp(LATEST) + DAY)
        # the year 9999 of databases has no place among nanoseconds
        days = days.mask(beyond).dt.normalize().astype("datetime64[ns]", copy=False)
        return ColumnReading(days, {rule_of(rule): beyond.to_numpy(bool)})
    no_gaps = isinstance(cells.dtype, np.dtype) and cells.dtype.kind == "i"
    if rule.kind == "integer" and not rule.may_be_blank and no_gaps:
        return ColumnReading(cells if cells.dtype == np.int64 else cells.astype(np.int64))
    if rule.kind in ("integer", "number") and pd.api.types.is_any_real_numeric_dtype(cells):
        numbers = cells.astype(np.float64)
        unusable = np.isinf(numbers.to_numpy())
        if rule.kind == "integer" and cells.dtype.kind == "f":
            unusable |= numbers.notna().to_numpy() & (numbers != np.floor(numbers)).to_numpy()
        if not unusable.any():
            return ColumnReading(numbers)
        return ColumnReading(numbers.mask(unusable), {rule_of(rule): unusable})
    return _read_texts(rule, cells, beside, stated)


def as_text(value: object) -> str | None:
    """Return a cell of any type as the text that a person would have written, None if empty."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, set | frozenset | list | tuple | np.ndarray):
        return ";".join(sorted(str(part) for part in value))
    if type(value).__name__ == "NAType" or value != value:  # pandas' NA, NaN and NaT
        return None
    if isinstance(value, float | np.floating | Decimal):
        return unmistakable(f"{float(value):.15g}")
    if isinstance(value, date):
        return value.isoformat().removesuffix("T00:00:00")
    return str(value)


def unmistakable(text: str, mark: str = ".") -> str:
    """Return a text whose numbers show what their mark is: "1.200" as "1.2000" or "1.200,0"."""
    return DOUBTFUL.sub(rf"\g<0>{',0' if mark == ',' else '0'}", text)


# The decimal marks that the numbers of a column show; 34.000 is no age but with a point.
def _marks(rule: Column, texts: Iterable[str]) -> set[str]:
    together = "\n".join(texts)
    found = {mark for mark, sure in SURE.items() if sure.search(together)}
    beyond = (not inside(rule, 1000 * float(one[0])) for one in DOUBTFUL.finditer(together))
    return found | {"."} if any(beyond) else found


def by_their_marks(
    rule: Column, texts: Collection[str], beside: Iterable[tuple[Column, Iterable[str]]]
) -> Collection[str]:
    """Return a column's texts, each mark made unmistakable that they or those ``beside`` settle.

    Examples
    --------
    >>> by_their_marks(Column("area_cm2", "number"), ["1.200", "12,5"], [])
    ['1.200,0', '12,5']
    """
    if rule.kind not in ("integer", "number") or not DOUBTFUL.search("\n".join(texts)):
        return texts
    marks = _marks(rule, texts) or set().union(*(_marks(*one) for one in beside))
    return [unmistakable(text, *marks) for text in texts] if len(marks) == 1 else texts


def _read_texts(
    rule: Column,
    cells: pd.Series[Any],
    beside: Mapping[Column, pd.Series[Any]],
    stated: DateOrder | None,
) -> ColumnReading:
    import pandas as pd

    codes, written = distinct_texts(cells)
    others = (
        (of, distinct_texts(one)[1]) for of, one in beside.items() if one.dtype.kind not in "iuf"
    )
    texts: npt.NDArray[np.object_] = np.asarray(by_their_marks(rule, written, others), object)
    meanings, unclear = _at_face_value(rule, texts)
    order = stated or date_order(texts) if rule.kind == "date" and unclear else None
    broken: dict[Sentence, list[int]] = {}
    having: dict[str, list[int]] = {}
    for i in unclear:
        try:
            meaning, needed = read_cell(rule, texts[i], order=order, stated=stated is not None)
        except UnreadableError as error:
            broken.setdefault(error.args[0], []).append(i)
            continue
        meanings[i] = meaning
        for habit in needed:
            having.setdefault(habit, []).append(i)
    habits: list[Habit] = []
    for habit in sorted(having):
        rows = np.flatnonzero(np.isin(codes, having[habit]))
        first = codes[rows[0]]
        read_as = as_text(meanings[first]) or sentence("spellings.not_recorded")
        if meanings.dtype.kind == "M" and not np.isnat(meanings[first]):
            read_as = sentence("spellings.day", {"day": read_as})
        elif meanings.dtype.kind == "f" and not np.isnan(meanings[first]):
            read_as = sentence("spellings.number", {"number": float(meanings[first])})
        row = int(cells.index[rows[0]])
        habits.append((habit, len(rows), row, str(written[first]), read_as))
    ids = Ids(meanings, codes) if rule.kind == "id" else None
    if ids and unclear:  # two texts may mean one id
        place, distinct = pd.factorize(meanings)
        ids = Ids(np.asarray(distinct, dtype=object), np.append(place, -1)[codes])
    nothing: Any = {"M": np.datetime64("NaT"), "f": np.nan}.get(meanings.dtype.kind)
    spread = np.append(meanings, [nothing])[codes]  # the code of an empty cell, -1, takes the last
    spread = spread.astype("datetime64[ns]") if rule.kind == "date" else spread
    empty = bool(pd.isna(meanings[unclear]).any() or (codes < 0).any())
    return ColumnReading(
        # without a type given, pandas would look at every text for a date
        pd.Series(spread, cells.index, dtype=spread.dtype, name=rule.name),
        {text: np.isin(codes, bad) for text, bad in broken.items()},
        habits,
        ids,
        rule.kind not in ("integer", "number") and not broken and not (rule.required and empty),
    )


def distinct_texts(cells: pd.Series[Any]) -> tuple[Codes, npt.NDArray[np.object_]]:
    """Return the place of each cell's text among the distinct texts, -1 if empty, and those."""
    import pandas as pd

    if isinstance(cells.dtype, pd.CategoricalDtype):
        held = np.asarray(cells.cat.categories, dtype=object)
        codes: Codes = np.asarray(cells.cat.codes)
        if pd.api.types.infer_dtype(held, skipna=True) in ("string", "empty"):
            used = np.zeros(len(held) + 1, dtype=bool)  # the last is for -1, which is none
            used[codes] = True
            if used[:-1].all():
                return codes, held
            place = np.append(np.cumsum(used[:-1]) - 1, -1)
            return place[codes], held[used[:-1]]
    texts = cells.to_numpy(dtype=object)
    if pd.api.types.infer_dtype(texts, skipna=True) not in ("string", "empty"):
        texts = np.array([*map(as_text, texts), None], dtype=object)[:-1]
    places, found = pd.factorize(texts)
    return places, np.asarray(found, dtype=object)


def coded_texts(column: Any) -> pd.Categorical:
    """Return an Arrow column of texts, dictionary-encoded, with each text held once."""
    import pandas as pd

    whole = column.unify_dictionaries().combine_chunks()
    texts = whole.dictionary.to_numpy(zero_copy_only=False)
    return pd.Categorical.from_codes(whole.indices.fill_null(-1).to_numpy(), texts)


def _at_face_value(
    rule: Column, texts: npt.NDArray[np.object_]
) -> tuple[npt.NDArray[Any], list[int]]:
    """Return the meanings that need no second look, and the positions of the rest."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    if rule.kind in ("integer", "number"):
        numbers: Any = pd.to_numeric(texts, errors="coerce")
        meanings: npt.NDArray[Any] = np.array(numbers, dtype=np.float64)
        clear = np.isfinite(meanings)
        if rule.kind == "integer":
            clear &= meanings == np.floor(meanings)
        doubtful = pc.match_substring_regex(pa.array(texts, pa.string()), DOUBTFUL_TEXT)
        clear &= ~doubtful.to_numpy(zero_copy_only=False)
        meanings[~clear] = np.nan
        meanings[clear] = texts[clear].astype(np.float64)  # to the last bit, which pandas misses
    elif rule.kind in ("id", "text"):
        meanings = texts.copy()
        plain = pc.match_substring_regex(pa.array(texts, pa.string()), PLAIN_TEXT)
        clear = plain.to_numpy(zero_copy_only=False)
        meanings[~clear] = None
    elif rule.kind == "date":
        meanings = iso_days(texts)
        clear = ~np.isnat(meanings)
    else:
        return np.full(len(texts), None, dtype=object), [*range(len(texts))]
    return meanings, np.flatnonzero(~clear).tolist()
