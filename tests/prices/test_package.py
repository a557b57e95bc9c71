"""Packages that make sense or are refused, and money: exact amounts, and how they are rounded."""

from decimal import Decimal

import numpy as np
import pytest

from forecast.errors import RequestError
from forecast.prices.package import (
    Package,
    amount,
    currency_of,
    from_cents,
    round_cents,
    round_up,
    to_cents,
)


@pytest.mark.parametrize(
    "written", ["120.50 EUR", "eur 120.50", Decimal("120.50"), 120.5, " 120.5 "]
)
def test_an_amount_is_read_as_people_write_it(written):
    assert amount(written, name="price", currency="EUR") == Decimal("120.50")


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("120 USD", "tariff is in EUR"),
        ("-1", "which is negative"),
        ("1,50", "not an amount of money"),
        ("inf", "not an amount of money"),
        (True, "not an amount of money"),
        ("1.005", "fraction of a cent"),
    ],
)
def test_what_is_no_amount_is_refused(written, words):
    with pytest.raises(RequestError, match=words):
        amount(written, name="price", currency="EUR")


def test_a_cost_may_have_parts_of_a_cent():
    found = amount("0.125", name="consumables", currency="EUR", whole_cents=False)
    assert found == Decimal("0.125")


def test_the_currency_is_taken_from_the_amount():
    assert [currency_of(one) for one in ("9 chf", "CHF 9", "9", 9, None)] == ["CHF"] * 2 + [""] * 3


def test_halves_of_a_cent_are_rounded_away_from_zero():
    assert from_cents(12.5) == Decimal("0.13")
    assert from_cents(-12.5) == Decimal("-0.13")
    assert from_cents(13.5) == Decimal("0.14")
    assert to_cents(Decimal("1.005")) == 101
    assert round_cents(np.array([12.5, -12.5, 13.4])).tolist() == [13, -13, 13]


def test_asked_prices_are_rounded_up_to_the_step():
    assert round_up(10001, Decimal("5.00")) == Decimal("105.00")
    assert round_up(10000, Decimal("5.00")) == Decimal("100.00")
    assert round_up(0.1 * 3 * 100) == Decimal("0.30")  # binary noise buys no extra cent
    assert round_up(10249, Decimal("5.00")) == Decimal("105.00")  # the nearest would be 100


@pytest.mark.parametrize(
    ("kind", "more", "words"),
    [
        ("blok", {}, "Did you mean 'block'"),
        ("block", {"price": 500}, "Give sessions"),
        ("per_session", {"sessions": 3}, "Give sessions"),
        ("block", {"sessions": 0, "price": 500}, "sessions is 0"),
        ("part_fixed", {"sessions": 3}, "without extra_price"),
        ("fixed", {"extra_price": 9}, "Leave extra_price out"),
        ("fixed", {"refund_share": 1.5}, "refund_share is 1.5"),
        ("fixed", {"price": -5}, "negative"),
    ],
)
def test_a_package_that_makes_no_sense_is_refused(kind, more, words):
    with pytest.raises(RequestError, match=words):
        Package(kind, **more)


def test_instalments_add_up_to_the_price():
    plan = {"price": 780, "down_payment": 180, "instalments": 4, "instalment": 150}
    sold = Package("block", sessions=6, **plan)
    assert sold.paid_by(7) == pytest.approx(np.array([180, 330, 480, 630, 780, 780, 780]) / 780)
    with pytest.raises(RequestError, match="together they are 630, its price is 780"):
        Package("block", sessions=6, **{**plan, "instalments": 3})
    with pytest.raises(RequestError, match="do not add up"):
        Package("fixed", down_payment=180)


def test_a_package_without_a_name_is_called_so_in_every_language():
    unnamed, named = Package("fixed"), Package("fixed", name="all_in", labels={"de": "Alles"})
    assert [unnamed.label(code) for code in ("en", "de")] == ["fixed price", "Festpreis"]
    assert [named.label(code) for code in ("en", "de")] == ["all in", "Alles"]
    assert Package("block", sessions=6).said.say("de") == "6 Sitzungen"
