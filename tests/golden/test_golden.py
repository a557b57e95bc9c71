"""What the commands and the page give on the shipped log is what they gave before.

Strings are compared exactly and numbers to six significant digits; the program may add a key and
may drop none. Where a change is meant, ``python tests/golden/make.py`` takes the outputs anew.
"""

import math
import runpy
from pathlib import Path
from typing import Any

import pytest

MAKER = runpy.run_path(str(Path(__file__).parent / "make.py"))
STORED = MAKER["stored"]()


def differences(was: Any, now: Any, place: str = "") -> list[str]:
    """Return where two outputs differ, with both values."""
    if isinstance(was, dict) and isinstance(now, dict):
        gone = [f"{place}/{key}: gone" for key in was if key not in now]
        both = [differences(was[key], now[key], f"{place}/{key}") for key in was if key in now]
        return gone + [one for found in both for one in found]
    if isinstance(was, list) and isinstance(now, list) and len(was) == len(now):
        pairs = enumerate(zip(was, now, strict=True))
        return [one for n, pair in pairs for one in differences(*pair, f"{place}/{n}")]
    return [] if same(was, now) else [f"{place}: {was!r} is now {now!r}"]


def same(was: Any, now: Any) -> bool:
    """Say whether two values agree, numbers to six significant digits."""
    if is_number(was) and is_number(now):
        return math.isclose(was, now, rel_tol=1e-6, abs_tol=1e-12)
    return type(was) is type(now) and bool(was == now)


def is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def test_every_output_is_as_it_was_and_no_other_is_stored():
    taken = MAKER["take"]()
    assert set(taken) == set(STORED)
    assert [one for name in STORED for one in differences(STORED[name], taken[name], name)] == []


@pytest.mark.parametrize(
    ("was", "now", "found"),
    [
        ({"a": 1.0}, {"a": 1.0000001, "b": 2}, 0),
        ({"a": 1.0}, {"a": 1.00001}, 1),
        ({"a": 1}, {}, 1),
        ({"a": [1, 2]}, {"a": [1, 2, 3]}, 1),
        ({"a": [1, "x"]}, {"a": [1, "y"]}, 1),
        ({"a": True}, {"a": 1}, 1),
        ({"a": None}, {"a": 0.0}, 1),
    ],
)
def test_a_key_may_be_added_and_nothing_else_may_change(was: Any, now: Any, found: int):
    assert len(differences(was, now)) == found
