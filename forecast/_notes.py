"""A remark or a doubt as data; its words are in ``languages/``, one file per language."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from numbers import Number
from pathlib import Path
from string import Formatter
from typing import Any, Literal

from forecast._shipped import shipped

LANGUAGES = Path(__file__).parent / "languages"
Severity = Literal["info", "caution", "serious"]
NOTHING: Mapping[str, Any] = {}
# Standard errors in "give or take", "±" and their bars, wherever people read of them: 95 % sure.
GIVE_OR_TAKE = 1.96
NUMBERS = (int, float, Number)  # the first two, which most are, are told at once


@dataclass(frozen=True, slots=True)
class Note:
    """One remark on a result, from where it arises to where it is read.

    Examples
    --------
    >>> str(Note("fit.few_events", "caution", {"events": 3, "covariates": 1}))
    '3 events for 1 covariate: effects are uncertain.'
    """

    code: str  # the key of its sentence in the language files, dotted
    severity: Severity = "info"  # what to bear in mind (caution), or why not to rely on the result
    # What fills the holes of the sentence: numbers, terms, lists of them, or notes.
    values: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.say("en")

    def __hash__(self) -> int:
        return hash((self.code, str(self)))

    def say(self, language: str) -> str:
        """Return the sentence in a language."""
        return filler(language).sentence(self)

    def to_dict(self) -> dict[str, Any]:
        """Return the note as plain values; a note among its values likewise."""
        values = {name: _plain(value) for name, value in self.values.items()}
        return {"code": self.code, "severity": self.severity, "values": values}

    @classmethod
    def from_dict(cls, stored: Mapping[str, Any]) -> Note:
        """Return the note that :meth:`to_dict` gave."""
        values = {name: _note_or_value(value) for name, value in stored["values"].items()}
        return cls(stored["code"], stored["severity"], values)


class Sentence(str):
    """The English sentence of a note, which knows the note: a text that can be said otherwise too.

    Examples
    --------
    >>> sentence("log.cleared_at_stated", {"cleared_at": 95.0}).say("de")
    'Eine Beurteilung von 95 % gilt als entfernt, wie die Daten selbst sagen (cleared_at).'
    """

    note: Note

    def __new__(cls, note: Note) -> Sentence:
        made = super().__new__(cls, note)
        made.note = note
        return made

    def __getnewargs__(self) -> tuple[Note]:  # type: ignore[override]
        return (self.note,)

    def say(self, language: str) -> str:
        """Return the sentence in a language."""
        return self.note.say(language)


def sentence(code: str, values: Mapping[str, Any] = NOTHING) -> Sentence:
    """Return the English sentence of a code, with its values."""
    return Sentence(Note(code, values=values))


def problem_and_remedy(code: str, values: Mapping[str, Any] = NOTHING) -> tuple[Sentence, Sentence]:
    """Return the two sentences of a fault: that of its code, and that of ``code_do``."""
    return sentence(code, values), sentence(f"{code}_do", values)


WHY = {FileNotFoundError: "not_there", PermissionError: "not_allowed", IsADirectoryError: "folder"}


def why(error: OSError) -> str:
    """Return why a file could not be used."""
    code = WHY.get(type(error))
    return sentence(f"refused.why_{code}") if code else error.strerror or str(error)


def in_language(text: str, language: str, *, typed: bool = False) -> str:
    """Return a text in a language, or as it is where it knows no other.

    With ``typed``, arguments are written as the options of a command.
    """
    return filler(language, typed).sentence(text.note) if isinstance(text, Sentence) else text


def text_of(lines: Iterable[str], language: str, *, typed: bool = False) -> str:
    """Return lines, each `in_language`, as one text."""
    return "\n".join(in_language(line, language, typed=typed) for line in lines)


class Row(str):
    """A line of a table, with the cells that stand in it."""

    cells: Sequence[str] = ()


def aligned(
    rows: Iterable[Sequence[str]], language: str, *, to_the_right: bool = False
) -> list[str]:
    """Return rows of texts, the first their heads, as lines whose columns stand below each other.

    The first column stands to the left, the others do too or ``to_the_right``.
    """
    said = [[in_language(cell, language) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*said, strict=True)]
    lines: list[str] = []
    for row in said:
        cells = enumerate(zip(row, widths, strict=True))
        padded = (
            cell.rjust(width) if at and to_the_right else cell.ljust(width)
            for at, (cell, width) in cells
        )
        line = Row("  ".join(padded).rstrip())
        line.cells = row
        lines.append(line)
    return lines


def bullets(notes: Iterable[object]) -> list[Sentence]:
    """Return one line per note."""
    return [sentence("text.bullet", {"note": note}) for note in notes]


def is_bullet(line: str) -> bool:
    """Return whether a line is one of `bullets`."""
    return isinstance(line, Sentence) and line.note.code == "text.bullet"


def notes_as_json(notes: Iterable[Note], name: str = "note") -> dict[str, Any]:
    """Return a result's notes as sentences, and beside them their codes and values."""
    given = tuple(notes)
    return {
        f"{name}s": [str(note) for note in given],
        f"{name}_codes": [note.to_dict() for note in given],
    }


@cache
def languages() -> tuple[str, ...]:
    """Return the codes of the languages that are shipped.

    Examples
    --------
    >>> languages()
    ('de', 'en')
    """
    return tuple(sorted(path.stem for path in LANGUAGES.glob("*.toml")))


@cache
def texts_of(language: str) -> Mapping[str, Any]:
    """Return everything in a language's file, nested as it is written there."""
    return dict(shipped(LANGUAGES / f"{language}.toml"))


