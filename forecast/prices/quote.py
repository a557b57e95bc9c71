"""What a package should cost for one enquiry, with the risk in plain sight."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Protocol, runtime_checkable

import numpy as np

from forecast._checks import check_kind
from forecast._types import FloatArray
from forecast.counts import of_100
from forecast.prices.money import from_cents, round_cents, round_up
from forecast.prices.payoff import Priced, Terms, outcome_chances, price_many, terms_of
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

UNITS = {
    "per_session": "a session",
    "block": "the block",
    "fixed": "the course",
    "part_fixed": "each of the first sessions",
}


@dataclass(frozen=True, slots=True, eq=False)
class Quote:
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
    check : tuple of str
        What an honest offer says beside the price.
    notes : tuple of str
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
    check: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def price_unit(self) -> str:
        """What one price buys."""
        return UNITS[self.package.kind]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; money as text, exact to the cent."""
        plain: dict[str, Any] = {"package": self.package.name, "kind": self.package.kind}
        for name in self.__slots__:
            value = getattr(self, name)
            if isinstance(value, Decimal):
                plain[name] = str(value)
            elif isinstance(value, float):
                plain[name] = round(value, 4)
            elif isinstance(value, int | str) or value is None:
                plain[name] = value
        plain["chance_of_loss_range"] = [round(end, 4) for end in self.chance_of_loss_range]
        plain["price_unit"] = self.price_unit
        return {**plain, "check": list(self.check), "notes": list(self.notes)}

    def to_text(self) -> str:
        """Return the quote in words: price, risk, other prices, the honest check, the notes."""
        return "\n".join([self._numbers(), *bullets((*self.check, *self.notes))])

    def _numbers(self) -> str:
        code = self.currency
        lines = [
            self._offer(),
            f"Expected: {self.expected_sessions:.1f} sessions, cost {self.expected_cost}, "
            f"revenue net of tax {self.expected_revenue}, margin {self.expected_margin} {code}.",
            f"{self._losing()}; the worst 5 of 100 {_lose(self.expected_shortfall)} {code} on "
            "average.",
            f"Spread of one course: {self.margin_sd} {code}; from chance {self.chance_sd}, "
            f"from the model {self.model_sd}.",
            f"Prices: break-even {_price(self.break_even_price)}, for the target margin "
            f"{_price(self.price_for_margin)}, for the accepted chance of loss "
            f"{_price(self.price_for_loss)}, on the list {self.list_price} {code}.",
        ]
        if self.package.kind != "per_session":
            lines.append(self._fairly())
        return "\n".join(lines)

    def _offer(self) -> str:
        name, price = self.package.name, f"{self.price} {self.currency} for {self.price_unit}"
        if self.package.kind != "fixed" or self.chance_enough is None:
            return f"{name}: {price}, tax included."
        # a fixed price is read as a promise to clear unless its own line says what it is not
        most = f"at most {self.cap} session{'s' if self.cap > 1 else ''}"
        enough = f"enough for {of_100(self.chance_enough)} clients like this"
        return f"{name}, {most}: {price}, tax included; {enough}."

    def _fairly(self) -> str:
        if self.fair_price < 0:
            return (
                "No fair price: the extra sessions alone earn more than all sessions would, paid "
                "one by one."
            )
        return (
            f"Fair price {self.fair_price} {self.currency}: as much earned as per session, the "
            f"client paying {_more(self.fair_premium)} on average; add {self.risk_premium} to "
            "stay fair in 19 of 20 draws of the model."
        )

    def _losing(self) -> str:
        low, high = (round(100 * end) for end in self.chance_of_loss_range)
        found = f"Money is lost on {of_100(self.chance_of_loss)} such courses"
        return f"{found} ({low} to {high}, as far as the model is known)" if high else found


def quotes_text(quotes: Sequence[Quote]) -> str:
    """Return the quotes of one enquiry in words; what holds for all of them is said once."""
    texts = [(*quote.check, *quote.notes) for quote in quotes]
    shared = [text for text in texts[0] if all(text in other for other in texts)]
    parts = [
        "\n".join([quote._numbers(), *bullets(text for text in own if text not in shared)])
        for quote, own in zip(quotes, texts, strict=True)
    ]
    return "\n\n".join([*parts, "\n".join(["All of them:", *bullets(shared)])])


