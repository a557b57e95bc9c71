"""What the page asks and is sent, read with care, and the clinic's own file behind it."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from forecast import daybook as books  # loaded where there is one
from forecast._checks import check_keys
from forecast._files import read_toml
from forecast._notes import languages, problem_and_remedy
from forecast.counts import GOALS, ExtraColumn
from forecast.errors import DataError, ForecastError, RequestError
from forecast.forecaster import Forecaster, load_forecaster
from forecast.log import ATTRIBUTES, REQUIRED, Column, Enquiry, Extra, checked, column
from forecast.midcourse import doubtful_gradings
from forecast.page.words import Words
from forecast.prices import Tariff, read_tariff
from forecast.tattoo import FACTS

# as the form asks for them
FORM = tuple(dict.fromkeys(("inks", "ink_density", "layering", "body_site", *REQUIRED)))
SPARED = frozenset((*ATTRIBUTES, "spacing_weeks", "start")) - frozenset(REQUIRED)
KNOWN = SPARED | {*REQUIRED, "sessions_done", "gradings", "course", "promise"}
KNOWN |= {"goal", "facts", "questions", "as_graded", "n"}
ASKED_BACK = "grading_asked"  # what may be right: ticked, it is taken as it is
LONGEST_TEXT = 200
MOST_GRADINGS = 50
MOST_DONE = 99
SPACING = (1, 104)
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
Wrong = tuple[str, Mapping[str, Any]]
CHOICE: Wrong = ("choice", {})


@dataclass(frozen=True, slots=True)
class Asked:
    """What the reader wants to know of a tattoo and its client.

    Attributes
    ----------
    enquiry : Enquiry
    goal : str
        ``clear`` or ``lighten``.
    sessions_done : int
        Had here; above 0 the course is under way.
    gradings : tuple of (after_session, percent faded)
    facts : frozenset of str
        Keys of ``FACTS`` answered with yes; where all ``questions_asked`` were, others are a no.
    spacing_weeks : float
        Between two sessions.
    start : date or None
        Of the first session, or the next one of a course under way; None is today.
    n : int or None
        The session that the picture shows; None is the interval's upper end.
    course, promise : str, int
        In the daybook, and the number under which this estimate was kept; empty and 0 if nowhere.
    last : date or None
        Of the last session, where the daybook has the course.

    Examples
    --------
    >>> Asked(enquiry, sessions_done=2, gradings=((2, 30.0),)).spacing_weeks
    8.0
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
    course: str = ""
    promise: int = 0
    last: date | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """A request as far as it could be read.

    ``asked`` is None while something that is needed is ``missing`` or wrong; what is ``wrong`` with
    the rest is left out of it. That is a text's key and its values by field, ``""`` being the whole
    request.
    """

    asked: Asked | None
    missing: tuple[str, ...] = ()
    wrong: Mapping[str, Wrong] = field(default_factory=dict)

    @property
    def asked_back(self) -> list[str]:
        """The fields whose values may be right all the same, and are asked about."""
        return [name for name, (key, _) in self.wrong.items() if key == ASKED_BACK]

    def told(self, words: Words) -> tuple[str, dict[str, str]]:
        """Return what to say of the whole request, and of each field that is wrong."""
        wrong = {}
        for name, (key, of) in self.wrong.items():
            wrong[name] = words.say(f"wrong.{key}", {k: words.value(v) for k, v in of.items()})
        message = wrong.pop("", "")
        for key, names in (("without", wrong if self.asked else ()), ("missing", self.missing)):
            if names:
                dated = ("spacing_weeks", "start")
                named = (words.say(f"form.{x}") if x in dated else words.field(x) for x in names)
                message = words.say(f"page.{key}", {"fields": ", ".join(named)})
        return message, wrong


