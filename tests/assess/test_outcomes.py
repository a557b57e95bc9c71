"""What was seen of each path."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, last_supported, log_score
from forecast.assess.outcomes import (
    effective_size,
    follow_paths,
    known_status,
    path_of_row,
    still_watched,
    wilson_interval,
)
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution, Durations


def test_what_was_seen_can_not_be_changed_and_is_not_the_callers():
    step = np.array([3, 4])
    seen = Outcomes(step, np.array([True, False]))
    step[0] = 9
    assert seen.step.tolist() == [3, 4]
    with pytest.raises(ValueError, match="read-only"):
        seen.step[0] = 1


def spells():
    """Return one path in two spells, a late entry, and a plain path of the same subject."""
    frame = pd.DataFrame(
        {
            "who": ["p", "p", "p", "q"],
            "entry": [0, 3, 2, 0],
            "step": [3, 5, 4, 2],
            "seen": [0, 1, 0, 1],
            "x": [0.0, 1.0, 0.0, 1.0],
        }
    )
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["x"], entry="entry", subject="who"
    )


def test_spells_of_one_path_are_joined():
    assert path_of_row(spells()).tolist() == [0, 0, 1, 2]
    seen = Outcomes.from_durations(spells())
    assert seen.step.tolist() == [5, 4, 2]
    assert seen.entry.tolist() == [0, 2, 0]
    assert seen.observed.tolist() == [True, False, True]


def test_a_joined_path_has_each_spell_its_own_hazard():
    by_row = CountDistribution.from_hazard(np.repeat([[0.1], [0.3], [0.2], [0.4]], 6, axis=1))
    hazard = follow_paths(by_row, spells()).hazard()
    assert_allclose(hazard[0], [0.1, 0.1, 0.1, 0.3, 0.3, 0.3])
    assert_allclose(hazard[1:], np.repeat([[0.2], [0.4]], 6, axis=1))


def test_spells_out_of_order_are_scored_as_late_entries():
    durations = spells().take(np.array([1, 0, 2, 3]))
    rows = CountDistribution.from_hazard(np.repeat([[0.3], [0.1], [0.2], [0.4]], 6, axis=1))
    together = CountDistribution.from_hazard(np.repeat([[0.1], [0.3], [0.2], [0.4]], 6, axis=1))
    joined = log_score(follow_paths(together, spells()), Outcomes.from_durations(spells()))
    assert_allclose(
        log_score(follow_paths(rows, durations), Outcomes.from_durations(durations)), joined
    )


def test_paths_never_watched_are_refused():
    with pytest.raises(DataError, match="never watched"):
        Outcomes(np.array([2]), np.array([True]), entry=np.array([2]))


def test_the_chance_of_still_being_watched_is_kaplan_meier_with_events_first():
    # Steps 1: event and drop-out. Of the two without the event at 1 one leaves; then one of one.
    seen = Outcomes(np.array([1, 1, 2]), np.array([True, False, False]))
    assert_allclose(still_watched(seen, horizon=2), [[1, 0.5, 0]] * 3)
    status = known_status(seen, still_watched(seen, horizon=2))
    assert_allclose(status.weight, [[1, 1], [1, 0], [1, 2]])


def test_a_separate_drop_out_curve_for_each_group():
    seen = Outcomes(np.array([1, 2, 1, 2]), np.array([False, True, True, True]))
    apart = still_watched(seen, horizon=2, group=["a", "a", "b", "b"])
    assert_allclose(apart, [[1, 0.5, 0.5], [1, 0.5, 0.5], [1, 1, 1], [1, 1, 1]])


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


def test_wilson_interval_refuses_what_is_not_a_share():
    with pytest.raises(RequestError, match="proportion"):
        wilson_interval(1.2, 10)


def test_effective_size_of_equal_weights_is_their_number():
    assert effective_size(np.full(7, 3.0)) == pytest.approx(7)
    assert effective_size([]) == 0
