"""A quote in words."""

import re
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from forecast.prices.quote import price_package, quotes_text
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

HAND = np.array([[0.1, 0.2, 0.3, 0.2, 0.1, 0.1]])  # chance of 1 to 6 sessions


@dataclass(frozen=True)
class Answer:
    notes: tuple[str, ...] = ()

    @property
    def distribution(self):
        return CountDistribution(HAND)

    @property
    def draws(self):
        return HAND

    @property
    def stop_hazard(self):
        return np.zeros(6)


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def fixed_price(price):
    return Package("fixed", price=price)


def test_what_holds_for_every_package_of_an_enquiry_is_said_once_and_nothing_is_left_out():
    asked = Answer(notes=("Few courses are like it.",))
    sold = (
        fixed_price(400),
        Package("block", sessions=2, extra_price=90),
        Package("per_session"),
    )
    quotes = [price_package(asked, package, tariff()) for package in sold]
    text = quotes_text(quotes)
    lines = [line.removeprefix("- ") for line in text.splitlines()]
    assert lines.count("Few courses are like it.") == 1
    assert {line for quote in quotes for line in (*quote.check, *quote.notes)} <= set(lines)
    assert [quote.package.name in text for quote in quotes] == [True] * 3


def test_a_fixed_price_says_on_its_own_line_where_it_ends_and_for_how_many_that_is_enough():
    # of HAND, 1 to 4 sessions have the chance 0.1 + 0.2 + 0.3 + 0.2
    quote = price_package(Answer(), Package("until_cleared", price=400, cap=4), tariff())
    assert quote.to_text().splitlines()[0] == (
        "fixed price, at most 4 sessions: 400.00 EUR for the course, tax included; "
        "enough for 80 of 100 clients like this."
    )
    assert quote.to_dict()["kind"] == "fixed"
    single = price_package(Answer(), fixed_price(400), tariff(cap=1)).to_text()
    assert single.startswith("fixed price, at most 1 session: ")


def test_a_chance_is_never_worded_as_none_or_all():
    sure = price_package(Answer(), fixed_price(601), tariff()).to_text()
    lost = price_package(Answer(), fixed_price(99), tariff()).to_text()
    assert "lost on fewer than 1 of 100" in sure
    assert "lost on more than 99 of 100" in lost


def test_prices_that_the_extra_sessions_already_cover_are_words_and_never_below_zero():
    # two sessions in the block, then 400 each: E[sessions] 3.3, so 1.4 of them come on top and
    # bring 560 against a cost of 330
    block = Package("block", sessions=2, extra_price=Decimal(400))
    quote = price_package(Answer(), block, tariff(largest_chance_of_loss=0.99))
    assert quote.break_even_price == Decimal("-230.00")
    assert (quote.price, quote.list_price) == (0, 0)
    text = quote.to_text()
    assert "break-even covered by the extra sessions alone" in text
    assert "No fair price" in text
    assert not re.search(r"(?<!\w)-\d", text)
