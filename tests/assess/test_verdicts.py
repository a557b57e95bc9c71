"""Verdicts on groups: chance alone rarely makes one fail, however many groups are shown."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.multitest import multipletests

from forecast.assess import Outcomes, assess_predictions
from forecast.assess.coverage import interval_coverage
from forecast.assess.verdicts import holm, verdicts
from forecast.survival import CountDistribution


def test_holm_is_that_of_statsmodels():
    rng = np.random.default_rng(0)
    for n in (1, 2, 24):
        chances = rng.random(n) ** 3
        assert_allclose(holm(chances), multipletests(chances, method="holm")[1])
    assert holm(np.empty(0)).shape == (0,)


def alike(rng: np.random.Generator, n_subjects: int, each: int):
    """Paths alike within subjects, and their true distribution averaged over subjects."""
    owner = np.repeat(np.arange(n_subjects), each)
    rate = 0.12 * rng.gamma(4, 0.25, n_subjects)[owner]
    happens = np.ceil(rng.exponential(1 / rate)).astype(int)
    watched = rng.geometric(0.06, len(owner))
    truth = (1 + 0.03 * np.arange(1, 26)) ** -4.0  # a gamma mixture of exponentials
    predicted = CountDistribution.from_survival(np.repeat(truth[None], len(owner), axis=0))
    return predicted, Outcomes(np.minimum(happens, watched), happens <= watched, subject=owner)


@pytest.mark.parametrize("each", [1, 3])
def test_a_true_promise_fails_in_some_group_in_at_most_one_log_of_twenty(each):
    failed = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        predicted, seen = alike(rng, 480 // each, each)
        groups = {
            name: np.repeat(rng.integers(0, 3, 480 // each), each) for name in ("a", "b", "c", "d")
        }
        found = assess_predictions([predicted], seen, groups=groups, replicates=0).subgroups
        assert len(found) == 12
        failed += (found["verdict"] == "fails").any()
    # 5 % and two and a half binomial errors; one by one, a group failed in four logs of ten
    assert failed / 100 < 0.05 + 2.5 * np.sqrt(0.05 * 0.95 / 100)


def test_a_group_that_looks_bad_by_itself_only_is_not_said_to_hold(sample):
    drawn = sample(900, seed=5)
    good = interval_coverage(drawn.truth, drawn.outcomes)
    off, fine = (1.25, 0.1), (1.0, 0.1)  # p = .012: by itself a finding, among six groups none
    assert verdicts([good], [off]) == ["fails"]
    assert verdicts([good] * 6, [fine] * 5 + [off]) == ["holds"] * 5 + ["cannot say"]
    few = replace(good, n_events=19)
    assert verdicts([good] + [few] * 9, [off] * 10) == ["fails"] + ["cannot say"] * 9


def test_a_promise_that_is_wrong_by_half_is_found_among_twelve_groups(sample):
    drawn = sample(1500, seed=3)
    hazard = drawn.truth.hazard()
    wrong = np.arange(1500) % 12 == 4
    hazard[wrong] = 1 - (1 - hazard[wrong]) ** 2
    found = assess_predictions(
        [CountDistribution.from_hazard(hazard)],
        drawn.outcomes,
        groups={"g": np.arange(1500) % 12},
        replicates=0,
    ).subgroups
    assert found.loc[found["verdict"] == "fails", "label"].tolist() == ["4"]
