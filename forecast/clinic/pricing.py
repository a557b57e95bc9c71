"""What a package should cost for one enquiry, with the risk in plain sight."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from forecast._checks import check_kind
from forecast.clinic.evaluate import Priced, price_many
from forecast.clinic.frequency import of_100
from forecast.clinic.money import from_cents, round_cents, round_up
from forecast.clinic.payoff import Terms, outcome_chances, terms_of
from forecast.clinic.quote import Quote
from forecast.clinic.tariff import Package, Tariff
from forecast.survival import CountDistribution

__all__ = ["Priceable", "Quote", "best_block_size", "price_package", "stop_under_draws"]

FloatArray = npt.NDArray[np.float64]
LAW = "Refunds, cooling-off and cancellation follow the consumer law of the place; ask locally."
NO_PROMISE = "No number of sessions is a promise that a tattoo goes away."


@runtime_checkable
class Priceable(Protocol):
    """What a price needs of an estimate; `forecast.clinic.estimate.Estimate` offers it."""

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
    def notes(self) -> tuple[str, ...]:
        """Doubts, in words."""


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
        *estimate.notes,
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
