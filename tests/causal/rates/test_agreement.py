"""Agreement of raters against the published worked example and scikit-learn."""

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from forecast.causal.rates import intraclass, one_way_intraclass, weighted_kappa
from forecast.errors import DataError

# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2: six targets, four judges
RATINGS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def test_the_worked_example_of_shrout_and_fleiss():
    found = intraclass(RATINGS)
    # their table 4: ICC(2,1), and ICC(1,1) of the same numbers
    assert found.two_way == pytest.approx(0.29, abs=0.005)
    assert one_way_intraclass(RATINGS.ravel(), np.repeat(np.arange(6), 4)) == pytest.approx(
        0.17, abs=0.005
    )
    # psych::ICC of the same table in R prints 0.019 to 0.761 for ICC2
    assert found.two_way_interval == pytest.approx((0.019, 0.761), abs=0.0006)


def test_targets_rated_once_say_nothing_of_agreement():
    target = np.repeat(np.arange(6), 4)
    once = np.append(RATINGS.ravel(), 3), np.append(target, 99)
    assert one_way_intraclass(*once) == pytest.approx(one_way_intraclass(RATINGS.ravel(), target))


def test_kappa_agrees_with_scikit_learn():
    rng = np.random.default_rng(1)
    first = rng.integers(0, 4, 80)
    second = np.clip(first + rng.integers(-1, 2, 80), 0, 3)
    expected = cohen_kappa_score(first, second, weights="quadratic")
    assert weighted_kappa(first, second) == pytest.approx(expected)


def test_what_gives_no_agreement_is_refused_or_not_a_number():
    assert np.isnan(weighted_kappa([1, 1], [1, 1]))
    with pytest.raises(DataError, match="more than once"):
        one_way_intraclass([1, 2, 3], [1, 2, 3])
    with pytest.raises(DataError, match="two or more raters"):
        intraclass([[1, 2, 3]])
    with pytest.raises(DataError, match="differ"):
        intraclass([[2, 2], [2, 2]])
