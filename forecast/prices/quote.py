"""What a package should cost, with the risk in plain sight: of many enquiries, and a quote of one.

At each session the goal comes first; a client who is not there yet may stop after that session
(competing ends, E[min(K, cap, D)]).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from decimal import Decimal
from functools import cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray
from forecast._checks import check_kind
from forecast._notes import Note, Sentence, bullets, notes_as_json, sentence
from forecast._plain import Result, fields_of, plain
from forecast.counts import Estimate, competing_ends, of_100
from forecast.prices.package import Package, from_cents, round_cents, round_up
from forecast.prices.tariff import Tariff, Terms, check_sold, terms_of

if TYPE_CHECKING:
    from forecast.log import Enquiry

ROWS_AT_ONCE = 4096  # enquiries: the working arrays stay in the processor's cache
PROBABILITY_NOISE = 1e-12

ALWAYS = tuple(Note(f"prices.{one}") for one in ("no_promise", "law", "not_for_sale"))
HALF = 0.5  # of clients, for whom a fixed price is to be enough
UNITS = {
    "per_session": "a session",
    "block": "the block",
    "fixed": "the course",
    "part_fixed": "each of the first sessions",
}


def outcome_chances(
    terms: Terms, pmf: FloatArray, stop_hazard: FloatArray, pull: FloatArray | None = None
) -> FloatArray:
    """Return the chance of each outcome, (..., m), of what is given as in `price_rows`."""
    return _by_outcome(terms, partial(_ends, pmf, stop_hazard, pull))


def _by_outcome(terms: Terms, law: Callable[..., tuple[FloatArray, FloatArray]]) -> FloatArray:
    block = terms.block * (terms.goes_on < 1)  # which not all go beyond
    cleared, not_cleared = law(terms.cap, terms.stop_factor, block, terms.goes_on)
    if terms.splits_endings:
        return np.concatenate([cleared, not_cleared], axis=-1)
    return np.asarray(cleared + not_cleared)


# the chances that the course ends after each session, at its goal and not
def _ends(
    pmf: FloatArray, stop: FloatArray, pull: FloatArray | None,
    cap: int, factor: float, block: int, goes_on: float,
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    stop = np.minimum(stop[..., :cap] * factor, 1)
    if 0 < block < cap:
        stop[..., block - 1] = 1 - (1 - stop[..., block - 1]) * goes_on
    stop[..., -1] = 1.0  # at the cap everyone who is left has had what was sold
    return competing_ends(pmf, stop, pull)


def expected_shortfall(margins: FloatArray, chances: FloatArray, *, level: float = 0.95) -> float:
    """Return the mean loss in the worst ``1 - level`` of cases; negative where even that earns.

    The minimum over q of q + E[(loss - q)+] / (1 - level) of Rockafellar and Uryasev (2002,
    J Banking & Finance 26:1443), which stays right where an outcome straddles the level.
    ``margins`` and ``chances``, (m,), are what each outcome earns and how likely it is.
    """
    order = np.argsort(margins)
    chance = chances[order]
    taken = np.clip(1 - level - (np.cumsum(chance) - chance), 0, chance)
    return float(-(taken * margins[order]).sum() / (1 - level))


@dataclass(frozen=True, slots=True, eq=False)
class Priced:
    """What a package does for each of n enquiries; arrays of shape (n,), money in cents."""

    terms: Terms
    price: FloatArray  # the package's, or, where none was set, the one that is asked for
    sessions: FloatArray  # delivered, expected
    paid: FloatArray  # expected multiple of the price
    extra: FloatArray  # expected on top of it, net of tax
    cost: FloatArray
    margin: FloatArray  # of one course, mean
    chance_of_loss: FloatArray
    for_margin: FloatArray  # price for the target margin
    session_revenue: FloatArray  # of paying per session up to the same cap, net of tax
    session_margin: FloatArray
    enough: FloatArray  # chance that the package's sessions are; NaN for pay per session
    chances: FloatArray  # of each outcome, (n, m)
    dearer: BoolArray  # whether all that is promised costs less one by one

    @property
    def revenue(self) -> FloatArray:
        """What the package is expected to bring in, net of tax."""
        return self.price * self.paid + self.extra

    @property
    def break_even(self) -> FloatArray:
        """The price without expected gain."""
        return np.asarray((self.cost - self.extra) / self.paid)

    @property
    def fair(self) -> FloatArray:
        """The price with the same expected margin as pay per session up to the same cap."""
        return np.asarray((self.session_margin + self.cost - self.extra) / self.paid)


def price_rows(
    pmf: npt.ArrayLike,
    stop_hazard: npt.ArrayLike,
    packages: Sequence[Package],
    tariff: Tariff,
    *,
    area_cm2: npt.ArrayLike | None = None,
    started: bool = False,
    pull: FloatArray | None = None,
) -> tuple[Priced, ...]:
    """Return each of ``packages`` priced for each of n enquiries, money in cents.

    ``pmf``, (n, horizon), are the chances that the goal is reached at each session if treatment
    goes on, ``stop_hazard``, (horizon,) or (n, horizon), those of stopping after each session that
    left the client uncleared. NaN in ``area_cm2``, or None, is the ``tariff``'s typical area;
    a course that has ``started`` has spent its fixed cost. ``pull`` says who stops, as in
    ``competing_ends``. Raises RequestError for a promise beyond the horizon.

    Examples
    --------
    >>> (priced,) = price_rows([0.5, 0.3, 0.2], np.zeros(3), [Package("per_session")], tariff)
    >>> priced.sessions, priced.margin / 100
    (array([1.7]), array([161.5]))
    """
    pmf = np.atleast_2d(np.asarray(pmf, dtype=np.float64))
    stop = np.broadcast_to(np.asarray(stop_hazard, dtype=np.float64), pmf.shape)
    area = np.broadcast_to(np.asarray(area_cm2, dtype=np.float64), (len(pmf),))  # None is NaN
    cost, parts = tariff.session_costs(area), []
    for low in range(0, len(pmf), ROWS_AT_ONCE):
        rows = slice(low, low + ROWS_AT_ONCE)
        law = cache(partial(_ends, pmf[rows], stop[rows], pull))  # many end alike
        some = law, pmf[rows], cost[rows], area[rows], started
        parts.append([_priced(package, tariff, *some) for package in packages])
    names = [field.name for field in fields(Priced)[1:]]  # all but the terms
    return tuple(
        Priced(each[0].terms, *(np.concatenate([getattr(p, name) for p in each]) for name in names))
        for each in zip(*parts, strict=True)
    )


@cache
def _alone(cap: int) -> Package:
    return Package("per_session", cap=cap)


def _priced(
    package: Package,
    tariff: Tariff,
    law: Callable[..., tuple[FloatArray, FloatArray]],
    pmf: FloatArray,
    cost: FloatArray,
    area: FloatArray,
    started: bool,
) -> Priced:
    terms = terms_of(package, tariff, pmf.shape[1], started=started)
    # pay per session is compared over the same sessions as the package covers
    by_one = _alone(terms.cap)
    by_session = terms_of(by_one, tariff, pmf.shape[1], started=started)
    price, single = tariff.price_of(package, area), tariff.price_of(by_one, area)
    chances, alone = (_by_outcome(one, law) for one in (terms, by_session))
    paid, extra = chances @ terms.paid, chances @ terms.extra
    spent = terms.fixed_cost + cost * (chances @ terms.treated)
    for_margin = (spent / (1 - tariff.target_margin) - extra) / paid
    if np.isnan(price).any():
        for_loss = smallest_price(terms.break_even(cost), chances, tariff.largest_chance_of_loss)
        # where later sessions, paid on top, already bring in more than is asked, that is 0
        least = np.maximum(np.maximum(for_margin, for_loss), 0.0)
        step = float(tariff.round_to * 100)
        asked = np.ceil((least - 1e-6) / step) * step + 0.0  # no minus before a zero
        price = np.where(np.isnan(price), asked, price)
    promised = terms.block if package.kind in ("block", "fixed") else np.inf
    margins = round_cents(terms.margins(price, cost))
    margin = np.einsum("ij,ij->i", chances, margins)
    session_revenue = single * (alone @ by_session.paid)
    session_spent = by_session.fixed_cost + cost * (alone @ by_session.treated)
    enough = pmf[:, : terms.block].sum(axis=1) if terms.block else np.full(len(pmf), np.nan)
    return Priced(
        terms=terms,
        price=price,
        sessions=chances @ terms.delivered,
        paid=paid,
        extra=extra,
        cost=spent,
        margin=margin,
        chance_of_loss=np.einsum("ij,ij->i", chances, margins < 0),
        for_margin=for_margin,
        session_revenue=session_revenue,
        session_margin=session_revenue - session_spent,
        enough=enough,
        chances=chances,
        dearer=price > promised * single,
    )


def smallest_price(break_even: FloatArray, chances: FloatArray, largest: float) -> FloatArray:
    """Return the smallest price whose chance of loss is at most ``largest``, shape (n,).

    An outcome, (n, m), loses when the price at which it earns nothing is above the price.
    """
    rows = np.arange(len(chances))[:, None]
    order = np.argsort(break_even, axis=1)
    total = np.cumsum(chances[rows, order], axis=1)
    covered = total >= total[:, -1:] - largest - PROBABILITY_NOISE
    first = np.argmax(covered, axis=1)[:, None]
    return np.asarray(break_even[rows, order[rows, first]][:, 0])


def areas_of(enquiries: Iterable[Enquiry | None]) -> FloatArray:
    """Return the areas of enquiries, shape (n,); NaN where not given."""
    return np.array([getattr(one, "area_cm2", None) for one in enquiries], dtype=np.float64)


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
        codes = {note.code for note in self.check}
        return next((one for one in ("dearer", "too_few") if f"prices.{one}" in codes), None)

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
        then = {"sessions": self.package.sessions, "extra": self.package.extra_price}
        # a fixed price is read as a promise to clear unless its own line says what it is not
        values = fields_of(self) | {
            "name": self.package.said,
            "unit": sentence(f"quote.unit_{self.package.kind}", then),
            "enough": of_100(self.chance_enough or 0.0),
            "mark": sentence("quote.no_offer") if self.misleads else "",
        }
        return sentence(f"quote.offer{'_fixed' * (self.package.kind == 'fixed')}", values)

    def _fairly(self) -> Sentence:
        if self.fair_price < 0:
            return sentence("quote.no_fair_price")
        same = sentence("quote.the_same")
        more = _of(self.fair_premium, "more", "less") if self.fair_premium else same
        return sentence("quote.fair", fields_of(self) | {"more": more})


def quotes_lines(quotes: Sequence[Quote], *, details: bool = True) -> list[str]:
    """Return the quotes of one enquiry in words; what holds for all of them is said once.

    Without ``details`` each has a line, for how many its sessions are enough, and why it is no
    offer.

    Examples
    --------
    >>> quote = price_package(forecaster.estimate(enquiry), Package("fixed", price=900), tariff)
    >>> str(quotes_lines([quote], details=False)[0])[:52]
    'fixed price, at most 15 sessions: 900.00 EUR for the'
    """
    if not details:
        return [
            line for one in quotes for line in (one._offer(), *bullets(one.check[: -len(ALWAYS)]))
        ]
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


def cap_note(estimate: Estimate, tariff: Tariff, sessions_done: int = 0) -> Note | None:
    """Return how far the sessions that are given take an ``estimate``; None if as far as it says.

    The most of a course, the ``tariff``'s cap, count from its first one.

    Examples
    --------
    >>> later = forecaster.update(enquiry, sessions_done=9).remaining
    >>> cap_note(later, tariff, 9).code, cap_note(later, tariff, 15).code
    ('prices.cap_left', 'prices.cap_reached')
    """
    left, most = tariff.cap - sessions_done, estimate.interval[1]
    values: dict[str, Any] = {"cap": tariff.cap, "left": left}
    if left <= 0:
        return Note("prices.cap_reached", "caution", values)
    if left > estimate.horizon or (most is not None and most <= left):
        return None
    values["enough"] = of_100(estimate.chance_by(left))
    return Note("prices.cap_left" if sessions_done else "prices.cap", "caution", values)


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
        expected_waste=float(chances[0] @ terms.unused),
        expected_cost=from_cents(priced.cost[0]),
        expected_revenue=from_cents(priced.revenue[0]),
        expected_bill=from_cents(priced.revenue[0] * with_tax),
        expected_margin=from_cents(priced.margin[0]),
        chance_of_loss=float(priced.chance_of_loss[0]),
        chance_of_loss_range=(float(low), float(high)),
        expected_shortfall=from_cents(expected_shortfall(margins, chances[0])),
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
        check=_honest_check(package, priced, median, tariff, area),
        notes=_notes(estimate, package, terms, tariff, area_known=not np.isnan(area[0])),
    )


def _honest_check(
    package: Package, priced: Priced, median: float, tariff: Tariff, area: FloatArray
) -> tuple[Note, ...]:
    terms, enough, known = priced.terms, float(priced.enough[0]), bool(np.isfinite(median))
    if terms.block:
        rest = "needs_more" if round(100 * (1 - enough)) == 1 else "need_more"
        values = {
            "block": terms.block,
            "enough": of_100(enough),
            "rest": Note(f"prices.{rest}", "info", {"share": of_100(1 - enough)}),
            "median": int(median) if known else "beyond_the_estimate",
        }
        first = Note("prices.enough", "info", values)
        if package.kind == "fixed" and enough < HALF:
            first = Note("prices.too_few", "serious", values)
        elif terms.block < median:
            first = Note("prices.enough_for_few", "serious", values)
    elif known:
        first = Note("prices.half_need", "info", {"median": int(median)})
    else:
        first = Note("prices.most_need_more", "caution")
    notes = [first]
    if priced.dearer[0]:
        one_by_one = terms.block * tariff.price_of(Package("per_session"), area)[0]
        values = {"sessions": terms.block, "price": float(from_cents(one_by_one))}
        notes.append(Note("prices.dearer", "serious", values))
    return (*notes, *ALWAYS)


def _notes(
    estimate: Estimate, package: Package, terms: Terms, tariff: Tariff, *, area_known: bool
) -> tuple[Note, ...]:
    notes = [*estimate.notes, Note("prices.most_sessions", "info", {"cap": terms.cap})]
    by_session = package.price is None and package.kind in ("per_session", "part_fixed")
    bands = package.prices or (tariff.session_prices if by_session else ())
    if bands and not area_known:
        ends = [{"price": float(one.price), "area": one.up_to_cm2} for one in bands]
        listed = [sentence("prices.band", one) for one in ends[:-1]]
        listed.append(sentence("prices.open_band", ends[-1]))
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
