"""What is sold: packages, and exact amounts of money as people write them.

An amount that is reported is rounded once to the cent, halves away from zero; a price that is asked
for is rounded up to the price-list step, so that what was promised of the exact price still holds
of the rounded one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal, InvalidOperation
from itertools import pairwise
from typing import Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_whole_number, nearest, shown
from forecast._notes import Note, Sentence, languages, problem_and_remedy, sentence
from forecast.errors import RequestError

CENT = Decimal("0.01")
MOST_DIGITS = 15  # of an amount, before or behind the point
FLOAT_NOISE = Decimal("0.000001")  # of a cent: what binary arithmetic may add to an exact price
WITH_CODE = re.compile(r"^\s*(?:([A-Za-z]{3})\s+)?(-?[0-9]+(?:\.[0-9]+)?)(?:\s+([A-Za-z]{3}))?\s*$")

KINDS = ("per_session", "block", "fixed", "part_fixed")
ALIASES = {"until_cleared": "fixed"}  # the name promised what a price with a cap does not
NEEDS_SESSIONS = ("block", "part_fixed")

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


def amount(value: object, *, name: str, currency: str, whole_cents: bool = True) -> Decimal:
    """Return ``120``, ``"120.00"`` or ``"120.00 EUR"`` as an exact amount; raise RequestError."""
    text = str(value)
    parts = WITH_CODE.match(text)
    if parts and currency_of(text) not in ("", currency):
        values = {"name": name, "given": text, "known": currency}
        raise RequestError(*problem_and_remedy("refused.other_currency", values))
    try:
        number = Decimal(parts[2] if parts else text)
    except InvalidOperation:
        number = Decimal("NaN")
    if isinstance(value, bool) or not number.is_finite() or abs(number.adjusted()) > MOST_DIGITS:
        values = {"name": name, "given": shown(value), "currency": currency}
        raise RequestError(*problem_and_remedy("refused.amount", values))
    values = {"name": name, "given": str(value)}
    if number < 0:
        raise RequestError(*problem_and_remedy("refused.negative", values))
    if whole_cents and number != number.quantize(CENT):
        raise RequestError(*problem_and_remedy("refused.cents", values))
    return number


def currency_of(value: object) -> str:
    """Return the three-letter code written with an amount, or an empty text."""
    parts = WITH_CODE.match(str(value))
    return (parts[1] or parts[3] or "").upper() if parts else ""


def to_cents(money: Decimal) -> int:
    """Return whole cents, halves away from zero."""
    return int((money * 100).quantize(Decimal(1), ROUND_HALF_UP))


def from_cents(cents: float) -> Decimal:
    """Return the amount of a number of ``cents``, rounded to the cent, halves away from zero.

    Raises RequestError where it is not finite.

    Examples
    --------
    >>> from_cents(1234.5)
    Decimal('12.35')
    """
    if not math.isfinite(cents):
        raise RequestError(*problem_and_remedy("refused.no_end", {"cents": str(cents)}))
    return (Decimal(cents) / 100).quantize(CENT, ROUND_HALF_UP) + 0  # which has no minus if zero


def round_up(cents: float, step: Decimal = CENT) -> Decimal:
    """Return the smallest multiple of ``step`` that is at least the given number of cents."""
    exact = (Decimal(cents) - FLOAT_NOISE) / 100
    # adding 0 takes the minus from a zero
    return ((exact / step).quantize(Decimal(1), ROUND_CEILING) * step).quantize(CENT) + 0


def round_cents(cents: FloatArray) -> FloatArray:
    """Return whole cents as floats, halves away from zero; the same rule for arrays."""
    return np.copysign(np.floor(np.abs(cents) + 0.5), cents)


def check_ranges(sold: Any) -> None:
    """Refuse what is out of range in a package or a tariff, and bring the rest to its type."""
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


def area_prices(given: Iterable[Any], *, name: str, currency: str) -> tuple[AreaPrice, ...]:
    """Return prices by area, from tables of a file or as they are: ends rise, the last has none."""
    found = []
    for one in given:
        if isinstance(one, Mapping) and {"price"} <= set(one) <= {"price", "up_to_cm2"}:
            one = AreaPrice(**one)
        if not isinstance(one, AreaPrice):
            values = {"name": name, "given": shown(one)}
            raise RequestError(*problem_and_remedy("refused.area_band", values))
        price = amount(one.price, name=f"{name}.price", currency=currency or "EUR")
        found.append(AreaPrice(price, None if one.up_to_cm2 is None else float(one.up_to_cm2)))
    ends = [one.up_to_cm2 for one in found]
    if any(end is None for end in ends[:-1]) or (ends and ends[-1] is not None):
        raise RequestError(*problem_and_remedy("refused.area_gap", {"name": name}))
    sizes = [0.0, *(end for end in ends if end is not None)]
    if any(not low < high for low, high in pairwise(sizes)):
        raise RequestError(*problem_and_remedy("refused.area_overlap", {"name": name}))
    return tuple(found)


def cents_by_area(bands: Sequence[AreaPrice], area: FloatArray) -> FloatArray:
    """Return the price at each area, in cents."""
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
            values: dict[str, Any] = {"kind": repr(self.kind), "known": KINDS}
            values["hint"] = nearest(str(self.kind), KINDS)
            raise RequestError(*problem_and_remedy("refused.package_kind", values))
        if (self.sessions is None) == (self.kind in NEEDS_SESSIONS):
            values = {"kind": self.kind, "sessions": repr(self.sessions)}
            raise RequestError(*problem_and_remedy("refused.package_sessions", values))
        if self.kind == "part_fixed" and self.extra_price is None:
            raise RequestError(*problem_and_remedy("refused.no_extra_price"))
        if self.kind not in NEEDS_SESSIONS and self.extra_price is not None:
            raise RequestError(*problem_and_remedy("refused.extra_price", {"kind": self.kind}))
        written = currency_of(self.price) or currency_of(self.extra_price)
        object.__setattr__(self, "currency", self.currency.strip().upper() or written)
        check_ranges(self)
        object.__setattr__(self, "name", self.name or str(self._usual))
        bands = area_prices(self.prices, name=f"prices of {self.name!r}", currency=self.currency)
        object.__setattr__(self, "prices", bands)
        if not isinstance(self.labels, Mapping | tuple):
            raise RequestError(*problem_and_remedy("refused.labels", {"given": shown(self.labels)}))
        object.__setattr__(self, "labels", tuple(sorted(dict(self.labels).items())))
        if bands and self.price is not None:
            raise RequestError(*problem_and_remedy("refused.two_prices", {"name": self.name}))
        paid = (self.down_payment or 0) + (self.instalments or 0) * (self.instalment or 0)
        parts = self.instalments or self.instalment or self.down_payment
        if parts and (self.kind not in ("block", "fixed") or paid != self.price):
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
