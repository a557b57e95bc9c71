"""How courses of the invented clinic end and are written down."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from benchmarks.clinics import (
    simulate_clinic,
)
from forecast.invented import World, simulate_log

from .conftest import cleared_by, kaplan_meier


def test_outcomes_agree_with_the_truth(clinic):
    courses = clinic.log.courses.merge(clinic.truth, on="course_id")
    reached = courses["outcome"].isin(["cleared", "lightened"])
    assert_array_equal(courses["sessions_given"][reached], courses["needed"][reached])
    later = courses["needed"].fillna(np.inf)[~reached]
    stopped_early = courses["sessions_given"][~reached] < later
    # An ongoing course may already be clear, but not yet graded.
    assert (stopped_early | (courses["outcome"][~reached] == "ongoing")).all()


def test_cleared_means_a_last_grading_at_the_threshold(clinic):
    log = clinic.log
    last = log.gradings.groupby("course_id")["fading_pct"].last()
    outcome = log.courses.set_index("course_id")["outcome"]
    assert (last[outcome[outcome == "cleared"].index] >= 95).all()


def test_slow_courses_stop_more_often_so_plain_kaplan_meier_is_too_good():
    world = replace(World(), elsewhere_rate=0.0, lighten_rate=0.0)
    clinic = simulate_clinic(6000, seed=8, world=world)
    truth = cleared_by(clinic.truth["needed_clear"].fillna(99).to_numpy(), 15)
    assert kaplan_meier(clinic.log.courses, 15) > truth + 0.01


def test_blind_drop_out_leaves_kaplan_meier_unbiased():
    world = replace(
        World(), elsewhere_rate=0.0, lighten_rate=0.0, informative_dropout=False, dropout_base=-3.0
    )
    clinic = simulate_clinic(6000, seed=8, world=world)
    truth = cleared_by(clinic.truth["needed_clear"].fillna(99).to_numpy(), 12)
    assert kaplan_meier(clinic.log.courses, 12) == pytest.approx(truth, abs=0.02)


def test_reactions_follow_skin_type_and_a_planted_operator():
    world = replace(World(), bad_operator=3.0, operator_reaction_sd=0.0, reaction_rate=0.03)
    log = simulate_log(4000, seed=1, world=world)
    reacted = log.reactions.rename(columns={"after_session": "session_no"}).assign(seen=1)
    rows = log.sessions.merge(reacted, how="left", on=["course_id", "session_no"])
    rows = rows.merge(log.courses[["course_id", "skin_type"]]).fillna({"seen": 0})
    odds = rows.groupby("operator_id")["seen"].mean().pipe(lambda p: p / (1 - p))
    assert odds["op5"] / odds.drop("op5").mean() == pytest.approx(3.0, rel=0.25)
    dark = rows["skin_type"].isin(["V", "VI"])
    assert rows["seen"][dark].mean() > 1.5 * rows["seen"][~dark].mean()
