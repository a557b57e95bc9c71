"""What it costs and what is sold: exact money, the tariff and its file, the packages on offer.

Two rounding rules, everywhere: an amount that is reported is rounded once to the cent, halves
away from zero; a price that is asked for is rounded up to the price-list step, so that what was
promised of the exact price still holds of the rounded one.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable
from dataclasses import MISSING, dataclass, fields
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal, InvalidOperation
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number, nearest, shown
from forecast._types import FloatArray
from forecast.errors import DataError, ForecastError, RequestError

CENT = Decimal("0.01")
MOST_DIGITS = 15  # of an amount, before or behind the point
FLOAT_NOISE = Decimal("0.000001")  # of a cent: what binary arithmetic may add to an exact price
WITH_CODE = re.compile(r"^\s*(?:([A-Za-z]{3})\s+)?(-?[0-9]+(?:\.[0-9]+)?)(?:\s+([A-Za-z]{3}))?\s*$")


def amount(value: object, *, name: str, currency: str, whole_cents: bool = True) -> Decimal:
    """Return ``value``, such as ``120``, ``"120.00"`` or ``"120.00 EUR"``, as an exact amount.

    ``name`` is what it is, for messages; prices have ``whole_cents``, parts of a cost need not.

    Raises
    ------
    RequestError
        Not a number, negative, a fraction of a cent, or another currency than the tariff's.

    Examples
    --------
    >>> amount("120.50 EUR", name="price", currency="EUR")
    Decimal('120.50')
    """
    text = str(value)
    parts = WITH_CODE.match(text)
    if parts and currency_of(text) not in ("", currency):
        raise RequestError(
            f"{name} is {text!r} but the tariff is in {currency}.",
            "Put every amount into one currency; nothing is converted.",
        )
    try:
        number = Decimal(parts[2] if parts else text)
    except InvalidOperation:
        number = Decimal("NaN")
    if isinstance(value, bool) or not number.is_finite() or abs(number.adjusted()) > MOST_DIGITS:
        raise RequestError(
            f"{name} is {shown(value)}, which is not an amount of money.",
            f'Write it as 120.00 or "120.00 {currency}", with a point and without other signs.',
        )
    if number < 0:
        raise RequestError(f"{name} is {value}, which is negative.", f"Give {name} as 0 or more.")
    if whole_cents and number != number.quantize(CENT):
        raise RequestError(f"{name} is {value}, a fraction of a cent.", "Round it to the cent.")
    return number


def currency_of(value: object) -> str:
    """Return the three-letter code written with an amount, or an empty text."""
    parts = WITH_CODE.match(str(value))
    return (parts[1] or parts[3] or "").upper() if parts else ""


def to_cents(money: Decimal) -> int:
    """Return whole cents, halves away from zero."""
    return int((money * 100).quantize(Decimal(1), ROUND_HALF_UP))


def from_cents(cents: float) -> Decimal:
    """Return the amount of a number of cents, rounded to the cent, halves away from zero."""
    if not math.isfinite(cents):
        raise RequestError(f"An amount came out as {cents}.", "Check the tariff for zeros.")
    return (Decimal(cents) / 100).quantize(CENT, ROUND_HALF_UP) + 0  # which has no minus if zero


def round_up(cents: float, step: Decimal = CENT) -> Decimal:
    """Return the smallest multiple of ``step`` that is at least the given number of cents."""
    exact = (Decimal(cents) - FLOAT_NOISE) / 100
    # adding 0 takes the minus from a zero
    return ((exact / step).quantize(Decimal(1), ROUND_CEILING) * step).quantize(CENT) + 0


def round_cents(cents: FloatArray) -> FloatArray:
    """Return whole cents as floats, halves away from zero; the same rule for arrays."""
    return np.copysign(np.floor(np.abs(cents) + 0.5), cents)


KINDS = ("per_session", "block", "fixed", "part_fixed")
ALIASES = {"until_cleared": "fixed"}  # the name promised what a price with a cap does not
NEEDS_SESSIONS = ("block", "part_fixed")
COST_PARTS = ("minutes_per_session", "staff_per_hour", "room_per_hour", "consumables",
              "device_price")  # fmt: skip
LARGEST_FILE = 1_000_000  # bytes
TEMPLATE = Path(__file__).with_name("tariff_template.toml")

# From where to where each field of a package or a tariff may go, and in what.
RANGES = {
    name: (low, high, unit)
    for low, high, unit, names in (
        (0, math.inf, "price", "session_price round_to price extra_price"),
        (0, math.inf, "cost", "cost_per_session staff_per_hour room_per_hour consumables"),
        (0, math.inf, "cost", "device_price device_service_per_year fixed_cost"),
        (1, math.inf, "sessions", "cap sessions valid_days"),
        (0, 1, "number", "tax_rate target_margin largest_chance_of_loss discount_rate"),
        (0, 1, "number", "refund_share goes_on"),
        (0, 10, "number", "stop_factor"),
        (0, 1e12, "number", "minutes_per_session minutes_per_100_cm2 weeks_between_sessions"),
        (0, 1e12, "number", "device_life_years device_sessions_per_year device_life_pulses"),
        (0, 1e12, "number", "pulses_per_session pulses_per_cm2 typical_area_cm2"),
    )
    for name in names.split()
}


def _check_ranges(sold: Package | Tariff) -> None:
    # what may be missing is missing by default
    for field in fields(sold):
        value = getattr(sold, field.name)
        if field.name in RANGES and not (value is None and field.default is None):
            object.__setattr__(sold, field.name, _checked(field.name, value, sold.currency))


def _checked(name: str, value: Any, currency: str) -> Decimal | float:
    low, high, unit = RANGES[name]
    if unit in ("price", "cost"):
        return amount(value, name=name, currency=currency, whole_cents=unit == "price")
    if unit == "sessions":
        return check_whole_number(value, name=name, low=int(low))
    number = isinstance(value, int | float | Decimal) and not isinstance(value, bool)
    if not number or value != value or not low <= value <= high:  # a NaN cannot be compared
        raise RequestError(
            f"{name} is {shown(value)}.",
            f"Give {name} as a number from {low:g} to {high:g} (0.2 is 20 %).",
        )
    return float(value)


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

    def __post_init__(self) -> None:
        object.__setattr__(self, "kind", ALIASES.get(self.kind, self.kind))
        if self.kind not in KINDS:
            raise RequestError(
                f"kind is {self.kind!r}.{nearest(str(self.kind), KINDS)}",
                f"Use one of {', '.join(KINDS)}.",
            )
        self._check_sessions()
        written = currency_of(self.price) or currency_of(self.extra_price)
        object.__setattr__(self, "currency", self.currency.strip().upper() or written)
        _check_ranges(self)
        object.__setattr__(self, "name", self.name or self._default_name())

    def _check_sessions(self) -> None:
        if (self.sessions is None) == (self.kind in NEEDS_SESSIONS):
            raise RequestError(
                f"A {self.kind} package with sessions={self.sessions}.",
                "Give sessions for a block and a part_fixed package, and for no other kind.",
            )
        if self.kind == "part_fixed" and self.extra_price is None:
            raise RequestError(
                "A part_fixed package without extra_price.",
                "Give the reduced price of each session after the first ones.",
            )
        if self.kind not in NEEDS_SESSIONS and self.extra_price is not None:
            raise RequestError(
                f"A {self.kind} package with extra_price.", "Leave extra_price out for this kind."
            )

    def _default_name(self) -> str:
        return {
            "per_session": "pay per session",
            "block": f"{self.sessions} sessions",
            "fixed": "fixed price",
            "part_fixed": f"{self.sessions} at full price, then reduced",
        }[self.kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
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

    Raises
    ------
    RequestError
        A negative or missing cost, a cap below 1, amounts in two currencies.
    """

    currency: str
    session_price: Decimal
    cap: int
    cost_per_session: Decimal | None = None
    minutes_per_session: float | None = None
    minutes_per_100_cm2: float = 0.0
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

    def __post_init__(self) -> None:
        code = str(self.currency).strip().upper()
        if len(code) != 3 or not code.isalpha():
            raise RequestError(
                f"currency is {self.currency!r}.", "Give a three-letter code such as EUR."
            )
        object.__setattr__(self, "currency", code)
        _check_ranges(self)
        if self.target_margin >= 1 or not self.round_to:
            raise RequestError(
                f"target_margin is {self.target_margin} and round_to {self.round_to}.",
                "Give a margin below 1 and a step of the price list above 0.",
            )
        self._check_costs()
        object.__setattr__(self, "packages", tuple(self.packages))
        for package in self.packages:
            self.check_package(package)

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
            raise RequestError(
                f"The cost of a session lacks {len(missing)} part(s), first {missing[0]}.",
                f"Give {', '.join(missing)} (0 where it costs nothing), or cost_per_session.",
            )

    def check_package(self, package: Package) -> None:
        """Refuse a package whose currency is not the tariff's."""
        if package.currency and package.currency != self.currency:
            raise RequestError(
                f"Package {package.name!r} is in {package.currency}, not in {self.currency}.",
                "Put every amount into one currency; nothing is converted.",
            )

    def session_cost(self, area_cm2: float | None = None) -> Decimal:
        """Return the cost of one session, rounded to the cent, for a tattoo of this area."""
        area = self.typical_area_cm2 if area_cm2 is None else area_cm2
        return Decimal(to_cents(self._exact_session_cost(_exact(area)))).scaleb(-2)

    def session_costs(self, area_cm2: npt.ArrayLike) -> FloatArray:
        """Return the costs of a session in whole cents, shape (n,); NaN is the typical area."""
        area = np.atleast_1d(np.asarray(area_cm2, dtype=np.float64))
        area = np.where(np.isnan(area), self.typical_area_cm2, area)
        base = self._exact_session_cost(Decimal(0)) * 100
        slope = self._exact_session_cost(Decimal(1)) * 100 - base
        # the cost is a straight line in the area; the small term keeps exact halves going up
        return np.floor(float(base) + float(slope) * area + 0.5 + 1e-7)

    def _exact_session_cost(self, area: Decimal) -> Decimal:
        if self.cost_per_session is not None:
            return self.cost_per_session
        minutes = _exact(self.minutes_per_session) + _exact(self.minutes_per_100_cm2) * area / 100
        by_time = (_exact(self.staff_per_hour) + _exact(self.room_per_hour)) * minutes / 60
        return by_time + _exact(self.consumables) + self._device_cost(area)

    def _device_cost(self, area: Decimal) -> Decimal:
        price, service = _exact(self.device_price), _exact(self.device_service_per_year)
        cost = Decimal(0)
        if self.device_sessions_per_year:
            cost += service / _exact(self.device_sessions_per_year)
        if self.device_life_pulses:
            pulses = _exact(self.pulses_per_session) + _exact(self.pulses_per_cm2) * area
            return cost + price * pulses / _exact(self.device_life_pulses)
        if price:
            uses = _exact(self.device_life_years) * _exact(self.device_sessions_per_year)
            cost += price / uses
        return cost


