"""A saved model answers: `estimate` and `update` with numpy alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import prices, tattoo
from forecast.cli.files import (
    BY,
    CLOSING,
    WITHHELD,
    Options,
    answer,
    asked_of,
    check_register,
    course_of,
    facts_of,
    gradings_of,
    read_enquiries,
    table_text,
)
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast._notes import Note
    from forecast.counts import Estimate
    from forecast.daybook import Course, Promise
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry
    from forecast.midcourse import Update
    from forecast.tattoo import Caution

STALL = ("midcourse.levels_off", "midcourse.slower", "midcourse.as_usual", "midcourse.faster")


def run_estimate(options: Options) -> None:
    """Do what ``forecast estimate`` is asked."""
    forecaster = forecast.load_forecaster(options.model)
    lighten = options.lighten and forecast.load_forecaster(options.lighten)
    results: list[dict[str, Any]] = []
    estimates: dict[str, Estimate] = {}
    cautions: dict[str, tuple[Caution, ...]] = {}
    drivers: dict[str, list[str]] = {}
    promises: list[Promise] = []
    register: Path | None = options.register
    if register is not None:
        from forecast.daybook import Daybook, make_daybook
        from forecast.forecaster import promise_of

        check_register(register)
    enquiries, facts = read_enquiries(
        options.enquiries, named=register is not None, extra=forecaster.extra
    )
    own = _own_values(options.extra, forecaster)
    for label, enquiry in enquiries.items():
        if own:
            enquiry = replace(enquiry, extra={**own, **enquiry.extra})
        result = estimates[label] = forecaster.estimate(
            enquiry, level=options.level, strategy=options.strategy, lighten=lighten
        )
        asked = facts_of(options, facts[label])
        if register is not None:
            known = {
                "questions": "asked" if asked["all_asked"] else "not_asked",
                "facts": ";".join(sorted(asked["facts"])),
            }
            promises.append(
                promise_of(
                    forecaster, result, enquiry, client_id=label, course_id=label, quoted=known
                )
            )
        cautions[label] = tattoo.cautions_for(enquiry, **asked)
        why, drivers[label] = (
            _what_drives(forecaster, enquiry, options.level) if options.drivers else ({}, [])
        )
        results.append({"enquiry_id": label, **result.to_dict(), **why, **as_dict(cautions[label])})
    text = estimates_text(estimates, cautions, drivers, details=options.details)
    if register is not None:
        with Daybook(register) if register.exists() else make_daybook(register) as book:
            kept = [book.keep(one, by=BY) for one in promises]
        for result_of, one in zip(results, kept, strict=True):
            result_of["promise_no"] = one.promise_no
        numbers = ", ".join(f"{one.course_id} is promise {one.promise_no}" for one in kept)
        text = f"{text}\n\nKept in {register}: {numbers}."
    answer(options, {"estimates": results}, text)


def _own_values(given: str, forecaster: Forecaster) -> dict[str, str]:
    from forecast.log import normal_heading

    pairs = [pair.partition("=") for pair in given.split(",") if pair]
    found = {normal_heading(name): value for name, _, value in pairs}
    for name in found.keys() - set(forecaster.extra):
        raise RequestError(
            f"The model was fitted without a column {name!r}.",
            f"It has {', '.join(forecaster.extra) or 'none'}; write --extra NAME=VALUE.",
        )
    return found


def estimates_text(
    estimates: Mapping[str, Estimate],
    cautions: Mapping[str, tuple[Caution, ...]],
    drivers: Mapping[str, list[str]],
    *,
    details: bool,
) -> str:
    """Return the answers by enquiry, then what they rest on, said once; several as a table.

    What has to be cleared up first stands above them. Of the remarks on one answer the gravest is
    given, all of them with ``details``.
    """
    shared = [
        note
        for note in next(iter(estimates.values())).notes
        if all(note in one.notes for one in estimates.values())
    ]
    parts = list(filter(None, ["\n".join(by_line(cautions, "refer"))]))
    left_out = False
    if len(estimates) > 1 and not details:
        parts.append(_table(estimates))
    for label, one in estimates.items():
        own = sorted((n for n in one.notes if n not in shared), key=_gravest)
        kept = own if details else [note for note in own if note.severity != "info"][:2]
        left_out |= len(kept) < len(own)
        lines = list(one.headline) if len(estimates) == 1 or details else list(map(str, one.leads))
        lines += [f"- {note}" for note in kept] + drivers[label]
        if lines:
            parts.append("\n".join([*([f"Enquiry {label}"] * (len(estimates) > 1)), *lines]))
    parts.append(
        "\n".join(
            [
                "What this rests on:",
                *(f"- {note}" for note in shared),
                *["(--details gives every remark.)"] * left_out,
                *by_line(cautions, "care"),
            ]
        )
    )
    always = {one.key: one for of in cautions.values() for one in of if one.kind == "always"}
    parts.append("\n".join([CLOSING, *(f"- {item.to_text()}" for item in always.values())]))
    return "\n\n".join(parts)


def by_line(cautions: Mapping[str, tuple[Caution, ...]], kind: str) -> list[str]:
    """Return the cautions of a kind, each line once, with the enquiries that it is for."""
    mark = {"refer": "! Clear up first:", "care": "!"}[kind]
    told: dict[str, list[str]] = {}
    for label, of in cautions.items():
        for line in (f"{mark} {one.to_text()}" for one in of if one.kind == kind):
            told.setdefault(line, []).append(label)
    return [
        line if len(labels) == len(cautions) else f"{line} (Enquiry {', '.join(labels)})"
        for line, labels in told.items()
    ]


def _gravest(note: Note) -> int:
    return ("serious", "caution", "info").index(note.severity)


def _table(estimates: Mapping[str, Estimate]) -> str:
    from forecast.counts import of_100

    first = next(iter(estimates.values()))
    likeness = {"well covered": "many", "thin": "few", "outside": "none"}
    head = (
        "enquiry",
        "sessions",
        f"{first.level * 10:g} of 10 need",
        f"not there after {first.horizon}",
        "like it in the log",
    )
    rows = [
        (
            label,
            one.spoken(one.median),
            one.range_text(),
            of_100(one.not_within_horizon),
            likeness[one.support],
        )
        for label, one in estimates.items()
    ]
    return table_text([head, *rows])


def _what_drives(
    forecaster: Forecaster, enquiry: Enquiry, level: float, done: int = 0, gradings: Any = ()
) -> tuple[dict[str, Any], list[str]]:
    from forecast.counts import plainly, told

    found = forecaster.drivers(enquiry, level=level, sessions_done=done, gradings=gradings)
    similar = forecaster.log_summary.similar(enquiry)
    lines = ["What drives it (associations in the log, not effects of changing anything):"]
    drive = [f"  {driver.to_text()}" for driver in found if not driver.small]
    lines += drive or ["  nothing stands out: it is close to the common case"]
    reached = similar and told(similar["reached"])
    if similar is None:
        lines.append("Fewer than five past courses are alike in ink group, density and layers.")
    else:
        half = f"; half are there by session {similar['half_by']}" if similar["half_by"] else ""
        unlike = ", ".join(map(plainly, similar["unlike"]))
        lines.append(
            f"Past courses with {similar['like']}: {similar['n']}, of which {reached} "
            f"reached the goal so far{half}. They are alike in this alone, not in {unlike}."
        )
    alike = similar and {**similar, "like": str(similar["like"]), "reached": reached}
    return {"drivers": [driver.to_dict() for driver in found], "similar": alike}, lines


def run_update(options: Options) -> None:
    """Do what ``forecast update`` is asked."""
    forecaster = forecast.load_forecaster(options.model)
    course = course_of(options)
    if course is None and options.sessions_done is None:
        raise RequestError("It is not said how many sessions were had.", "Give --sessions-done K.")
    enquiry, asked = asked_of(options, course, forecaster.extra)
    done: int = course.done if course else options.sessions_done
    gradings = list(course.graded) if course else gradings_of(options)
    given: Any = {"sessions_done": done, "gradings": gradings, "level": options.level}
    later = forecaster.update(enquiry, **given)
    cautions = tattoo.cautions_for(enquiry, **asked)
    first = by_line({"": cautions}, "refer")
    priced: dict[str, Any] = {}
    lines: list[str] = []
    if options.drivers:
        priced, lines = _what_drives(forecaster, enquiry, options.level, done, gradings)
    if options.tariff and first:
        priced, lines = priced | {"withheld": True}, [*lines, "", WITHHELD]
    elif options.tariff:
        quoted, costs = _price_remaining(later, options.tariff, done)
        priced, lines = priced | quoted, [*lines, *costs]
    against = _against(course, later) if course else None
    data = {
        **({"promised": against.to_dict() | {"text": str(against)}} if against else {}),
        "remaining": later.remaining.to_dict(),
        "total": later.total.to_dict(),
        **as_dict(cautions),
        **priced,
    }
    tell = " Tell the client." if against and against.severity != "info" else ""
    said = [f"{against}{tell}\n"] * bool(against) + update_lines(later, details=options.details)
    more = by_line({"": cautions}, "care")
    answer(options, data, "\n".join([*first, *said, *lines, *more, "", CLOSING]))


def update_lines(later: Update, *, details: bool) -> list[str]:
    """Return the answer mid-course, a line each; with ``details`` all that it rests on."""
    now, whole = later.remaining, later.total
    stalled = [note for note in now.notes if note.code in STALL]
    notes = sorted((note for note in now.notes if note not in stalled), key=_gravest)
    grave = [note for note in notes if note.severity != "info"]
    kept = notes if details else grave[:2]
    return [
        *(f"! {note}" if note.severity != "info" else str(note) for note in stalled),
        *now.headline[:2],
        *[
            f"With the {later.sessions_done} done: {whole.spoken(whole.median)} in all, "
            f"{whole.range_text()} for {whole.level * 10:g} of 10."
        ]
        * bool(later.sessions_done),
        *now.headline[2:],
        *(f"- {note}" for note in kept),
        *["(--details gives every remark.)"] * (len(kept) < len(notes)),
    ]


def _against(course: Course, later: Update) -> Note | None:
    from forecast.forecaster import against_promise

    return against_promise(course, later.total, (*later.total.notes, *later.remaining.notes))


def _price_remaining(later: Update, path: Path, done: int) -> tuple[dict[str, Any], list[str]]:
    tariff = prices.read_tariff(path)
    left = [(package.name, prices.left_of(package, tariff, done)) for package in tariff.packages]
    quotes = [
        forecast.price_package(later.remaining, *found, started=bool(done))
        for _, found in left
        if found is not None
    ]
    gone = [name for name, found in left if found is None]
    lines = [
        "",
        "For the sessions from now on; those had count, except towards a block, sold anew:",
    ]
    lines += [prices.quotes_text(quotes)] if quotes else []
    lines += [
        f"{name}: not offered any more, more than is left of the most sessions in a course."
        for name in gone
    ]
    return {"quotes": [quote.to_dict() for quote in quotes], "not_offered": gone}, lines


def as_dict(cautions: tuple[Caution, ...]) -> Mapping[str, Any]:
    """Return the cautions as plain JSON values."""
    return {"cautions": [caution.to_dict() for caution in cautions]}
