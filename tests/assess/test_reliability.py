"""Do predicted chances come true."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes
from forecast.assess.reliability import (
    calibration_error,
    calibrations,
    observed_to_expected,
    reliability_table,
)
from forecast.errors import RequestError
from forecast.survival import CountDistribution


def calibration_at(distribution, outcomes, steps):
    """Return slope, intercept, and the mean, median and 90th percentile of the error."""
    found = calibrations(distribution, outcomes, steps)
    return [values[0, 0] for values in found.values()]


def two_groups():
    """Return 100 predicted .2 of whom 30 had the event at once, and 100 of .8 of whom 70 had."""
    predicted = CountDistribution(np.repeat([0.2, 0.8], 100)[:, None])
    happened = np.concatenate([np.arange(100) < 30, np.arange(100) < 70])
    return predicted, Outcomes(np.ones(200, dtype=int), happened)


def test_calibration_error_of_two_groups_by_hand():
    # Predicted .2 and .8, observed .3 and .7 (Austin, Harrell & van Klaveren 2020): all .1.
    assert_allclose(calibration_error(np.array([0.2, 0.8]), np.array([0.3, 0.7]), np.ones(2)), 0.1)
    assert_allclose(calibration_at(*two_groups(), [1])[2:], 0.1, atol=1e-5)


def test_calibration_slope_of_two_groups_by_hand():
    slope, intercept, *_ = calibration_at(*two_groups(), [1])
    logit = lambda p: np.log(p / (1 - p))  # noqa: E731
    assert_allclose(slope, logit(0.7) / logit(0.8), atol=1e-5)
    assert_allclose(intercept, 0, atol=1e-6)


def test_calibration_error_quantiles_count_the_weights():
    both = np.array([[0.0, 0.5], [0.1, 0.9]])
    error = calibration_error(*both, weight=np.array([3, 1]))
    assert_allclose(error, [(0.3 + 0.4) / 4, 0.1, 0.4])


def test_the_truth_is_calibrated_despite_censoring(sample):
    slopes, errors, ratios = [], [], []
    for seed in range(40):
        drawn = sample(600, seed=seed)
        slope, _, error, *_ = calibration_at(drawn.truth, drawn.outcomes, [8])
        slopes.append(slope)
        errors.append(error)
        ratios.append(observed_to_expected(drawn.truth, drawn.outcomes)[0])
    assert abs(np.mean(slopes) - 1) < 0.1  # 40 runs: 0.032 each way
    assert np.mean(errors) < 0.04
    assert abs(np.mean(ratios) - 1) < 0.02  # 40 runs: 0.006 each way


def test_few_events_do_not_make_the_calibration_error_run_away():
    # The truth itself, of which 1 path in 20 has the event: the smoothed curve stays near it.
    errors = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        chance = 1 / (1 + np.exp(-rng.normal(-6, 3, 200)))
        happened = rng.random(200) < chance
        if happened.sum() >= 2:
            truth = CountDistribution(np.column_stack([chance, np.zeros(200)]))
            outcomes = Outcomes(np.where(happened, 1, 2), happened)
            errors.append(calibration_at(truth, outcomes, [1])[2])
    assert max(errors) < 0.1


def test_exaggerated_predictions_have_a_slope_below_one(sample):
    drawn = sample(3000, seed=4)
    mean = drawn.truth.cdf().mean(axis=0)
    logit = lambda p: np.log(p / (1 - p))  # noqa: E731
    stretched = logit(mean) + 2 * (logit(drawn.truth.cdf()) - logit(mean))
    extreme = CountDistribution(np.maximum(-np.diff(1 / (1 + np.exp(stretched)), prepend=1.0), 0))
    slope = calibration_at(extreme, drawn.outcomes, [8])[0]
    assert abs(slope - 0.5) < 0.1  # its standard error is .04


def test_observed_to_expected_by_hand():
    # Hazard .25 over 2 + 3 watched steps: 1.25 expected, one seen; its error is 1 / 1.25.
    quarter = CountDistribution.from_hazard(np.full((2, 4), 0.25))
    seen = Outcomes(np.array([2, 4]), np.array([True, False]), entry=np.array([0, 1]))
    assert_allclose(observed_to_expected(quarter, seen), (0.8, 0.8))


@pytest.mark.parametrize("each", [1, 3])
def test_the_error_of_observed_to_expected_counts_subjects_whose_paths_are_alike(each):
    # each subject has a frailty of its own; the prediction is the truth averaged over them
    rng = np.random.default_rng(11)
    truth = (1 + 0.06 * np.arange(1, 16)) ** -2  # a gamma mixture of exponentials
    ratios, errors = [], []
    for _ in range(400):
        owner = np.repeat(np.arange(80), each)
        rate = 0.12 * rng.gamma(2, 0.5, 80)[owner]
        happens = np.ceil(rng.exponential(1 / rate)).astype(int)
        watched = rng.geometric(0.1, len(owner))
        seen = Outcomes(np.minimum(happens, watched), happens <= watched, subject=owner)
        predicted = CountDistribution(
            -np.diff(np.repeat(truth[None], len(owner), axis=0), prepend=1.0)
        )
        ratio, error = observed_to_expected(predicted, seen)
        ratios.append(ratio)
        errors.append(error)
    assert_allclose(np.mean(errors), np.std(ratios), rtol=0.1)  # 400 runs: 3.5 % each way


def test_no_events_at_all_do_not_make_the_ratio_certain():
    rare = CountDistribution.from_hazard(np.full((1000, 1), 0.01))
    found = observed_to_expected(rare, Outcomes(np.ones(1000, dtype=int), np.zeros(1000)))
    assert_allclose(found, (0.0, 0.1))  # ten expected; the error is that of one event


def delayed(seed: int, n: int = 4000):
    """A known truth, of which some are watched only from a later step on."""
    rng = np.random.default_rng(seed)
    hazard = np.where(rng.random(n) < 0.5, 0.15, 0.25)
    entry = np.where(rng.random(n) < 0.08, rng.integers(1, 7, n), 0)
    happens, watched = entry + rng.geometric(hazard), entry + rng.geometric(0.05, n)
    truth = CountDistribution(hazard[:, None] * (1 - hazard[:, None]) ** np.arange(25))
    return truth, Outcomes(np.minimum(happens, watched), happens <= watched, entry)


def test_the_truth_is_reliable_in_every_bin_though_some_paths_enter_late():
    # the lowest bin holds the late ones, whose chance by the step starts at their entry
    table = reliability_table(*delayed(0, 20_000), steps=(5, 10))
    gap = (table["observed"] - table["predicted"]).abs()
    assert (gap < 3.5 * table["standard_error"]).all()
    assert table["predicted"].min() < 0.4


def test_the_errors_of_reliability_bins_are_those_of_repeated_samples():
    tables = [reliability_table(*delayed(seed, 1500), steps=(8,), bins=2) for seed in range(200)]
    gaps = np.array([(one["observed"] - one["predicted"]) for one in tables])
    stated = np.array([one["standard_error"] for one in tables]).mean(axis=0)
    assert_allclose(stated, gaps.std(axis=0), rtol=0.16)  # 200 runs: 5 % each way


def test_reliability_bins_hold_kaplan_meier():
    # Freireich's 6-MP arm at week 10: 1 - .7529, standard error .0963 (Kleinbaum & Klein).
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    event = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    same = CountDistribution(np.full((21, 12), 0.05))
    table = reliability_table(same, Outcomes(np.array(weeks), np.array(event)), steps=[10])
    assert len(table) == 1
    row = table.iloc[0]
    assert (row["n_paths"], row["n_events"]) == (21, 5)
    assert_allclose([row["observed"], row["standard_error"]], [1 - 0.7529, 0.0963], atol=5e-5)
    assert_allclose(row["predicted"], 0.5)


def test_reliability_bins_are_of_even_size_and_ordered(sample):
    drawn = sample(1000, seed=9)
    jitter = np.random.default_rng(0).uniform(0.9, 1.1, size=(1000, 1))
    varied = CountDistribution.from_hazard(np.minimum(drawn.truth.hazard() * jitter, 1))
    table = reliability_table(varied, drawn.outcomes, steps=[5, 10], bins=4)
    assert table["step"].tolist() == [5] * 4 + [10] * 4
    assert (table["n_paths"] == 250).all()
    assert (table.groupby("step")["predicted"].diff().dropna() > 0).all()


def test_a_step_beyond_the_prediction_is_refused(sample):
    drawn = sample(20, seed=0)
    with pytest.raises(RequestError, match="horizon is 26"):
        reliability_table(drawn.truth, drawn.outcomes, steps=[26])