def _exact(value: float | Decimal | None) -> Decimal:
    return Decimal(str(value or 0))


TARIFF_KEYS = tuple(field.name for field in fields(Tariff))
PACKAGE_KEYS = tuple(field.name for field in fields(Package))
REQUIRED = tuple(field.name for field in fields(Tariff) if field.default is MISSING)


def tariff_template() -> str:
    """Return a commented tariff with invented numbers, ready to be edited."""
    return TEMPLATE.read_text(encoding="utf-8")


def read_tariff(path: str | Path) -> Tariff:
    """Return the tariff of a TOML file, with its packages.

    Raises
    ------
    DataError
        The file cannot be read, a key is unknown (the nearest known one is named) or missing, or
        a value is refused; the message names the file and the key.
    """
    path = Path(path)
    table = _parse(path)
    packages = table.pop("packages", [])
    if not isinstance(packages, list) or not all(isinstance(one, dict) for one in packages):
        raise DataError(
            f"{path.name}: packages is not a list of tables.", "Start each with [[packages]]."
        )
    _check_keys(table, TARIFF_KEYS, path.name, "")
    for number, one in enumerate(packages, start=1):
        _check_keys(one, PACKAGE_KEYS, path.name, f" of package {number}")
    missing = [name for name in REQUIRED if name not in table]
    missing += [f"kind of package {i}" for i, one in enumerate(packages, 1) if "kind" not in one]
    if missing:
        raise DataError(
            f"{path.name}: {len(missing)} required key(s) missing, first {missing[0]}.",
            f"Add {', '.join(missing)}; forecast price --template writes an example.",
        )
    try:
        offered = tuple(_package(one, number) for number, one in enumerate(packages, start=1))
        names = [package.name for package in offered]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise DataError(f"Two packages are called {twice[0]!r}.", "Give each its own name.")
        return Tariff(**table, packages=offered)
    except ForecastError as error:
        raise DataError(f"{path.name}: {error.problem}", error.remedy) from error


