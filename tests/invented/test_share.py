"""The mechanism "share": what a session removes, and what no laser takes."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.clinics import (
    simulate_clinic,
)
from benchmarks.truth import (
    bencini_world,
)
from forecast.invented.world import OwnedLaser, World


def test_a_session_removes_about_a_fifth_to_a_quarter_of_the_ink():
    truth = simulate_clinic(2000, seed=1, world=bencini_world()).truth
    share = -np.expm1(-np.exp(truth["log_speed"]))
    # 21 % of the remaining ink per session (Bernstein 2015 and 2018, black, geometric reading).
    assert share.median() == pytest.approx(0.21, abs=0.05)


def test_ink_that_no_owned_laser_takes_never_goes():
    only_yag = (OwnedLaser("yag", "ns", (532, 1064), -1.0),)
    clinic = simulate_clinic(800, seed=2, world=replace(World(), fleet=only_yag))
    courses = clinic.log.courses.merge(clinic.truth, on="course_id")
    green = courses["inks"].str.contains("green")
    assert (courses["remnant"][green] > 0.1).all()
    assert courses["needed_clear"][green].isna().all()
    assert (clinic.log.sessions["regime"] == "ns").all()
