"""What is asked for is checked, and said back in words that name the remedy."""

from decimal import Decimal

import pytest

from forecast._checks import (
    check_kind,
    check_level,
    check_seed,
    check_whole_number,
    counted,
    nearest,
    shown,
)
from forecast.errors import RequestError


def test_what_can_be_used_comes_back():
    assert check_kind("ns", str, name="strategy", give="a text") == "ns"
    assert check_level(0.8) == 0.8
    assert check_whole_number(3, name="horizon", low=1) == 3


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (
            lambda: check_kind(3, str, name="strategy", give="a text"),
            "strategy is 3. Give a text.",
        ),
        (lambda: check_seed(-1), "seed is -1. Give seed as a whole number at least 0."),
        (lambda: check_level(80), "level is 80, which is not a probability between 0 and 1."),
        (
            lambda: check_whole_number(True, name="horizon", low=1, high=9),
            "horizon is True. Give horizon as a whole number from 1 to 9.",
        ),
    ],
)
def test_what_cannot_is_refused_in_words(asked, says):
    with pytest.raises(RequestError) as refused:
        asked()
    assert says in str(refused.value)


def test_numbers_and_values_are_said_as_people_say_them():
    said = [counted(1, "row"), counted(1003, "row"), counted(0.5, "session")]
    assert said == ["1 row", "1,003 rows", "0.5 sessions"]
    assert [shown("ns"), shown(Decimal("1.5")), shown([*range(100)])] == ["'ns'", "1.5", "a list"]
    assert nearest("heavvy", ["light", "heavy"]) == " Did you mean 'heavy'?"
