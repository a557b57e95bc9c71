"""What the page keeps in a daybook and opens from it: estimates, visits, how courses end."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import date
from typing import Any

from forecast._notes import Note, in_language
from forecast.counts import Estimate
from forecast.daybook import ChangedError, Course, Daybook, MisfitError, Visit
from forecast.errors import ForecastError, RequestError
from forecast.forecaster import promise_of
from forecast.log import ATTRIBUTES, checked, column
from forecast.midcourse import doubtful_gradings
from forecast.page.answer import estimates_of, package_rows, promise_text
from forecast.page.desk import Asked, Desk, read_day
from forecast.page.sheet import template
from forecast.page.words import Words
from forecast.tattoo import cautions_for, waits

Sent = Mapping[str, Any]
OFFERED = ("regime", "laser_id", "wavelengths_nm", "passes")  # as at the last visit


def handle(desk: Desk, what: str, sent: object, words: Words) -> tuple[dict[str, Any], int]:
    """Do what the page asks of its daybook, and return what to answer and its status.

    ``what`` is open, keep, session, end or undo; what is wrong is told at its field.
    """
    given = sent if isinstance(sent, dict) else {}
    assert desk.daybook is not None
    try:
        return ACTIONS[what](desk, desk.daybook, given, words), 200
    except MisfitError as error:
        told = {"wrong": {error.field: words.note(error.note)[0]}, "askable": error.askable}
        return {"state": "wrong", "message": "", **told}, 422
    except ChangedError as error:
        entries = "; ".join(_what(one, words) for one in error.entries)
        told = {"state": "changed", "message": words.say("book.changed", {"entries": entries})}
        course = desk.daybook.course(str(given.get("course")))
        return told | _shown(desk.daybook, course, words), 409
    except ForecastError as error:
        said = (in_language(part, words.code) for part in (error.problem, error.remedy))
        return {"state": "wrong", "message": " ".join(said), "wrong": {}}, 422


def _what(one: Mapping[str, Any], words: Words) -> str:
    return words.say(f"book.what_{one['what']}", {"by": one["by"], "at": one["at"][11:16]})


def _text(sent: Sent, name: str) -> str:
    value = sent.get(name)
    return " ".join(value.split())[:200] if isinstance(value, str) else ""


def _who(sent: Sent) -> dict[str, Any]:
    value = sent.get("version")
    return {"by": _text(sent, "by"), "version": value if isinstance(value, int) else -1}


def _open(desk: Desk, book: Daybook, sent: Sent, words: Words) -> dict[str, Any]:
    chosen = _text(sent, "chosen")
    found = [chosen] if chosen else book.find(_text(sent, "code"))
    if len(found) > 1:
        return {"state": "choose", "courses": found, "message": words.say("book.choose")}
    return {"state": "course", "message": "", **_shown(book, book.course(found[0]), words)}


def _shown(book: Daybook, course: Course, words: Words) -> dict[str, Any]:
    enquiry = course.enquiry
    fields: dict[str, Any] = {}
    if enquiry is not None:
        fields = {name: getattr(enquiry, name) for name in ATTRIBUTES}
        fields |= {f"extra.{name}": value for name, value in enquiry.extra.items()}
    last = course.gradings[-1] if course.gradings else {}
    offered = {name: course.last.get(name) for name in OFFERED}
    percent = course.graded[-1][1] if course.graded else None
    offered |= {"basis": last.get("basis"), "by": course.last.get("operator_id")}
    undo, entry = "", book.standing(course.course_id)
    if entry is not None:  # is taken back next, with its day where that was not in this visit
        day = entry["at"][:10]
        when = "" if day == book.today().isoformat() else f", {_day(day, words)}"
        undo = words.say("book.undo", {"what": _what(entry, words) + when})
    said = "" if percent is None else words.say("book.last", {"percent": words.number(percent)})
    offered |= {"fading": percent, "last": said}
    return {
        "course": course.course_id,
        "version": course.version,
        "goal": course.goal,
        "ended": course.outcome != "ongoing",
        "begun": course.row is not None,
        "undo": undo,
        "facts": sorted(course.facts),
        "fields": {name: _plain(value) for name, value in fields.items()},
        "offered": {name: _plain(value) for name, value in offered.items()},
        "html": template("course.html").render(
            lines=_lines(course, words),
            first=[words.note(one)[0] for one in course.reacted if one.severity == "serious"],
        ),
    }


def _plain(value: Any) -> str:
    whole = isinstance(value, float) and value.is_integer()
    return "" if value is None else str(int(value) if whole else value)


def _lines(course: Course, words: Words) -> list[str]:
    day = course.last.get("treated_on")
    values = {"n": course.done, "number": words.number(course.done)}
    none = words.say("book.no_session")
    lines = [words.say("book.sessions", {**values, "day": _day(day, words)}) if day else none]
    if course.gradings:
        after, percent = course.graded[-1]
        lines.append(words.say("book.graded", {"n": after, "percent": words.number(percent)}))
    if course.outcome != "ongoing":
        lines.append(words.say(f"book.is_{course.outcome}"))
    lines += [words.note(one)[0] for one in course.reacted if one.severity == "info"]
    lines += [promise_text(one, words) for one in course.promises]
    return lines


def _day(text: Any, words: Words) -> str:
    return words.day(date.fromisoformat(str(text)))


def _keep(desk: Desk, book: Daybook, sent: Sent, words: Words) -> dict[str, Any]:
    asked = desk.read(sent.get("asked")).asked
    forecaster = None if asked is None else desk.forecasters.get(asked.goal)
    if asked is None or forecaster is None:
        raise MisfitError("client_id", Note("daybook.nothing_answered"))
    asked = desk.at_course(asked)
    now, total = estimates_of(forecaster, asked, None)
    course = book.course(asked.course) if asked.course else None
    quoted, unsold = _quoted(desk, now, asked, _text(sent, "package"), words)
    questions = "asked" if asked.questions_asked else "in_part" if asked.facts else "not_asked"
    promise = promise_of(
        forecaster, total, asked.enquiry,
        client_id=course.client_id if course else _text(sent, "client_id"),
        course_id=asked.course, issued_on=book.today(), sessions_done=asked.sessions_done,
        quoted={**quoted, "questions": questions, "facts": ";".join(sorted(asked.facts))},
    )  # fmt: skip
    kept = book.keep(promise, **_who(sent) | ({} if course else {"version": None}))
    values = {"n": kept.promise_no, "until": words.day(kept.until)}
    message = words.say("book.kept_alone" if kept.price is None else "book.kept", values)
    shown = _shown(book, book.course(kept.course_id), words)
    told = {"message": f"{message} {unsold}".strip(), "promise": kept.promise_no}
    return {"state": "course", **told, **shown}


# what is quoted of a package as the answer shows it, and why it is not sold
def _quoted(
    desk: Desk, estimate: Estimate, asked: Asked, name: str, words: Words
) -> tuple[dict[str, Any], str]:
    tariff = desk.tariff
    if tariff is None or desk.daybook is None:
        return {}, ""
    found: dict[str, Any] = {"valid_until": desk.valid_until(desk.daybook.today())}
    chosen = tuple(one for one in tariff.packages if one.name == name)
    if not chosen:
        return found, ""
    if waits(cautions_for(asked.enquiry, facts=asked.facts)):
        return found, words.say("answer.withheld")
    alone = replace(tariff, packages=chosen)
    rows, why = package_rows(estimate, alone, words, done=asked.sessions_done)
    if not rows or rows[0].amount is None:
        said = (f"{one.name}: {words.say('answer.price_enough')} {one.enough}." for one in rows)
        return found, " ".join([*why, *said])
    sold = {"package": name, "price": float(rows[0].amount), "currency": tariff.currency}
    return found | sold, ""


def _visit(course: Course, sent: Sent, *, sure: bool) -> Visit:
    try:
        day = read_day(_text(sent, "treated_on"), name="treated_on")
    except RequestError:
        raise MisfitError("treated_on", Note("daybook.which_day")) from None
    percent: Any = _text(sent, "fading_pct") or None
    with suppress(RequestError):  # what is no percentage is told by the book
        percent = percent and checked(column("gradings", "fading_pct"), percent)
    if isinstance(percent, float) and not sure:
        graded = [*course.graded, (course.done, percent)]
        odd = doubtful_gradings(graded, course.done).get(len(graded) - 1)
        if odd:
            raise MisfitError("fading_pct", odd, askable=True)
    names = ("regime", "laser_id", "wavelengths_nm", "passes", "basis", "reaction", "severity")
    cells: dict[str, Any] = {name: _text(sent, name) or None for name in names}
    by = _text(sent, "by")
    grader = by if percent is not None else None
    return Visit(
        treated_on=day, operator_id=by or None, fading_pct=percent, grader_id=grader, **cells
    )


def _written(book: Daybook, course: Course, key: str, words: Words) -> dict[str, Any]:
    message = words.say(f"book.{key}", {"n": course.done})
    return {"state": "course", "message": message, **_shown(book, course, words)}


def _session(desk: Desk, book: Daybook, sent: Sent, words: Words) -> dict[str, Any]:
    who, sure = _who(sent), sent.get("sure") == "yes"
    course = book.course(_text(sent, "course"), version=who["version"])
    visit = _visit(course, sent, sure=sure)
    course = book.write_session(course.course_id, visit, sure=sure, **who)
    return _written(book, course, "written", words)


def _end(desk: Desk, book: Daybook, sent: Sent, words: Words) -> dict[str, Any]:
    who, sure = _who(sent), sent.get("sure") == "yes"
    course = book.course(_text(sent, "course"), version=who["version"])
    said: Sent = {name: _text(sent, name) for name in ("outcome", "stop_reason")}
    graded = _visit(course, {**sent, "regime": "ns"}, sure=sure)
    ended = book.end(course.course_id, graded=graded, sure=sure, **said, **who)
    return _written(book, ended, "has_ended", words)


def _undo(desk: Desk, book: Daybook, sent: Sent, words: Words) -> dict[str, Any]:
    return _written(book, book.undo(_text(sent, "course"), **_who(sent)), "undone", words)


ACTIONS: Mapping[str, Callable[[Desk, Daybook, Sent, Words], dict[str, Any]]] = {
    "open": _open, "keep": _keep, "session": _session, "end": _end, "undo": _undo,
}  # fmt: skip
