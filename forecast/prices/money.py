"""Money: exact amounts as people write them, and two rounding rules.

An amount that is reported is rounded once to the cent, halves away from zero; a price that is asked
for is rounded up to the price-list step, so that what was promised of the exact price still holds
of the rounded one.
"""

from __future__ import annotations

import math
import re
from decimal import ROUND_CEILING, ROUND_HALF_UP, Decimal, InvalidOperation

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import shown
from forecast._notes import problem_and_remedy
from forecast.errors import RequestError

CENT = Decimal("0.01")
MOST_DIGITS = 15  # of an amount, before or behind the point
FLOAT_NOISE = Decimal("0.000001")  # of a cent: what binary arithmetic may add to an exact price
WITH_CODE = re.compile(r"^\s*(?:([A-Za-z]{3})\s+)?(-?[0-9]+(?:\.[0-9]+)?)(?:\s+([A-Za-z]{3}))?\s*$")


def amount(value: object, *, name: str, currency: str, whole_cents: bool = True) -> Decimal:
    """Return ``value``, such as ``120``, ``"120.00"`` or ``"120.00 EUR"``, as an exact amount.

    ``name`` is what it is, for messages; prices have ``whole_cents``, parts of a cost need not.
    Anything else, negative or in another currency raises RequestError.
    """
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
