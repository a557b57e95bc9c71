"""Agreement of raters against the published worked example and scikit-learn."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize_scalar
from scipy.stats import t

from forecast.causal.rates import intraclass, one_way_intraclass, random_effects
from forecast.errors import DataError

# Shrout & Fleiss 1979, Psychol Bull 86:420, table 2: six targets, four judges
RATINGS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
)


def test_the_worked_example_of_shrout_and_fleiss():
    found, interval = intraclass(RATINGS)
    # their table 4: ICC(2,1), and ICC(1,1) of the same numbers
    assert found == pytest.approx(0.29, abs=0.005)
    assert one_way_intraclass(RATINGS.ravel(), np.repeat(np.arange(6), 4)) == pytest.approx(
        0.17, abs=0.005
    )
    # psych::ICC of the same table in R prints 0.019 to 0.761 for ICC2
    assert interval == pytest.approx((0.019, 0.761), abs=0.0006)


def test_targets_rated_once_say_nothing_of_agreement():
    target = np.repeat(np.arange(6), 4)
    once = np.append(RATINGS.ravel(), 3), np.append(target, 99)
    assert one_way_intraclass(*once) == pytest.approx(one_way_intraclass(RATINGS.ravel(), target))


def test_what_gives_no_agreement_is_refused_or_not_a_number():
    with pytest.raises(DataError, match="more than once"):
        one_way_intraclass([1, 2, 3], [1, 2, 3])
    with pytest.raises(DataError, match="two or more raters"):
        intraclass([[1, 2, 3]])
    with pytest.raises(DataError, match="differ"):
        intraclass([[2, 2], [2, 2]])


# Thirteen trials of BCG against tuberculosis (Colditz et al. 1994, JAMA 271:698): vaccinated
# with and without, control with and without. As dat.bcg of the R package metadat.
BCG = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
        (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619),
        (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
        (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    dtype=float,
)  # fmt: skip


def log_risk_ratios():
    a, b, c, d = BCG.T
    return np.log(a / (a + b)) - np.log(c / (c + d)), 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)


def drawn(rng, groups=12, between=(0.3, 0.0, 0.8)):
    errors = np.sqrt(0.01 + 0.04 * rng.chisquare(5, size=(groups, len(between))))
    truth = np.array([1.0, -0.5, 0.2])[: len(between)] + rng.normal(size=errors.shape) * np.sqrt(
        between
    )
    return rng.normal(truth, errors), errors


def test_bcg_trials_give_the_published_reml_numbers():
    # metafor's rma(measure="RR", method="REML"): -0.7145 (0.1798), tau2 0.3132 (0.1664)
    values, variances = log_risk_ratios()
    found = random_effects(values[:, None], variances[:, None] ** 0.5)
    assert_allclose(found.mean, [-0.71453], atol=5e-6)
    assert_allclose(found.error, [0.17978], atol=5e-6)
    assert_allclose(found.variance_between, [0.31324], atol=5e-6)
    assert found.converged


def test_spread_is_where_the_restricted_likelihood_of_the_textbook_is_largest():
    values, errors = drawn(np.random.default_rng(5))
    found = random_effects(values, errors)
    for effect in range(values.shape[1]):
        value, within = values[:, effect], errors[:, effect] ** 2

        def minus_loglik(root, value=value, within=within):
            weight = 1 / (within + root**2)
            mean = weight @ value / weight.sum()
            rest = np.log(weight.sum()) - np.log(weight).sum() + weight @ (value - mean) ** 2
            return 0.5 * rest

        best = minimize_scalar(minus_loglik, bounds=(0, 3), method="bounded",
                               options={"xatol": 1e-9})  # fmt: skip
        assert_allclose(found.variance_between[effect], best.x**2, atol=1e-5)


def test_each_effect_is_pooled_as_if_alone():
    values, errors = drawn(np.random.default_rng(6))
    together = random_effects(values, errors)
    for effect in range(values.shape[1]):
        alone = random_effects(values[:, [effect]], errors[:, [effect]])
        assert_allclose(together.mean[effect], alone.mean[0], rtol=1e-5)
        assert_allclose(
            together.variance_between[effect], alone.variance_between[0], rtol=1e-4, atol=1e-7
        )


def test_equal_groups_have_no_spread_and_the_precision_weighted_mean():
    variances = np.array([0.1, 0.2, 0.4])
    found = random_effects([[0.2], [0.2], [0.2]], variances[:, None] ** 0.5)
    assert found.variance_between[0] == 0
    assert_allclose(found.mean, [0.2])
    assert_allclose(found.error, [(1 / variances).sum() ** -0.5])


def test_an_effect_that_one_group_alone_gives_has_its_estimate_and_no_spread():
    values, errors = drawn(np.random.default_rng(7), groups=4)
    values[1:, 2] = np.nan
    found = random_effects(values, errors)
    assert found.n_groups.tolist() == [4, 4, 1]
    assert np.isnan(found.variance_between[2])
    assert np.isfinite(found.mean).all()
    assert found.error[2] == pytest.approx(errors[0, 2])


def test_order_of_groups_does_not_matter():
    values, errors = drawn(np.random.default_rng(8))
    one, other = random_effects(values, errors), random_effects(values[::-1], errors[::-1])
    assert_allclose(one.mean, other.mean, atol=1e-9)
    assert_allclose(one.variance_between, other.variance_between, atol=1e-6)


def test_bcg_trials_give_the_interval_of_hartung_and_knapp():
    # Hartung & Knapp 2001 (Stat Med 20:3875): the weighted squares about the mean over k - 1,
    # and t with k - 1 degrees. Worked out anew from their formula, at the REML spread.
    values, variances = log_risk_ratios()
    found = random_effects(values[:, None], variances[:, None] ** 0.5)
    weight = 1 / (variances + found.variance_between[0])
    mean = (weight * values).sum() / weight.sum()
    square = (weight * (values - mean) ** 2).sum() / (len(values) - 1) / weight.sum()
    half = t.ppf(0.975, len(values) - 1) * square**0.5
    assert_allclose(found.interval()[0], [mean - half, mean + half], atol=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize("groups", [2, 3, 5, 8, 20])
def test_mean_is_covered_as_often_as_promised_by_few_groups(groups):
    # .97 is passed where groups differ little, since no interval is narrower than the normal one
    rng, held = np.random.default_rng(9), []
    for _ in range(600):
        low, high = random_effects(*drawn(rng, groups=groups, between=(0.3,))).interval()[0]
        held.append(low < 1.0 < high)
    assert 0.93 <= np.mean(held) <= 0.98, np.mean(held)


@pytest.mark.parametrize(
    ("values", "errors", "says"),
    [
        ([], [], r"shape \(0,\)"),
        ([[1.0]], [], "their errors"),
        ([[1.0]], [[-0.0]], "not above zero"),
        ([[1.0]], [[np.nan]], "not above zero"),
    ],
)
def test_what_cannot_be_pooled_is_refused(values, errors, says):
    with pytest.raises(DataError, match=says):
        random_effects(values, errors)
