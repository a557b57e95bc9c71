"""Which way of reading gradings is kept, and that it travels."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts import (
    course_rows,
)
from forecast.forecaster import load_forecaster
from forecast.midcourse.fit import Midcourse, fit_midcourse
from forecast.survival import CountDistribution

ENQUIRY = forecast.Enquiry("II", "forearm", "black", "medium", "single", area_cm2=50)
EVEN = [(0, 0), (1, 27), (2, 46), (3, 60), (4, 70)]


def test_it_travels_as_json(forecaster, tmp_path):
    forecaster.save(tmp_path / "model.json")
    loaded = load_forecaster(tmp_path / "model.json")
    for gradings in ([], EVEN):
        one = forecaster.update(ENQUIRY, sessions_done=4, gradings=gradings)
        other = loaded.update(ENQUIRY, sessions_done=4, gradings=gradings)
        assert_allclose(one.remaining.draws, other.remaining.draws, atol=1e-12)
        assert one.to_dict() == other.to_dict()
    stored = json.loads(json.dumps(forecaster.midcourse.to_dict()))
    assert Midcourse.from_dict(stored).to_dict() == forecaster.midcourse.to_dict()


def test_the_way_that_is_kept_beats_the_count_alone(forecaster):
    scores = forecaster.midcourse.scores
    assert scores[forecaster.midcourse.chosen] < 0.8 * scores["count"]
    assert (forecaster.midcourse.landmark is None) == (forecaster.midcourse.chosen == "passage")


@pytest.mark.parametrize(
    ("a_session", "ahead", "chosen"), [(0.06, (0.0, 0.1), "passage"), (0.03, (0.5, 2), "landmark")]
)
def test_first_passage_is_kept_unless_landmarks_are_clearly_ahead(a_session, ahead, chosen):
    # counts that are predicted too late make first passage worse, and landmarks hardly
    log = forecast.simulate_log(150, seed=11)
    rows = course_rows(log, goal="clear")
    late = CountDistribution.from_hazard(np.full((len(rows), 30), a_session))
    found = fit_midcourse(log, rows, late, horizon=25, seed=1)
    assert found is not None
    low, high = ahead
    assert low < found.scores["passage"] - found.scores["landmark"] < high
    assert found.chosen == chosen
    assert (found.landmark is None) == (chosen == "passage")
