"""A saved model answers: `estimate` and `update` with numpy alone, `price` what packages cost."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import prices, tattoo
from forecast._checks import LEVEL
from forecast.cli.files import (
    BY,
    Options,
    add_command,
    add_gradings,
    add_promise,
    answer,
    check_register,
    course_of,
    gradings_of,
    progress,
    read_enquiries,
    read_one_enquiry,
    write_template,
)
from forecast.cli.log import read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast._notes import Note
    from forecast.cli.files import Commands
    from forecast.counts import Estimate
    from forecast.daybook import Course, Promise
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry, OutcomeLog
    from forecast.midcourse import Update
    from forecast.prices import Tariff
    from forecast.tattoo import Caution

CLOSING = "Estimates from past courses: not a promise, and never a treatment setting."
LISTED = ("block", "fixed")


def add_estimate(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "estimate", _estimate, says="how many sessions each enquiry is likely to need"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiries", metavar="ENQUIRIES.csv", type=Path)
    parser.add_argument(
        "--level", type=float, default=LEVEL, help=f"what the interval covers ({LEVEL:g})"
    )
    parser.add_argument("--strategy", help="a pulse strategy instead of the log's own practice")
    parser.add_argument(
        "--lighten",
        metavar="MODEL2.json",
        type=Path,
        help="one fitted with --goal lighten: what that takes where most do not clear",
    )
    parser.add_argument(
        "--drivers",
        action="store_true",
        help="also say what each attribute does to the count, and how past courses like it went",
    )
    parser.add_argument(
        "--register",
        type=Path,
        metavar="BOOK.sqlite",
        help="keep each estimate as a promise in a daybook, to be judged by assess later",
    )


def add_update(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "update", _update, says="how many sessions are still needed, mid-course"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiry", metavar="ENQUIRY.csv", type=Path, nargs="?")
    parser.add_argument("--sessions-done", type=int, metavar="K")
    add_gradings(parser)
    add_promise(parser, daybook=True)
    parser.add_argument(
        "--drivers", action="store_true", help="also say what gradings and attributes do to it"
    )
    parser.add_argument(
        "--tariff", type=Path, metavar="TARIFF.toml", help="also price the sessions still needed"
    )
    parser.add_argument(
        "--level", type=float, default=LEVEL, help=f"what the interval covers ({LEVEL:g})"
    )


def _estimate(options: Options) -> None:
    forecaster = forecast.load_forecaster(options.model)
    lighten = options.lighten and forecast.load_forecaster(options.lighten)
    results: list[dict[str, Any]] = []
    texts: list[str] = []
    always: dict[str, Caution] = {}
    promises: list[Promise] = []
    register: Path | None = options.register
    if register is not None:
        check_register(register)
    enquiries = read_enquiries(options.enquiries, named=register is not None)
    for label, enquiry in enquiries.items():
        result = forecaster.estimate(
            enquiry, level=options.level, strategy=options.strategy, lighten=lighten
        )
        if register is not None:
            promises.append(_promised(forecaster, result, enquiry, label))
        cautions = tattoo.cautions_for(enquiry)
        why, lines = (
            _what_drives(forecaster, enquiry, options.level) if options.drivers else ({}, [])
        )
        results.append({"enquiry_id": label, **result.to_dict(), **why, **as_dict(cautions)})
        texts.append(
            "\n".join([f"Enquiry {label}", result.to_text(), *lines, *own_lines(cautions)])
        )
        always |= {caution.key: caution for caution in cautions if caution.kind == "always"}
    texts.append("\n".join([CLOSING, *(f"- {item.to_text()}" for item in always.values())]))
    if register is not None:
        from forecast.daybook import Daybook, make_daybook

        with Daybook(register) if register.exists() else make_daybook(register) as book:
            kept = [book.keep(one, by=BY) for one in promises]
        for result_of, one in zip(results, kept, strict=True):
            result_of["promise_no"] = one.promise_no
        numbers = ", ".join(f"{one.course_id} is promise {one.promise_no}" for one in kept)
        texts.append(f"Kept in {register}: {numbers}.")
    answer(options, {"estimates": results}, "\n\n".join(texts))


def _promised(forecaster: Forecaster, estimate: Estimate, enquiry: Enquiry, label: str) -> Promise:
    from forecast.daybook import check_code
    from forecast.forecaster import promise_of

    code = check_code(label, "enquiry_id")
    return promise_of(forecaster, estimate, enquiry, client_id=code, course_id=code)


def _what_drives(
    forecaster: Forecaster, enquiry: Enquiry, level: float, done: int = 0, gradings: Any = ()
) -> tuple[dict[str, Any], list[str]]:
    found = forecaster.drivers(enquiry, level=level, sessions_done=done, gradings=gradings)
    similar = forecaster.log_summary.similar(enquiry)
    lines = ["What drives it (associations in the log, not effects of changing anything):"]
    told = [f"  {driver.to_text()}" for driver in found if not driver.small]
    lines += told or ["  nothing stands out: it is close to the common case"]
    if similar is None:
        lines.append("Fewer than five past courses are alike in ink group, density and layers.")
    else:
        half = f"; half are there by session {similar['half_by']}" if similar["half_by"] else ""
        unlike = ", ".join(name.replace("_", " ") for name in similar["unlike"])
        lines.append(
            f"Past courses with {similar['like']}: {similar['n']}, of which {similar['reached']} "
            f"reached the goal so far{half}. They are alike in this alone, not in {unlike}."
        )
    alike = similar and {**similar, "like": str(similar["like"])}
    return {"drivers": [driver.to_dict() for driver in found], "similar": alike}, lines


def _update(options: Options) -> None:
    forecaster = forecast.load_forecaster(options.model)
    course = course_of(options)
    if course is None and options.sessions_done is None:
        raise RequestError("It is not said how many sessions were had.", "Give --sessions-done K.")
    enquiry = (course and course.enquiry) or read_one_enquiry(options.enquiry)
    done: int = course.done if course else options.sessions_done
    gradings = list(course.graded) if course else gradings_of(options)
    given: Any = {"sessions_done": done, "gradings": gradings, "level": options.level}
    later = forecaster.update(enquiry, **given)
    cautions = tattoo.cautions_for(enquiry)
    priced: dict[str, Any] = {}
    lines: list[str] = []
    if options.drivers:
        priced, lines = _what_drives(forecaster, enquiry, options.level, done, gradings)
    if options.tariff:
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
    text = [
        *([str(against), ""] if against else []),
        f"After {done} session(s), still needed:",
        later.remaining.to_text(),
        "",
        "In total:",
        *(line for line in later.total.to_text().splitlines() if not line.startswith("- ")),
        *lines,
        *own_lines(cautions),
        "",
        CLOSING,
    ]
    answer(options, data, "\n".join(text))


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
    lines = ["", "For the sessions from the next one on; those had count towards what is sold:"]
    lines += [prices.quotes_text(quotes)] if quotes else []
    lines += [
        f"{name}: not offered any more, more than is left of the most sessions in a course."
        for name in gone
    ]
    return {"quotes": [quote.to_dict() for quote in quotes], "not_offered": gone}, lines


def as_dict(cautions: tuple[Caution, ...]) -> Mapping[str, Any]:
    """Return the cautions as plain JSON values."""
    return {"cautions": [caution.to_dict() for caution in cautions]}


def own_lines(cautions: tuple[Caution, ...]) -> list[str]:
    """Return the cautions that this enquiry has and others may not, a line each."""
    return [f"! {caution.to_text()}" for caution in cautions if caution.kind != "always"]


def add_price(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "price", _price, says="what packages should cost, with the risk stated"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path, nargs="?")
    parser.add_argument("enquiries", metavar="ENQUIRIES.csv", type=Path, nargs="?")
    parser.add_argument("--tariff", metavar="TARIFF.toml", type=Path, help="costs, rules, packages")
    parser.add_argument(
        "--courses",
        type=int,
        metavar="N",
        help="also a year of N courses like these, packages in equal shares",
    )
    parser.add_argument(
        "--log",
        type=Path,
        help="also the price list, the courses under way and the past of this log",
    )
    parser.add_argument("--seed", type=int, default=0, help="of what is simulated (0)")
    parser.add_argument(
        "--template",
        metavar="TARIFF.toml",
        type=Path,
        nargs="?",
        const=Path("tariff.toml"),
        help="write a commented tariff to start from, and stop (tariff.toml)",
    )


def _price(options: Options) -> None:
    if options.template is not None:
        write_template(options, prices.tariff_template(), then="replace its numbers by your own.")
        return
    if options.enquiries is None or options.tariff is None:
        raise RequestError(
            "Pricing needs a model, enquiries and a tariff.",
            "Give MODEL.json ENQUIRIES.csv --tariff TARIFF.toml; --template writes a tariff.",
        )
    tariff = prices.read_tariff(options.tariff)
    if not tariff.packages:
        raise RequestError(
            f"{options.tariff} offers no package.", "Add at least one [[packages]] to it."
        )
    forecaster = forecast.load_forecaster(options.model)
    enquiries = read_enquiries(options.enquiries)
    data, texts = _quote_all(forecaster, enquiries, tariff)
    if options.courses is not None:
        year = forecast.price_caseload(
            forecaster,
            list(enquiries.values()),
            tariff.packages,
            tariff,
            courses=options.courses,
            seed=options.seed,
        )
        data["year"] = year.to_dict()
        texts.append(year.to_text())
    if options.log is not None:
        found, words = _owner_view(forecaster, read(options), tariff, seed=options.seed)
        data |= found
        texts.append(words)
    answer(options, data, "\n\n".join([*texts, CLOSING]))


def _quote_all(
    forecaster: Forecaster, enquiries: Mapping[str, Enquiry], tariff: Tariff
) -> tuple[dict[str, Any], list[str]]:
    results: list[dict[str, Any]] = []
    texts: list[str] = []
    for label, enquiry in enquiries.items():
        estimate = forecaster.estimate(enquiry)
        quotes = [forecast.price_package(estimate, package, tariff) for package in tariff.packages]
        cautions = tattoo.cautions_for(enquiry)
        priced = {"enquiry_id": label, "quotes": [quote.to_dict() for quote in quotes]}
        results.append({**priced, **as_dict(cautions)})
        title = "\n".join([f"Enquiry {label}", *own_lines(cautions)])
        texts.append(f"{title}\n\n{prices.quotes_text(quotes)}")
    return {"prices": results}, texts


def _owner_view(
    forecaster: Forecaster, log: OutcomeLog, tariff: Tariff, *, seed: int
) -> tuple[dict[str, Any], str]:
    # For the clinic's own courses: a price list for each package with one price for several
    # sessions, the courses under way, and what each priced package would have earned so far.
    progress("Making the price list")
    lists = [
        prices.make_price_list(forecaster, log.courses, package, tariff)
        for package in tariff.packages
        if package.kind in LISTED
    ]
    progress("Valuing the courses under way")
    try:
        book = prices.value_open_book(forecaster, log, tariff, seed=seed)
    except RequestError as error:
        open_book, open_text = None, f"Courses under way: {error}"
    else:
        open_book, open_text = book, book.to_text()
    progress("Trying the tariff on the past")
    priced = [one for one in tariff.packages if one.price is not None or one.kind == "per_session"]
    past = [prices.backtest_package(log, package, tariff, seed=seed) for package in priced]
    unpriced = [one.name for one in tariff.packages if one not in priced]
    data = {"price_lists": lists, "open_book": open_book, "backtests": past}
    parts = [
        "Price list, from the mix of this log:",
        *(one.to_text() for one in lists),
        "Courses under way:",
        open_text,
        "What this tariff would have earned on past courses:",
        *(one.to_text() for one in past),
        *(f"{name}: no price in the tariff, so nothing to try on the past." for name in unpriced),
    ]
    return data, "\n\n".join(parts)
