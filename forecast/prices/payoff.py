"""How a course can end under a package, with what chance, and what each way brings in and costs.

An outcome is a number of sessions delivered, D = 1 to the cap, and, where a refund depends on it,
whether the course ended cleared. At each session the goal comes first; a client who is not there
yet may stop after that session (competing ends, E[min(K, cap, D)]).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cache, lru_cache, partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray
from forecast._checks import check_whole_number
from forecast._notes import problem_and_remedy
from forecast.counts import competing_ends
from forecast.errors import RequestError
from forecast.prices.money import round_cents, to_cents
from forecast.prices.tariff import Package, Tariff

if TYPE_CHECKING:
    from forecast.log import Enquiry

ROWS_AT_ONCE = 4096  # enquiries: the working arrays stay in the processor's cache
PROBABILITY_NOISE = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """A package under a tariff, as amounts per outcome; shapes (m,), money in cents net of tax."""

    delivered: FloatArray  # sessions
    treated: FloatArray  # the same, later ones discounted: the multiple of a session's cost
    paid: FloatArray  # after refunds, as a multiple of the package's price
    extra: FloatArray  # paid on top of it
    unused: FloatArray  # prepaid sessions
    cap: int  # the most sessions
    block: int  # sessions the package holds: the cap for a fixed price, 0 for pay per session
    splits_endings: bool  # the first cap outcomes ended cleared and the other cap did not
    stop_factor: float  # as of the package
    goes_on: float
    fixed_cost: float  # of the course apart from its sessions, 0 where it is under way

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

    @property
    def ending(self) -> tuple[int, float, int, float]:
        """What the end of a course depends on: cap, stop factor, a block that not all go beyond."""
        return self.cap, self.stop_factor, self.block * (self.goes_on < 1), self.goes_on

    def by_outcome(self, cleared: FloatArray, not_cleared: FloatArray) -> FloatArray:
        """Return the chance of each outcome, from those of ending after each session."""
        if self.splits_endings:
            return np.concatenate([cleared, not_cleared], axis=-1)
        return np.asarray(cleared + not_cleared)


@lru_cache(maxsize=256)  # each answer asks for the same ones
def terms_of(package: Package, tariff: Tariff, horizon: int, *, started: bool = False) -> Terms:
    """Return a package's amounts per outcome, for an estimate that reaches ``horizon``.

    ``started`` is a course under way, whose fixed cost is spent and is not counted again.

    Raises RequestError for a promise that goes beyond the horizon, or another currency.
    """
    tariff.check_package(package)
    cap, block = _sizes(package, tariff, horizon)
    sessions = np.arange(1, cap + 1, dtype=np.float64)
    weekly = (1 + tariff.discount_rate) ** (-tariff.weeks_between_sessions / 52)
    worth = weekly ** (sessions - 1)
    treated, later = np.cumsum(worth), 0 * worth
    if package.extra_price is not None and package.sessions is not None:
        later = to_cents(package.extra_price) * np.cumsum(worth * (sessions > package.sessions))
    share = tariff.refund_share if package.refund_share is None else package.refund_share
    unused = np.maximum(block - sessions, 0)
    if package.kind == "per_session":
        paid = treated
    elif package.kind == "part_fixed":
        paid = treated[np.minimum(sessions, block).astype(int) - 1]
    else:
        paid = 1 - share * unused / max(block, 1) * worth
    splits = (package.kind == "fixed" and share > 0) or tariff.touch_up_rate > 0
    repeat = 2 if splits else 1
    if package.kind == "block":
        treated = treated + tariff.credit_share * unused * worth
    lost = tariff.default_rate * (1 - package.paid_by(cap))  # of what is owed at the end
    treated, paid = np.tile(treated, repeat), np.tile(paid, repeat)
    if splits:
        treated[:cap] += tariff.touch_up_rate * worth  # those who cleared may come once more
        paid[:cap] = 1.0 if package.kind == "fixed" else paid[:cap]
    # the share of the price that the average client is let off
    let_off = tariff.second_tattoo_discount * tariff.second_tattoo_share
    if package.kind in ("block", "fixed") and not package.instalments:  # paid at once
        let_off += tariff.prepay_discount * tariff.prepay_share
    paid = np.maximum(paid - np.tile(lost, repeat), 0.0) * (1 - let_off)
    net = 1 / (1 + tariff.tax_rate)
    return Terms(
        delivered=np.tile(sessions, repeat),
        treated=treated,
        paid=paid * net,
        extra=np.tile(later * net, repeat),
        unused=np.tile(unused if package.kind == "block" else 0 * unused, repeat),
        cap=cap,
        block=block,
        splits_endings=splits,
        stop_factor=tariff.stop_factor if package.stop_factor is None else package.stop_factor,
        goes_on=package.goes_on,
        fixed_cost=0.0 if started else float(to_cents(tariff.fixed_cost)),
    )


@lru_cache(maxsize=256)
def left_of(package: Package, tariff: Tariff, sessions_done: int) -> tuple[Package, Tariff] | None:
    """Return what a package and its tariff are for the sessions that are left, or None.

    The most sessions of a course count from its first one. A package with a reduced price after
    so many sessions goes on where the course stands. A block is a new one, from the next session
    on. A fixed price is asked for anew: the tariff's own was for a course from its beginning.
    None stands for a package that cannot be sold any more: nothing of the most sessions is left
    after ``sessions_done`` here, or less than the block holds.

    Examples
    --------
    >>> reduced = Package("part_fixed", sessions=8, price=150, extra_price=75)
    >>> [left_of(reduced, tariff, done)[0].kind for done in (6, 8)], left_of(reduced, tariff, 15)
    (['part_fixed', 'per_session'], None)
    """
    done = check_whole_number(sessions_done, name="sessions_done", low=0)
    if not done:
        return package, tariff
    most = (package.cap or tariff.cap) - done
    in_block = package.sessions if package.kind == "block" else None
    if min(most, tariff.cap - done) < (in_block or 1):
        return None
    rest = replace(tariff, cap=tariff.cap - done)
    if package.kind == "fixed":
        return package.sold_at(None, cap=most), rest
    if package.kind != "part_fixed" or package.sessions is None:
        return replace(package, cap=most), rest
    if package.sessions > done:
        return replace(package, sessions=package.sessions - done, cap=most), rest
    reduced = Package(
        "per_session",
        name=package.name,
        price=package.extra_price,
        cap=most,
        stop_factor=package.stop_factor,
        currency=package.currency,
        labels=package.labels,
    )
    return reduced, rest


def charges_of(
    package: Package, tariff: Tariff, n: int, area_cm2: float, *, asked: Mapping[str, float]
) -> tuple[FloatArray, int]:
    """Return what is charged with each of ``n`` sessions, and how many sessions are sold before.

    Shape (n,), in cents, tax included. ``asked`` has the price (cents) of a package whose own is
    not set; without either nothing is charged for it.
    """
    sessions = np.arange(1, n + 1)
    price = float(tariff.price_of(package, area_cm2)[0])
    price = asked.get(package.name, 0.0) if np.isnan(price) else price
    extra = 0 if package.extra_price is None else to_cents(package.extra_price)
    if package.kind == "per_session":
        return np.full(n, price), 0
    if package.kind == "part_fixed":
        return np.where(sessions <= (package.sessions or 0), price, extra), 0
    held = package.sessions or package.cap or tariff.cap
    paid = np.diff(package.paid_by(n), prepend=0.0) * price
    return paid + np.where(sessions > held, extra, 0.0), held


def _sizes(package: Package, tariff: Tariff, horizon: int) -> tuple[int, int]:
    cap = min(package.cap or tariff.cap, horizon)
    promised = package.cap if package.kind == "fixed" else package.sessions
    if promised is not None and promised > horizon:
        values = {"name": package.name, "n": promised, "horizon": horizon}
        raise RequestError(*problem_and_remedy("refused.promised", values))
    if package.kind == "block" and package.sessions is not None:
        cap = package.sessions if package.extra_price is None else max(cap, package.sessions)
    block = cap if package.kind == "fixed" else package.sessions or 0
    return cap, min(block, cap) if package.kind == "part_fixed" else block


def outcome_chances(
    terms: Terms, pmf: FloatArray, stop_hazard: FloatArray, pull: FloatArray | None = None
) -> FloatArray:
    """Return the chance of each outcome, shape (..., m); each row sums to one.

    ``pmf`` is the chance that the goal is reached at each session if treatment goes on,
    ``stop_hazard`` that of stopping after each that left the client uncleared, (..., horizon), by
    the ``terms`` of a package; ``pull`` says who stops, as in ``competing_ends``.
    """
    pmf, stop = (np.asarray(each, dtype=np.float64) for each in (pmf, stop_hazard))
    return terms.by_outcome(*_ends(pmf, stop, pull, *terms.ending))


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


def expected_shortfall(
    margins: npt.ArrayLike, chances: npt.ArrayLike, *, level: float = 0.95
) -> FloatArray:
    """Return the mean loss in the worst ``1 - level`` of cases; negative where even that earns.

    The minimum over q of q + E[(loss - q)+] / (1 - level) of Rockafellar and Uryasev (2002,
    J Banking & Finance 26:1443), which stays right where an outcome straddles the level.
    ``margins`` and ``chances``, (..., m), are what each outcome earns and how likely it is.
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
    def waste(self) -> FloatArray:
        """Prepaid sessions that are not used, expected."""
        return self.chances @ self.terms.unused

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
    area = np.full(len(pmf), np.nan) if area_cm2 is None else area_cm2
    cost = np.broadcast_to(tariff.session_costs(area), (len(pmf),))
    blocks = [slice(low, low + ROWS_AT_ONCE) for low in range(0, len(pmf), ROWS_AT_ONCE)]
    laws = [cache(partial(_ends, pmf[rows], stop[rows], pull)) for rows in blocks]  # many end alike
    found = []
    for package in packages:
        terms = terms_of(package, tariff, pmf.shape[1], started=started)
        # pay per session is compared over the same sessions as the package covers
        alone = _alone(terms.cap)
        both = terms, terms_of(alone, tariff, pmf.shape[1], started=started)
        own = np.empty((2, len(pmf)))
        own[0], own[1] = tariff.price_of(package, area), tariff.price_of(alone, area)
        parts = [
            _evaluate(package.kind, both, law, pmf[rows], cost[rows], own[:, rows], tariff)
            for rows, law in zip(blocks, laws, strict=True)
        ]
        names = [field.name for field in fields(Priced) if field.name != "terms"] * (len(parts) > 1)
        columns: dict[str, Any] = {
            name: np.concatenate([getattr(one, name) for one in parts]) for name in names
        }
        found.append(replace(parts[0], **columns))
    return tuple(found)


