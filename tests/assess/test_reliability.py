"""Do predicted chances come true, do intervals hold, and do outcomes spread as predicted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, interval_coverage, reliability_table, tie_split_coverage
from forecast.assess.outcomes import wilson_interval
from forecast.assess.reliability import (
    a_calibration,
    calibration_error,
    calibrations,
    d_calibration,
    observed_to_expected,
    score_curve,
    tie_split_share,
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


@pytest.mark.slow
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


def covered(interval, count):
    """Return whether each known count lies in its interval, ends included."""
    return (interval[:, 0] <= count) & (count <= interval[:, 1])


def test_without_censoring_every_form_is_the_plain_count(sample):
    drawn = sample(500, seed=1)
    seen = Outcomes(np.minimum(drawn.count, 25), drawn.count <= 25)
    found = interval_coverage(drawn.truth, seen, level=0.8)
    top = found.supported_to
    inside = covered(drawn.truth.interval(0.8), np.where(drawn.count > top, np.inf, drawn.count))
    assert_allclose(found.plain, inside.mean(), atol=1e-12)
    assert_allclose([found.known_covered, 1 - found.known_missed], inside.mean(), atol=1e-12)
    assert_allclose(1 - found.below - found.above, inside.mean(), atol=1e-12)
    cut = CountDistribution(drawn.truth.pmf[:, :top])
    split = tie_split_coverage(cut, drawn.count, level=0.8)
    assert_allclose(found.tie_split, split.mean(), atol=1e-12)
    assert_allclose(found.tie_split_error, split.std() / 500**0.5, rtol=1e-9)


def test_a_path_that_outlasts_the_interval_is_known_to_be_missed():
    certain = CountDistribution(np.tile([0.0, 1.0, 0.0, 0.0], (12, 1)))
    step = np.repeat([2, 1, 4], 4)
    seen = Outcomes(step, np.repeat([True, False, False], 4))
    found = interval_coverage(certain, seen, level=0.8)
    assert_allclose([found.known_covered, found.known_missed], [1 / 3, 1 / 3])


def test_a_path_stands_for_those_who_left_before_it_was_settled():
    # Of 15 paths a third has the event at 2, inside. Of ten others half leave then, so that each
    # of the rest, known from step 3 on to be missed, stands for two.
    middle = CountDistribution(np.tile([0.0, 0.5, 0.5, 0.0], (15, 1)))
    seen = Outcomes(np.repeat([2, 2, 4], 5), np.repeat([True, False, True], 5))
    found = interval_coverage(middle, seen, level=0.8)
    assert_allclose(found.plain, 1 / 3)
    assert_allclose((found.plain_low, found.plain_high), wilson_interval(1 / 3, 15**2 / 25))


def test_the_truth_is_covered_at_its_level_despite_censoring(sample):
    split, plain, complete, error = [], [], [], []
    for seed in range(60):
        drawn = sample(300, seed=seed, drop_out=0.12)
        found = interval_coverage(drawn.truth, drawn.outcomes, level=0.8)
        split.append(found.tie_split)
        error.append(found.tie_split_error)
        plain.append(found.plain)
        count = np.where(drawn.count > found.supported_to, np.inf, drawn.count)
        cut = CountDistribution(drawn.truth.pmf[:, : found.supported_to])
        complete.append(covered(cut.interval(0.8), count).mean())
        assert found.known_covered <= found.plain <= 1 - found.known_missed
    assert abs(np.mean(split) - 0.8) < 0.012  # 60 runs: 0.004 each way
    assert abs(np.mean(plain) - np.mean(complete)) < 0.012  # likewise
    # The error by subject, weights taken as known, is cautious.
    assert 0.8 < np.mean(error) / np.std(split) < 1.5


def test_late_entry_is_judged_on_what_was_left(sample):
    drawn = sample(4000, seed=3, drop_out=0.05)
    entry = np.random.default_rng(0).integers(0, 4, size=4000)
    still = drawn.outcomes.step > entry
    seen = Outcomes(
        drawn.outcomes.step, drawn.outcomes.observed, np.minimum(entry, drawn.outcomes.step - 1)
    )
    found = interval_coverage(drawn.truth[still], seen.take(still), level=0.8)
    assert abs(found.tie_split - 0.8) < 3 * found.tie_split_error


def test_score_curve_is_kaplan_meier():
    # Freireich's 6-MP arm: S(10) = .7529 and S(23) = .4482 (Kleinbaum & Klein).
    weeks = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
    event = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
    curve = [score_curve(weeks, event, week, np.ones(21)) for week in (10, 11, 24)]
    assert_allclose(curve, [0.8067, 0.7529, 0.4482], atol=5e-5)


def test_d_calibration_of_the_published_hand_example():
    # Haider et al. (2020, JMLR 21:85): survival .1 .3 .6 .9 at four events, and one censored at
    # .8, in four bins: the censored one adds .0625 to its bin and .3125 to each lower one.
    # A step of no probability puts an event exactly at its survival.
    by_first = 1 - np.array([0.1, 0.3, 0.6, 0.9, 0.8])
    predicted = CountDistribution(np.column_stack([by_first, np.zeros(5)]))
    seen = Outcomes(np.array([2, 2, 2, 2, 1]), np.array([True, True, True, True, False]))
    test = d_calibration(predicted, seen, bins=4)
    assert_allclose(test.counts[::-1], [1.3125, 1.3125, 1.3125, 1.0625])
    assert_allclose(test.statistic, 0.0375)


def test_a_calibration_counts_the_events_against_those_expected_of_all_at_risk():
    # The same five by hand: events at ranks .9, .7, .4 and .1, one censored at .2. The cumulative
    # hazard of a rank u is -log(1 - u); each adds what it was at risk for in each quarter.
    by_first = 1 - np.array([0.1, 0.3, 0.6, 0.9, 0.8])
    predicted = CountDistribution(np.column_stack([by_first, np.zeros(5)]))
    observed = np.array([True, True, True, True, False])
    seen = Outcomes(np.array([2, 2, 2, 2, 1]), observed, weight=np.full(5, 40.0))
    test = a_calibration(predicted, seen, bins=4)
    until = np.minimum([0.25, 0.5, 0.75, 1.0], np.array([0.9, 0.7, 0.4, 0.1, 0.2])[:, None])
    total = -np.log(1 - until).sum(axis=0)
    assert_allclose(test.expected, 40 * np.diff(total, prepend=0))
    assert_allclose(test.counts, [40, 40, 40, 40])


def test_d_calibration_accepts_the_truth_at_its_nominal_rate(sample):
    # Ranks without randomising reject a true discrete model every time.
    rejected = []
    for seed in range(200):
        drawn = sample(300, seed=seed)
        test = d_calibration(drawn.truth, drawn.outcomes, seed=seed)
        rejected.append(test.p_value < 0.05)
    assert np.mean(rejected) <= 0.05 + 3 * (0.05 * 0.95 / 200) ** 0.5


def test_d_calibration_rejects_a_model_that_is_far_too_late(sample):
    drawn = sample(300, seed=1)
    late = CountDistribution.from_hazard(drawn.truth.hazard() * 0.5)
    assert d_calibration(late, drawn.outcomes).p_value < 1e-4


chances = arrays(float, (1, 6), elements=st.floats(0, 1)).map(lambda row: row / (row.sum() + 0.1))


@given(pmf=chances, level=st.floats(0.05, 0.95))
def test_a_perfect_distribution_is_covered_exactly_at_its_level(pmf, level):
    # Weigh each count, and "beyond", by its own chance: the expectation is the level itself.
    perfect = CountDistribution(np.repeat(pmf, 7, axis=0))
    chance = np.append(pmf[0], 1 - pmf[0].sum())
    held = tie_split_coverage(perfect, np.arange(1, 8), level=level)
    assert_allclose(chance @ held, level, atol=1e-9)


def test_tie_split_coverage_of_a_narrow_distribution_falls_short():
    # Truth even over four steps, prediction certain of the two middle ones.
    narrow = CountDistribution(np.tile([0.0, 0.5, 0.5, 0.0], (4, 1)))
    held = tie_split_coverage(narrow, np.arange(1, 5), level=0.8)
    assert_allclose(held, [0, 0.8, 0.8, 0])


def test_a_level_is_a_probability(sample):
    drawn = sample(5, seed=0)
    with pytest.raises(RequestError, match="level is 80"):
        tie_split_coverage(drawn.truth, drawn.count, level=80)


def rejected(quicker: float, samples: int) -> tuple[float, float]:
    """How often A- and D-calibration reject hazards that are ``quicker`` times the true ones."""
    found, censored = [], []
    steps = np.arange(40)
    for seed in range(samples):
        rng = np.random.default_rng([seed, 9])
        rate = np.minimum(0.05 + 0.01 * steps, 0.3) * np.exp(0.4 * rng.normal(size=(300, 1)))
        count = (rng.random((300, 40)) < -np.expm1(-rate)).argmax(axis=1) + 1
        leaves = rng.geometric(0.12, 300)
        seen = Outcomes(np.minimum(count, leaves), count <= leaves)
        predicted = CountDistribution.from_hazard(-np.expm1(-quicker * rate))
        found.append(
            [
                test(predicted, seen, seed=seed).p_value < 0.05
                for test in (a_calibration, d_calibration)
            ]
        )
        censored.append(1 - seen.observed.mean())
    assert 0.52 < np.mean(censored) < 0.6
    return tuple(np.mean(found, axis=0))


@pytest.mark.slow
def test_a_calibration_keeps_its_size_and_sees_more_than_d_calibration_under_censoring():
    # its size was 5.9 % of 2,000 samples; here with the leeway of 1,000
    assert rejected(1.0, 1000)[0] <= 0.06 + 2 * (0.06 * 0.94 / 1000) ** 0.5
    ours, other = rejected(1.45, 300)
    assert 0.3 <= other <= 0.6
    assert ours >= 1.3 * other


def test_a_stretch_of_ranks_counts_by_the_part_in_the_middle():
    share = tie_split_share(np.array([0.0, 0.2]), np.array([0.2, 0.2]), level=0.8)
    assert_allclose(share, [0.5, 1.0])
