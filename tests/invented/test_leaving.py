"""The mechanism "leaving": a straight line, and who stays is not who came."""

from dataclasses import replace

import numpy as np

from benchmarks.clinics import simulate_clinic
from forecast.invented import usual_world


def test_leaving_tattoos_fade_in_a_straight_line(clinics):
    paths = clinics["leaving"].behind.paths
    slow = (paths.before == 0) & (paths.grade[:, 5] < 80)
    taken = np.diff(paths.grade[slow, :6].mean(axis=0), prepend=0)
    assert taken.max() < 1.25 * taken.min()


def test_a_third_leaves_and_slow_courses_leave_first(clinics):
    courses = clinics["leaving"].log.courses.merge(clinics["leaving"].truth, on="course_id")
    stopped = courses["outcome"] == "stopped"
    assert 0.28 < stopped.mean() < 0.39
    needed = courses["needed"].fillna(61)
    early = stopped & (courses["sessions_given"] <= 5)
    assert early[needed > 10].mean() > 2 * early[needed.between(6, 7)].mean()


def test_the_eye_decides_on_the_regime_in_leaving_and_the_record_elsewhere():
    for name, same in {"leaving": True, "noisy": False}.items():
        world = usual_world(name)
        pulses = [
            simulate_clinic(150, seed=3, world=replace(world, grade_sd=sd)).behind.paths.pulse
            for sd in (0.0, 0.2)
        ]
        assert np.array_equal(*pulses) == same
