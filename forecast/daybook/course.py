"""A course in a daybook: as it stands, a visit to be written down, what was entered, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

from forecast._notes import (
    Filler,
    Note,
    Sentence,
    languages,
    problem_and_remedy,
    sentence,
    texts_of,
)
from forecast.daybook.promises import Promise, spoken
from forecast.errors import RequestError
from forecast.log import (
    ATTRIBUTES,
    Enquiry,
    checked,
    column,
    enquiry_of,
    is_birth_date,
    is_code,
    masked,
)
from forecast.tattoo import raised_by

DAYS_AHEAD = timedelta(days=1)  # clocks of two tablets differ
LONGEST_CODE = 40
TABLE_OF = {"fading_pct": "gradings", "grader_id": "gradings", "basis": "gradings"}
TABLE_OF |= {"reaction": "reactions", "severity": "reactions"}
LABELS = {"treated_on": "day", "fading_pct": "fading", "operator_id": "by", "grader_id": "by"}
LABELS |= {"promise": "title", "undo": "title"}


class MisfitError(RequestError):
    """An entry that does not fit what is in the book, told at its ``field`` by a ``note``.

    What is ``askable`` may be right all the same, and is taken when it is said to be sure.
    """

    def __init__(self, field: str, note: Note, *, askable: bool = False) -> None:
        at, said = sentence("daybook.at", {"field": LABELS.get(field, field)}), Sentence(note)
        looked_up = field in ("code", "client")  # then the problem stands alone, with a remedy
        super().__init__(*((said, sentence(f"daybook.{field}_do")) if looked_up else (at, said)))
        self.field, self.note, self.askable = field, note, askable

    def __reduce__(self) -> tuple[Any, ...]:
        return MisfitError, (self.field, self.note)


class ChangedError(RequestError):
    """Somebody else has written to the course meanwhile; ``entries`` says what."""

    def __init__(self, entries: tuple[Mapping[str, Any], ...]) -> None:
        told_of = [sentence("refused.changed_by", one) for one in entries]
        super().__init__(*problem_and_remedy("refused.course_changed", {"entries": told_of}))
        self.entries = entries

    def __reduce__(self) -> tuple[Any, ...]:
        return ChangedError, (self.entries,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What is written down at a visit: today's session, and the grading before it.

    Each field is the log's column of that name; None is not recorded.

    Attributes
    ----------
    treated_on : date
        Day of the session.
    regime : {"ns", "ps"}
        Nanosecond or picosecond pulses.
    laser_id, wavelengths_nm, passes, operator_id : str or int, optional
        How it was given and by whom; wavelengths in nm, joined by ``;``.
    fading_pct : float, optional
        Percent faded, seen before this session is given: by the sessions before.
    grader_id, basis : str, optional
        Who graded, and from what: "photograph" or "in_person".
    reaction, severity : str, optional
        What followed the session before, a level of the log's table reactions, and how bad it was.

    Examples
    --------
    >>> Visit(treated_on=date(2026, 3, 2), regime="ns", fading_pct=35).fading_pct
    35
    """

    treated_on: date
    regime: str
    laser_id: str | None = None
    wavelengths_nm: str | None = None
    passes: int | None = None
    operator_id: str | None = None
    fading_pct: float | None = None
    grader_id: str | None = None
    basis: str | None = None
    reaction: str | None = None
    severity: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A course as it stands in the book.

    Attributes
    ----------
    course_id, client_id : str
        Its code, and the client's pseudonym.
    version : int
        Its last entry, to be given back when something is written.
    row : mapping of str to value, or None
        That of the log's table courses; None before the first session.
    sessions, gradings, reactions : tuple of mapping
        Rows of those tables, in the order of entry.
    promises : tuple of Promise
        In the order of entry: the first is the one that it was sold on.
    own : mapping of str to value
        Columns of the clinic's own that a log came with.

    Examples
    --------
    >>> Course("c9", "p7", 0, None, (), (), (), (), {}).outcome  # before its first session
    'ongoing'
    """

    course_id: str
    client_id: str
    version: int
    row: Mapping[str, Any] | None
    sessions: tuple[Mapping[str, Any], ...]
    gradings: tuple[Mapping[str, Any], ...]
    reactions: tuple[Mapping[str, Any], ...]
    promises: tuple[Promise, ...]
    own: Mapping[str, Any]

    @property
    def done(self) -> int:
        """Sessions given here."""
        return int(self.row["sessions_given"]) if self.row else 0

    @property
    def outcome(self) -> str:
        """As in the log, ``ongoing`` before the first session."""
        return str(self.row["outcome"]) if self.row else "ongoing"

    @property
    def goal(self) -> str:
        """Of the course, or of its first promise."""
        if self.row:
            return str(self.row["goal"] or "clear")
        return self.promises[0].goal if self.promises else "clear"

    @property
    def enquiry(self) -> Enquiry | None:
        """What the client and the tattoo were at the consultation."""
        first = self.promises[0].enquiry if self.promises else None
        if self.row is None:
            return first
        return enquiry_of({**self.row, "extra": self.own or (first.extra if first else {})})

    @property
    def graded(self) -> tuple[tuple[int, float], ...]:
        """The gradings as an update takes them."""
        pairs = [(int(one["after_session"]), float(one["fading_pct"])) for one in self.gradings]
        return tuple(sorted(pairs))

    @property
    def facts(self) -> frozenset[str]:
        """What holds until all is asked again: answered with yes, or raised by a reaction since."""
        kept = self.promises[-1].facts if self.promises else ""
        return frozenset(filter(None, kept.split(";"))) | self._raised

    @property
    def asked(self) -> bool:
        """Whether all questions were asked, and no reaction has raised one since."""
        kept = self.promises[-1].questions if self.promises else ""
        return kept == "asked" and not self._raised

    @property
    def _raised(self) -> frozenset[str]:
        # a reaction is written down with the session after the one that it followed
        asked = (one.sessions_done for one in self.promises if one.questions == "asked")
        since = max(asked, default=0)
        seen = (one for one in self.reactions if int(one["after_session"]) >= since)
        return frozenset().union(*map(raised_by, seen))

    @property
    def reacted(self) -> list[Note]:
        """What was seen after which session, those first that have to be asked about."""
        found = []
        for one in sorted(self.reactions, key=lambda one: not raised_by(one)):
            what: list[Any] = [_level(k, one[k]) for k in ("reaction", "severity") if one[k]]
            what += [Note("daybook.lasting")] * (one["lasting"] == "yes")
            values = {"n": one["after_session"], "what": what}
            found.append(Note("daybook.reacted", "serious" if raised_by(one) else "info", values))
        return found

    def next_day(self, weeks: float, today: date) -> date:
        """Return the day so many ``weeks`` after the last session; ``today`` at the earliest."""
        return max(today, self.last_day + timedelta(weeks=weeks)) if self.last_day else today

    def check_running(self, field: str = "promise") -> None:
        """Raise MisfitError at ``field`` where it has ended: nothing follows."""
        if self.outcome != "ongoing":
            values = {"how": _level("outcome", self.outcome), "n": self.done}
            raise MisfitError(field, Note("daybook.has_ended", values=values))

    def begun(self, day: str) -> dict[str, Any]:
        """Return the row of a course whose first session is on a day, from its first promise."""
        first = next(iter(self.promises), None)
        if first is None or first.enquiry is None:
            raise MisfitError("treated_on", Note("daybook.nothing_known"))
        issued = first.issued_on.isoformat()
        return {
            **{name: getattr(first.enquiry, name) for name in ATTRIBUTES},
            "course_id": self.course_id, "client_id": self.client_id,
            "started_on": day, "goal": first.goal, "outcome": "ongoing", "package": first.package,
            "enquired_on": issued if issued <= day else None,
        }  # fmt: skip

    @property
    def last(self) -> Mapping[str, Any]:
        """The last session, empty before the first."""
        return max(self.sessions, key=lambda one: int(one["session_no"]), default={})

    @property
    def last_day(self) -> date | None:
        """Of the last session, None before the first."""
        day = self.last.get("treated_on")
        return date.fromisoformat(str(day)) if day else None


# a level in the words of each language
def _level(name: str, level: str) -> Mapping[str, str]:
    said = {code: texts_of(code)["levels"][name] for code in languages()}
    return {code: words.get(level, level) for code, words in said.items()}


@lru_cache(maxsize=256)  # the same few all day
def check_code(text: str, field: str) -> str:
    """Return ``text`` as a code, or raise MisfitError at ``field`` where it is none or says who.

    A code has digits, at most 40 characters and no word that can be spoken, and is no birth date.

    Examples
    --------
    >>> check_code(" c017 ", "client_id")
    'c017'
    """
    given = " ".join(text.split())
    if not given:
        raise MisfitError(field, Note("daybook.no_code"))
    if len(given) > LONGEST_CODE or not is_code(given):
        raise MisfitError(field, Note("daybook.looks_like_name"))
    if is_birth_date(given):
        raise MisfitError(field, Note("daybook.looks_like_birth_date"))
    return given


# Those of a visit are the same few all day, too.
@lru_cache(maxsize=256, typed=True)
def _checked(name: str, value: Any) -> Any:
    rule = column(TABLE_OF.get(name, "sessions"), name)
    try:
        found = checked(rule, value)
    except RequestError:
        limits = {} if rule.low is None else {"low": rule.low, "high": rule.high}
        raise MisfitError(name, Note(f"daybook.not_{rule.kind}", values=limits)) from None
    if name in ("operator_id", "grader_id") and found is not None:
        return check_code(str(value), name)
    if name == "laser_id" and (masked(str(value)) != value or len(value) > LONGEST_CODE):
        raise MisfitError(name, Note("daybook.looks_like_name"))
    return found


def checked_visit(
    visit: Visit, course: Course, today: date, *, cleared_at: float
) -> dict[str, Any]:
    """Return what a visit says in the log's own form, or raise MisfitError at the field."""
    last, day = course.last.get("treated_on"), visit.treated_on
    course.check_running("treated_on")
    if last and day.isoformat() < last:
        raise MisfitError("treated_on", Note("daybook.before_last", values={"day": last}))
    if day > today + DAYS_AHEAD:
        raise MisfitError("treated_on", Note("daybook.not_yet"))
    if day.isoformat() == last and cleared_at <= 100:  # beyond, whoever writes is sure
        raise MisfitError("treated_on", Note("daybook.same_day"), askable=True)
    found = _cells(visit)
    if not course.done and "reaction" in found:
        raise MisfitError("reaction", Note("daybook.reaction_first"))
    percent = found.get("fading_pct", 0)
    if percent >= cleared_at and course.goal == "clear":
        values = {"percent": percent, "cleared_at": cleared_at}
        raise MisfitError("fading_pct", Note("daybook.clear_already", values=values), askable=True)
    return found


