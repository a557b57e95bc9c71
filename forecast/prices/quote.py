"""What a package should cost for one enquiry, with the risk in plain sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_kind
from forecast._notes import Note, Sentence, bullets, notes_as_json, sentence
from forecast._plain import Result, fields_of, plain
from forecast.counts import Estimate, of_100
from forecast.prices.money import from_cents, round_cents, round_up
from forecast.prices.payoff import (
    Priced,
    Terms,
    areas_of,
    expected_shortfall,
    price_rows,
    smallest_price,
)
from forecast.prices.tariff import Package, Tariff, check_sold

ALWAYS = tuple(Note(f"prices.{one}") for one in ("no_promise", "law", "not_for_sale"))
HALF = 0.5  # of clients, for whom a fixed price is to be enough
UNITS = {
    "per_session": "a session",
    "block": "the block",
    "fixed": "the course",
    "part_fixed": "each of the first sessions",
}


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Quote(Result):
    """A priced package for one enquiry; money exact to the cent, probabilities as fractions.

    Attributes
    ----------
    package : Package
    currency, price : str, Decimal
        With tax; `price_unit` says of what.
    expected_sessions, expected_waste : float
        On average delivered, up to ``cap``, and prepaid but not used.
    expected_cost, expected_revenue, expected_margin : Decimal
        Of a course, net of tax.
    expected_bill : Decimal
        What the client pays.
    chance_of_loss, chance_of_loss_range : float, tuple of float
        Of a margin below zero, and where it lies in 9 of 10 of the model's parameter draws.
    expected_shortfall : Decimal
        Mean loss in the worst 5 of 100 such courses, negative where even they earn.
    break_even_price, price_for_margin, price_for_loss : Decimal
        Without expected gain, for the target margin, for the largest accepted chance of loss.
    list_price : Decimal
        The larger of the last two on the price-list step. Below zero, but on the list, where the
        extra sessions alone bring in more than that.
    fair_price, fair_premium : Decimal
        With the same expected margin as pay per session, and how much more than per session the
        client then pays on average.
    risk_premium : Decimal
        What to add so that it is still fair in 19 of 20 of the model's parameter draws: the part of
        the risk that selling more courses does not average out.
    margin_sd, chance_sd, model_sd : Decimal
        Spread of one course's margin, its part from chance (clients differ) and its part from the
        model (parameters are not known): squares of the last two add up to the first's.
    chance_enough : float or None
        Of reaching the goal within the package's sessions if treatment goes on, None for pay per
        session.
    margins, chances : ndarray of shape (m,)
        The distribution of the margin, in whole cents by sessions delivered.
    median : int or None
        Of the sessions needed, None beyond the horizon.
    check, notes : tuple of Note
        What an honest offer says beside the price; doubts carried from the estimate, and how the
        price was made.

    Examples
    --------
    >>> quote = price_package(forecaster.estimate(enquiry), Package("fixed", price=900), tariff)
    >>> quote.price_unit, quote.cap, quote.misleads
    ('the course', 15, None)
    """

    package: Package
    currency: str
    price: Decimal
    expected_sessions: float
    expected_waste: float
    expected_cost: Decimal
    expected_revenue: Decimal
    expected_bill: Decimal
    expected_margin: Decimal
    chance_of_loss: float
    chance_of_loss_range: tuple[float, float]
    expected_shortfall: Decimal
    break_even_price: Decimal
    price_for_margin: Decimal
    price_for_loss: Decimal
    list_price: Decimal
    fair_price: Decimal
    fair_premium: Decimal
    risk_premium: Decimal
    margin_sd: Decimal
    chance_sd: Decimal
    model_sd: Decimal
    chance_enough: float | None
    margins: FloatArray
    chances: FloatArray
    cap: int
    median: int | None
    check: tuple[Note, ...]
    notes: tuple[Note, ...]

    @property
    def price_unit(self) -> str:
        """What one price buys."""
        return UNITS[self.package.kind]

    @property
    def misleads(self) -> str | None:
        """Why it is no offer: ``dearer`` than its sessions, or a fixed price for ``too_few``."""
        if "prices.dearer" in {note.code for note in self.check}:
            return "dearer"
        few = self.package.kind == "fixed" and (self.chance_enough or 0.0) < HALF
        return "too_few" if few else None

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; money as numbers, in the currency."""
        return {
            **rounded(plain(self, arrays=False)),
            "misleads": self.misleads,
            "package": self.package.name,
            "kind": self.package.kind,
            "price_unit": self.price_unit,
            "check": [str(note) for note in self.check],
            "check_codes": [note.to_dict() for note in self.check],
            **notes_as_json(self.notes),
        }

    def lines(self, language: str) -> list[str]:
        """Return the quote in words: price, risk, other prices, the honest check, the notes."""
        return [*self._numbers(), *bullets((*self.check, *self.notes))]

    def _numbers(self) -> list[Sentence]:
        low, high = (round(100 * end) for end in self.chance_of_loss_range)
        losing = sentence(
            "quote.losing_range" if high else "quote.losing",
            {"share": of_100(self.chance_of_loss), "low": low, "high": high})  # fmt: skip
        values = fields_of(self) | {
            "losing": losing,
            "shortfall": _of(self.expected_shortfall, "lose", "earn"),
            "break_even": _price(self.break_even_price),
            "for_margin": _price(self.price_for_margin),
            "for_loss": _price(self.price_for_loss),
        }
        each = ("expected", "risk", "spread", "prices")
        fairly = [self._fairly()] * (self.package.kind != "per_session")
        return [self._offer(), *(sentence(f"quote.{one}", values) for one in each), *fairly]

    def _offer(self) -> Sentence:
        fixed = self.package.kind == "fixed" and self.chance_enough is not None
        then = {"sessions": self.package.sessions, "extra": self.package.extra_price}
        # a fixed price is read as a promise to clear unless its own line says what it is not
        values = fields_of(self) | {
            "name": self.package.said,
            "unit": sentence(f"quote.unit_{self.package.kind}", then),
            "enough": of_100(self.chance_enough or 0.0),
        }
        return sentence("quote.offer_fixed" if fixed else "quote.offer", values)

    def _fairly(self) -> Sentence:
        if self.fair_price < 0:
            return sentence("quote.no_fair_price")
        more = _of(self.fair_premium, "more", "less") if self.fair_premium else None
        return sentence(
            "quote.fair", fields_of(self) | {"more": more or sentence("quote.the_same")}
        )


