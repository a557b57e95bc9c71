"""How a course can end under a package, with what chance, and what each way brings in and costs.

An outcome is a number of sessions delivered, D = 1 to the cap, and, where a refund depends on it,
whether the course ended cleared. At each session the goal comes first; a client who is not there
yet may stop after that session (competing ends, E[min(K, cap, D)]).
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast._types import FloatArray
from forecast.counts import competing_ends
from forecast.errors import RequestError
from forecast.prices.money import round_cents, to_cents
from forecast.prices.tariff import Package, Tariff


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """A package under a tariff, as amounts per outcome; shapes (m,), money in cents net of tax.

    Attributes
    ----------
    delivered : ndarray
        Sessions delivered.
    treated : ndarray
        The same, later sessions discounted: the multiple of the cost of one session.
    paid : ndarray
        What is paid, after refunds, as a multiple of the package's price.
    extra : ndarray
        What is paid on top of it.
    unused : ndarray
        Prepaid sessions that are not used.
    price : float
        The package's price in cents, tax included; NaN asks for it.
    cap : int
        The most sessions.
    block : int
        Sessions that the package holds: the cap for a fixed price, 0 for pay per session.
    splits_endings : bool
        The first ``cap`` outcomes ended cleared and the other ``cap`` did not.
    stop_factor, goes_on : float
        See `forecast.prices.Package`.
    """

    delivered: FloatArray
    treated: FloatArray
    paid: FloatArray
    extra: FloatArray
    unused: FloatArray
    price: float
    cap: int
    block: int
    splits_endings: bool
    stop_factor: float
    goes_on: float
    fixed_cost: float

    def margins(self, price: FloatArray, cost: FloatArray) -> FloatArray:
        """Return the margin in cents of each outcome, shape (n, m).

        ``price`` (n,) is the package's price and ``cost`` (n,) the cost of a session, in cents.
        """
        revenue = price[:, None] * self.paid + self.extra
        return revenue - self.fixed_cost - cost[:, None] * self.treated

    def break_even(self, cost: FloatArray) -> FloatArray:
        """Return the price at which each outcome earns exactly nothing, shape (n, m)."""
        spent = self.fixed_cost + cost[:, None] * self.treated - self.extra
        return np.asarray(spent / self.paid)


def terms_of(package: Package, tariff: Tariff, horizon: int) -> Terms:
    """Return a package's amounts per outcome, for an estimate that reaches ``horizon``.

    Raises
    ------
    RequestError
        A promise that goes beyond the horizon, or another currency.
    """
    tariff.check_package(package)
    cap, block = _sizes(package, tariff, horizon)
    sessions = np.arange(1, cap + 1, dtype=np.float64)
    weekly = (1 + tariff.discount_rate) ** (-tariff.weeks_between_sessions / 52)
    worth = weekly ** (sessions - 1)
    treated = np.cumsum(worth)
    net = 1 / (1 + tariff.tax_rate)
    share = tariff.refund_share if package.refund_share is None else package.refund_share
    unused = np.maximum(block - sessions, 0)
    handed_back = share * unused / max(block, 1) * worth
    later = _later_sessions(package, worth)
    splits = package.kind == "fixed" and share > 0
    if package.kind == "per_session":
        paid = treated
    elif package.kind == "part_fixed":
        paid = treated[np.minimum(sessions, block).astype(int) - 1]
    else:
        paid = 1 - handed_back
    repeat = 2 if splits else 1
    paid = np.concatenate([np.ones(cap), paid]) if splits else paid
    return Terms(
        delivered=np.tile(sessions, repeat),
        treated=np.tile(treated, repeat),
        paid=paid * net,
        extra=np.tile(later * net, repeat),
        unused=np.tile(unused if package.kind == "block" else 0 * unused, repeat),
        price=_price(package, tariff),
        cap=cap,
        block=block,
        splits_endings=splits,
        stop_factor=tariff.stop_factor if package.stop_factor is None else package.stop_factor,
        goes_on=package.goes_on,
        fixed_cost=float(to_cents(tariff.fixed_cost)),
    )


def _later_sessions(package: Package, worth: FloatArray) -> FloatArray:
    if package.extra_price is None or package.sessions is None:
        return 0 * worth
    beyond = np.arange(1, len(worth) + 1) > package.sessions
    return to_cents(package.extra_price) * np.cumsum(worth * beyond)


def _price(package: Package, tariff: Tariff) -> float:
    if package.price is None:
        by_session = package.kind in ("per_session", "part_fixed")
        return float(to_cents(tariff.session_price)) if by_session else float("nan")
    return float(to_cents(package.price))


def _sizes(package: Package, tariff: Tariff, horizon: int) -> tuple[int, int]:
    cap = min(package.cap or tariff.cap, horizon)
    promised = package.cap if package.kind == "fixed" else package.sessions
    if promised is not None and promised > horizon:
        raise RequestError(
            f"Package {package.name!r} promises {promised} sessions.",
            f"The estimate reaches {horizon}: promise at most that, or fit with a longer horizon.",
        )
    if package.kind == "block" and package.sessions is not None:
        cap = package.sessions if package.extra_price is None else max(cap, package.sessions)
    block = cap if package.kind == "fixed" else package.sessions or 0
    return cap, min(block, cap) if package.kind == "part_fixed" else block


def outcome_chances(terms: Terms, pmf: FloatArray, stop_hazard: FloatArray) -> FloatArray:
    """Return the chance of each outcome, shape (..., m); each row sums to one.

    Parameters
    ----------
    terms : Terms
        The package.
    pmf : ndarray of shape (..., horizon)
        Chance that the goal is reached at each session if treatment goes on.
    stop_hazard : ndarray of shape (..., horizon)
        Chance of stopping after each session that left the client uncleared; broadcast.

    Examples
    --------
    A constant chance of 1/4 of clearing, 1/20 of stopping, at most 10 sessions:

    >>> from decimal import Decimal
    >>> tariff = Tariff(currency="EUR", session_price=90, cap=10, cost_per_session=40)
    >>> terms = terms_of(Package("fixed", price=Decimal(800)), tariff, 10)
    >>> pmf = 0.25 * 0.75 ** np.arange(10)
    >>> chances = outcome_chances(terms, pmf, np.full(10, 0.05))
    >>> round(float(chances @ terms.delivered), 6)
    3.360984
    """
    cap = terms.cap
    pmf = np.asarray(pmf, dtype=np.float64)[..., :cap]
    stop = np.minimum(np.asarray(stop_hazard, dtype=np.float64)[..., :cap] * terms.stop_factor, 1)
    if 0 < terms.block < cap and terms.goes_on < 1:
        stop[..., terms.block - 1] = 1 - (1 - stop[..., terms.block - 1]) * terms.goes_on
    stop[..., -1] = 1.0  # at the cap everyone who is left has had what was sold
    cleared, not_cleared = competing_ends(pmf, stop)
    if terms.splits_endings:
        return np.concatenate([cleared, not_cleared], axis=-1)
    return np.asarray(cleared + not_cleared)


def expected_shortfall(
    margins: npt.ArrayLike, chances: npt.ArrayLike, *, level: float = 0.95
) -> FloatArray:
    """Return the mean loss in the worst ``1 - level`` of cases; negative where even that earns.

    The minimum over q of q + E[(loss - q)+] / (1 - level) of Rockafellar and Uryasev (2002,
    J Banking & Finance 26:1443), which stays right where an outcome straddles the level.

    Parameters
    ----------
    margins, chances : array of shape (..., m)
        What each outcome earns and how likely it is.
    level : float
        Between 0 and 1.

    Examples
    --------
    >>> round(float(expected_shortfall([100.0, -50.0, -100.0], [0.9, 0.08, 0.02])), 10)
    70.0
    """
    margins, chances = np.broadcast_arrays(
        np.asarray(margins, dtype=np.float64), np.asarray(chances, dtype=np.float64)
    )
    order = np.argsort(margins, axis=-1)
    worst = np.take_along_axis(margins, order, axis=-1)
    chance = np.take_along_axis(chances, order, axis=-1)
    before = np.cumsum(chance, axis=-1) - chance
    taken = np.clip(1 - level - before, 0, chance)
    return np.asarray(-(taken * worst).sum(axis=-1) / (1 - level))


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
