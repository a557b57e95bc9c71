"""Has the world moved since the predictions were made."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Drift, Outcomes, Recalibration
from forecast.errors import DataError
from forecast.survival import CountDistribution


def test_a_doubled_hazard_is_found_with_its_error(sample):
    drawn = sample(2000, seed=1)
    slower = CountDistribution.from_survival(drawn.truth.survival() ** 0.5)
    found = Drift.of(slower, drawn.outcomes)
    assert abs(found.shift - np.log(2)) < 3 * found.shift_error
    assert abs(found.power - 1) < 3 * found.power_error
    assert found.p_value < 1e-6
    assert found.n_events == drawn.outcomes.n_events


def test_no_drift_is_found_at_the_nominal_rate(sample):
    found = [
        Drift.of(each.truth, each.outcomes) for each in (sample(250, seed=s) for s in range(300))
    ]
    assert abs(np.mean([each.p_value < 0.05 for each in found]) - 0.05) < 3 * (0.0475 / 300) ** 0.5
    # The errors are those of repetition.
    for value, error in (("shift", "shift_error"), ("power", "power_error")):
        spread = np.std([getattr(each, value) for each in found])
        assert_allclose(np.mean([getattr(each, error) for each in found]), spread, rtol=0.15)


def test_the_shift_alone_is_the_log_of_observed_to_expected_hazard():
    # Constant hazard, two steps: H = .5 k. Predicted rate .5, every path seen to its event or
    # end; exponential data cut at 1 have the closed form log(-log(share left) / H).
    predicted = CountDistribution.from_survival(np.tile(np.exp([-0.5, -1.0]), (100, 1)))
    first, second = 30, 28  # 70 left of 100, then 42 of 70: the same 30 % and 40 % hazards
    step = np.repeat([1, 2, 2], [first, second, 42])
    seen = Outcomes(step, np.repeat([True, True, False], [first, second, 42]))
    found = Drift.of(predicted, seen)
    repaired = Recalibration(found.shift, found.power).apply(predicted[:1])
    # Two parameters, two hazards: the fit is exact.
    assert_allclose(repaired.hazard()[0], [0.3, 0.4], atol=1e-4)


def test_paths_of_one_subject_count_once(sample):
    drawn = sample(300, seed=2)
    rows = np.repeat(np.arange(300), 3)
    seen = drawn.outcomes.take(rows)
    once = Drift.of(drawn.truth, drawn.outcomes)
    thrice = Drift.of(drawn.truth[rows], Outcomes(seen.step, seen.observed, subject=rows))
    assert_allclose([thrice.shift, thrice.power], [once.shift, once.power], atol=1e-4)
    assert_allclose(thrice.shift_error, once.shift_error, rtol=1e-3)


def test_next_to_no_events_are_refused():
    seen = Outcomes(np.ones(20, dtype=int), np.arange(20) < 4)
    with pytest.raises(DataError, match=r"4 event\(s\)"):
        Drift.of(CountDistribution(np.full((20, 3), 0.2)), seen)
