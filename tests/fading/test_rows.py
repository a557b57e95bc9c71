"""Gradings as rows: bounds, ranges and clearances nobody graded, and logs that say too little."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from forecast.errors import DataError
from forecast.fading.fading import fit_fading
from forecast.fading.rows import bounds_of, fading_rows, grading_unit
from forecast.invented import World, simulate_clinic, simulate_log
from forecast.log import OutcomeLog

from .logs import codes, with_tables


@pytest.fixture(scope="module")
def log():
    return simulate_log(500, seed=1)


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


def test_coarse_grades_count_as_ranges():
    log = simulate_log(150, seed=6)
    coarse = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    fading = fit_fading(with_tables(log, gradings=coarse))
    fine = fit_fading(log)
    assert fading.rows.unit == 10
    assert "fading.rounded" in codes(fading)
    assert_allclose(fading.share("ns")[0], fine.share("ns")[0], atol=0.02)


def test_coarse_grades_do_not_burst_the_intervals_of_a_small_log():
    # no spread of starts is found in the tens of this one: it must not count as known to be none
    log = simulate_clinic(200, seed=9, world=World()).log
    tens = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    widths = []
    for one in (log, with_tables(log, gradings=tens)):
        _, (low, high) = fit_fading(one).share("ns")
        widths.append(high - low)
    assert 0.8 < widths[1] / widths[0] < 1.5
