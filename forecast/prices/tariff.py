"""What it costs, and what each way a course can end brings in: the tariff and its file.

An outcome is a number of sessions delivered, D = 1 to the cap, and, where a refund depends on it,
whether the course ended cleared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields, replace
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast._checks import check_keys, check_kind, check_whole_number
from forecast._files import read_toml
from forecast._notes import Note, problem_and_remedy, sentence, texts_of
from forecast._plain import Result
from forecast.errors import DataError, ForecastError, RequestError
from forecast.prices.package import (
    CENT,
    AreaPrice,
    Package,
    amount,
    area_prices,
    cents_by_area,
    check_ranges,
    from_cents,
    to_cents,
)

COST_PARTS = ("minutes_per_session", "staff_per_hour", "room_per_hour", "consumables",
              "device_price")  # fmt: skip
ALONE = Package("per_session")


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Tariff(Result):
    """The clinic's costs and rules. Costs exclude tax that is reclaimed; prices include it.

    Attributes
    ----------
    currency : str
        Three-letter code shared by every amount.
    session_price : Decimal
        Price of one session when paid one by one, tax included.
    cost_per_session : Decimal, optional
        The whole cost of a session where it is known; None makes it from the parts below.
    minutes_per_session, minutes_per_100_cm2 : float
        Staff and room time of a session, and what each 100 cm² adds.
    hours_a_week : float, optional
        Hours that can be booked in a week, laser and staff together.
    staff_per_hour, room_per_hour, consumables : Decimal
        Consumables are per session.
    device_price : Decimal
        Purchase price, spread over ``device_life_years`` times ``device_sessions_per_year``
        sessions, or, where ``device_life_pulses`` is given, over pulses (``pulses_per_session``
        and ``pulses_per_cm2`` of tattoo).
    device_service_per_year : Decimal
        Service contract and insurance of the device, by the year.
    fixed_cost : Decimal
        Cost of a course apart from its sessions: consultation, test spot, booking.
    tax_rate : float
        0.2 where the price holds 20 % of tax on the net amount.
    target_margin : float
        Wanted margin as a share of revenue net of tax.
    largest_chance_of_loss : float
        Largest accepted chance that one course loses money.
    discount_rate, weeks_between_sessions : float
        Money of later sessions counts for less, by a yearly rate.
    cap : int
        The most sessions given in one course whatever was sold.
    refund_share, stop_factor : float
        Rules for packages that do not say their own; see `Package`.
    typical_area_cm2 : float
        Stands in where an enquiry has no area; the quote says so.
    round_to : Decimal
        Step of the price list; asked prices are rounded up to it.
    valid_days : int
        For so many days a price holds that was kept in a daybook (90: common practice, no source).
    packages : tuple of Package
        What is on offer.
    session_prices : sequence of AreaPrice, optional
        Prices of one session by area, instead of ``session_price``.
    fixed_costs : mapping of str to Decimal
        Costs of a year whatever is done: device, lease, rent, staff. They enter the year alone;
        what is here must not be in the costs of a session as well.
    no_show_rate, no_show_fee : float, Decimal
        Share of booked appointments that are missed or cancelled too late, which cost their time,
        and what is charged for one.
    touch_up_months, touch_up_rate : float
        A touch-up is free within so many months after clearing; share of the cleared who come.
    credit_share : float
        Share of prepaid sessions not used that are kept as credit and used later.
    default_rate : float
        Share of what is still owed in instalments at the end of a course that is never paid.
    second_tattoo_discount, second_tattoo_share : float
        Discount on the price of a client's further tattoo, and the share of courses that are one.
    prepay_discount, prepay_share : float
        Discount on a block or a fixed price paid at once, and the share of clients who do.
    another_laser : mapping
        ``hours_a_week`` that a further laser adds, ``wavelengths_nm``, and, by the year,
        ``lease``; or ``price``, ``life_years`` and ``resale``.

    Raises
    ------
    RequestError
        A negative or missing cost, a cap below 1, amounts in two currencies.

    Examples
    --------
    >>> Tariff(currency="EUR", session_price=150, cost_per_session=55, cap=15).single_price()
    Decimal('150.00')
    """

    currency: str
    session_price: Decimal | None = None
    cap: int
    cost_per_session: Decimal | None = None
    minutes_per_session: float | None = None
    minutes_per_100_cm2: float = 0.0
    hours_a_week: float | None = None
    staff_per_hour: Decimal | None = None
    room_per_hour: Decimal | None = None
    consumables: Decimal | None = None
    device_price: Decimal | None = None
    device_life_years: float | None = None
    device_sessions_per_year: float | None = None
    device_service_per_year: Decimal = Decimal(0)
    device_life_pulses: float | None = None
    pulses_per_session: float = 0.0
    pulses_per_cm2: float = 0.0
    fixed_cost: Decimal = Decimal(0)
    tax_rate: float = 0.0
    target_margin: float = 0.3
    largest_chance_of_loss: float = 0.1
    discount_rate: float = 0.0
    weeks_between_sessions: float = 8.0
    refund_share: float = 0.0
    stop_factor: float = 1.0
    typical_area_cm2: float = 50.0
    round_to: Decimal = Decimal("0.01")
    valid_days: int = 90
    packages: tuple[Package, ...] = ()
    session_prices: tuple[AreaPrice, ...] = ()
    fixed_costs: Mapping[str, Decimal] = field(default_factory=dict)
    no_show_rate: float = 0.0
    no_show_fee: Decimal = Decimal(0)
    touch_up_months: float = 0.0
    touch_up_rate: float = 0.0
    credit_share: float = 0.0
    default_rate: float = 0.0
    second_tattoo_discount: float = 0.0
    second_tattoo_share: float = 0.0
    prepay_discount: float = 0.0
    prepay_share: float = 0.0
    another_laser: Mapping[str, Any] = field(default_factory=dict)

    def __hash__(self) -> int:
        return hash((self.currency, self.cap, self.session_price))

    def lines(self, language: str) -> list[str]:
        """Return what a session costs, and each package, on a tattoo of the typical area."""
        values = {"price": self.single_price(), "code": self.currency, "cap": self.cap}
        lines: list[str] = [sentence("tariff.session", values)]
        for one in self.packages:
            price = self.price_of(one, self.typical_area_cm2)[0] / 100
            values = {"package": one.said, "price": price}
            lines.append(sentence(f"tariff.{'package' if price == price else 'asked_for'}", values))
        return lines

    def __post_init__(self) -> None:
        code = str(self.currency).strip().upper()
        if len(code) != 3 or not code.isalpha():
            values = {"given": repr(self.currency)}
            raise RequestError(*problem_and_remedy("refused.currency", values))
        object.__setattr__(self, "currency", code)
        bands = area_prices(self.session_prices, name="session_prices", currency=code)
        object.__setattr__(self, "session_prices", bands)
        if (self.session_price is None) == (not bands):
            code = "refused.both_session_prices" if bands else "refused.no_session_price"
            raise RequestError(*problem_and_remedy(code))
        if bands:
            usual = cents_by_area(bands, np.array([float(self.typical_area_cm2)]))[0]
            object.__setattr__(self, "session_price", from_cents(float(usual)))
        check_ranges(self)
        costs = {
            name: amount(value, name=f"fixed_costs.{name}", currency=self.currency)
            for name, value in self.fixed_costs.items()
        }
        object.__setattr__(self, "fixed_costs", costs)
        twice = sorted({"device", "lease"} & set(costs)) if self.device_price else []
        if twice:
            raise RequestError(*problem_and_remedy("refused.device_twice", {"name": twice[0]}))
        known = ("hours_a_week", "wavelengths_nm", "lease", "price", "life_years", "resale")
        check_keys(self.another_laser, known, "another_laser", error=RequestError)
        if self.target_margin >= 1 or not self.round_to:
            values = {"margin": str(self.target_margin), "step": str(self.round_to)}
            raise RequestError(*problem_and_remedy("refused.margin", values))
        self._check_costs()
        object.__setattr__(self, "packages", tuple(self.packages))
        for package in self.packages:
            self.check_package(package)

    @property
    def yearly_costs(self) -> Decimal:
        """What a year costs whatever is done: ``fixed_costs``, and a device spread over years."""
        costs = sum(self.fixed_costs.values(), Decimal(0))
        if self.cost_per_session is None and not self.device_life_pulses:
            costs += _exact(self.device_service_per_year)
            if self.device_price:
                costs += self.device_price / _exact(self.device_life_years)
        return costs.quantize(CENT, ROUND_HALF_UP)

    def single_price(self, area_cm2: float | None = None) -> Decimal:
        """Return the price of one session of a tattoo of this area, by default the typical one."""
        return from_cents(float(self.price_of(ALONE, area_cm2)[0]))

    def price_of(self, package: Package, area_cm2: npt.ArrayLike | None) -> FloatArray:
        """Return a package's price in cents, shape (n,), NaN where it is asked for."""
        area, price, bands = self._areas(area_cm2), package.price, package.prices
        if price is None and not bands and package.kind in ("per_session", "part_fixed"):
            price, bands = self.session_price, self.session_prices
        if bands:
            return cents_by_area(bands, area)
        alike = float("nan") if price is None else to_cents(price)
        return np.full(len(area), alike, dtype=np.float64)

    def _check_costs(self) -> None:
        if self.cost_per_session is not None:
            return
        missing = [name for name in COST_PARTS if getattr(self, name) is None]
        if missing:
            raise RequestError(*problem_and_remedy("refused.no_cost", {"missing": missing}))
        by_pulse, uses = bool(self.device_life_pulses), []
        if self.device_price and not by_pulse:
            uses = ["device_life_years", "device_sessions_per_year"]
        elif self.device_service_per_year and by_pulse:
            uses = ["device_sessions_per_year"]
        unknown = [name for name in uses if not getattr(self, name)]
        if unknown:
            raise RequestError(*problem_and_remedy("refused.no_use", {"missing": unknown}))

    def check_package(self, package: Package) -> None:
        """Refuse a package whose currency is not the tariff's."""
        if package.currency and package.currency != self.currency:
            values = {"name": package.name, "given": package.currency, "known": self.currency}
            raise RequestError(*problem_and_remedy("refused.two_currencies", values))

    def minutes(self, area_cm2: npt.ArrayLike) -> FloatArray:
        """Return the minutes booked for a session held, shape (n,); NaN is the typical area."""
        area = self._areas(area_cm2)
        held = (self.minutes_per_session or 0) + self.minutes_per_100_cm2 * area / 100
        return np.asarray(held / (1 - self.no_show_rate))

    def session_cost(self, area_cm2: float | None = None) -> Decimal:
        """Return the cost of one session of a tattoo of this area, by default the typical one."""
        return from_cents(float(self.session_costs(area_cm2)[0]))

    def session_costs(self, area_cm2: npt.ArrayLike | None, *, running: bool = False) -> FloatArray:
        """Return the costs of a session in whole cents, (n,); NaN or None is the typical area.

        ``running`` leaves out what ``yearly_costs`` counts.
        """
        base = self._exact_session_cost(Decimal(0), running=running) * 100
        slope = self._exact_session_cost(Decimal(1), running=running) * 100 - base
        # the cost is a straight line in the area; the small term keeps exact halves going up
        return np.floor(float(base) + float(slope) * self._areas(area_cm2) + 0.5 + 1e-7)

    def _areas(self, area_cm2: npt.ArrayLike | None) -> FloatArray:
        area = np.atleast_1d(np.asarray(area_cm2, dtype=np.float64))
        return np.where(np.isnan(area), self.typical_area_cm2, area)

    def _exact_session_cost(self, area: Decimal, *, running: bool = False) -> Decimal:
        missed = _exact(self.no_show_rate) / (1 - _exact(self.no_show_rate))
        charged = missed * self.no_show_fee / (1 + _exact(self.tax_rate))
        if self.cost_per_session is not None:
            return self.cost_per_session * (1 + missed) - charged
        minutes = _exact(self.minutes_per_session) + _exact(self.minutes_per_100_cm2) * area / 100
        by_time = (_exact(self.staff_per_hour) + _exact(self.room_per_hour)) * minutes / 60
        by_time = by_time * (1 + missed) - charged + _exact(self.consumables)
        if running and not self.device_life_pulses:
            return by_time
        price, yearly = _exact(self.device_price), _exact(self.device_sessions_per_year)
        device = _exact(self.device_service_per_year) / yearly if yearly else Decimal(0)
        if self.device_life_pulses:
            pulses = _exact(self.pulses_per_session) + _exact(self.pulses_per_cm2) * area
            device += price * pulses / _exact(self.device_life_pulses)
        elif price:
            device += price / (_exact(self.device_life_years) * yearly)
        return by_time + device