def _parse(path: Path) -> dict[str, Any]:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise DataError(f"{path.name} is larger than 1 MB.", "A tariff is a short TOML file.")
        return tomllib.loads(path.read_text(encoding="utf-8-sig"), parse_float=Decimal)
    except OSError as error:
        raise DataError(
            f"{path} cannot be read: {error.strerror}.",
            "Check the path; forecast price --template writes an example.",
        ) from error
    except UnicodeDecodeError as error:
        raise DataError(f"{path.name} is not UTF-8 text.", "Save it as UTF-8.") from error
    except (RecursionError, ValueError) as error:  # an endless number is none of TOML's errors
        raise DataError(
            f"{path.name} is not TOML: {error}.",
            'Write key = value, text in "quotes", decimals with a point.',
        ) from error


def _check_keys(given: Iterable[str], known: tuple[str, ...], file: str, where: str) -> None:
    unknown = [key for key in given if key not in known]
    if unknown:
        hint = nearest(unknown[0], known)
        raise DataError(
            f"{file}: unknown key {unknown[0]!r}{where} ({len(unknown)} in all).{hint}",
            f"Known keys are {', '.join(known)}.",
        )


def _package(one: dict[str, Any], number: int) -> Package:
    try:
        return Package(**one)
    except ForecastError as error:
        raise DataError(f"package {number}: {error.problem}", error.remedy) from error
