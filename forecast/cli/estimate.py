"""A saved model answers: `estimate` and `update` with numpy alone, `price` what packages cost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import prices, tattoo
from forecast._checks import LEVEL
from forecast.cli.files import (
    CLOSING,
    Options,
    add_command,
    add_gradings,
    answer,
    check_output,
    check_register,
    gradings_of,
    progress,
    read_enquiries,
    read_one_enquiry,
    sheet_names,
    table_text,
    write_tables,
    write_template,
    write_text,
)
from forecast.cli.log import read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast._notes import Note
    from forecast.cli.files import Commands
    from forecast.counts import Estimate
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry, OutcomeLog
    from forecast.midcourse import Update
    from forecast.prices import Tariff
    from forecast.tattoo import Caution

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
        metavar="R.jsonl",
        help="append each estimate to a register of promises, to be judged by assess later",
    )


def add_update(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "update", _update, says="how many sessions are still needed, mid-course"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiry", metavar="ENQUIRY.csv", type=Path)
    parser.add_argument("--sessions-done", type=int, required=True, metavar="K")
    add_gradings(parser)
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
    estimates: dict[str, Estimate] = {}
    cautions: dict[str, tuple[Caution, ...]] = {}
    drivers: dict[str, list[str]] = {}
    if options.register is not None:
        from forecast.forecaster import record_promise

        check_register(options.register)
    enquiries = read_enquiries(options.enquiries, named=options.register is not None)
    for label, enquiry in enquiries.items():
        result = estimates[label] = forecaster.estimate(
            enquiry, level=options.level, strategy=options.strategy, lighten=lighten
        )
        if options.register is not None:
            record_promise(options.register, result, enquiry_id=label, issued_on=date.today())
        cautions[label] = tattoo.cautions_for(enquiry)
        why, drivers[label] = (
            _what_drives(forecaster, enquiry, options.level) if options.drivers else ({}, [])
        )
        results.append({"enquiry_id": label, **result.to_dict(), **why, **as_dict(cautions[label])})
    text = estimates_text(estimates, cautions, drivers, details=options.details)
    answer(options, {"estimates": results}, text)


def estimates_text(
    estimates: Mapping[str, Estimate],
    cautions: Mapping[str, tuple[Caution, ...]],
    drivers: Mapping[str, list[str]],
    *,
    details: bool,
) -> str:
    """Return the answers by enquiry, then what they rest on, said once; several as a table.

    Of the remarks on one answer the gravest is given, all of them with ``details``.
    """
    shared = [
        note
        for note in next(iter(estimates.values())).notes
        if all(note in one.notes for one in estimates.values())
    ]
    parts: list[str] = []
    left_out = False
    if len(estimates) > 1 and not details:
        parts.append(_table(estimates))
    for label, one in estimates.items():
        own = sorted((n for n in one.notes if n not in shared), key=_gravest)
        kept = own if details else [note for note in own if note.severity != "info"][:2]
        left_out |= len(kept) < len(own)
        lines = list(one.headline) if not parts or details else list(map(str, one.leads))
        lines += [f"- {note}" for note in kept] + drivers[label]
        if lines:
            parts.append("\n".join([*([f"Enquiry {label}"] * (len(estimates) > 1)), *lines]))
    told: dict[str, list[str]] = {}
    for label, of in cautions.items():
        for line in own_lines(of):
            told.setdefault(line, []).append(label)
    everybody = len(estimates)
    parts.append(
        "\n".join(
            [
                "What this rests on:",
                *(f"- {note}" for note in shared),
                *["(--details gives every remark.)"] * left_out,
                *(
                    line if len(labels) == everybody else f"{line} (Enquiry {', '.join(labels)})"
                    for line, labels in told.items()
                ),
            ]
        )
    )
    always = {one.key: one for of in cautions.values() for one in of if one.kind == "always"}
    parts.append("\n".join([CLOSING, *(f"- {item.to_text()}" for item in always.values())]))
    return "\n\n".join(parts)


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
    from forecast.counts import plainly

    found = forecaster.drivers(enquiry, level=level, sessions_done=done, gradings=gradings)
    similar = forecaster.log_summary.similar(enquiry)
    lines = ["What drives it (associations in the log, not effects of changing anything):"]
    told = [f"  {driver.to_text()}" for driver in found if not driver.small]
    lines += told or ["  nothing stands out: it is close to the common case"]
    if similar is None:
        lines.append("Fewer than five past courses are alike in ink group, density and layers.")
    else:
        half = f"; half are there by session {similar['half_by']}" if similar["half_by"] else ""
        unlike = ", ".join(map(plainly, similar["unlike"]))
        lines.append(
            f"Past courses with {similar['like']}: {similar['n']}, of which {similar['reached']} "
            f"reached the goal so far{half}. They are alike in this alone, not in {unlike}."
        )
    alike = similar and {**similar, "like": str(similar["like"])}
    return {"drivers": [driver.to_dict() for driver in found], "similar": alike}, lines


def _update(options: Options) -> None:
    forecaster = forecast.load_forecaster(options.model)
    enquiry = read_one_enquiry(options.enquiry)
    gradings = gradings_of(options)
    later = forecaster.update(
        enquiry, sessions_done=options.sessions_done, gradings=gradings, level=options.level
    )
    cautions = tattoo.cautions_for(enquiry)
    priced: dict[str, Any] = {}
    lines: list[str] = []
    if options.drivers:
        given = (options.level, options.sessions_done, gradings)
        priced, lines = _what_drives(forecaster, enquiry, *given)
    if options.tariff:
        quoted, costs = _price_remaining(later, options.tariff, options.sessions_done)
        priced, lines = priced | quoted, [*lines, *costs]
    data = {
        "remaining": later.remaining.to_dict(),
        "total": later.total.to_dict(),
        **as_dict(cautions),
        **priced,
    }
    answer(
        options,
        data,
        "\n".join(
            [
                *update_lines(later, details=options.details),
                *lines,
                *own_lines(cautions),
                "",
                CLOSING,
            ]
        ),
    )


def update_lines(later: Update, *, details: bool) -> list[str]:
    """Return the answer mid-course, a line each; with ``details`` all that it rests on."""
    now, whole = later.remaining, later.total
    notes = sorted(now.notes, key=_gravest)
    grave = [note for note in notes if note.severity != "info"]
    kept = notes if details else grave[:2]
    return [
        *now.headline[:2],
        f"With the {later.sessions_done} done: {whole.spoken(whole.median)} in all, "
        f"{whole.range_text()} for {whole.level * 10:g} of 10.",
        *now.headline[2:],
        *(f"- {note}" for note in kept),
        *["(--details gives every remark.)"] * (len(kept) < len(notes)),
    ]


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
        help="also a year of about N courses like these (the log's number), packages in equal "
        "shares",
    )
    parser.add_argument(
        "--log",
        type=Path,
        help="also the price list, the courses under way and the past of this log",
    )
    parser.add_argument("--seed", type=int, default=0, help="of what is simulated (0)")
    parser.add_argument(
        "--out", type=Path, metavar="PRICES.xlsx", help="also write the tables as a workbook"
    )
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
    if options.out is not None:
        check_output(options.out, what="a workbook of prices", known=_holds_prices)
    forecaster = forecast.load_forecaster(options.model)
    enquiries = read_enquiries(options.enquiries)
    log = None if options.log is None else read(options)
    data, texts = _quote_all(forecaster, enquiries, tariff, details=options.details)
    sheets = dict(data.pop("sheets"))
    if options.courses is not None or log is not None:
        year = forecast.price_caseload(
            forecaster,
            list(enquiries.values()),
            tariff.packages,
            tariff,
            courses=options.courses,
            log=log,
            seed=options.seed,
        )
        data["year"] = year.to_dict()
        texts.append(year.to_text())
    if log is not None:
        found, words = _owner_view(forecaster, log, tariff, seed=options.seed)
        data |= found
        texts.append(words)
        sheets |= {f"list {one.package.name}": one.to_frame() for one in found["price_lists"]}
    if options.out is not None:
        texts.append(_write_prices(options.out, sheets, data.get("price_lists", ())))
    answer(options, data, "\n\n".join([*texts, CLOSING]))


def _write_prices(out: Path, sheets: Mapping[str, Any], lists: Sequence[Any]) -> str:
    write_tables(out, sheets)
    pages = [
        _write_page(out.with_name(f"{out.stem}-list-{number}.html"), one.to_html())
        for number, one in enumerate(lists, start=1)
    ]
    return "\n".join([f"Wrote {out}.", *(f"Wrote {page}, to print." for page in pages)])


def _write_page(page: Path, html: str) -> Path:
    # as PDF where a browser is installed that makes one
    with suppress(ModuleNotFoundError):
        from forecast.page import find_browser, html_to_pdf

        if browser := find_browser():
            check_output(page.with_suffix(".pdf"), what="a price list", known=_is_list)
            html_to_pdf(html, page.with_suffix(".pdf"), browser=browser)
            return page.with_suffix(".pdf")
    check_output(page, what="a price list", known=_is_list)
    write_text(page, html)
    return page


def _is_list(content: bytes) -> bool:
    return b"Price, tax included" in content or content.startswith(b"%PDF")


def _holds_prices(content: bytes) -> bool:
    return sheet_names(content)[:1] == ["who loses"]


def add_appointments(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "appointments", _appointments, says="the appointments to come, month by month"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("log", metavar="LOG", type=Path)
    parser.add_argument("--weeks", type=int, default=52, help="how far to look (52)")
    parser.add_argument(
        "--tariff",
        type=Path,
        metavar="TARIFF.toml",
        help="also hours, when they no longer suffice, and money",
    )
    parser.add_argument(
        "--starts-per-month", type=float, metavar="N", help="new courses a month (the log's rate)"
    )
    parser.add_argument("--seed", type=int, default=0, help="of what is simulated (0)")
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FILE.csv|.ics",
        help="also write the months as a table or a calendar",
    )


def _appointments(options: Options) -> None:
    out: Path | None = options.out
    if out is not None:
        if out.suffix not in (".csv", ".ics"):
            raise RequestError(
                f"{out} is neither .csv nor .ics.", "Name the file with one of them."
            )
        check_output(out, what="a table or calendar of appointments", known=_holds_appointments)
    tariff = options.tariff and prices.read_tariff(options.tariff)
    forecaster, log = forecast.load_forecaster(options.model), read(options)
    progress("Following each course under way")
    load = forecast.forecast_appointments(
        forecaster,
        log,
        tariff,
        weeks=options.weeks,
        starts_per_month=options.starts_per_month,
        seed=options.seed,
    )
    data, text = load.to_dict(), load.to_text()
    if out is not None:
        table = out.suffix == ".csv"
        write_text(out, load.to_frame().to_csv(index=False) if table else load.to_calendar())
        data, text = {**data, "written": str(out)}, f"{text}\n\nWrote {out}."
    answer(options, data, text)


def _holds_appointments(content: bytes) -> bool:
    return content.startswith(b"month,days,") or b"//session-forecast//appointments" in content


def _quote_all(
    forecaster: Forecaster, enquiries: Mapping[str, Enquiry], tariff: Tariff, *, details: bool
) -> tuple[dict[str, Any], list[str]]:
    results: list[dict[str, Any]] = []
    texts: list[str] = []
    rows = forecast.price_many(forecaster, list(enquiries.values()), tariff.packages, tariff)
    rows["enquiry"] = [list(enquiries)[k] for k in rows["enquiry"]]
    table = prices.WhoLoses(rows, tariff.currency)
    warned = {label: own_lines(tattoo.cautions_for(one)) for label, one in enquiries.items()}
    first = [f"Enquiry {label}: {line}" for label, lines in warned.items() for line in lines]
    more = [] if details else ["Each quote by itself: --details."]
    for label, enquiry in enquiries.items():
        estimate = forecaster.estimate(enquiry)
        quotes = [forecast.price_package(estimate, package, tariff) for package in tariff.packages]
        priced = {"enquiry_id": label, "quotes": [quote.to_dict() for quote in quotes]}
        results.append({**priced, **as_dict(tattoo.cautions_for(enquiry))})
        title = "\n".join([f"Enquiry {label}", *warned[label]])
        texts.append(f"{title}\n\n{prices.quotes_text(quotes)}")
    sheets = {"who loses": table.to_frame(), "worst": table.worst(), "all": rows}
    words = "\n".join([table.to_text(), *first, *more])
    return (
        {"who_loses": table.to_dict(), "prices": results, "sheets": sheets},
        [words, *(texts if details else [])],
    )


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
