"""What a package should cost for one enquiry, with the risk in plain sight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Protocol, runtime_checkable

import numpy as np

from forecast._checks import check_kind
from forecast._notes import Note, Sentence, bullets, notes_as_json, sentence
from forecast._plain import Result, plain
from forecast._types import FloatArray
from forecast.counts import of_100
from forecast.prices.money import from_cents, round_cents, round_up
from forecast.prices.payoff import Priced, Terms, areas_of, price_rows
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

HALF = 0.5  # of clients, for whom a fixed price is to be enough
UNITS = {
    "per_session": "a session",
    "block": "the block",
    "fixed": "the course",
    "part_fixed": "each of the first sessions",
}


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Quote(Result):
    """A priced package for one enquiry. Money is exact to the cent, probabilities are fractions.

    Attributes
    ----------
    package : Package
        What is sold.
    currency : str
        Three-letter code.
    price : Decimal
        Price of the package, tax included; `price_unit` says of what.
    expected_sessions, expected_waste : float
        Sessions delivered on average; prepaid sessions not used on average.
    expected_cost, expected_revenue, expected_bill, expected_margin : Decimal
        Averages per course; revenue and margin net of tax, the bill as the client pays it.
    chance_of_loss : float
        Chance that this course loses money.
    chance_of_loss_range : tuple of float
        Where 9 of 10 of the model's parameter draws put that chance.
    expected_shortfall : Decimal
        Mean loss in the worst 5 of 100 such courses; negative where even they earn.
    break_even_price, price_for_margin, price_for_loss, list_price : Decimal
        Price without expected gain; for the target margin; for the largest accepted chance of
        loss; and the larger of the last two, on the price-list step. Below zero, but on the
        list, where the extra sessions alone bring in more than that.
    fair_price, fair_premium : Decimal
        Price with the same expected margin as pay per session, and how much more the client
        then pays on average than per session.
    risk_premium : Decimal
        What to add to the fair price so that it is still fair in 19 of 20 of the model's
        parameter draws: the part of the risk that selling more courses does not average out.
    margin_sd, chance_sd, model_sd : Decimal
        Spread of one course's margin; its part from chance (clients differ) and its part from
        the model (parameters are not known): squares of the last two add up to the first's.
    chance_enough : float or None
        Chance that the goal is reached within the package's sessions if treatment goes on.
    margins, chances : ndarray of shape (m,)
        Distribution of the margin in whole cents, by sessions delivered.
    cap : int
        The most sessions counted.
    median : int or None
        Predicted median of the sessions needed; None beyond the horizon.
    check : tuple of Note
        What an honest offer says beside the price.
    notes : tuple of Note
        Doubts carried from the estimate, and how the price was made.
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
        shown = ("expected_sessions", "expected_cost", "expected_revenue", "expected_margin",
                 "margin_sd", "chance_sd", "model_sd", "list_price", "currency")  # fmt: skip
        low, high = (round(100 * end) for end in self.chance_of_loss_range)
        losing = sentence(
            "quote.losing_range" if high else "quote.losing",
            {"share": of_100(self.chance_of_loss), "low": low, "high": high})  # fmt: skip
        values = {name: getattr(self, name) for name in shown} | {
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
        return sentence(
            "quote.offer_fixed" if fixed else "quote.offer",
            {
                "name": self.package.said,
                "price": self.price,
                "currency": self.currency,
                "unit": sentence(f"quote.unit_{self.package.kind}", then),
                "cap": self.cap,
                "enough": of_100(self.chance_enough or 0.0),
            },
        )

    def _fairly(self) -> Sentence:
        if self.fair_price < 0:
            return sentence("quote.no_fair_price")
        more = _of(self.fair_premium, "more", "less") if self.fair_premium else None
        return sentence(
            "quote.fair",
            {
                "price": self.fair_price,
                "currency": self.currency,
                "more": more or sentence("quote.the_same"),
                "risk": self.risk_premium,
            },
        )


def quotes_lines(quotes: Sequence[Quote], *, details: bool = True) -> list[str]:
    """Return the quotes of one enquiry in words; what holds for all of them is said once.

    Without ``details`` each has a line, and for how many its sessions are enough.
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


@runtime_checkable
class Priceable(Protocol):
    """What a price needs of an estimate; `forecast.counts.Estimate` offers it."""

    @property
    def distribution(self) -> CountDistribution:
        """Sessions needed, one row."""

    @property
    def stop_hazard(self) -> FloatArray:
        """Chance of stopping after each uncleared session, (horizon,)."""

    @property
    def draws(self) -> FloatArray:
        """The distribution under each parameter draw, (n_draws, horizon)."""

    @property
    def notes(self) -> tuple[Note, ...]:
        """Doubts."""


def draws_of(estimate: Priceable) -> tuple[FloatArray, FloatArray]:
    """Return the distribution and the stopping hazard under each draw, both (n_draws, horizon).

    An estimate without draws of stopping has one hazard, taken as known.
    """
    draws = np.atleast_2d(np.asarray(estimate.draws, dtype=np.float64))
    stop = getattr(estimate, "stop_draws", None)
    stop = np.asarray(estimate.stop_hazard if stop is None else stop, dtype=np.float64)
    return draws, np.broadcast_to(stop, draws.shape)


def price_package(
    estimate: Priceable, package: Package, tariff: Tariff, *, started: bool = False
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
    check_kind(estimate, Priceable, name="estimate", give="what forecaster.estimate returns")
    check_kind(package, Package, name="package", give="a Package")
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")
    # the first row is the estimate, the others are it under each draw of the parameters
    draws, stops = draws_of(estimate)
    pmf = np.vstack([estimate.distribution.pmf, draws])
    stop = np.vstack([np.asarray(estimate.stop_hazard, dtype=np.float64), stops])
    area = areas_of([getattr(estimate, "enquiry", None)])
    pull = getattr(estimate, "stop_pull", None)
    priced = price_rows(pmf, stop, (package,), tariff, area_cm2=area, started=started, pull=pull)[0]
    terms = priced.terms
    margins = round_cents(terms.margins(priced.price[:1], tariff.session_costs(area)))[0]
    chances = priced.chances
    low, high = np.quantile(chances[1:] @ (margins < 0), [0.05, 0.95])
    # Var = E[Var | parameters] + Var(E | parameters), the second part from the draws
    margin_sd = float(priced.margin_sd[0])
    model_sd = min(float((chances[1:] @ margins).std()), margin_sd)
    for_margin, for_loss = float(priced.for_margin[0]), float(priced.for_loss[0])
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
        expected_shortfall=from_cents(priced.shortfall[0]),
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
        check=_honest_check(terms, median, enough, dearer=_dearer(priced, tariff, area)),
        notes=_notes(estimate, package, terms, tariff, area_known=not np.isnan(area[0])),
    )


def _dearer(priced: Priced, tariff: Tariff, area: FloatArray) -> tuple[Note, ...]:
    if not priced.dearer[0]:
        return ()
    single = tariff.price_of(Package("per_session"), area)[0]
    values = {"sessions": priced.terms.block, "price": str(from_cents(priced.terms.block * single))}
    return (Note("prices.dearer", "serious", values),)


def _honest_check(
    terms: Terms, median: float, enough: float, *, dearer: tuple[Note, ...]
) -> tuple[Note, ...]:
    known = bool(np.isfinite(median))
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
    said = ("no_promise", "law", "not_for_sale")
    return (first, *dearer, *(Note(f"prices.{one}") for one in said))


def _notes(
    estimate: Priceable, package: Package, terms: Terms, tariff: Tariff, *, area_known: bool
) -> tuple[Note, ...]:
    notes = [*estimate.notes, Note("prices.most_sessions", "info", {"cap": terms.cap})]
    by_session = package.price is None and package.kind in ("per_session", "part_fixed")
    bands = package.prices or (tariff.session_prices if by_session else ())
    if bands and not area_known:
        ends = [None if one.up_to_cm2 is None else f"{one.up_to_cm2:g}" for one in bands]
        listed = [
            f"{one.price}{'' if end is None else f' (≤ {end} cm²)'}"
            for one, end in zip(bands, ends, strict=True)
        ]
        values = {"prices": listed, "area": tariff.typical_area_cm2}
        notes.append(Note("prices.which_band", "caution", values))
    if terms.block and terms.stop_factor == 1:
        notes.append(Note("prices.stop_as_before", "caution"))
    if not area_known and tariff.cost_per_session is None:
        notes.append(Note("prices.typical_area", "caution", {"area": tariff.typical_area_cm2}))
    supported = getattr(estimate, "supported_to", None)
    if supported is not None and supported < terms.cap:
        reach = {"supported": int(supported), "cap": terms.cap}
        notes.append(Note("prices.extrapolated", "caution", reach))
    return tuple(notes)
