"""What the packages on offer cost this client: nothing here shows the clinic's costs or margin."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from forecast.errors import ForecastError
from forecast.prices import Quote, left_of, price_package

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.page.words import Words
    from forecast.prices import Package, Tariff

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
    estimate: Estimate, tariff: Tariff | None, words: Words, *, done: int
) -> tuple[tuple[PriceRow, ...], tuple[str, ...]]:
    """Return a row per package, and a note for each one that cannot be priced or sold any more.

    After ``done`` sessions the rows are for what is left of each package. Without a tariff both
    are empty. The quote's own notes are for the clinic (they speak of its
    costs) and stay out; the estimate's are shown beside the prices.
    """
    rows, notes = [], []
    for package in tariff.packages if tariff else ():
        assert tariff is not None
        left = left_of(package, tariff, done)
        if left is None:
            named = {"name": spoken_name(package), "done": done, "cap": package.cap or tariff.cap}
            notes.append(words.say("answer.price_left_out", named))
            continue
        try:
            quote = price_package(estimate, *left, started=bool(done))
        except ForecastError as error:
            notes.append(words.say("answer.price_fails", {"why": f"{package.name}: {error}"}))
            continue
        rows.append(price_row(quote, words, more="_more" if done else ""))
    return tuple(rows), tuple(notes)


def price_row(quote: Quote, words: Words, *, more: str = "") -> PriceRow:
    """Return one quote as texts; ``more`` chooses those for a course under way."""
    package = quote.package
    sessions = quote.cap if package.kind == "fixed" else package.sessions
    values = {"n": sessions or 1, "sessions": sessions, "extra": ""}
    kind = package.kind
    if package.extra_price is not None:
        values["extra"] = words.money(package.extra_price, quote.currency)
        kind += "_extra" if kind == "block" else ""
    enough = ""
    if quote.chance_enough is not None:
        few = "few" if quote.chance_enough < 0.5 else "of"
        count = words.of_100(quote.chance_enough)
        enough = words.say(f"answer.price_enough_{few}", {"count": count})
    return PriceRow(
        name=spoken_name(package),
        price=words.money(quote.price, quote.currency),
        unit=words.say(f"price_unit.{kind}{more}", values),
        average=words.money(quote.expected_bill, quote.currency),
        enough=enough,
    )


def spoken_name(package: Package) -> str:
    """Return what the clinic calls a package, as people write it."""
    return package.name.replace("_", " ")


def range_text(
    estimate: Estimate, tariff: Tariff | None, goal: str, words: Words, *, done: int = 0
) -> str:
    """Return what paying session by session comes to at the interval's ends and the middle.

    Each count is said once. Empty without a tariff, or when an end lies beyond the horizon. No
    more than is left of the tariff's cap after ``done`` sessions is counted, and the text says so
    where it matters.
    """
    found = (estimate.interval[0], estimate.median, estimate.interval[1])
    counts = [n for n in found if n is not None]
    if tariff is None or len(counts) < len(found):
        return ""
    left = tariff.cap - done
    given = sorted({min(n, left) for n in counts if left > 0})
    texts = []
    if given:
        costs = [
            words.say(
                "answer.price_one",
                {
                    "cost": words.money(n * tariff.session_price, tariff.currency),
                    "number": words.number(n),
                },
            )
            for n in given
        ]
        values = {"n": given[-1], "goal": goal, "costs": ", ".join(costs)}
        texts.append(words.say("answer.price_range", values))
    if max(counts) > left:
        texts.append(words.say("answer.price_cap", {"cap": words.number(tariff.cap)}))
    return " ".join(texts)
