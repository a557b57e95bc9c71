"""Newton's method: uphill from anywhere, within limits, and a word where nothing is settled."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.errors import FitError
from forecast.survival.newton import check_rank, climb, symmetric_inverse

TOP = np.array([3.0, -1.0])
ROUND = np.array([[2.0, 0.5], [0.5, 1.0]])


def hill(at):
    """A round hill, its slope and its curvature."""
    off = at - TOP
    return -0.5 * off @ ROUND @ off, -ROUND @ off, ROUND


def two_tops(at):
    """Two hills of one height at 1 and -1, with a hollow between."""
    (x,) = at
    return -((x**2 - 1) ** 2), np.array([-4 * x * (x**2 - 1)]), np.array([[12 * x**2 - 4]])


def test_a_round_hill_is_climbed_to_its_top():
    at, information, settled = climb(hill, np.zeros(2), settled=1e-18)
    assert_allclose(at, TOP, atol=1e-12)
    assert_allclose(information, ROUND)
    assert settled


def test_what_lies_at_its_limit_stays_there_and_the_rest_is_climbed():
    limits = np.array([-np.inf, 0.0]), np.array([np.inf, 5.0])
    at, _, settled = climb(hill, np.ones(2), settled=1e-18, limits=limits)
    # along the edge the slope of the first is 0: 2 (x - 3) + 0.5 (0 + 1) = 0
    assert_allclose(at, [2.75, 0.0], atol=1e-9)
    assert settled


@pytest.mark.parametrize("start", [0.1, -0.1, 3.0])
def test_out_of_a_hollow_it_goes_up(start):
    at, _, settled = climb(two_tops, np.array([start]), settled=1e-18)
    assert_allclose(at, np.sign(start), atol=1e-8)
    assert settled


def test_columns_that_cannot_be_told_apart_are_named():
    tied = np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    with pytest.raises(FitError, match="cannot tell apart: smoker, smokes"):
        check_rank(tied, ("smoker", "age", "smokes"))


def test_an_inverse_stays_symmetric_whatever_the_units():
    core = np.array([[2.0, 0.3, 0.1], [0.3, 1.0, 0.2], [0.1, 0.2, 3.0]])
    units = np.outer([1e-6, 1.0, 1e5], [1e-6, 1.0, 1e5])
    inverse = symmetric_inverse(core * units, ("a", "b", "c"))
    assert (inverse == inverse.T).all()
    assert_allclose(inverse * units, np.linalg.inv(core), rtol=1e-12)