def check_sold(package: object, tariff: object) -> None:
    """Refuse what is no package or no tariff."""
    check_kind(package, Package, name="package", give="a Package")
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")


def _exact(value: float | Decimal | None) -> Decimal:
    return Decimal(str(value or 0))


def tariff_template(language: str = "en") -> str:
    """Return a tariff with invented numbers and comments in ``language``, ready to be edited.

    Examples
    --------
    >>> tariff_template().splitlines()[0]
    '# Tariff: what a course costs the clinic, its rules, and the packages it sells.'
    """
    return str(texts_of(language)["templates"]["tariff"])


def read_tariff(path: str | Path) -> Tariff:
    """Return the tariff of a TOML file, with its packages.

    Raises
    ------
    DataError
        The file cannot be read, a key is unknown (the nearest known one is named) or missing, or
        a value is refused; the message names the file and the key.

    Examples
    --------
    >>> (folder / "tariff.toml").write_text(tariff_template(), encoding="utf-8") > 0
    True
    >>> read_tariff(folder / "tariff.toml").currency
    'EUR'
    """
    path = Path(path)
    table = read_toml(path, command="forecast price --template", decimal=Decimal)
    packages = table.pop("packages", [])
    if not isinstance(packages, list) or not all(isinstance(one, dict) for one in packages):
        raise DataError(*problem_and_remedy("refused.no_packages", {"file": path.name}))
    check_keys(table, [one.name for one in fields(Tariff)], path.name)
    known = [one.name for one in fields(Package)]
    for number, one in enumerate(packages, start=1):
        check_keys(one, known, path.name, sentence("refused.of_package", {"number": number}))
    needed = [one.name for one in fields(Tariff) if one.default is one.default_factory is MISSING]
    missing = [name for name in needed if name not in table]
    kindless = [number for number, one in enumerate(packages, 1) if "kind" not in one]
    missing += [sentence("refused.kind_of_package", {"number": number}) for number in kindless]
    if missing:
        values = {"file": path.name, "missing": missing}
        raise DataError(*problem_and_remedy("refused.no_key", values))
    try:
        offered = tuple(_package(one, number) for number, one in enumerate(packages, start=1))
        names = [package.name for package in offered]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise DataError(*problem_and_remedy("refused.same_name", {"name": twice[0]}))
        return Tariff(**table, packages=offered)
    except ForecastError as error:
        values = {"file": path.name, "problem": error.problem}
        raise DataError(sentence("refused.in_file", values), error.remedy) from error