def quotes_lines(quotes: Sequence[Quote], *, details: bool = True) -> list[str]:
    """Return the quotes of one enquiry in words; what holds for all of them is said once.

    Without ``details`` each has a line, and for how many its sessions are enough.

    Examples
    --------
    >>> quote = price_package(forecaster.estimate(enquiry), Package("fixed", price=900), tariff)
    >>> str(quotes_lines([quote], details=False)[0])[:52]
    'fixed price, at most 15 sessions: 900.00 EUR for the'
    """
    if not details:
        return [line for one in quotes for line in (one._offer(), *bullets(one.check[:1]))]
    notes = [(*quote.check, *quote.notes) for quote in quotes]
    shared = [note for note in notes[0] if all(note in other for other in notes)]
    lines: list[str] = []
    for quote, own in zip(quotes, notes, strict=True):
        lines += [*quote._numbers(), *bullets(note for note in own if note not in shared), ""]
    return [*lines, sentence("quote.all_of_them"), *bullets(shared)]


def rounded(value: Any) -> Any:
    """Return plain values with every number to four places."""
    if isinstance(value, dict):
        return {name: rounded(one) for name, one in value.items()}
    if isinstance(value, list):
        return [rounded(one) for one in value]
    return round(value, 4) if isinstance(value, float) else value


def _price(price: Decimal) -> Sentence:
    return sentence("quote.covered") if price < 0 else sentence("quote.amount", {"amount": price})


def _of(amount: Decimal, above: str, below: str) -> Sentence:
    return sentence(f"quote.{above if amount > 0 else below}", {"amount": abs(amount)})


def draws_of(estimate: Estimate) -> tuple[FloatArray, FloatArray]:
    """Return the distribution and the stopping hazard under each draw, both (n_draws, horizon).

    Examples
    --------
    >>> draws_of(forecaster.estimate(enquiry))[0].shape
    (200, 25)
    """
    drawn = estimate.stop_draws  # made anew each time
    stop = estimate.stop_hazard if drawn is None else drawn
    return estimate.draws, np.broadcast_to(stop, estimate.draws.shape)


