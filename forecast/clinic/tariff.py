"""What it costs: the clinic's own costs and rules, and the packages on offer."""

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.clinic.money import amount, to_cents
from forecast.clinic.offer import Package, check_share
from forecast.errors import RequestError

__all__ = ["Package", "Tariff"]

FloatArray = npt.NDArray[np.float64]
COST_PARTS = (
    "minutes_per_session",
    "staff_per_hour",
    "room_per_hour",
    "consumables",
    "device_price",
)


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
    packages: tuple[Package, ...] = ()

    def __post_init__(self) -> None:
        code = str(self.currency).strip().upper()
        if len(code) != 3 or not code.isalpha():
            raise RequestError(
                f"currency is {self.currency!r}.", "Give a three-letter code such as EUR."
            )
        object.__setattr__(self, "currency", code)
        check_tariff(self)

    def check_package(self, package: Package) -> None:
        """Refuse a package whose currency is not the tariff's."""
        if package.currency and package.currency != self.currency:
            raise RequestError(
                f"Package {package.name!r} is in {package.currency}, not in {self.currency}.",
                "Put every amount into one currency; nothing is converted.",
            )

    def session_cost(self, area_cm2: float | None = None) -> Decimal:
        """Return the cost of one session, rounded to the cent, for a tattoo of this area.

        Examples
        --------
        >>> tariff = Tariff(currency="EUR", session_price="90", cap=15, cost_per_session="41.50")
        >>> tariff.session_cost()
        Decimal('41.50')
        """
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


MONEY = ("session_price", "cost_per_session", "staff_per_hour", "room_per_hour", "consumables",
         "device_price", "device_service_per_year", "fixed_cost", "round_to")  # fmt: skip
PRICES = ("session_price", "round_to")
SHARES = ("target_margin", "largest_chance_of_loss", "refund_share")
AMOUNTS_OF_WORK = ("minutes_per_session", "minutes_per_100_cm2", "device_life_years",
                   "device_sessions_per_year", "device_life_pulses", "pulses_per_session",
                   "pulses_per_cm2", "weeks_between_sessions", "typical_area_cm2")  # fmt: skip


def check_tariff(tariff: Tariff) -> None:
    """Refuse a tariff that cannot be priced with, and make its amounts exact decimals."""
    for name in MONEY:
        value = getattr(tariff, name)
        if value is not None:
            checked = amount(value, name=name, currency=tariff.currency, whole_cents=name in PRICES)
            object.__setattr__(tariff, name, checked)
    object.__setattr__(tariff, "cap", check_whole_number(tariff.cap, name="cap", low=1))
    for name in SHARES:
        object.__setattr__(tariff, name, check_share(getattr(tariff, name), name=name))
    for name, high in (("tax_rate", 1), ("discount_rate", 1), ("stop_factor", 10)):
        object.__setattr__(tariff, name, check_share(getattr(tariff, name), name=name, high=high))
    for name in AMOUNTS_OF_WORK:
        value = getattr(tariff, name)
        if value is not None:
            checked_share = check_share(value, name=name, high=1e12)
            object.__setattr__(tariff, name, checked_share)
    _check_costs(tariff)
    object.__setattr__(tariff, "packages", tuple(tariff.packages))
    for package in tariff.packages:
        tariff.check_package(package)


def _check_costs(tariff: Tariff) -> None:
    if tariff.target_margin >= 1 or not tariff.round_to:
        raise RequestError(
            f"target_margin is {tariff.target_margin} and round_to {tariff.round_to}.",
            "Give a margin below 1 and a step of the price list above 0.",
        )
    if tariff.cost_per_session is not None:
        return
    missing = [name for name in COST_PARTS if getattr(tariff, name) is None]
    by_pulse = bool(tariff.device_life_pulses)
    if tariff.device_price and not by_pulse:
        uses = ("device_life_years", "device_sessions_per_year")
        missing += [name for name in uses if not getattr(tariff, name)]
    if tariff.device_service_per_year and by_pulse and not tariff.device_sessions_per_year:
        missing.append("device_sessions_per_year")
    if missing:
        raise RequestError(
            f"The cost of a session lacks {len(missing)} part(s), first {missing[0]}.",
            f"Give {', '.join(missing)} (0 where it costs nothing), or cost_per_session.",
        )
