"""What people read, in their language: texts, numbers, dates and money, one file per language."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from forecast._checks import nearest
from forecast._notes import NOTHING, Filler, Note, languages, problem_and_remedy, texts_of
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.tattoo import Caution


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """The ``texts`` of the language ``code``, nested as in its file.

    ``marks`` lead from the marks in English numbers to those of the language.
    """

    code: str
    texts: Mapping[str, Any]
    marks: Mapping[int, int]

    def say(self, key: str, values: Mapping[str, Any] = NOTHING) -> str:
        """Return the text of a dotted key with its holes filled.

        A text of two forms takes the one for ``values["n"]``, one or another number.
        """
        found = _at(self, key)
        if found is None:
            raise KeyError(key)
        if not isinstance(found, str):
            n = values["n"]
            found = str(found["one" if isinstance(n, int) and n == 1 else "other"])
        return found.format_map(values) if values else found

    def has(self, key: str) -> bool:
        """Say whether there is a text of that key."""
        return _at(self, key) is not None

    def level(self, field: str, level: str) -> str:
        """Return a level of an attribute in plain words; inks joined by ``;`` as a list."""
        return ", ".join(
            self.say(f"levels.{field}.{part}") if self.has(f"levels.{field}.{part}") else part
            for part in level.split(";")
        )

    def field(self, name: str) -> str:
        """Return the name of an entry: of the form's, or of a column of the clinic's own."""
        key = f"form.{name}_term"
        return self.say(key) if self.has(key) else name.removeprefix("extra.").replace("_", " ")

    def number(self, value: float, *, signed: bool = False) -> str:
        """Return a number with at most two decimals."""
        shown = round(value, 1 if signed else 2) + 0.0  # no minus before a zero
        bare = f"{shown:,.2f}".rstrip("0").rstrip(".")
        return (_minus(f"{shown:+,.1f}") if signed else bare).translate(self.marks)

    def whole(self, value: float) -> str:
        """Return a whole number with its sign."""
        return _minus(f"{round(value):+,}").translate(self.marks)

    def span(self, low: str, high: str) -> str:
        """Return a range in words; one word where both ends read the same."""
        return low if low == high else self.say("answer.span", {"low": low, "high": high})

    def day(self, value: date) -> str:
        """Return a date, its month in full."""
        values = {"day": value, "month": self.texts["months"][value.month - 1]}
        return str(self.texts["day_in_full"]).format_map(values)

    def month(self, value: date) -> str:
        """Return the month of a date."""
        return f"{self.texts['months'][value.month - 1]} {value.year}"

    def value(self, value: object) -> object:
        """Return a note, a number or a date in words, all else as it is."""
        if isinstance(value, Note):
            return self.note(value)[0]
        if isinstance(value, date):
            return self.day(value)
        return self.number(value) if isinstance(value, int | float) else value

    def money(self, amount: Decimal, currency: str) -> str:
        """Return an amount of money, to the cent."""
        return _paid(self, amount, currency)

    def of_100(self, share: float) -> str:
        """Return how many of 100, never none and never all."""
        count = round(100 * share)
        if count <= 0:
            return self.say("answer.fewer_than_1")
        return self.say("answer.more_than_99") if count >= 100 else str(count)

    def caution(self, caution: Caution) -> tuple[str, bool]:
        """Return a caution's text, and whether it is in this language."""
        return self.note(caution.note)

    def note(self, note: Note) -> tuple[str, bool]:
        """Return a note of the package, and whether it is in this language."""
        try:
            return _filled(self).sentence(note), True
        except KeyError:  # not translated
            return str(note), False


@lru_cache(maxsize=4096)  # the same few texts and numbers fill most of a page
def _at(words: Words, key: str) -> Any:
    found: Any = words.texts
    for part in key.split("."):
        found = found.get(part) if isinstance(found, Mapping) else None
    return found


@lru_cache(maxsize=4096)
def _paid(words: Words, amount: Decimal, currency: str) -> str:
    from babel.numbers import format_currency  # takes as long to load as half an estimate

    return str(format_currency(amount, currency, locale=words.texts["locale"]))


def _minus(number: str) -> str:
    return number.replace("-", "−")


class _Filled(Filler):
    """Fills the holes of a note as the page writes things: a date by its month."""

    def __init__(self, words: Words) -> None:
        super().__init__(words.code)
        self.words = words

    def day(self, iso: str) -> str:
        try:
            return self.words.month(date.fromisoformat(iso))
        except ValueError:
            return iso

    def exact_day(self, iso: str) -> str:
        return self.words.day(date.fromisoformat(iso))


_filled = cache(_Filled)


@cache
def load_words(language: str) -> Words:
    """Return the texts of a language, or raise RequestError when there are none.

    Examples
    --------
    >>> load_words("en").say("levels.inks.dark_blue")
    'dark blue'
    """
    if language not in languages():
        values = {"language": language, "known": languages()}
        values["hint"] = nearest(language, languages())
        raise RequestError(*problem_and_remedy("refused.no_language", values))
    texts = texts_of(language)
    return Words(language, texts, str.maketrans(",.", texts["marks"]))