def bullets(texts: Iterable[str]) -> list[str]:
    """Return one line per text."""
    return [f"- {text}" for text in texts]


def _price(price: Decimal) -> str:
    return "covered by the extra sessions alone" if price < 0 else str(price)


def _lose(shortfall: Decimal) -> str:
    return f"lose {shortfall}" if shortfall > 0 else f"still earn {-shortfall}"


def _more(premium: Decimal) -> str:
    if not premium:
        return "the same"
    return f"{premium} more" if premium > 0 else f"{-premium} less"


LAW = "Refunds, cooling-off and cancellation follow the consumer law of the place; ask locally."
NO_PROMISE = "No number of sessions is a promise that a tattoo goes away."


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
    def notes(self) -> Sequence[object]:
        """Doubts, in words or as notes."""


def stop_under_draws(estimate: Priceable) -> FloatArray:
    """Return the stopping hazard under the estimate's draws, (n_draws, horizon), or (1, horizon).

    An estimate without draws of it has one hazard, taken as known.
    """
    draws = getattr(estimate, "stop_draws", None)
    return np.atleast_2d(np.asarray(estimate.stop_hazard if draws is None else draws, np.float64))


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
    """
    check_kind(estimate, Priceable, name="estimate", give="what forecaster.estimate returns")
    check_kind(package, Package, name="package", give="a Package")
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")
    pmf, stop = estimate.distribution.pmf, np.asarray(estimate.stop_hazard, dtype=np.float64)
    area = getattr(getattr(estimate, "enquiry", None), "area_cm2", None)
    areas = np.array([np.nan if area is None else float(area)])
    priced = price_many(pmf, stop, (package,), tariff, area_cm2=areas, started=started)[0]
    terms = terms_of(package, tariff, pmf.shape[1])
    back = terms.fixed_cost if started else 0.0
    margins = round_cents(terms.margins(priced.price, tariff.session_costs(areas)) + back)[0]
    draws = np.atleast_2d(np.asarray(estimate.draws, dtype=np.float64))
    stops = stop_under_draws(estimate)
    fair = price_many(draws, stops, (package,), tariff, area_cm2=areas[0], started=started)[0].fair
    median = estimate.distribution.median()[0]
    return _quote(
        priced,
        package,
        tariff,
        margins=margins,
        chances=outcome_chances(terms, pmf, stop)[0],
        by_draw=outcome_chances(terms, draws, stops),
        fair_by_draw=fair,
        cap=terms.cap,
        median=int(median) if np.isfinite(median) else None,
        check=honest_check(terms, median, float(priced.enough[0])),
        notes=_notes(estimate, terms, tariff, area_known=area is not None),
    )


def _quote(
    priced: Priced,
    package: Package,
    tariff: Tariff,
    *,
    margins: FloatArray,
    chances: FloatArray,
    by_draw: FloatArray,
    fair_by_draw: FloatArray,
    cap: int,
    median: int | None,
    check: tuple[str, ...],
    notes: tuple[str, ...],
) -> Quote:
    low, high = np.quantile(by_draw @ (margins < 0), [0.05, 0.95])
    enough = float(priced.enough[0])
    return Quote(
        package=package,
        currency=tariff.currency,
        expected_sessions=float(priced.sessions[0]),
        expected_waste=float(priced.waste[0]),
        chance_of_loss=float(priced.chance_of_loss[0]),
        chance_of_loss_range=(float(low), float(high)),
        chance_enough=None if np.isnan(enough) else enough,
        margins=margins,
        chances=chances,
        cap=cap,
        median=median,
        check=check,
        notes=notes,
        **_averages(priced),
        **_prices(priced, tariff, float(np.quantile(fair_by_draw, 0.95))),
        **_spread(float(priced.margin_sd[0]), float((by_draw @ margins).std())),
    )


def _averages(priced: Priced) -> dict[str, Any]:
    return {
        "expected_cost": from_cents(priced.cost[0]),
        "expected_revenue": from_cents(priced.revenue[0]),
        "expected_bill": from_cents(priced.bill[0]),
        "expected_margin": from_cents(priced.margin[0]),
        "expected_shortfall": from_cents(priced.shortfall[0]),
    }


def _prices(priced: Priced, tariff: Tariff, robust_fair: float) -> dict[str, Any]:
    for_margin, for_loss, fair = priced.for_margin[0], priced.for_loss[0], priced.fair[0]
    return {
        "price": from_cents(priced.price[0]),
        "break_even_price": round_up(priced.break_even[0]),
        "price_for_margin": round_up(for_margin),
        "price_for_loss": round_up(for_loss),
        "list_price": round_up(max(for_margin, for_loss, 0.0), tariff.round_to),
        "fair_price": from_cents(fair),
        "fair_premium": from_cents(priced.fair_bill[0] - priced.session_bill[0]),
        "risk_premium": from_cents(max(robust_fair - fair, 0.0)),
    }


def _spread(sd: float, by_draw_sd: float) -> dict[str, Any]:
    # Var = E[Var | parameters] + Var(E | parameters), the second part from the draws
    model_sd = min(by_draw_sd, sd)
    return {
        "margin_sd": from_cents(sd),
        "chance_sd": from_cents((sd**2 - model_sd**2) ** 0.5),
        "model_sd": from_cents(model_sd),
    }


def honest_check(terms: Terms, median: float, enough: float) -> tuple[str, ...]:
    """Return what has to be said beside the offer."""
    needed = f"{median:.0f}" if np.isfinite(median) else "more than the estimate reaches"
    if not terms.block and not np.isfinite(median):
        first = "More than half of clients like this need more sessions than the estimate reaches."
    elif not terms.block:
        first = f"Half of clients like this need at most {needed} sessions, half need more."
    else:
        given = "1 session is" if terms.block == 1 else f"{terms.block} sessions are"
        rest = of_100(1 - enough)
        need = "needs" if rest == "1 of 100" else "need"
        first = (
            f"{given} enough for {of_100(enough)} clients "
            f"like this; {rest} {need} more (predicted median {needed})."
        )
        if terms.block < median:
            first += " That is less than half: say so before selling it."
    return first, NO_PROMISE, LAW


def _notes(
    estimate: Priceable, terms: Terms, tariff: Tariff, *, area_known: bool
) -> tuple[str, ...]:
    notes = [
        *map(str, estimate.notes),
        f"Priced with at most {terms.cap} sessions; nothing beyond them is promised or counted.",
    ]
    if terms.block and terms.stop_factor == 1:
        notes.append(
            "Clients are taken to stop as those of the log did, whatever they bought; who prepays "
            "may keep coming and cost more (stop_factor)."
        )
    if not area_known and tariff.cost_per_session is None:
        notes.append(f"No area given: costs are those of {tariff.typical_area_cm2:g} cm².")
    supported = getattr(estimate, "supported_to", None)
    if supported is not None and supported < terms.cap:
        notes.append(
            f"The log supports {supported} sessions; the risk of those up to {terms.cap} rests on "
            "an extrapolated curve."
        )
    return tuple(notes)


def best_block_size(
    estimate: Priceable, *, price_in_block: Decimal | int, price_alone: Decimal | int
) -> int | None:
    """Return how many sessions a client should prepay; None where it is beyond the horizon.

    A session in the block costs ``price_in_block`` used or not, one bought later
    ``price_alone``: the newsvendor's problem, solved by the smallest n whose chance of being
    enough is at least ``1 - price_in_block / price_alone`` (Arrow, Harris and Marschak 1951).
    0 means that no block is worth it.
    """
    ratio = 1 - float(Decimal(price_in_block) / Decimal(price_alone))
    if ratio <= 0:
        return 0
    size = estimate.distribution.quantile(ratio)[0]
    return int(size) if np.isfinite(size) else None
