"""What it costs, in texts of one language: packages, and paying one by one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from forecast.errors import ForecastError
from forecast.prices import draws_of, from_cents, left_of, price_rows

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.page.desk import Asked
    from forecast.page.words import Words
    from forecast.prices import Package, Tariff


class PriceRow(NamedTuple):
    """One package as the client sees it, in texts."""

    name: str
    price: str
    unit: str
    average: str
    enough: str


def package_rows(
    estimate: Estimate, tariff: Tariff | None, words: Words, *, done: int
) -> tuple[tuple[PriceRow, ...], tuple[str, ...]]:
    """Return a row per package, for what is left of it, and a note for each that is not sold."""
    if tariff is None:
        return (), ()
    rows, notes = [], []
    left = [left_of(package, tariff, done) for package in tariff.packages]
    priced = iter(_priced(estimate, [one for one in left if one], done))
    for package, one in zip(tariff.packages, left, strict=True):
        name = package.label(words.code)
        if one is None:
            named = {"name": name, "done": done, "cap": package.cap or tariff.cap}
            notes.append(words.say("answer.price_left_out", named))
            continue
        found = next(priced)
        if isinstance(found, ForecastError):
            notes.append(words.say("answer.price_fails", {"why": f"{name}: {found}"}))
        elif found.dearer[0]:  # all that it holds costs less one by one
            notes.append(words.say("answer.price_dearer", {"name": name}))
        else:  # one that is enough for few is marked so in its row
            rows.append(_price_row(found, *one, words, done=done))
    return tuple(rows), tuple(notes)


# what `price_rows` says of each, or why one is refused
def _priced(estimate: Estimate, sold: Sequence[tuple[Package, Tariff]], done: int) -> list[Any]:
    if not sold:
        return []
    stop = draws_of(estimate)[1].mean(axis=0)
    try:
        return [*price_rows(
            estimate.distribution.pmf, stop, [one for one, _ in sold], sold[0][1],
            area_cm2=estimate.enquiry.area_cm2, started=bool(done), pull=estimate.stop_pull,
        )]  # fmt: skip
    except ForecastError as error:  # of one of them
        apart = (_priced(estimate, [each], done) for each in sold)
        return [error] if len(sold) == 1 else [one for (one,) in apart]


def _price_row(
    priced: Any, package: Package, tariff: Tariff, words: Words, *, done: int
) -> PriceRow:
    sessions = priced.terms.cap if package.kind == "fixed" else package.sessions
    values = {"n": sessions or 1, "sessions": sessions, "extra": ""}
    kind = package.kind
    if package.extra_price is not None:
        values["extra"] = words.money(package.extra_price, tariff.currency)
        kind += "_extra" if kind == "block" else ""
    enough, chance = "", float(priced.enough[0])
    if not np.isnan(chance):
        few = "few" if chance < 0.5 else "of"
        count = words.of_100(chance)
        enough = words.say(f"answer.price_enough_{few}", {"count": count})
    bill = priced.revenue[0] * (1 + tariff.tax_rate)
    return PriceRow(
        name=package.label(words.code),
        price=words.money(from_cents(priced.price[0]), tariff.currency),
        unit=words.say(f"price_unit.{kind}{'_more' * bool(done)}", values),
        average=words.money(from_cents(bill), tariff.currency),
        enough=enough,
    )


def range_text(
    estimate: Estimate, tariff: Tariff | None, goal: str, words: Words, *, done: int = 0
) -> str:
    """Return what paying session by session comes to at the interval's ends and the middle.

    Each count is said once. Empty without a tariff. No more than is left of the tariff's cap after
    ``done`` sessions is counted; where that matters the text says how many it is enough for. Where
    an end lies beyond the horizon and the cap too, it says what going on costs at least.
    """
    if tariff is None:
        return ""
    left = tariff.cap - done
    one = tariff.single_price(estimate.enquiry.area_cm2)
    found = (estimate.interval[0], estimate.median, estimate.interval[1])
    counts = [estimate.horizon + 1 if n is None else n for n in found]
    if None in found and left > estimate.horizon:
        least = words.money(counts[-1] * one, tariff.currency)
        least_of = {"goal": goal, "cost": least, "horizon": words.number(estimate.horizon)}
        return words.say("answer.price_at_least", least_of)
    cap = {"cap": words.number(tariff.cap)}
    if left <= 0:
        return words.say("answer.price_cap", cap)
    given = sorted({min(n, left) for n in counts})
    paid = {n: words.money(n * one, tariff.currency) for n in given}
    costs = ", ".join(
        words.say("answer.price_one", {"cost": cost, "number": words.number(n)})
        for n, cost in paid.items()
    )
    values = {"n": given[-1], "goal": goal, "costs": costs, **cap}
    if max(counts) <= left:
        return words.say("answer.price_range", values)
    values["count"] = words.of_100(estimate.chance_by(left))
    return words.say("answer.price_capped", values)


def cost_of(tariff: Tariff | None, one: Estimate, asked: Asked, words: Words) -> str:
    """Return what an estimate's interval costs one by one; empty where nothing more is sold."""
    most = min(tariff.cap - asked.sessions_done, one.horizon) if tariff else 0
    if tariff is None or most <= 0:
        return ""
    paid = []
    for n in one.interval:
        count = most if n is None or n > most else n
        said = words.money(count * tariff.single_price(asked.enquiry.area_cm2), tariff.currency)
        paid.append(said if count == n else words.say("answer.more_than", {"horizon": said}))
    return words.say("options.cost", {"span": words.span(*paid)})