def read_asked(
    sent: object, *, spacing_weeks: float = 8.0, extra: Sequence[ExtraColumn] = ()
) -> Reading:
    """Return what a page's request asks, or what is missing or wrong in it; never raises.

    ``sent`` is decoded JSON: field names to texts, ``inks`` and ``facts`` to lists of texts,
    ``gradings`` to a list of pairs of texts. ``spacing_weeks`` are used when it gives none. Fields
    of ``extra``, the clinic's own columns, are called ``extra.`` and their name.
    """
    own = {f"extra.{one.name}": one for one in extra}
    if not isinstance(sent, dict) or not KNOWN.union(own).issuperset(sent):
        return Reading(None, wrong={"": ("request", {})})
    found: dict[str, Any] = {}
    wrong: dict[str, Wrong] = {}
    for name in ATTRIBUTES:
        _read_field(name, sent.get(name), found, wrong)
    found["extra"] = {}
    for name, one in own.items():
        said = Extra({one.name: _text_of(sent.get(name))})
        if said and not one.known(said[one.name]):
            wrong[name] = CHOICE if one.levels else ("any_number", {})
        elif said:
            found["extra"] |= said
    extras: dict[str, Any] = {"goal": "clear", "spacing_weeks": spacing_weeks}
    _read_choices(sent, extras, wrong)
    _read_course(sent, extras, wrong)
    _read_dates(sent, extras, wrong)
    missing = tuple(name for name in FORM if name not in found and name not in wrong)
    if missing or not SPARED.union(own).issuperset(wrong):
        return Reading(None, missing, wrong)
    return Reading(Asked(Enquiry(**found), **extras), wrong=wrong)


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
        key = {"number": "number", "integer": "whole"}.get(rule.kind)
        wrong[name] = (key, {"low": rule.low or 0, "high": rule.high or 0}) if key else CHOICE
        return
    if read is not None:
        found[name] = read