class Filler:
    """Fills the holes of a sentence: ``{n:.2f}`` as in Python, ``{n:course}`` as a counted noun,
    ``{share:percent}`` as parts of 100, ``{day:date}`` as a date (of which people may read the
    month alone), ``{day:day}`` as a date to the day, ``{day:month}`` as a month without its year,
    ``{n:under .1f}`` as less than 0.1 where one decimal reads 0, ``{names:; }`` joined so,
    ``{share:capital}`` with a capital where it begins a sentence, ``{names:name}`` or
    ``{names:name or }`` as they are written, in every language, and ``{goal:argument}`` as
    Python has it or as it is ``typed`` after a command.

    Counted nouns are in the language's table ``counted``, each as one of it and as more.
    Texts and lists of them are looked up in its table ``terms`` and stand as they are if absent.
    """

    def __init__(self, language: str, typed: bool = False) -> None:
        texts = texts_of(language)
        self.language, self.typed = language, typed
        self.notes, self.terms = texts["notes"], texts.get("terms", {})
        self.counted = texts.get("counted", {})
        self.written_day, self.marks = texts["day"], str.maketrans(",.", texts["marks"])
        self.months = texts["months"]
        self.named: dict[str, Callable[[str], str]] = {"date": self.day, "day": self.exact_day}
        self.named |= {"month": self.month, "label": self.label}

    def has(self, code: str) -> bool:
        """Say whether the language has a sentence for a code."""
        room, _, name = code.partition(".")
        return name in self.notes.get(room, {})

    def sentence(self, note: Note) -> str:
        """Return a note in words; raises KeyError where the language has none for its code."""
        room, _, name = note.code.partition(".")
        return self.fill(self.notes[room][name], note.values)

    def fill(self, text: str, values: Mapping[str, Any]) -> str:
        """Return a text with its holes filled; raises KeyError where a value is missing."""
        said = []
        for before, hole, spec, as_repr in _holes(text):
            said.append(before)
            if hole is not None:
                value = repr(values[hole]) if as_repr else values[hole]
                spec = spec.format_map(values) if "{" in spec else spec
                if spec == "argument":
                    said.append(f"--{hole} {value}" if self.typed else f"{hole}={value!r}")
                else:
                    said.append(self.format_field(value, spec))
        return "".join(said)

    def day(self, iso: str) -> str:
        """Return the month of a date, written ``{day:date}``."""
        return f"{self.month(iso)} {iso[:4]}"

    def month(self, iso: str) -> str:
        """Return the month of a date without its year, written ``{day:month}``."""
        return str(self.months[date.fromisoformat(iso).month - 1])

    def number(self, value: float) -> str:
        """Return a number that stands before a counted noun."""
        return f"{value:,.10g}".translate(self.marks)

    def label(self, field: str) -> str:
        """Return how the page's daybook names a field, written ``{field:label}``."""
        return str(texts_of(self.language)["book"].get(field, field))

    def exact_day(self, iso: str) -> str:
        """Return a date, written ``{day:day}``, as people read it, to the day."""
        return str(self.written_day.format(day=date.fromisoformat(iso)))

    def format_field(self, value: Any, format_spec: str) -> str:
        """Return a value as the part of its hole after the colon asks."""
        if format_spec in self.counted:
            one, other = self.counted[format_spec]
            said = self.sentence(value) if isinstance(value, Note) else self.number(value)
            return f"{said} {one if value == 1 else other}"
        if hasattr(value, "to_text"):  # a caution, or a result within a line
            return str(value.to_text(language=self.language))
        if isinstance(value, Note | Sentence):
            said = self.sentence(value.note if isinstance(value, Sentence) else value)
            return said[0].upper() + said[1:] if format_spec == "capital" else said
        if format_spec == "percent":
            return f"{100 * value:.0f} %"
        if format_spec in self.named:
            return self.named[format_spec](str(value))
        if isinstance(value, Mapping):  # of a text in each language
            return str(value.get(self.language, ""))
        if isinstance(value, Sequence):
            return self._words(value, format_spec)
        return self._single(value, format_spec)

    def _single(self, value: Any, spec: str) -> str:
        if spec.startswith("name") or not isinstance(value, NUMBERS):
            return str(value)  # a file may have anything in the place of a word
        if spec and re.search(r"\d{3}", spec):  # which a damaged file may ask for
            raise ValueError(f"{spec!r} asks for more digits than anybody reads.")
        said = format(value, spec.removeprefix("under "))
        if spec.startswith("under ") and value and "." in said and not float(said):
            least = f"{said[:-1]}1".translate(self.marks)  # 0.1 in the place of 0.0
            return self.fill(self.notes["text"]["under"], {"least": least})
        if "e+" in said:  # as no person writes a number
            said = f"{float(said):,.0f}"
        return said.translate(self.marks)

    def _words(self, value: Sequence[Any], spec: str) -> str:
        as_written = spec.startswith("name")
        if isinstance(value, str):
            return value if as_written else str(self.terms.get(value, value))
        joint = spec.removeprefix("name") or ", "
        return joint.join(self.format_field(one, "name" * as_written) for one in value)


# the text before each hole, its name, what it asks for, whether for the value as it is typed;
# taken apart once, as the same few sentences are said again and again
@cache
def _holes(text: str) -> tuple[tuple[str, str | None, str, bool], ...]:
    parts = Formatter().parse(text)
    return tuple((before, hole, spec or "", mark == "r") for before, hole, spec, mark in parts)


filler = cache(Filler)  # made once


def _plain(value: Any) -> Any:
    if isinstance(value, Note | Sentence):
        return (value.note if isinstance(value, Sentence) else value).to_dict()
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(one) for one in value]
    return value


def _note_or_value(value: Any) -> Any:
    if isinstance(value, Mapping) and "code" in value:
        return Note.from_dict(value)
    return tuple(_note_or_value(one) for one in value) if isinstance(value, list) else value
