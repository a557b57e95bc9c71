"""What was seen of each path."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from statsmodels.stats.proportion import proportion_confint

from forecast.assess import Outcomes, last_supported
from forecast.assess.outcomes import (
    by_subject,
    known_status,
    still_watched,
    wilson_interval,
)
from forecast.errors import DataError
from forecast.survival import Durations


def test_what_was_seen_can_not_be_changed_and_is_not_the_callers():
    step = np.array([3, 4])
    seen = Outcomes(step, np.array([True, False]))
    step[0] = 9
    assert seen.step.tolist() == [3, 4]
    with pytest.raises(ValueError, match="read-only"):
        seen.step[0] = 1


def test_two_courses_of_one_client_stay_two_though_one_begins_where_the_other_ended():
    frame = pd.DataFrame(
        {"who": ["p", "p"], "entry": [0, 3], "step": [3, 5], "seen": [0, 1], "x": [0.0, 1.0]}
    )
    both = Durations.from_frame(
        frame, step="step", observed="seen", covariates=["x"], entry="entry", subject="who"
    )
    assert Outcomes.from_durations(both).step.tolist() == [3, 5]


def test_paths_never_watched_are_refused():
    with pytest.raises(DataError, match="never watched"):
        Outcomes(np.array([2]), np.array([True]), entry=np.array([2]))


def test_the_chance_of_still_being_watched_is_kaplan_meier_with_events_first():
    # Steps 1: event and drop-out. Of the two without the event at 1 one leaves; then one of one.
    seen = Outcomes(np.array([1, 1, 2]), np.array([True, False, False]))
    assert_allclose(still_watched(seen, horizon=2), [1, 0.5, 0])
    status = known_status(seen, 2)
    assert_allclose(status.weight_at(1), [1, 1, 1])
    assert_allclose(status.weight_at(2), [1, 0, 2])


def test_support_ends_where_fewer_than_five_are_watched():
    assert last_supported(Outcomes(np.array([2] * 5 + [9] * 4), np.ones(9, dtype=bool))) == 2


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


@pytest.mark.parametrize(("share", "n"), [(0.0, 7.0), (0.31, 12.6), (0.8, 322.4), (1.0, 3.0)])
def test_wilson_interval_is_that_of_statsmodels(share, n):
    theirs = proportion_confint(share * n, n, alpha=0.05, method="wilson")
    assert_allclose(wilson_interval(share, n), theirs, rtol=1e-12, atol=1e-15)


def test_sums_by_subject_keep_the_order_of_their_names():
    subject = np.array(["a", "b", "a"], dtype=object)
    assert by_subject(np.array([1.0, 2.0, 4.0]), subject).tolist() == [5.0, 2.0]