def _cells(visit: Visit) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in Visit.__slots__[1:]:
        value = getattr(visit, name)
        if value not in (None, "") and (read := _checked(name, value)) is not None:
            found[name] = read
    for name, needed in (("regime", True), ("reaction", "severity" in found)):
        if needed and name not in found:
            raise MisfitError(name, Note(f"daybook.which_{name}"))
    return found


def check_end(
    course: Course, outcome: str, reason: str | None, graded: float | None, cleared_at: float
) -> None:
    """Raise MisfitError where a course cannot end so, or its last grading contradicts it."""
    if course.row is None or course.outcome != "ongoing":
        raise MisfitError("outcome", Note("daybook.not_under_way"))
    if outcome not in ("cleared", "lightened", "stopped"):
        raise MisfitError("outcome", Note("daybook.which_outcome"))
    if outcome == "stopped" and reason not in column("courses", "stop_reason").levels:
        raise MisfitError("stop_reason", Note("daybook.which_reason"))
    told_apart = graded is not None and (outcome == "cleared" or course.goal == "clear")
    if graded is not None and told_apart and (outcome == "cleared") != (graded >= cleared_at):
        values = {"percent": graded, "cleared_at": cleared_at}
        note = Note(f"daybook.contradicts_{outcome}", values=values)
        raise MisfitError("outcome", note, askable=True)