@cache
def _alone(cap: int) -> Package:
    return Package("per_session", cap=cap)


def _evaluate(
    kind: str,
    both: tuple[Terms, Terms],
    law: Callable[..., tuple[FloatArray, FloatArray]],
    pmf: FloatArray,
    cost: FloatArray,
    own: FloatArray,
    tariff: Tariff,
) -> Priced:
    # the package's terms and those of paying per session, and the price of either
    (terms, by_session), (price, single) = both, own
    chances, alone = (one.by_outcome(*law(*one.ending)) for one in both)
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
    promised = terms.block if kind in ("block", "fixed") else np.inf
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

    ``break_even`` and ``chances``, (n, m), are the price at which each outcome earns nothing and
    the outcome's chance; an outcome loses when its break-even price is above the price.
    """
    rows = np.arange(len(chances))[:, None]
    order = np.argsort(break_even, axis=1)
    total = np.cumsum(chances[rows, order], axis=1)
    covered = total >= total[:, -1:] - largest - PROBABILITY_NOISE
    first = np.argmax(covered, axis=1)[:, None]
    return np.asarray(break_even[rows, order[rows, first]][:, 0])


def areas_of(enquiries: Iterable[Enquiry | None]) -> FloatArray:
    """Return the areas of enquiries, shape (n,); NaN where not given."""
    areas = [getattr(one, "area_cm2", None) for one in enquiries]
    return np.array([np.nan if area is None else float(area) for area in areas])
