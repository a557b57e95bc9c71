"""Landmarks: what they may see, and where there are any."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts import course_rows, judged_rows
from forecast.forecaster import load_forecaster
from forecast.midcourse.landmarks import (
    Midcourse,
    fit_midcourse,
    ink_gone,
    landmark_rows,
    mean_gradings,
    passage_predictions,
)
from forecast.survival import CountDistribution


@pytest.fixture(scope="module")
def flat():
    """Return a stand-in prediction: every session count from 1 to 30 equally likely."""
    return lambda n: CountDistribution(np.full((n, 30), 1 / 31))


def test_rows_after_a_landmark_never_enter_it(invented_log, forecaster, flat):
    log, rows = invented_log, judged_rows(invented_log)
    edited = log.gradings.copy()
    late = edited["after_session"] > 4
    rng = np.random.default_rng(1)
    edited.loc[late, "fading_pct"] = rng.uniform(0, 100, late.sum()).round()
    names = ("courses", "sessions", "reactions", "lasers")
    other = forecast.OutcomeLog.from_frames(
        gradings=edited, **{name: getattr(log, name) for name in names}
    )
    one, two = (landmark_rows(each, rows, flat(len(rows))) for each in (log, other))
    early = one["session"] <= 4
    pd.testing.assert_frame_equal(one[early], two[two["session"] <= 4])
    assert not one.equals(two)
    passage = forecaster.midcourse.passage
    found = [
        passage_predictions(marks, mean_gradings(each), flat(len(rows)), passage, 25)[1].pmf
        for marks, each in ((one, log), (two, other))
    ]
    assert_allclose(found[0][early.to_numpy()], found[1][(two["session"] <= 4).to_numpy()])


def test_a_course_gives_landmarks_only_where_it_went_on(invented_log, flat):
    rows = judged_rows(invented_log)
    marks = landmark_rows(invented_log, rows, flat(len(rows)))
    step = rows.set_index("course_id")["step"]
    assert (marks["left"] == marks["course_id"].map(step) - marks["session"]).all()
    assert (marks["left"] >= 1).all()
    begun_elsewhere = set(rows.loc[rows["entry"] > 0, "course_id"])
    assert not begun_elsewhere & set(marks["course_id"])


def test_ink_gone_is_the_fall_of_log_ink_and_stops_near_all():
    assert_allclose(ink_gone([0, 50, 95]), -np.log([1, 0.5, 0.05]))
    assert ink_gone(100) == ink_gone(98)


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
