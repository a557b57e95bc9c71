"""A package priced for many enquiries at once: arrays in, arrays out, money in cents."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.clinic.money import round_cents
from forecast.clinic.payoff import Terms, expected_shortfall, outcome_chances, terms_of
from forecast.clinic.tariff import Package, Tariff

__all__ = ["Priced", "evaluate", "price_many", "smallest_price", "step_up"]

FloatArray = npt.NDArray[np.float64]
BLOCK = 4096  # enquiries at a time: the working arrays stay in the processor's cache
PROBABILITY_NOISE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Priced:
    """What a package does for each of n enquiries; arrays of shape (n,), money in cents.

    Attributes
    ----------
    price : ndarray
        The package's price, or, where none was set, the one that is asked for.
    sessions, cost, revenue, bill, margin, waste : ndarray
        Expected sessions delivered, cost, revenue net of tax, what the client pays tax included,
        margin, and prepaid sessions that are not used.
    margin_sd : ndarray
        Standard deviation of the margin of one course.
    chance_of_loss, shortfall : ndarray
        Chance that the course loses money; expected loss in the worst 5 of 100 courses.
    break_even, for_margin, for_loss, fair : ndarray
        Prices: no expected gain, the target margin, the largest accepted chance of loss, and the
        same expected margin as pay per session up to the same cap.
    fair_bill, session_bill : ndarray
        What the client would pay on average at the fair price, and when paying per session.
    enough : ndarray
        Chance that the goal is reached within the package's sessions; NaN for pay per session.
    """

    price: FloatArray
    sessions: FloatArray
    cost: FloatArray
    revenue: FloatArray
    bill: FloatArray
    margin: FloatArray
    margin_sd: FloatArray
    chance_of_loss: FloatArray
    shortfall: FloatArray
    break_even: FloatArray
    for_margin: FloatArray
    for_loss: FloatArray
    fair: FloatArray
    fair_bill: FloatArray
    session_bill: FloatArray
    enough: FloatArray
    waste: FloatArray


def price_many(
    pmf: npt.ArrayLike,
    stop_hazard: npt.ArrayLike,
    packages: tuple[Package, ...],
    tariff: Tariff,
    *,
    area_cm2: npt.ArrayLike | None = None,
    started: bool = False,
) -> tuple[Priced, ...]:
    """Return each package priced for each of n enquiries.

    Parameters
    ----------
    pmf : array of shape (n, horizon)
        Chance that the goal is reached at each session if treatment goes on.
    stop_hazard : array of shape (horizon,) or (n, horizon)
        Chance of stopping after each session that left the client uncleared.
    packages : tuple of Package
        What is sold.
    tariff : Tariff
        Costs and rules.
    area_cm2 : array of shape (n,), optional
        Areas; NaN and None stand for the tariff's typical area.
    started : bool
        The course is under way: its fixed cost is spent and is not counted again.
    """
    pmf = np.atleast_2d(np.asarray(pmf, dtype=np.float64))
    stop = np.broadcast_to(np.asarray(stop_hazard, dtype=np.float64), pmf.shape)
    area = np.full(len(pmf), np.nan) if area_cm2 is None else area_cm2
    cost = np.broadcast_to(tariff.session_costs(area), (len(pmf),))
    horizon = pmf.shape[1]
    sold = [_terms(package, tariff, horizon, started) for package in packages]
    # pay per session is compared over the same sessions as the package covers
    alone = {
        one.cap: _terms(Package("per_session", cap=one.cap), tariff, horizon, started)
        for one in sold
    }
    blocks: list[list[Priced]] = [[] for _ in packages]
    for start in range(0, len(pmf), BLOCK):
        rows = slice(start, start + BLOCK)
        reference = {
            cap: _by_session(one, pmf[rows], stop[rows], cost[rows], tariff)
            for cap, one in alone.items()
        }
        for terms, done in zip(sold, blocks, strict=True):
            chances = outcome_chances(terms, pmf[rows], stop[rows])
            enough, beside = _enough(terms, pmf[rows]), reference[terms.cap]
            done.append(evaluate(terms, chances, cost[rows], beside, enough, tariff))
    return tuple(_joined(done) for done in blocks)


def _terms(package: Package, tariff: Tariff, horizon: int, started: bool) -> Terms:
    terms = terms_of(package, tariff, horizon)
    return replace(terms, fixed_cost=0.0) if started else terms


def _joined(parts: list[Priced]) -> Priced:
    columns = [np.concatenate([getattr(part, name) for part in parts]) for name in Priced.__slots__]
    return Priced(*columns)


def _by_session(
    terms: Terms, pmf: FloatArray, stop: FloatArray, cost: FloatArray, tariff: Tariff
) -> tuple[FloatArray, FloatArray]:
    """Return the expected bill and the expected margin of paying per session."""
    chances = outcome_chances(terms, pmf, stop)
    bill = terms.price * (chances @ terms.paid)
    spent = terms.fixed_cost + cost * (chances @ terms.treated)
    return bill * (1 + tariff.tax_rate), bill - spent


def _enough(terms: Terms, pmf: FloatArray) -> FloatArray:
    if not terms.block:
        return np.full(len(pmf), np.nan)
    return np.asarray(pmf[:, : terms.block].sum(axis=1))


def evaluate(
    terms: Terms,
    chances: FloatArray,
    cost: FloatArray,
    reference: tuple[FloatArray, FloatArray],
    enough: FloatArray,
    tariff: Tariff,
) -> Priced:
    """Return one package priced for a block of enquiries.

    ``chances`` (n, m) are its outcomes' chances, ``cost`` (n,) the cost of a session in cents and
    ``reference`` the expected bill and margin of paying per session.
    """
    paid, extra = chances @ terms.paid, chances @ terms.extra
    spent = terms.fixed_cost + cost * (chances @ terms.treated)
    session_bill, session_margin = reference
    largest = tariff.largest_chance_of_loss
    for_loss = smallest_price(terms.break_even(cost), chances, largest)
    for_margin = (spent / (1 - tariff.target_margin) - extra) / paid
    price = _own_or_asked(terms, np.maximum(for_margin, for_loss), tariff)
    margins = round_cents(terms.margins(price, cost))
    margin, margin_sd = _mean_and_sd(margins, chances)
    revenue = price * paid + extra
    return Priced(
        price=price,
        sessions=chances @ terms.delivered,
        cost=spent,
        revenue=revenue,
        bill=revenue * (1 + tariff.tax_rate),
        margin=margin,
        margin_sd=margin_sd,
        chance_of_loss=(chances * (margins < 0)).sum(axis=1),
        shortfall=expected_shortfall(margins, chances),
        break_even=(spent - extra) / paid,
        for_margin=for_margin,
        for_loss=for_loss,
        fair=(session_margin + spent - extra) / paid,
        fair_bill=(session_margin + spent) * (1 + tariff.tax_rate),
        session_bill=session_bill,
        enough=enough,
        waste=chances @ terms.unused,
    )


def _own_or_asked(terms: Terms, asked: FloatArray, tariff: Tariff) -> FloatArray:
    """Return the package's own price, or where it has none the asked one on the list's step.

    Where later sessions, paid on top, already bring in more than is asked, that is 0.
    """
    if np.isnan(terms.price):
        return step_up(np.maximum(asked, 0.0), tariff)
    return np.full(len(asked), terms.price)


def _mean_and_sd(values: FloatArray, chances: FloatArray) -> tuple[FloatArray, FloatArray]:
    mean = (chances * values).sum(axis=1)
    variance = (chances * (values - mean[:, None]) ** 2).sum(axis=1)
    return mean, np.sqrt(variance)


def smallest_price(break_even: FloatArray, chances: FloatArray, largest: float) -> FloatArray:
    """Return the smallest price whose chance of loss is at most ``largest``, shape (n,).

    ``break_even`` and ``chances``, (n, m), are the price at which each outcome earns nothing and
    the outcome's chance; an outcome loses when its break-even price is above the price.
    """
    order = np.argsort(break_even, axis=1)
    ordered = np.take_along_axis(break_even, order, axis=1)
    chance = np.take_along_axis(chances, order, axis=1)
    total = np.cumsum(chance, axis=1)
    covered = total >= total[:, -1:] - largest - PROBABILITY_NOISE
    first = np.argmax(covered, axis=1)
    return np.asarray(np.take_along_axis(ordered, first[:, None], axis=1)[:, 0])


def step_up(cents: FloatArray, tariff: Tariff) -> FloatArray:
    """Return prices in cents rounded up to the tariff's price-list step."""
    step = float(tariff.round_to * 100)
    return np.asarray(np.ceil((cents - 1e-6) / step) * step + 0.0)  # no minus before a zero
