"""Landmarks: what they may see, and where there are any."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts import judged_rows
from forecast.midcourse.landmarks import ink_gone, landmark_rows, mean_gradings
from forecast.midcourse.law import passage_predictions
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
    one, two = (landmark_rows(each, rows, flat(len(rows)), horizon=15) for each in (log, other))
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
    marks = landmark_rows(invented_log, rows, flat(len(rows)), horizon=15)
    step = rows.set_index("course_id")["step"]
    assert (marks["left"] == marks["course_id"].map(step) - marks["session"]).all()
    assert (marks["left"] >= 1).all()
    begun_elsewhere = set(rows.loc[rows["entry"] > 0, "course_id"])
    assert not begun_elsewhere & set(marks["course_id"])


def test_what_is_doubted_is_clearing_within_the_horizon_of_the_landmark(invented_log, flat):
    rows = judged_rows(invented_log)
    marks = landmark_rows(invented_log, rows, flat(len(rows)), horizon=5)
    # of 31 equally likely counts so many are left, and all but five of them lie beyond
    assert_allclose(marks["doubt"], np.log((26 - marks["session"]) / 5))


def test_ink_gone_is_the_fall_of_log_ink_and_stops_near_all():
    assert_allclose(ink_gone([0, 50, 95]), -np.log([1, 0.5, 0.05]))
    assert ink_gone(100) == ink_gone(98)
