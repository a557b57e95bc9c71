"""What was seen of each path."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.assess import Outcomes, log_score
from forecast.assess.outcomes import follow_paths, path_of_row
from forecast.errors import DataError
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
