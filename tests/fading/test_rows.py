"""Gradings as rows: bounds, ranges and clearances nobody graded, and logs that say too little."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.errors import DataError
from forecast.fading.fading import fit_fading
from forecast.fading.rows import bounds_of, fading_rows, grading_unit
from forecast.invented import simulate_log
from forecast.log import OutcomeLog

from .logs import codes, with_tables


def test_gradings_at_the_ends_of_the_scale_are_bounds():
    low, high, _ = bounds_of(np.array([0.0, 40.0, 95.0, 100.0]), unit=1, cleared_at=95)
    assert np.isinf(high[0])
    assert low[1] == high[1] == pytest.approx(np.log(0.6))
    assert np.isneginf(low[2:]).all()
    assert_allclose(high[2:], np.log(0.05))
    wide, narrow, _ = bounds_of(np.array([50.0]), unit=10, cleared_at=95)
    assert_allclose([wide[0], narrow[0]], np.log([0.45, 0.55]))
    assert grading_unit([0, 20, 40]) == 10


def test_a_clearance_that_nobody_graded_counts_as_at_the_threshold(log):
    cleared = log.courses[log.courses["outcome"] == "cleared"]
    last = cleared.set_index("course_id")["sessions_given"]
    at_end = log.gradings["course_id"].map(last) == log.gradings["after_session"]
    rows = fading_rows(with_tables(log, gradings=log.gradings[~at_end]))
    ends = rows.table[rows.table["fading_pct"] == log.cleared_at]
    used = rows.courses[rows.courses["outcome"] == "cleared"]
    assert set(used["course_id"]) <= set(ends["course_id"])


def test_gradings_that_are_all_alike_have_no_curve(log):
    same = log.gradings.assign(fading_pct=50.0)
    running = log.courses.assign(outcome="ongoing", stop_reason=None)
    with pytest.raises(DataError, match="no curve"):
        fit_fading(with_tables(log, courses=running, gradings=same))


def test_too_few_gradings_are_refused_with_what_is_needed(log):
    few = log.courses.head(10)
    gradings = log.gradings[log.gradings["course_id"].isin(few["course_id"])]
    with pytest.raises(DataError, match="20 courses and 60 gradings"):
        fit_fading(OutcomeLog.from_frames(few, gradings=gradings))
    with pytest.raises(DataError, match="no gradings"):
        fit_fading(OutcomeLog.from_frames(log.courses))


@pytest.fixture(scope="module")
def fine():
    # no spread of starts is found in the tens of this log: it must not count as known to be none
    return fit_fading(simulate_log(200, seed=9))


@pytest.fixture(scope="module")
def coarse(fine):
    log = simulate_log(200, seed=9)
    tens = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    return fit_fading(with_tables(log, gradings=tens))


@pytest.mark.slow
def test_coarse_grades_count_as_ranges(coarse, fine):
    assert coarse.rows.unit == 10
    assert "fading.rounded" in codes(coarse)
    assert_allclose(coarse.share("ns")[0], fine.share("ns")[0], atol=0.02)


@pytest.mark.slow
def test_coarse_grades_do_not_burst_the_intervals_of_a_small_log(coarse, fine):
    narrow, wide = (np.diff(one.share("ns")[1]).item() for one in (fine, coarse))
    assert 0.8 < wide / narrow < 1.5
