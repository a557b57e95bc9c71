"""A course as it stands in a daybook, a visit to be written down, and what does not fit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from forecast._notes import Note
from forecast.daybook.promises import Promise
from forecast.errors import RequestError
from forecast.log import Enquiry, checked, column, is_code, masked

DAYS_AHEAD = timedelta(days=1)  # clocks of two tablets differ
LONGEST_CODE = 40


class MisfitError(RequestError):
    """An entry that does not fit what is in the book, told at its field.

    Attributes
    ----------
    field : str
        The column or field at fault.
    note : Note
        What is wrong and what to do.
    askable : bool
        Whether it may be right all the same, and is taken when it is said to be sure.
    """

    def __init__(self, field: str, note: Note, *, askable: bool = False) -> None:
        super().__init__(f"{field}:", str(note))
        self.field, self.note, self.askable = field, note, askable

    def __reduce__(self) -> tuple[Any, ...]:
        return MisfitError, (self.field, self.note)


class ChangedError(RequestError):
    """Somebody else has written to the course meanwhile; ``entries`` says what."""

    def __init__(self, entries: tuple[Mapping[str, Any], ...]) -> None:
        told_of = "; ".join(f"{one['what']}, {one['at']}, by {one['by']}" for one in entries)
        super().__init__(
            f"The course was changed by somebody else meanwhile: {told_of}.",
            "Open it again, look at what is new, and enter yours if it is still right.",
        )
        self.entries = entries

    def __reduce__(self) -> tuple[Any, ...]:
        return ChangedError, (self.entries,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What is written down at a visit: today's session, and the grading before it.

    Values are those of the log's columns of the same names; None is not recorded. The grading,
    seen before the session is given, and the reaction are of the sessions before.
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
    version : int
        Of its last entry: to be given back when something is written.
    row : mapping or None
        Of the log's table courses; None before the first session.
    sessions, gradings, reactions : tuple of mapping
        Rows of the log's tables, in the order of entry.
    promises : tuple of Promise
        The first is the one that it was sold on.
    """

    course_id: str
    client_id: str
    version: int
    row: Mapping[str, Any] | None
    sessions: tuple[Mapping[str, Any], ...]
    gradings: tuple[Mapping[str, Any], ...]
    reactions: tuple[Mapping[str, Any], ...]
    promises: tuple[Promise, ...]

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
        if self.row:
            given = {name: self.row[name] for name in Enquiry.__slots__}
            return Enquiry(**{k: v for k, v in given.items() if v is not None})
        return self.promises[0].enquiry if self.promises else None

    @property
    def graded(self) -> tuple[tuple[int, float], ...]:
        """The gradings as an update takes them."""
        pairs = [(int(one["after_session"]), float(one["fading_pct"])) for one in self.gradings]
        return tuple(sorted(pairs))

    @property
    def last(self) -> Mapping[str, Any]:
        """The last session, empty before the first."""
        return max(self.sessions, key=lambda one: int(one["session_no"]), default={})


def check_code(text: str, field: str) -> str:
    """Return a code, or raise MisfitError where it is none or looks like a name."""
    given = " ".join(text.split())
    if not given:
        raise MisfitError(field, Note("daybook.no_code"))
    if len(given) > LONGEST_CODE or not is_code(given) or masked(given) != given:
        raise MisfitError(field, Note("daybook.looks_like_name"))
    return given


def checked_visit(visit: Visit) -> dict[str, Any]:
    """Return what a visit says in the log's own form, or raise MisfitError at the field."""
    found: dict[str, Any] = {}
    of = {"fading_pct": "gradings", "grader_id": "gradings", "basis": "gradings"}
    of |= {"reaction": "reactions", "severity": "reactions"}
    for name in Visit.__slots__:
        given = getattr(visit, name)
        if name == "treated_on" or given in (None, ""):
            continue
        rule = column(of.get(name, "sessions"), name)
        try:
            found[name] = checked(rule, given)
        except RequestError as error:
            raise MisfitError(name, Note("daybook.as_it_is", values={"why": str(error)})) from None
        if name in ("operator_id", "grader_id"):
            found[name] = check_code(str(given), name)
        elif name == "laser_id" and masked(str(given)) != str(given):
            raise MisfitError(name, Note("daybook.looks_like_name"))
    if "regime" not in found:
        raise MisfitError("regime", Note("daybook.which_regime"))
    return found


def check_day(course: Course, day: date, field: str) -> None:
    """Raise MisfitError where a day lies before the last session, or has not come."""
    last = course.last.get("treated_on")
    if last and day.isoformat() < last:
        raise MisfitError(field, Note("daybook.before_last", values={"day": last}))
    if day > date.today() + DAYS_AHEAD:
        raise MisfitError(field, Note("daybook.not_yet"))
