"""The mechanism "noisy": sessions differ, courses do not."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from benchmarks.clinics import simulate_clinic
from forecast.invented import usual_world
from forecast.invented.noisy import Noisy
from forecast.invented.process import Visit

from .conftest import cohort


def test_noisy_sessions_are_gamma_distributed_and_courses_are_alike():
    world = replace(usual_world("noisy"), effects={})
    assert simulate_clinic(50, seed=1, world=world).truth["log_speed"].std() < 1e-12
    noise = Noisy(cohort(world), world).noise(np.random.default_rng(1).standard_normal(200_000))
    assert noise.mean() == pytest.approx(1, abs=0.01)
    assert noise.std() == pytest.approx(0.8, abs=0.01)
    # the skewness of a gamma law is twice its coefficient of variation; log-normal: 2.9
    assert (((noise - 1) / 0.8) ** 3).mean() == pytest.approx(1.6, abs=0.1)


def test_a_longer_gap_lets_a_noisy_session_remove_a_little_more():
    world = usual_world("noisy")
    courses, zero = cohort(world), np.zeros(1000)
    process = Noisy(courses, world)
    usual, late = (
        process.step(zero, Visit(zero, zero, np.full(1000, np.log(weeks / 8)), zero, zero, zero))
        for weeks in (8, 12)
    )
    assert_allclose(late / usual, 1.5**0.2)
