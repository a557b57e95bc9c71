"""Coverage of intervals when some outcomes were not seen to the end."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, interval_coverage, plain_coverage, tie_split_coverage
from forecast.assess.coverage import score_curve
from forecast.assess.dropout import effective_size, last_supported, still_watched, wilson_interval
from forecast.errors import RequestError
from forecast.survival import CountDistribution


@pytest.mark.parametrize(
    ("events", "n", "low", "high"),
    # Newcombe (1998, Stat Med 17:857), table I, method 3.
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_wilson_interval_agrees_with_newcombe(events, n, low, high):
    assert_allclose(wilson_interval(events / n, n), (low, high), atol=5e-5)


def test_wilson_interval_refuses_what_is_not_a_share():
    with pytest.raises(RequestError, match="proportion"):
        wilson_interval(1.2, 10)


def test_effective_size_of_equal_weights_is_their_number():
    assert effective_size(np.full(7, 3.0)) == pytest.approx(7)
    assert effective_size([]) == 0


def test_without_censoring_every_form_is_the_plain_count(sample):
    drawn = sample(500, seed=1)
    seen = Outcomes(np.minimum(drawn.count, 25), drawn.count <= 25)
    found = interval_coverage(drawn.truth, seen, level=0.8)
    top = found.supported_to
    inside = plain_coverage(
        drawn.truth.interval(0.8), np.where(drawn.count > top, np.inf, drawn.count)
    )
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
        complete.append(plain_coverage(cut.interval(0.8), count).mean())
        assert found.known_covered <= found.plain <= 1 - found.known_missed
    assert abs(np.mean(split) - 0.8) < 3 * np.std(split) / 60**0.5
    assert abs(np.mean(plain) - np.mean(complete)) < 3 * np.std(plain) / 60**0.5
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
    assert_allclose(score_curve(weeks, event, 10), 0.7529, atol=5e-5)
    assert_allclose(score_curve(weeks, event, 10, before=True), 0.8067, atol=5e-5)
    assert_allclose(score_curve(weeks, event, 23), 0.4482, atol=5e-5)


def test_crossed_ends_are_refused():
    with pytest.raises(RequestError, match="end before they start"):
        plain_coverage([[5, 4]], [4])


def test_an_open_end_covers_never_and_a_closed_one_does_not():
    assert plain_coverage([[3, np.inf], [3, 9]], [np.inf, np.inf]).tolist() == [1, 0]


def test_a_separate_drop_out_curve_for_each_group():
    seen = Outcomes(np.array([1, 2, 1, 2]), np.array([False, True, True, True]))
    apart = still_watched(seen, horizon=2, group=["a", "a", "b", "b"])
    assert_allclose(apart, [[1, 0.5, 0.5], [1, 0.5, 0.5], [1, 1, 1], [1, 1, 1]])


def test_support_ends_where_fewer_than_five_are_watched():
    assert last_supported(Outcomes(np.array([2] * 5 + [9] * 4), np.ones(9, dtype=bool))) == 2
