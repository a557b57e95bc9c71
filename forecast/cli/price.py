"""What packages should cost and risk, and the appointments to come."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import prices, tattoo
from forecast._checks import refusal
from forecast._notes import bullets, is_bullet, problem_and_remedy, sentence
from forecast.cli.estimate import as_dict, by_line
from forecast.cli.files import (
    CLOSING,
    RESTS_ON,
    WITHHELD,
    Options,
    answer,
    check_output,
    facts_of,
    given,
    paragraphs,
    progress,
    read_enquiries,
    sheet_names,
    write_tables,
    write_template,
    write_text,
)
from forecast.cli.log import read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry, OutcomeLog
    from forecast.prices import Tariff

LISTED = ("block", "fixed")
YEAR = 4  # lines of a year, unless all are asked for


def run_price(options: Options) -> None:
    """Do what ``forecast price`` is asked."""
    if options.template is not None:
        write_template(options, "tariff")
        return
    if options.enquiries is None or options.tariff is None:
        raise RequestError(*problem_and_remedy("refused.no_pricing"))
    tariff = prices.read_tariff(options.tariff)
    if not tariff.packages:
        raise RequestError(*problem_and_remedy("refused.no_package", {"file": str(options.tariff)}))
    out: Path | None = options.out
    if out is not None:
        _check_workbook(out)
    forecaster = forecast.load_forecaster(options.model)
    enquiries, facts = read_enquiries(
        options.enquiries, extra=forecaster.extra, language=options.language
    )
    log = None if options.log is None else read(options)
    cautions = {
        name: tattoo.cautions_for(one, **facts_of(options, facts[name]))
        for name, one in enquiries.items()
    }
    free = {name: enquiries[name] for name, of in cautions.items() if not tattoo.waits(of)}
    data, texts, sheets = _quote_all(forecaster, free, tariff, options)
    held = {"quotes": [], "withheld": True}
    data["prices"] = [
        {"enquiry_id": name, **data["prices"].get(name, held), **as_dict(of)}
        for name, of in cautions.items()
    ]
    lists: list[Any] = []
    held_back = len(free) < len(enquiries)
    first: list[str] = [*by_line(cautions, "refer"), WITHHELD] if held_back else []
    if free and (options.courses is not None or log is not None):
        rest = {"log": log, **given(options, "courses", "seed")}
        asked = list(free.values())
        year = forecast.price_caseload(forecaster, asked, tariff.packages, tariff, **rest)
        data["year"] = year.to_dict()
        texts.append(year.lines(options.language)[: None if options.details else YEAR])
    if log is not None:
        found, words, lists = _owner_view(forecaster, log, tariff, options)
        data |= found
        texts += words
        sheets |= {f"list {one.package.name}": one.to_frame() for one in lists}
    texts = [first, *_in_layers(texts, by_line(cautions, "care"), options)]
    if out is not None and free:
        texts.append(_write_prices(out, sheets, lists, options.language))
    answer(options, data, paragraphs([*texts, [CLOSING]]))


def _check_workbook(out: Path) -> None:
    if out.suffix != ".xlsx":
        raise RequestError(*problem_and_remedy("refused.no_workbook", {"path": str(out)}))
    what = "a_workbook"
    check_output(out, what=what, known=lambda one: sheet_names(one)[:1] == ["who loses"])


def _in_layers(
    texts: Sequence[list[str]], care: Sequence[str], options: Options
) -> list[list[str]]:
    # Unless all is asked for, what the answers rest on stands below them all, once.
    if options.details or not texts:
        return [*texts, [*care]]
    notes = list(dict.fromkeys(line for part in texts for line in part if is_bullet(line)))
    said = [[line for line in part if not is_bullet(line)] for part in texts]
    rests_on = [sentence("text.rests_on"), *notes[:RESTS_ON], sentence("text.each_quote")]
    return [*said, [*rests_on, *care]]


def _write_prices(
    out: Path, sheets: Mapping[str, Any], lists: Sequence[Any], language: str
) -> list[str]:
    write_tables(out, sheets)
    pages = [
        _write_page(out.with_name(f"{out.stem}-list-{number}.html"), one.to_html(language=language))
        for number, one in enumerate(lists, start=1)
    ]
    printed = [sentence("text.wrote_to_print", {"file": str(page)}) for page in pages]
    return [sentence("text.wrote", {"file": str(out)}), *printed]


def _write_page(page: Path, html: str) -> Path:
    # as PDF where a browser is installed that makes one
    with suppress(ModuleNotFoundError):
        from forecast.page import find_browser, html_to_pdf

        if browser := find_browser():
            check_output(page.with_suffix(".pdf"), what="a_price_list", known=_is_list)
            html_to_pdf(html, page.with_suffix(".pdf"), browser=browser)
            return page.with_suffix(".pdf")
    check_output(page, what="a_price_list", known=_is_list)
    write_text(page, html)
    return page


def _is_list(content: bytes) -> bool:
    return b'content="forecast price"' in content or content.startswith(b"%PDF")


def run_appointments(options: Options) -> None:
    """Do what ``forecast appointments`` is asked."""
    out: Path | None = options.out
    if out is not None:
        if out.suffix not in (".csv", ".ics"):
            raise RequestError(*problem_and_remedy("refused.no_calendar", {"file": str(out)}))
        check_output(out, what="a_calendar", known=_holds_appointments)
    tariff = options.tariff and prices.read_tariff(options.tariff)
    forecaster, log = forecast.load_forecaster(options.model), read(options)
    progress(options.language, "following")
    asked = given(options, "weeks", "starts_per_month", "seed")
    load = forecast.forecast_appointments(forecaster, log, tariff, **asked)
    data, lines = load.to_dict(), load.lines(options.language)
    if not options.details:
        rests_on = [sentence("text.rests_on"), *bullets(load.notes), sentence("text.by_month")]
        lines = [*load.in_brief(), "", *rests_on]
    if out is not None:
        table = out.suffix == ".csv"
        calendar = "" if table else load.to_calendar(language=options.language)
        write_text(out, load.to_frame().to_csv(index=False) if table else calendar)
        data["written"] = str(out)
        lines += ["", sentence("text.wrote", {"file": str(out)})]
    answer(options, data, lines)


def _holds_appointments(content: bytes) -> bool:
    return content.startswith(b"month,days,") or b"//session-forecast//appointments" in content


def _quote_all(
    forecaster: Forecaster, enquiries: Mapping[str, Enquiry], tariff: Tariff, options: Options
) -> tuple[dict[str, Any], list[list[str]], dict[str, Any]]:
    if not enquiries:
        return {"who_loses": None, "prices": {}}, [], {}
    results: dict[str, Any] = {}
    texts: list[list[str]] = []
    rows = forecast.price_many(forecaster, list(enquiries.values()), tariff.packages, tariff)
    rows["enquiry"] = [list(enquiries)[k] for k in rows["enquiry"]]
    table = prices.WhoLoses(rows, tariff.currency, {one.name: one.said for one in tariff.packages})
    words = (table.lines if options.details else table.in_brief)(options.language)
    for label, enquiry in enquiries.items():
        estimate = forecaster.estimate(enquiry)
        quotes = [forecast.price_package(estimate, package, tariff) for package in tariff.packages]
        results[label] = {"quotes": [quote.to_dict() for quote in quotes]}
        texts.append([sentence("text.enquiry", {"label": label}), "", *prices.quotes_lines(quotes)])
    sheets = {"who loses": table.to_frame(), "worst": table.worst(), "all": rows}
    data = {"who_loses": table.to_dict(), "prices": results}
    return data, [words, *(texts if options.details else [])], sheets


def _owner_view(
    forecaster: Forecaster, log: OutcomeLog, tariff: Tariff, options: Options
) -> tuple[dict[str, Any], list[list[str]], list[Any]]:
    # For the clinic's own courses: a price list for each package with one price for several
    # sessions, the courses under way, and what each priced package would have earned so far.
    seed, language = options.seed, options.language
    progress(options.language, "listing")
    lists = [
        prices.make_price_list(forecaster, log.courses, package, tariff)
        for package in tariff.packages
        if package.kind in LISTED
    ]
    progress(options.language, "valuing")
    open_book: dict[str, Any] | None = None
    try:
        book = prices.value_open_book(forecaster, log, tariff, seed=seed)
        open_book, open_lines = book.to_dict(), book.lines(language)
    except RequestError as error:
        open_lines = [refusal(error)]
    progress(options.language, "trying")
    priced = [one for one in tariff.packages if one.price is not None or one.kind == "per_session"]
    past = [prices.backtest_package(log, package, tariff, seed=seed) for package in priced]
    unpriced = [one.said for one in tariff.packages if one not in priced]
    data = {"price_lists": [one.to_dict() for one in lists], "open_book": open_book}
    data["backtests"] = [one.to_dict() for one in past]
    parts: list[list[str]] = [
        [sentence("text.price_list")],
        *(one.lines(language) for one in lists),
        [sentence("text.under_way")],
        open_lines,
        [sentence("text.on_the_past")],
    ]
    untried: list[str] = [sentence("text.nothing_to_try", {"name": name}) for name in unpriced]
    tried = [one.lines(language) for one in past]
    if options.details:
        return data, [*parts, *tried, untried], lists
    return data, [*parts, [*(lines[0] for lines in tried), *untried]], lists