def price_package(
    estimate: Estimate, package: Package, tariff: Tariff, *, started: bool = False
) -> Quote:
    """Return the quote of one package for one enquiry.

    Parameters
    ----------
    estimate : Estimate
        The predicted distribution of sessions, or ``.remaining`` of an update: then the quote is
        for the sessions that are left.
    package : Package
        What is sold; without a price, the list price is asked for.
    tariff : Tariff
        Costs and rules.
    started : bool
        The course is under way: its fixed cost is spent and is not counted again.

    Raises
    ------
    RequestError
        A promise beyond the estimate's horizon, or amounts in two currencies.

    Examples
    --------
    >>> price_package(forecaster.estimate(enquiry), forecast.Package("fixed"), tariff).currency
    'EUR'
    """
    check_kind(estimate, Estimate, name="estimate", give="what forecaster.estimate returns")
    check_sold(package, tariff)
    # the first row is the estimate, the others are it under each draw of the parameters
    draws, stops = draws_of(estimate)
    pmf = np.vstack([estimate.distribution.pmf, draws])
    stop = np.vstack([stops.mean(axis=0), stops])
    area = areas_of([estimate.enquiry])
    pull, sold = estimate.stop_pull, (package,)
    priced = price_rows(pmf, stop, sold, tariff, area_cm2=area, started=started, pull=pull)[0]
    terms = priced.terms
    cost, chances = tariff.session_costs(area), priced.chances
    margins = round_cents(terms.margins(priced.price[:1], cost))[0]
    low, high = np.quantile(chances[1:] @ (margins < 0), [0.05, 0.95])
    # Var = E[Var | parameters] + Var(E | parameters), the second part from the draws
    margin_sd = float(chances[0] @ (margins - priced.margin[0]) ** 2) ** 0.5
    model_sd = min(float((chances[1:] @ margins).std()), margin_sd)
    accepted = tariff.largest_chance_of_loss
    for_loss = float(smallest_price(terms.break_even(cost), chances[:1], accepted)[0])
    for_margin = float(priced.for_margin[0])
    fair, with_tax = priced.fair, 1 + tariff.tax_rate
    fair_revenue = priced.session_margin[0] + priced.cost[0]
    enough = float(priced.enough[0])
    median = float(estimate.distribution.median()[0])
    return Quote(
        package=package,
        currency=tariff.currency,
        price=from_cents(priced.price[0]),
        expected_sessions=float(priced.sessions[0]),
        expected_waste=float(priced.waste[0]),
        expected_cost=from_cents(priced.cost[0]),
        expected_revenue=from_cents(priced.revenue[0]),
        expected_bill=from_cents(priced.revenue[0] * with_tax),
        expected_margin=from_cents(priced.margin[0]),
        chance_of_loss=float(priced.chance_of_loss[0]),
        chance_of_loss_range=(float(low), float(high)),
        expected_shortfall=from_cents(float(expected_shortfall(margins, chances[0]))),
        break_even_price=round_up(priced.break_even[0]),
        price_for_margin=round_up(for_margin),
        price_for_loss=round_up(for_loss),
        list_price=round_up(max(for_margin, for_loss, 0.0), tariff.round_to),
        fair_price=from_cents(fair[0]),
        fair_premium=from_cents((fair_revenue - priced.session_revenue[0]) * with_tax),
        risk_premium=from_cents(max(np.quantile(fair[1:], 0.95) - fair[0], 0.0)),
        margin_sd=from_cents(margin_sd),
        chance_sd=from_cents((margin_sd**2 - model_sd**2) ** 0.5),
        model_sd=from_cents(model_sd),
        chance_enough=enough if terms.block else None,
        margins=margins,
        chances=chances[0],
        cap=terms.cap,
        median=int(median) if np.isfinite(median) else None,
        check=_honest_check(priced, median, tariff, area),
        notes=_notes(estimate, package, terms, tariff, area_known=not np.isnan(area[0])),
    )


def _honest_check(
    priced: Priced, median: float, tariff: Tariff, area: FloatArray
) -> tuple[Note, ...]:
    terms, enough, known = priced.terms, float(priced.enough[0]), bool(np.isfinite(median))
    if terms.block:
        rest = "needs_more" if round(100 * (1 - enough)) == 1 else "need_more"
        values = {
            "block": terms.block,
            "enough": of_100(enough),
            "rest": Note(f"prices.{rest}", "info", {"share": of_100(1 - enough)}),
            "median": int(median) if known else "more than the estimate reaches",
        }
        first = Note("prices.enough", "info", values)
        if terms.block < median:
            first = Note("prices.enough_for_few", "serious", values)
    elif known:
        first = Note("prices.half_need", "info", {"median": int(median)})
    else:
        first = Note("prices.most_need_more", "caution")
    notes = [first]
    if priced.dearer[0]:
        one_by_one = terms.block * tariff.price_of(Package("per_session"), area)[0]
        values = {"sessions": terms.block, "price": str(from_cents(one_by_one))}
        notes.append(Note("prices.dearer", "serious", values))
    return (*notes, *ALWAYS)


def _notes(
    estimate: Estimate, package: Package, terms: Terms, tariff: Tariff, *, area_known: bool
) -> tuple[Note, ...]:
    notes = [*estimate.notes, Note("prices.most_sessions", "info", {"cap": terms.cap})]
    by_session = package.price is None and package.kind in ("per_session", "part_fixed")
    bands = package.prices or (tariff.session_prices if by_session else ())
    if bands and not area_known:
        listed = [f"{one.price} (≤ {one.up_to_cm2:g} cm²)" for one in bands[:-1]]
        listed.append(str(bands[-1].price))  # whose end is open
        values = {"prices": listed, "area": tariff.typical_area_cm2}
        notes.append(Note("prices.which_band", "caution", values))
    if terms.block and terms.stop_factor == 1:
        notes.append(Note("prices.stop_as_before", "caution"))
    if not area_known and tariff.cost_per_session is None:
        notes.append(Note("prices.typical_area", "caution", {"area": tariff.typical_area_cm2}))
    if estimate.supported_to < terms.cap:
        reach = {"supported": estimate.supported_to, "cap": terms.cap}
        notes.append(Note("prices.extrapolated", "caution", reach))
    return tuple(notes)
