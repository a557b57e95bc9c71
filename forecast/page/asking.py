"""What the page sends, read with care: every field has its own answer when it cannot be used."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date
from typing import Any

from forecast.errors import RequestError
from forecast.log import Column, Enquiry, checked, column
from forecast.page.words import Words
from forecast.tattoo import FACTS

REQUIRED = ("inks", "ink_density", "layering", "body_site", "skin_type")
ENQUIRY_FIELDS = tuple(one.name for one in fields(Enquiry))
COURSE_FIELDS = ("sessions_done", "gradings", "spacing_weeks", "start")
KNOWN = frozenset((*ENQUIRY_FIELDS, *COURSE_FIELDS, "goal", "facts", "questions", "n"))
LONGEST_TEXT = 200
MOST_GRADINGS = 50
MOST_DONE = 99
SPACING = (1.0, 104.0)
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
Wrong = tuple[str, Mapping[str, float | str]]


@dataclass(frozen=True, slots=True)
class Asked:
    """What the reader wants to know.

    Attributes
    ----------
    enquiry : Enquiry
        The tattoo and its client.
    goal : str
        ``clear`` or ``lighten``.
    sessions_done : int
        Sessions had here; above 0 the course is under way.
    gradings : tuple of (after_session, percent)
        Percent faded so far.
    facts : frozenset of str
        Keys of ``FACTS`` answered with yes.
    questions_asked : bool
        Whether all questions of ``FACTS`` were asked; what is not among ``facts`` is then a no.
    spacing_weeks : float
        Between sessions.
    start : date or None
        Of the first session, or of the next one when the course is under way; None is today.
    n : int or None
        The session that the picture shows; None is the median.
    """

    enquiry: Enquiry
    goal: str = "clear"
    sessions_done: int = 0
    gradings: tuple[tuple[int, float], ...] = ()
    facts: frozenset[str] = frozenset()
    questions_asked: bool = False
    spacing_weeks: float = 8.0
    start: date | None = None
    n: int | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """A request as far as it could be read.

    Attributes
    ----------
    asked : Asked or None
        None while something is missing or wrong.
    missing : tuple of str
        Required fields that are still empty.
    wrong : mapping of field to (text key, values)
        What is wrong with a field, as a text of the languages; ``""`` is the whole request.
    """

    asked: Asked | None
    missing: tuple[str, ...] = ()
    wrong: Mapping[str, Wrong] = field(default_factory=dict)

    def told(self, words: Words) -> tuple[str, dict[str, str]]:
        """Return what to say of the whole request, and of each field that is wrong."""
        wrong = {name: words.say(f"wrong.{key}", of) for name, (key, of) in self.wrong.items()}
        message = wrong.pop("", "")
        if self.missing:
            named = ", ".join(words.say(f"form.{name}_term") for name in self.missing)
            message = words.say("page.missing", {"fields": named})
        return message, wrong


def read_asked(sent: object, *, spacing_weeks: float = 8.0) -> Reading:
    """Return what a page's request asks, or what is missing or wrong in it; never raises.

    Parameters
    ----------
    sent : object
        Decoded JSON: field names to texts, ``inks`` and ``facts`` to lists of texts, ``gradings``
        to a list of pairs of texts.
    spacing_weeks : float
        Used when the request gives none.
    """
    if not isinstance(sent, dict) or not KNOWN.issuperset(sent):
        return Reading(None, wrong={"": ("request", {})})
    found: dict[str, Any] = {}
    wrong: dict[str, Wrong] = {}
    for name in ENQUIRY_FIELDS:
        _read_field(name, sent.get(name), found, wrong)
    extras: dict[str, Any] = {"goal": "clear", "spacing_weeks": spacing_weeks}
    _read_choices(sent, extras, wrong)
    _read_course(sent, extras, wrong)
    _read_dates(sent, extras, wrong)
    missing = tuple(name for name in REQUIRED if name not in found and name not in wrong)
    if missing or wrong:
        return Reading(None, missing, wrong)
    return Reading(Asked(Enquiry(**found), **extras))


def _text_of(value: object) -> str | None:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        return None
    text = str(value).strip() if not isinstance(value, int) or abs(value) < 1e15 else "…"
    return text if len(text) <= LONGEST_TEXT else None


def _read_field(name: str, value: object, found: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    rule = column("courses", name)
    if value is None or value == "" or value == []:
        return
    if name == "inks" and isinstance(value, list):
        parts = [_text_of(part) for part in value[: 2 * len(rule.levels)]]
        text = None if None in parts else ";".join(str(part) for part in parts)
    else:
        text = _text_of(value)
    try:
        if text is None:
            raise RequestError("Not a text.", "")
        read = checked(rule, text)
    except RequestError:
        wrong[name] = _complaint(rule)
        return
    if read is not None:
        found[name] = read


def _complaint(rule: Column) -> Wrong:
    if rule.kind in ("number", "integer"):
        key = "whole" if rule.kind == "integer" else "number"
        return key, {"low": rule.low or 0, "high": rule.high or 0}
    return "choice", {}


def _read_choices(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    goal = sent.get("goal") or "clear"
    if goal in ("clear", "lighten"):
        extras["goal"] = goal
    else:
        wrong["goal"] = ("choice", {})
    facts = sent.get("facts") or []
    if isinstance(facts, list) and all(isinstance(one, str) and one in FACTS for one in facts):
        extras["facts"] = frozenset(facts)
    else:
        wrong["facts"] = ("choice", {})
    extras["questions_asked"] = sent.get("questions") == "asked"


def _read_course(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    done = _read_number(sent.get("sessions_done"), 0, MOST_DONE, whole=True)
    if done is None:
        wrong["sessions_done"] = ("whole", {"low": 0, "high": MOST_DONE})
        return
    extras["sessions_done"] = int(done)
    rows = sent.get("gradings") or []
    if not isinstance(rows, list) or len(rows) > MOST_GRADINGS:
        wrong["gradings"] = ("grading", {"high": done})
        return
    gradings = []
    for row in rows:
        pair = row if isinstance(row, list) and len(row) == 2 else [None, None]
        if pair == ["", ""]:
            continue
        after = _read_number(pair[0], 0, done, whole=True, default=None)
        percent = _read_number(pair[1], 0, 100, default=None)
        if after is None or percent is None:
            key = "grading" if done else "grading_first"
            wrong["gradings"] = (key, {"high": int(done)})
            return
        gradings.append((int(after), percent))
    extras["gradings"] = tuple(gradings)


def _read_dates(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    low, high = SPACING
    spacing = _read_number(sent.get("spacing_weeks"), low, high, default=extras["spacing_weeks"])
    if spacing is None:
        wrong["spacing_weeks"] = ("number", {"low": low, "high": high})
    extras["spacing_weeks"] = spacing
    start = sent.get("start") or None
    try:
        extras["start"] = start and read_day(start, name="start")
    except RequestError:
        limits = {"low": FIRST_DAY.isoformat(), "high": LAST_DAY.isoformat()}
        wrong["start"] = ("date", limits)
    shown = _read_number(sent.get("n"), 0, 1000, whole=True)
    extras["n"] = int(shown) if shown else None


def read_day(text: object, *, name: str) -> date:
    """Return a day written as YYYY-MM-DD, or raise RequestError; ``name`` is what it is called."""
    try:
        day = date.fromisoformat(text)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        day = date.min
    if not FIRST_DAY <= day <= LAST_DAY:
        raise RequestError(
            f"{name} is {text!r}.", f"Give a date as YYYY-MM-DD, from {FIRST_DAY} to {LAST_DAY}."
        )
    return day


def _read_number(
    value: object, low: float, high: float, *, whole: bool = False, default: float | None = 0
) -> float | None:
    if value is None or value == "":
        return default
    rule = Column("", "integer" if whole else "number", low=low, high=high)
    text = _text_of(value)
    try:
        read = None if text is None else checked(rule, text)
    except RequestError:
        return None
    return read if isinstance(read, int | float) else None
