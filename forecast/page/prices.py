"""What the packages on offer cost this client: nothing here shows the clinic's costs or margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from forecast.clinic.pricing import Quote, price_package
from forecast.errors import ForecastError

if TYPE_CHECKING:
    from forecast.clinic.estimate import Estimate
    from forecast.clinic.tariff import Tariff
    from forecast.page.words import Words

__all__ = ["PriceRow", "price_rows", "range_text"]


@dataclass(frozen=True, slots=True)
class PriceRow:
    """One package as the client sees it, in texts."""

    name: str
    price: str
    unit: str
    average: str
    enough: str


def price_rows(
    estimate: Estimate, tariff: Tariff | None, words: Words, *, started: bool
) -> tuple[tuple[PriceRow, ...], tuple[str, ...]]:
    """Return a row per package, and a note for each one that cannot be priced with this model.

    Without a tariff both are empty. The quote's own notes are for the clinic (they speak of its
    costs) and stay out; the estimate's are shown beside the prices.
    """
    rows, notes = [], []
    for package in tariff.packages if tariff else ():
        assert tariff is not None
        try:
            quote = price_package(estimate, package, tariff, started=started)
        except ForecastError as error:
            notes.append(words.say("answer.price_fails", {"why": f"{package.name}: {error}"}))
            continue
        rows.append(price_row(quote, words))
    return tuple(rows), tuple(notes)


def price_row(quote: Quote, words: Words) -> PriceRow:
    """Return one quote as texts."""
    package = quote.package
    extra = "" if package.extra_price is None else words.money(package.extra_price, quote.currency)
    unit = words.say(
        f"price_unit.{package.kind}",
        {"sessions": package.sessions, "cap": quote.cap, "extra": extra},
    )
    enough = ""
    if quote.chance_enough is not None:
        enough = words.say("answer.price_enough_of", {"count": words.of_100(quote.chance_enough)})
    return PriceRow(
        name=package.name.replace("_", " "),
        price=words.money(quote.price, quote.currency),
        unit=unit,
        average=words.money(quote.expected_bill, quote.currency),
        enough=enough,
    )


def range_text(estimate: Estimate, tariff: Tariff | None, goal: str, words: Words) -> str:
    """Return what paying session by session comes to at the interval's ends and the middle.

    Empty without a tariff, or when an end lies beyond the horizon. No more than the tariff's cap
    is counted, and the text says so where it matters.
    """
    counts = (estimate.interval[0], estimate.median, estimate.interval[1])
    if tariff is None or None in counts:
        return ""
    values: dict[str, str] = {"goal": goal}
    for name, n in zip(("low", "middle", "high"), counts, strict=True):
        assert n is not None
        given = min(n, tariff.cap)
        values[name] = words.money(given * tariff.session_price, tariff.currency)
        values[f"{name}_n"] = words.number(given)
    text = words.say("answer.price_range", values)
    if counts[2] is not None and counts[2] > tariff.cap:
        text += " " + words.say("answer.price_cap", {"cap": words.number(tariff.cap)})
    return text