def _read_choices(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    goal = sent.get("goal") or "clear"
    if goal in [*GOALS]:
        extras["goal"] = goal
    else:
        wrong["goal"] = CHOICE
    facts = sent.get("facts") or []
    if isinstance(facts, list) and all(isinstance(one, str) and one in FACTS for one in facts):
        extras["facts"] = frozenset(facts)
    else:
        wrong["facts"] = CHOICE
    extras["questions_asked"] = sent.get("questions") == "asked"


def _read_course(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    done = _read_number(sent.get("sessions_done"), 0, MOST_DONE, whole=True)
    if done is None:
        wrong["sessions_done"] = ("whole", {"low": 0, "high": MOST_DONE})
        return
    extras["sessions_done"] = int(done)
    extras["course"] = _text_of(sent.get("course")) or ""
    extras["promise"] = int(_read_number(sent.get("promise"), 0, 1e7, whole=True) or 0)
    rows = sent.get("gradings") or []
    if not isinstance(rows, list) or len(rows) > MOST_GRADINGS:
        wrong["gradings"] = ("grading", {"high": done})
        return
    gradings: list[tuple[int, float]] = []
    filled = [(place, row) for place, row in enumerate(rows, 1) if row != ["", ""]]
    for _, row in filled:
        pair = row if isinstance(row, list) and len(row) == 2 else [None, None]
        after = _read_number(pair[0], 0, done, whole=True, default=None)
        percent = _read_number(pair[1], 0, 100, default=None)
        if after is None or percent is None:
            key = "grading" if done else "grading_first"
            wrong["gradings"] = (key, {"high": int(done)})
            return
        gradings.append((int(after), percent))
    for at, what in doubtful_gradings(gradings, int(done)).items():
        if sent.get("as_graded") != "yes":
            wrong["gradings"] = (ASKED_BACK, {"row": filled[at][0], "what": what})
            return
    extras["gradings"] = tuple(gradings)


def _read_dates(sent: Mapping[str, Any], extras: dict[str, Any], wrong: dict[str, Wrong]) -> None:
    low, high = SPACING
    spacing = _read_number(sent.get("spacing_weeks"), low, high, default=extras["spacing_weeks"])
    if spacing is None:
        wrong["spacing_weeks"] = ("number", {"low": low, "high": high})
    extras["spacing_weeks"] = spacing or extras["spacing_weeks"]
    start = sent.get("start") or None
    try:
        extras["start"] = start and read_day(start, name="start", low=date.today())
    except RequestError:
        wrong["start"] = ("date", {"low": date.today(), "high": LAST_DAY})
    shown = _read_number(sent.get("n"), 0, 1000, whole=True)
    extras["n"] = int(shown) if shown else None
    if shown is None:
        wrong["n"] = ("whole", {"low": 0, "high": 1000})


def read_day(text: object, *, name: str, low: date = FIRST_DAY) -> date:
    """Return the day ``text``, as YYYY-MM-DD, or raise RequestError with its ``name``.

    It is refused before ``low``.

    Examples
    --------
    >>> read_day("2026-02-01", name="--start")
    datetime.date(2026, 2, 1)
    """
    try:
        day = date.fromisoformat(text)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        day = date.min
    if not low <= day <= LAST_DAY:
        values = {"name": name, "given": text, "low": str(low), "high": str(LAST_DAY)}
        raise RequestError(*problem_and_remedy("refused.day", values))
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


LARGEST_LOGO, LONGEST_CLINIC_TEXT = 500_000, 600
PAPERS = ("A4", "Letter")
SIGNATURES = {b"\x89PNG\r\n\x1a\n": "image/png", b"\xff\xd8\xff": "image/jpeg"}


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture, with its ``kind``, ``image/png`` or ``image/jpeg``, from its own first bytes."""

    kind: str
    data: bytes

    @property
    def address(self) -> str:
        """The picture as a data address, for a sheet that is one file."""
        return f"data:{self.kind};base64,{base64.b64encode(self.data).decode('ascii')}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clinic:
    """The clinic as clients see it: plain text, ``opening`` and ``closing`` also by language.

    ``spacing_weeks`` between sessions are those to begin with, ``paper`` is ``A4`` or ``Letter``.
    """

    name: str = ""
    address: str = ""
    contact: str = ""
    opening: str | Mapping[str, str] = ""
    closing: str | Mapping[str, str] = ""
    logo: Logo | None = None
    language: str = "en"
    paper: str = "A4"
    spacing_weeks: float = 8.0

    def spoken(self, language: str) -> list[str]:
        """Return opening and closing in a language; one text serves all."""
        both = (self.opening, self.closing)
        return [one if isinstance(one, str) else one.get(language, "") for one in both]


def read_clinic(path: Path) -> Clinic:
    """Return the clinic of a TOML file.

    Raises DataError where the file or its logo cannot be read, or a key or a value is wrong.
    """
    table = read_toml(path, command="forecast page --template")
    check_keys(table, [field.name for field in fields(Clinic)], path.name)
    for key in ("name", "address", "contact", "opening", "closing", "logo"):
        given = table.get(key, "")
        by_language = key in ("opening", "closing") and isinstance(given, dict)
        for text in given.values() if by_language else [given]:
            if not isinstance(text, str) or len(text) > LONGEST_CLINIC_TEXT:
                said = {"file": path.name, "key": key, "most": LONGEST_CLINIC_TEXT}
                raise DataError(*problem_and_remedy("refused.clinic_text", said))
    for key, allowed in (("language", languages()), ("paper", PAPERS)):
        if key in table and table[key] not in allowed:
            values = {"file": path.name, "key": key, "given": table[key], "allowed": allowed}
            raise DataError(*problem_and_remedy("refused.clinic_choice", values))
    weeks = table.get("spacing_weeks", 8.0)
    if isinstance(weeks, bool) or not isinstance(weeks, int | float) or not 1 <= weeks <= 104:
        values = {"file": path.name, "given": weeks}
        raise DataError(*problem_and_remedy("refused.clinic_weeks", values))
    logo = table.pop("logo", "")
    return Clinic(**table, logo=_read_logo(path, logo) if logo else None)


def _read_logo(path: Path, name: str) -> Logo:
    file, values = path.parent / name, {"file": path.name, "logo": name}
    try:
        data = file.read_bytes() if file.stat().st_size <= LARGEST_LOGO else b""
    except (OSError, ValueError):
        raise DataError(*problem_and_remedy("refused.no_logo", values)) from None
    for signature, kind in SIGNATURES.items():
        if data.startswith(signature):
            return Logo(kind, data)
    raise DataError(*problem_and_remedy("refused.odd_logo", values))


@dataclass(frozen=True, slots=True, eq=False)
class Desk:
    """Everything an answer is made from; of clients nothing but the daybook, if there is one.

    Attributes
    ----------
    forecasters : mapping of goal to Forecaster
    tariff : Tariff or None
        Without one no price is shown.
    clinic : Clinic
        Its name and wording.
    daybook : Daybook or None
    files, seen : mapping of str to Path, tuple
        What it was opened from; when each was written, and how large it was.

    Examples
    --------
    >>> Desk({"clear": forecaster}).valid_until(date(2026, 1, 31))
    datetime.date(2026, 5, 1)
    """

    forecasters: Mapping[str, Forecaster]
    tariff: Tariff | None = None
    clinic: Clinic = field(default_factory=Clinic)
    daybook: books.Daybook | None = None
    files: Mapping[str, Path] = field(default_factory=dict)
    seen: tuple[object, ...] = ()

    @property
    def extra(self) -> tuple[ExtraColumn, ...]:
        """The clinic's own columns that a model was fitted with, each once."""
        every = (own for one in self.forecasters.values() for own in one.log_summary.extra)
        return tuple({own.name: own for own in every}.values())

    def read(self, sent: object) -> Reading:
        """Return what a page's request asks of this desk, see `read_asked`."""
        return read_asked(sent, spacing_weeks=self.clinic.spacing_weeks, extra=self.extra)

    def at_course(self, asked: Asked) -> Asked:
        """Return what is asked with what the book has of its course; MisfitError if that has ended.

        The next session is as far from the last one as is asked, unless another day was chosen.
        What was a yes, or what a reaction has raised since, is one until all is asked again.
        """
        if not asked.course or self.daybook is None:
            return asked
        course = self.daybook.course(asked.course)
        course.check_running()
        return replace(
            asked,
            sessions_done=course.done,
            gradings=course.graded,
            facts=asked.facts if asked.questions_asked else asked.facts | course.facts,
            start=asked.start or course.next_day(asked.spacing_weeks, self.daybook.today()),
            last=course.last_day,
        )

    def valid_until(self, day: date) -> date:
        """Return until when what is quoted on a day is valid."""
        return day + timedelta(days=self.tariff.valid_days if self.tariff else books.VALID_DAYS)


def refreshed(desk: Desk) -> Desk:
    """Return the desk anew where one of its files has changed; as it is where that fails."""
    if _seen(desk.files) == desk.seen:
        return desk
    try:
        return replace(open_desk(**desk.files), daybook=desk.daybook)
    except ForecastError:
        return desk


def _seen(files: Mapping[str, Path]) -> tuple[object, ...]:
    found: list[object] = []
    for path in files.values():
        try:
            state = path.stat()
            found.append((state.st_mtime_ns, state.st_size))
        except OSError:
            found.append(None)
    return tuple(found)


def open_desk(
    model: Path,
    *,
    lighten: Path | None = None,
    tariff: Path | None = None,
    clinic: Path | None = None,
    daybook: Path | None = None,
) -> Desk:
    """Return the desk of saved models, the second to ``lighten``, and files.

    Raises
    ------
    RequestError
        A model cannot be read, or the one for lightening has another goal.
    DataError
        The tariff, the clinic's file or the daybook cannot be used.

    Examples
    --------
    >>> forecaster.save(folder / "model.json")
    >>> [*open_desk(folder / "model.json").forecasters]
    ['clear']
    """
    named = {"model": model, "lighten": lighten, "tariff": tariff, "clinic": clinic}
    files = {name: path for name, path in named.items() if path is not None}
    seen = _seen(files)
    first = load_forecaster(model)
    if first.goal not in GOALS:
        values = {"file": model.name, "goal": first.goal, "known": tuple(GOALS)}
        raise RequestError(*problem_and_remedy("refused.goal_of_model", values))
    forecasters = {first.goal: first}
    if lighten is not None:
        second = load_forecaster(lighten)
        if second.goal != "lighten" or first.goal == "lighten":
            values = {"file": model.name, "goal": first.goal}
            values |= {"other": lighten.name, "second": second.goal}
            raise RequestError(*problem_and_remedy("refused.goals_of_models", values))
        forecasters["lighten"] = second
    return Desk(
        forecasters,
        read_tariff(tariff) if tariff else None,
        read_clinic(clinic) if clinic else Clinic(),
        books.Daybook(daybook) if daybook else None,
        files,
        seen,
    )
