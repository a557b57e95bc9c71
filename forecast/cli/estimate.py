"""A saved model answers: `estimate` and `update` with numpy alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import prices, tattoo
from forecast._notes import (
    Note,
    Sentence,
    aligned,
    bullets,
    notes_as_json,
    problem_and_remedy,
    sentence,
)
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
    paragraphs,
    read_enquiries,
)
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.daybook import Promise
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry
    from forecast.midcourse import Update
    from forecast.tattoo import Caution


def run_estimate(options: Options) -> None:
    """Do what ``forecast estimate`` is asked."""
    forecaster = forecast.load_forecaster(options.model)
    lighten = options.lighten and forecast.load_forecaster(options.lighten)
    results: list[dict[str, Any]] = []
    estimates: dict[str, Estimate] = {}
    cautions: dict[str, tuple[Caution, ...]] = {}
    drivers: dict[str, list[Sentence]] = {}
    promises: list[Promise] = []
    register: Path | None = options.register
    if register is not None:
        from forecast.daybook import Daybook, make_daybook
        from forecast.forecaster import promise_of

        check_register(register)
    enquiries, facts = read_enquiries(
        options.enquiries,
        named=register is not None,
        extra=forecaster.extra,
        language=options.language,
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
            known = {"questions": "asked" if asked["all_asked"] else "not_asked"}
            known["facts"] = ";".join(sorted(asked["facts"]))
            about = (forecaster, result, enquiry)
            promises.append(promise_of(*about, client_id=label, course_id=label, quoted=known))
        cautions[label] = tattoo.cautions_for(enquiry, **asked)
        why, drivers[label] = (
            _what_drives(forecaster, enquiry, options.level) if options.drivers else ({}, [])
        )
        results.append({"enquiry_id": label, **result.to_dict(), **why, **as_dict(cautions[label])})
    asked = {"details": options.details, "language": options.language}
    lines = estimates_lines(estimates, cautions, drivers, **asked)
    if register is not None:
        with Daybook(register) if register.exists() else make_daybook(register) as book:
            kept = [book.keep(one, by=BY) for one in promises]
        for result_of, one in zip(results, kept, strict=True):
            result_of["promise_no"] = one.promise_no
        numbers = [
            sentence("text.promise", {"course": one.course_id, "n": one.promise_no}) for one in kept
        ]
        lines += ["", sentence("text.kept", {"book": str(register), "numbers": numbers})]
    answer(options, {"estimates": results}, lines)


def _own_values(given: str, forecaster: Forecaster) -> dict[str, str]:
    from forecast.log import normal_heading

    pairs = [pair.partition("=") for pair in given.split(",") if pair]
    found = {normal_heading(name): value for name, _, value in pairs}
    for name in found.keys() - set(forecaster.extra):
        values = {"name": name, "known": forecaster.extra or "none"}
        raise RequestError(*problem_and_remedy("refused.no_extra", values))
    return found


def estimates_lines(
    estimates: Mapping[str, Estimate],
    cautions: Mapping[str, tuple[Caution, ...]],
    drivers: Mapping[str, list[Sentence]],
    *,
    details: bool,
    language: str,
) -> list[str]:
    """Return the answers by enquiry, then what they rest on, said once; several as a table.

    What has to be cleared up first stands above them. Of the remarks on one answer the gravest is
    given; all of them, and the cautions that hold for everybody, with ``details``.
    """
    first, *others = estimates.values()
    shared = [note for note in first.notes if all(note in one.notes for one in others)]
    parts: list[list[str]] = [[*by_line(cautions, "refer")]]
    left_out = False
    if len(estimates) > 1 and not details:
        parts.append(_table(estimates, language))
    for label, one in estimates.items():
        own = sorted((n for n in one.notes if n not in shared), key=_gravest)
        kept = own if details else [note for note in own if note.severity != "info"][:2]
        left_out |= len(kept) < len(own)
        whole = len(estimates) == 1 or details
        lines = [*one.headline] if whole else [*map(Sentence, one.leads)]
        lines += [*bullets(kept), *drivers[label]]
        if lines:
            title = [sentence("text.enquiry", {"label": label})] * (len(estimates) > 1)
            parts.append([*title, *lines])
    parts.append([
        sentence("text.rests_on"),
        *bullets(shared),
        *[sentence("text.every_remark")] * left_out,
        *by_line(cautions, "care"),
    ])  # fmt: skip
    always = {one.key: one for of in cautions.values() for one in of if one.kind == "always"}
    for_all = bullets(always.values()) if details else [sentence("text.for_all")] * bool(always)
    return paragraphs([*parts, [CLOSING, *for_all]])


def by_line(cautions: Mapping[str, tuple[Caution, ...]], kind: str) -> list[Sentence]:
    """Return the cautions of a kind, each line once, with the enquiries that it is for."""
    told: dict[Caution, list[str]] = {}
    for label, of in cautions.items():
        for one in of:
            if one.kind == kind:
                told.setdefault(one, []).append(label)
    lines = []
    for one, labels in told.items():
        named = sentence("text.enquiries" if labels[1:] else "text.enquiry", {"label": labels})
        code = f"text.{kind}{'_of' * (len(labels) < len(cautions))}"
        lines.append(sentence(code, {"caution": one, "of": named}))
    return lines


def _gravest(note: Note) -> int:
    return ("serious", "caution", "info").index(note.severity)


def _table(estimates: Mapping[str, Estimate], language: str) -> list[str]:
    from forecast.counts import of_100

    first = next(iter(estimates.values()))
    likeness = {"well covered": "many", "thin": "few", "outside": "none"}
    heads = ("enquiry", "sessions", "need", "not_there", "alike")
    values = {"of_ten": first.level * 10, "horizon": first.horizon}
    head = [sentence(f"text.head_{name}", values) for name in heads]
    rows = [
        (
            label,
            one.spoken(one.median),
            one.range_text(),
            of_100(one.not_within_horizon),
            sentence(f"text.alike_{likeness[one.support]}"),
        )
        for label, one in estimates.items()
    ]
    return aligned([head, *rows], language)


def _what_drives(
    forecaster: Forecaster, enquiry: Enquiry, level: float, done: int = 0, gradings: Any = ()
) -> tuple[dict[str, Any], list[Sentence]]:
    from forecast.counts import told

    found = forecaster.drivers(enquiry, level=level, sessions_done=done, gradings=gradings)
    similar = forecaster.log_summary.similar(enquiry)
    lines = [sentence("drivers.title")]
    drive = [sentence("drivers.one", {"driver": driver}) for driver in found if not driver.small]
    lines += drive or [sentence("drivers.none")]
    reached = similar and told(similar["reached"])
    lines.append(Sentence(forecaster.log_summary.alike(enquiry) or Note("drivers.none_alike")))
    alike = similar and {**similar, "like": str(similar["like"]), "reached": reached}
    return {"drivers": [driver.to_dict() for driver in found], "similar": alike}, lines


def run_update(options: Options) -> None:
    """Do what ``forecast update`` is asked."""
    forecaster = forecast.load_forecaster(options.model)
    course = course_of(options)
    if course is None and options.sessions_done is None:
        raise RequestError(*problem_and_remedy("refused.how_many"))
    enquiry, asked = asked_of(options, course, forecaster.extra)
    done: int = course.done if course else options.sessions_done
    gradings = list(course.graded) if course else gradings_of(options)
    given: Any = {"sessions_done": done, "gradings": gradings, "level": options.level}
    later = forecaster.update(enquiry, **given)
    cautions = tattoo.cautions_for(enquiry, **asked)
    first = by_line({"": cautions}, "refer")
    data: dict[str, Any] = {}
    lines: list[str] = [*first]
    if course:
        from forecast.forecaster import against_promise

        data |= notes_as_json(course.reacted, "reaction")
        lines += [*map(Sentence, course.reacted), *[""] * bool(course.reacted)]
        notes = (*later.total.notes, *later.remaining.notes)
        if against := against_promise(course, later.total, notes):
            data["promised"] = against.to_dict() | {"text": str(against)}
            tell = "" if against.severity == "info" else sentence("text.tell")
            lines += [sentence("text.against", {"against": against, "tell": tell}), ""]
    data |= {"remaining": later.remaining.to_dict(), "total": later.total.to_dict()}
    data |= as_dict(cautions)
    lines += update_lines(later, details=options.details)
    if options.drivers:
        found, drivers = _what_drives(forecaster, enquiry, options.level, done, gradings)
        data, lines = data | found, [*lines, *drivers]
    if options.tariff and first:
        data, lines = data | {"withheld": True}, [*lines, "", WITHHELD]
    elif options.tariff:
        found, costs = _price_remaining(later, options, done)
        data, lines = data | found, [*lines, *costs]
    answer(options, data, [*lines, *by_line({"": cautions}, "care"), "", CLOSING])


def update_lines(later: Update, *, details: bool) -> list[Sentence]:
    """Return the answer mid-course, a line each; with ``details`` all that it rests on."""
    from forecast.counts import in_all
    from forecast.midcourse import STALL

    now = later.remaining
    pace = (*STALL, "midcourse.as_usual", "midcourse.faster")
    stalled = [note for note in now.notes if note.code in pace]
    notes = sorted((note for note in now.notes if note not in stalled), key=_gravest)
    kept = notes if details else [note for note in notes if note.severity != "info"][:2]
    return [
        *(
            sentence("text.stalled", {"note": note}) if note.severity != "info" else Sentence(note)
            for note in stalled
        ),
        *now.headline[:2],
        *[Sentence(in_all(later.total, later.sessions_done))] * bool(later.sessions_done),
        *now.headline[2:],
        *bullets(kept),
        *[sentence("text.every_remark")] * (len(kept) < len(notes)),
    ]


def _price_remaining(
    later: Update, options: Options, done: int
) -> tuple[dict[str, Any], list[str]]:
    tariff = prices.read_tariff(options.tariff)
    left = [(package, prices.left_of(package, tariff, done)) for package in tariff.packages]
    quotes = [
        forecast.price_package(later.remaining, *found, started=bool(done))
        for _, found in left
        if found is not None
    ]
    lines: list[str] = [""]
    if quotes:
        lines += [sentence("text.from_now_on")]
        lines += prices.quotes_lines(quotes, details=options.details)
        lines += [] if options.details else [sentence("text.each_quote")]
    cap = prices.cap_note(later.remaining, tariff, done)
    lines += map(Sentence, [*filter(None, [cap]), *prices.no_longer_sold(tariff, done)])
    names = [package.name for package, found in left if found is None]
    data = {"quotes": [quote.to_dict() for quote in quotes], "not_offered": names}
    return data | {"cap": cap and cap.to_dict() | {"text": str(cap)}}, lines


def as_dict(cautions: tuple[Caution, ...]) -> Mapping[str, Any]:
    """Return the cautions as plain JSON values."""
    return {"cautions": [caution.to_dict() for caution in cautions]}
