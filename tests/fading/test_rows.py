"""Gradings as steps, clearances nobody graded, and logs that say too little."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import DataError
from forecast.fading.fading import fit_fading
from forecast.fading.rows import fading_rows
from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from tests.regimes.made import made_log

from .logs import codes, graded_log, with_tables


def test_steps_go_from_grading_to_grading_and_gradings_of_one_session_are_averaged():
    log = graded_log(np.tile([20.0, 40.0, 100.0], (25, 1)))
    again = log.gradings[log.gradings["after_session"] == 2].assign(fading_pct=60.0)
    missing = log.gradings["course_id"].eq("C003") & log.gradings["after_session"].eq(1)
    gradings = pd.concat([log.gradings[~missing], again])
    rows = fading_rows(OutcomeLog.from_frames(log.courses, gradings=gradings))
    steps = rows.table.set_index(["course_id", "session"])[["since", "left_before", "left"]]
    assert steps.loc[("C000", 1)].tolist() == [0, 1.0, 0.8]
    assert steps.loc[("C000", 2)].tolist() == pytest.approx([1, 0.8, 0.5])
    assert steps.loc[("C000", 3)].tolist() == pytest.approx([2, 0.5, 0.0])
    assert steps.loc[("C003", 2)].tolist() == pytest.approx([0, 1.0, 0.5])
    sessions = pd.Series(rows.counts[:, rows.names.index("sessions")], steps.index)
    assert sessions.loc["C000"].tolist() == [1, 1, 1]
    assert sessions.loc["C003"].tolist() == [2, 1]


@pytest.mark.parametrize(("step", "unit"), [(25, 25), (10, 10), (3, 1)])
def test_the_unit_of_a_log_is_the_coarsest_that_all_gradings_share(step, unit):
    faded = np.tile(step * np.arange(1, 4), (30, 1))
    assert fading_rows(graded_log(faded)).unit == unit


def test_a_clearance_that_nobody_graded_counts_as_at_the_threshold(log):
    cleared = log.courses[log.courses["outcome"] == "cleared"]
    last = cleared.set_index("course_id")["sessions_given"]
    at_end = log.gradings["course_id"].map(last) == log.gradings["after_session"]
    rows = fading_rows(with_tables(log, gradings=log.gradings[~at_end]))
    ends = rows.table[rows.table["fading_pct"] == log.cleared_at]
    used = rows.courses[rows.courses["outcome"] == "cleared"]
    assert set(used["course_id"]) <= set(ends["course_id"])


def test_sessions_count_as_changed_from_the_second_with_ps_of_a_course_that_began_with_ns():
    first, change = np.resize(["ns", "ps"], 30), np.resize([2, 0], 30)
    rows = fading_rows(made_log(np.full(30, 5), first, change, pace=np.full(30, 0.3)))
    changed = rows.table.assign(changed=rows.changed).groupby("course_id")["changed"].agg(list)
    assert (changed["c0"], changed["c1"]) == ([0, 0, 0, 1, 1], [0, 0, 0, 0, 0])


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
    late = log.sessions["treated_on"] > log.sessions["treated_on"].median()
    sessions = log.sessions.assign(regime=np.where(late, "ps", "ns"))
    with pytest.raises(DataError, match="when only one regime was in use") as refused:
        fading_rows(with_tables(log, sessions=sessions, lasers=None))
    assert "of courses that are not left out" in str(refused.value)
    assert "als nur eine Pulsdauer in Gebrauch war" in refused.value.problem.say("de")
    with pytest.raises(DataError, match="no gradings"):
        fit_fading(OutcomeLog.from_frames(log.courses))


def test_one_client_id_for_all_is_refused(log):
    with pytest.raises(DataError, match="1 client: no interval would hold"):
        fit_fading(with_tables(log, courses=log.courses.assign(client_id="anon")))


@pytest.fixture(scope="module")
def fine():
    return fit_fading(simulate_log(200, seed=9))


@pytest.fixture(scope="module")
def coarse(fine):
    log = simulate_log(200, seed=9)
    tens = log.gradings.assign(fading_pct=(log.gradings["fading_pct"] / 10).round() * 10)
    return fit_fading(with_tables(log, gradings=tens))


@pytest.mark.slow
def test_coarse_grades_give_much_the_same_answer_and_are_said(coarse, fine):
    assert coarse.rows.unit == 10
    assert "fading.rounded" in codes(coarse)
    assert_allclose(coarse.share("ns")[0], fine.share("ns")[0], atol=0.02)


@pytest.mark.slow
def test_coarse_grades_do_not_burst_the_intervals_of_a_small_log(coarse, fine):
    narrow, wide = (np.diff(one.share("ns")[1]).item() for one in (fine, coarse))
    assert 0.8 < wide / narrow < 1.5