def _package(one: dict[str, Any], number: int) -> Package:
    try:
        return Package(**one)
    except ForecastError as error:
        values = {"number": number, "problem": error.problem}
        raise DataError(sentence("refused.in_package", values), error.remedy) from error


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """A package under a tariff, as amounts per outcome; shapes (m,), money in cents net of tax."""

    delivered: FloatArray  # sessions
    so_far: FloatArray  # the same, later ones discounted: the multiple of a session's cost
    treated: FloatArray  # the same with what an ended course still brings: credit and touch-up
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
        """Return the margin of each outcome, (n, m), by a ``price`` and a session's ``cost``."""
        revenue = price[:, None] * self.paid + self.extra
        return revenue - self.fixed_cost - cost[:, None] * self.treated

    def break_even(self, cost: FloatArray) -> FloatArray:
        """Return the price at which each outcome earns exactly nothing, shape (n, m)."""
        spent = self.fixed_cost + cost[:, None] * self.treated - self.extra
        return np.asarray(spent / self.paid)


@lru_cache(maxsize=256)  # each answer asks for the same ones
def terms_of(package: Package, tariff: Tariff, horizon: int, *, started: bool = False) -> Terms:
    """Return a package's amounts per outcome, for an estimate that reaches ``horizon``.

    The fixed cost of a course that has ``started`` is spent. Raises RequestError for a promise
    beyond the horizon, or another currency.
    """
    tariff.check_package(package)
    cap, block = _sizes(package, tariff, horizon)
    sessions = np.arange(1, cap + 1, dtype=np.float64)
    weekly = (1 + tariff.discount_rate) ** (-tariff.weeks_between_sessions / 52)
    worth = weekly ** (sessions - 1)
    so_far, later = np.cumsum(worth), 0 * worth
    treated = so_far
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
        so_far=np.tile(so_far, repeat),
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
    reduced = package.sold_at(package.extra_price, cap=most)
    return replace(reduced, kind="per_session", sessions=None, extra_price=None), rest


def no_longer_sold(tariff: Tariff, sessions_done: int) -> list[Note]:
    """Return why packages cannot be sold after ``sessions_done``: one note where all are had.

    Examples
    --------
    >>> print(*no_longer_sold(tariff, 15))
    The entry cap of the tariff says how many sessions one course may have.
    """
    if sessions_done >= tariff.cap:
        return [Note("prices.cap_of_tariff")]
    found = []
    for package in tariff.packages:
        if left_of(package, tariff, sessions_done) is None:
            most = min(package.cap or tariff.cap, tariff.cap)
            code = "prices.sold_out" if sessions_done >= most else "prices.block_too_large"
            found.append(Note(code, values={"name": package.said, "most": most}))
    return found


def charges_of(
    package: Package, tariff: Tariff, n: int, area_cm2: float, *, asked: Mapping[str, float]
) -> tuple[FloatArray, int]:
    """Return what is charged with each of ``n`` sessions, in cents, and how many are sold before.

    ``asked`` has the price of a package whose own is not set; without either it costs nothing.
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
