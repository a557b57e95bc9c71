"""What it costs and what is sold: the tariff and its file, the packages on offer."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING, dataclass, field, fields, replace
from decimal import ROUND_HALF_UP, Decimal
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast._checks import check_keys, check_kind, check_whole_number, nearest, shown
from forecast._files import read_toml
from forecast._notes import Note, Sentence, languages, problem_and_remedy, sentence, texts_of
from forecast._plain import Result
from forecast.errors import DataError, ForecastError, RequestError
from forecast.prices.money import CENT, amount, currency_of, from_cents, to_cents

KINDS = ("per_session", "block", "fixed", "part_fixed")
ALIASES = {"until_cleared": "fixed"}  # the name promised what a price with a cap does not
NEEDS_SESSIONS = ("block", "part_fixed")
COST_PARTS = ("minutes_per_session", "staff_per_hour", "room_per_hour", "consumables",
              "device_price")  # fmt: skip

# From where to where each field of a package or a tariff may go, and in what.
RANGES = {
    name: (low, high, unit)
    for low, high, unit, names in (
        (0, math.inf, "price", "session_price round_to price extra_price"),
        (0, math.inf, "price", "down_payment instalment no_show_fee"),
        (1, math.inf, "sessions", "instalments"),
        (0, math.inf, "cost", "cost_per_session staff_per_hour room_per_hour consumables"),
        (0, math.inf, "cost", "device_price device_service_per_year fixed_cost"),
        (1, math.inf, "sessions", "cap sessions valid_days"),
        (0, 1, "number", "tax_rate target_margin largest_chance_of_loss discount_rate"),
        (0, 1, "number", "refund_share goes_on credit_share default_rate touch_up_rate"),
        (0, 1, "number", "second_tattoo_discount second_tattoo_share"),
        (0, 1, "number", "prepay_discount prepay_share"),
        (0, 0.9, "number", "no_show_rate"),
        (0, 120, "number", "touch_up_months"),
        (0, 10, "number", "stop_factor"),
        (0, 168, "number", "hours_a_week"),
        (0, 1e12, "number", "minutes_per_session minutes_per_100_cm2 weeks_between_sessions"),
        (0, 1e12, "number", "device_life_years device_sessions_per_year device_life_pulses"),
        (0, 1e12, "number", "pulses_per_session pulses_per_cm2 typical_area_cm2"),
    )
    for name in names.split()
}


def _check_ranges(sold: Package | Tariff) -> None:
    for one in fields(sold):
        name, value = one.name, getattr(sold, one.name)
        # what may be missing is missing by default
        if name not in RANGES or (value is None and one.default is None):
            continue
        low, high, unit = RANGES[name]
        if unit in ("price", "cost"):
            whole = unit == "price"
            value = amount(value, name=name, currency=sold.currency, whole_cents=whole)
        elif unit == "sessions":
            value = check_whole_number(value, name=name, low=int(low))
        else:
            number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
            # a NaN cannot be compared
            if not number or value != value or not low <= value <= high:
                values = {"name": name, "given": shown(value), "low": low, "high": high}
                code = "refused.share" if high == 1 else "refused.number"
                raise RequestError(*problem_and_remedy(code, values))
            value = float(value)
        object.__setattr__(sold, name, value)


@dataclass(frozen=True, slots=True)
class AreaPrice:
    """A price for tattoos of at most ``up_to_cm2``; the last of a list has no such end."""

    price: Decimal
    up_to_cm2: float | None = None


def _area_prices(given: Iterable[Any], *, name: str, currency: str) -> tuple[AreaPrice, ...]:
    # checked, from tables of a file or as they are: ends rise, and only the last has none
    found = []
    for one in given:
        if isinstance(one, Mapping) and {"price"} <= set(one) <= {"price", "up_to_cm2"}:
            one = AreaPrice(**one)
        if not isinstance(one, AreaPrice):
            values = {"name": name, "given": shown(one)}
            raise RequestError(*problem_and_remedy("refused.area_band", values))
        price = amount(one.price, name=f"a price of {name}", currency=currency or "EUR")
        found.append(AreaPrice(price, None if one.up_to_cm2 is None else float(one.up_to_cm2)))
    ends = [one.up_to_cm2 for one in found]
    if any(end is None for end in ends[:-1]) or (ends and ends[-1] is not None):
        raise RequestError(*problem_and_remedy("refused.area_gap", {"name": name}))
    sizes = [0.0, *(end for end in ends if end is not None)]
    if any(not low < high for low, high in pairwise(sizes)):
        raise RequestError(*problem_and_remedy("refused.area_overlap", {"name": name}))
    return tuple(found)


def _cents_by_area(bands: Sequence[AreaPrice], area: FloatArray) -> FloatArray:
    ends = [one.up_to_cm2 for one in bands if one.up_to_cm2 is not None]
    cents = np.array([to_cents(one.price) for one in bands], dtype=np.float64)
    return np.asarray(cents[np.searchsorted(ends, area, side="left")])


@dataclass(frozen=True, slots=True)
class Package:
    """One thing that is sold. Amounts include tax, as the client sees them.

    Attributes
    ----------
    kind : str
        ``per_session`` (``price`` is for one session), ``block`` (``price`` buys ``sessions``
        sessions), ``fixed`` (``price`` buys as many sessions as are needed, but at most ``cap``;
        the old word ``until_cleared`` is read as it) or ``part_fixed`` (``price`` for each of the
        first ``sessions`` sessions, ``extra_price`` for each later one).
    name : str
        What the clinic calls it; by default made from the rest.
    price : Decimal, optional
        None asks for the price. For the two kinds sold by the session None is the tariff's
        ``session_price``.
    sessions : int, optional
        Sessions in the block, or at the full price.
    cap : int, optional
        The most sessions that are given; by default the tariff's.
    extra_price : Decimal, optional
        Price of each session beyond ``sessions``; a block without it ends with its last session.
    refund_share : float, optional
        Share, 0 to 1, of the unused part of a prepaid price that is handed back: of the sessions
        not used for a block; for ``fixed`` only when the client stops uncleared, and then
        of the sessions left up to the cap. By default the tariff's.
    goes_on : float
        Chance that a client whose block was not enough buys the sessions beyond it.
    stop_factor : float, optional
        Multiplies the chance of stopping after each session: below 1 where prepaying keeps
        clients coming. By default the tariff's.
    currency : str
        Three-letter code; empty takes the tariff's, another one is refused.
    prices : sequence of AreaPrice, optional
        Prices by area instead of one ``price``.
    down_payment, instalments, instalment : Decimal, int, Decimal, optional
        Paid at first, then so many times so much, one with each session from the second on; they
        add up to the price.
    labels : mapping of language to text, optional
        What clients read instead of the name, for example ``{"de": "Sechserblock"}``.

    Examples
    --------
    >>> Package("block", sessions=6, price=Decimal("780")).name
    '6 sessions'
    """

    kind: str
    name: str = ""
    price: Decimal | None = None
    sessions: int | None = None
    cap: int | None = None
    extra_price: Decimal | None = None
    refund_share: float | None = None
    goes_on: float = 1.0
    stop_factor: float | None = None
    currency: str = ""
    prices: tuple[AreaPrice, ...] = ()
    down_payment: Decimal | None = None
    instalments: int | None = None
    instalment: Decimal | None = None
    labels: Mapping[str, str] | tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", ALIASES.get(self.kind, self.kind))
        if self.kind not in KINDS:
            values = {"kind": repr(self.kind), "known": KINDS}
            values["hint"] = nearest(str(self.kind), KINDS)
            raise RequestError(*problem_and_remedy("refused.package_kind", values))
        self._check_sessions()
        written = currency_of(self.price) or currency_of(self.extra_price)
        object.__setattr__(self, "currency", self.currency.strip().upper() or written)
        _check_ranges(self)
        object.__setattr__(self, "name", self.name or str(self._usual))
        bands = _area_prices(self.prices, name=f"prices of {self.name!r}", currency=self.currency)
        object.__setattr__(self, "prices", bands)
        if not isinstance(self.labels, Mapping | tuple):
            raise RequestError(*problem_and_remedy("refused.labels", {"given": shown(self.labels)}))
        object.__setattr__(self, "labels", tuple(sorted(dict(self.labels).items())))
        if bands and self.price is not None:
            raise RequestError(*problem_and_remedy("refused.two_prices", {"name": self.name}))
        self._check_instalments()

    def _check_instalments(self) -> None:
        if not (self.instalments or self.instalment or self.down_payment):
            return
        paid = (self.down_payment or 0) + (self.instalments or 0) * (self.instalment or 0)
        if self.price is None or self.kind not in ("block", "fixed") or paid != self.price:
            values = {"name": self.name, "paid": paid, "price": str(self.price)}
            raise RequestError(*problem_and_remedy("refused.instalments", values))

    def sold_at(self, price: Decimal | None, *, cap: int | None = None) -> Package:
        """Return the package at one price, or at none, paid at once."""
        plain: dict[str, Any] = dict.fromkeys(("down_payment", "instalments", "instalment"))
        return replace(self, price=price, cap=cap or self.cap, prices=(), **plain)

    def paid_by(self, n: int) -> FloatArray:
        """Return the share of the price that is paid by each of ``n`` sessions, shape (n,)."""
        if not self.instalments or not self.price:
            return np.ones(n)
        later = np.minimum(np.arange(n), self.instalments) * float(self.instalment or 0)
        return np.asarray((float(self.down_payment or 0) + later) / float(self.price))

    def _check_sessions(self) -> None:
        if (self.sessions is None) == (self.kind in NEEDS_SESSIONS):
            values = {"kind": self.kind, "sessions": repr(self.sessions)}
            raise RequestError(*problem_and_remedy("refused.package_sessions", values))
        if self.kind == "part_fixed" and self.extra_price is None:
            raise RequestError(*problem_and_remedy("refused.no_extra_price"))
        if self.kind not in NEEDS_SESSIONS and self.extra_price is not None:
            raise RequestError(*problem_and_remedy("refused.extra_price", {"kind": self.kind}))

    def label(self, language: str) -> str:
        """Return what clients read in a language: its label, else the name."""
        unnamed = self.name == str(self._usual)
        own = self._usual.say(language) if unnamed else str(self.name).replace("_", " ")
        return str(dict(self.labels).get(language, own))

    @property
    def said(self) -> Sentence:
        """What clients read, in any language."""
        named = {language: self.label(language) for language in languages()}
        return sentence("tariff.named", {"label": named})

    @property
    def _usual(self) -> Note:
        return Note(f"tariff.usual_{self.kind}", values={"n": self.sessions or 0})


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
        bands = _area_prices(self.session_prices, name="session_prices", currency=code)
        object.__setattr__(self, "session_prices", bands)
        if (self.session_price is None) == (not bands):
            code = "refused.both_session_prices" if bands else "refused.no_session_price"
            raise RequestError(*problem_and_remedy(code))
        if bands:
            usual = _cents_by_area(bands, np.array([float(self.typical_area_cm2)]))[0]
            object.__setattr__(self, "session_price", from_cents(float(usual)))
        _check_ranges(self)
        self._check_yearly()
        if self.target_margin >= 1 or not self.round_to:
            values = {"margin": str(self.target_margin), "step": str(self.round_to)}
            raise RequestError(*problem_and_remedy("refused.margin", values))
        self._check_costs()
        object.__setattr__(self, "packages", tuple(self.packages))
        for package in self.packages:
            self.check_package(package)

    def _check_yearly(self) -> None:
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
        area = np.nan if area_cm2 is None else area_cm2
        return from_cents(float(self.price_of(ALONE, area)[0]))

    def price_of(self, package: Package, area_cm2: npt.ArrayLike) -> FloatArray:
        """Return a package's price in cents, shape (n,), NaN where it is asked for.

        NaN among the areas is the typical area.
        """
        area = self._areas(area_cm2)
        if package.prices:
            return _cents_by_area(package.prices, area)
        if package.price is None and package.kind in ("per_session", "part_fixed"):
            if self.session_prices:
                return _cents_by_area(self.session_prices, area)
            return np.full(len(area), to_cents(_exact(self.session_price)), dtype=np.float64)
        alike = float("nan") if package.price is None else to_cents(package.price)
        return np.full(len(area), alike, dtype=np.float64)

    def _check_costs(self) -> None:
        if self.cost_per_session is not None:
            return
        missing = [name for name in COST_PARTS if getattr(self, name) is None]
        by_pulse = bool(self.device_life_pulses)
        if self.device_price and not by_pulse:
            uses = ("device_life_years", "device_sessions_per_year")
            missing += [name for name in uses if not getattr(self, name)]
        if self.device_service_per_year and by_pulse and not self.device_sessions_per_year:
            missing.append("device_sessions_per_year")
        if missing:
            raise RequestError(*problem_and_remedy("refused.no_cost", {"missing": missing}))

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
        area = np.nan if area_cm2 is None else area_cm2
        return from_cents(float(self.session_costs(area)[0]))

    def session_costs(self, area_cm2: npt.ArrayLike, *, running: bool = False) -> FloatArray:
        """Return the costs of a session in whole cents, shape (n,); NaN is the typical area.

        ``running`` leaves out what ``yearly_costs`` counts.
        """
        base = self._exact_session_cost(Decimal(0), running=running) * 100
        slope = self._exact_session_cost(Decimal(1), running=running) * 100 - base
        # the cost is a straight line in the area; the small term keeps exact halves going up
        return np.floor(float(base) + float(slope) * self._areas(area_cm2) + 0.5 + 1e-7)

    def _areas(self, area_cm2: npt.ArrayLike) -> FloatArray:
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
    needed = [one for one in fields(Tariff) if one.default is one.default_factory is MISSING]
    missing = [one.name for one in needed if one.name not in table]
    missing += [f"kind of package {i}" for i, one in enumerate(packages, 1) if "kind" not in one]
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