Row = Mapping[str, Any]
# of a row of each table: what its line is called, and what stands behind the colon
SAID = {
    "promises": ("promise", ("package", "price", "currency")),
    "courses": ("course", ("stop_reason",)),
    "sessions": ("session", ("regime", "laser_id", "wavelengths_nm", "passes", "operator_id")),
    "gradings": ("grading", ("grader_id", "basis")),
    "reactions": ("reaction", ("severity", "lasting")),
}


def history_lines(entries: Iterable[Row], language: str = "en") -> list[str]:
    """Return the ``entries`` of `Daybook.history` as lines of a language, in order of entry.

    Examples
    --------
    >>> entry = {"entry": 1, "what": "session", "at": "2026-03-02T10:15", "by": "op-1"}
    >>> history_lines([{**entry, "undoes": None, "rows": []}])
    ['1  a session by op-1 at 10:15, 2 Mar 2026']
    """
    found, texts = list(entries), texts_of(language)
    back = {one["undoes"] for one in found}
    rows = {(row["table"], row["row"]): row for one in found for row in one["rows"]}
    lines = []
    for one in found:
        at = f"{one['at'][11:16]}, {Filler(language).exact_day(one['at'][:10])}"
        what = texts["book"][f"what_{one['what']}"].format(by=one["by"], at=at)
        undone = f" ({_say('taken_back', language)})" if one["entry"] in back else ""
        lines.append(f"{one['entry']}  {what}{undone}")
        if one["undoes"]:
            lines.append("   " + _say("was_undone", language, n=one["undoes"]))
            continue
        for row in one["rows"]:
            before = rows.get((row["table"], row["replaces"]))
            if not before or row.get("outcome") != before.get("outcome"):
                lines.append("   " + _line(row, texts, language))
    return lines


def _say(name: str, language: str, **values: Any) -> str:
    return Note(f"daybook.{name}", values=values).say(language)


def _line(row: Row, texts: Mapping[str, Any], language: str) -> str:
    levels = texts["levels"]
    said = {name: levels.get(name, {}).get(cell, cell) for name, cell in row.items()}
    name, more = SAID[row["table"]]
    if name == "promise":
        said["span"] = spoken((row["low"], row["high"]), len(str(row["chances"]).split()))
    if name == "course":
        name = "begun" if row["outcome"] == "ongoing" else "ended"
    cells = []
    for one in (one for one in more if row[one] is not None):
        named = "" if one in levels else texts["book"].get(one, "")
        label, _, unit = named.partition(", ")
        cell = f"{said[one]:g}" if isinstance(said[one], float) else str(said[one])
        cells.append(f"{label} {cell} {unit}".strip())
    listed = ": " + ", ".join(cells) if cells else ""
    return _say(f"was_{name}", language, **said) + listed
