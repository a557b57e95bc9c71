"""What a ps session is worth comes back, whatever the law by which the ink goes."""

from dataclasses import replace

import numpy as np
import pytest

from benchmarks.clinics import SCENARIOS, simulate_clinic, study_world
from forecast.errors import FitError
from forecast.fading.rows import fading_rows
from forecast.fading.worth import fit_worth
from forecast.invented import usual_world

NS, PS = [0], [1]


def rows_and_truth(mechanism, scenario, seed, horizon):
    """Return the rows of a clinic, and the sessions that always ps saves its courses."""
    world = study_world(scenario, base=usual_world(mechanism))
    clinic = simulate_clinic(600, seed=seed, world=world)
    rows = fading_rows(clinic.log)
    truth = clinic.truth.set_index("course_id").loc[rows.courses["course_id"]]
    needed = truth[["needed_ps", "needed_ns"]].fillna(99).clip(upper=horizon)
    return rows, float((needed["needed_ps"] - needed["needed_ns"]).mean())


# the same share each time, and less and less
@pytest.mark.parametrize("mechanism", ["share", "waning"])
def test_a_ps_session_is_worth_as_many_of_ns_as_it_is_quicker(mechanism):
    rows, truth = rows_and_truth(mechanism, "two saved", seed=21, horizon=9)
    found = fit_worth(rows)
    planted = np.exp(SCENARIOS[mechanism]["two saved"])
    assert found.error < 0.15
    assert found.sessions == pytest.approx(planted, abs=2.6 * found.error)
    saved, error = found.saved([PS, NS], 9)
    assert saved == pytest.approx(truth, abs=2.6 * error)
    assert found.saved([NS, PS], 9)[0] == -saved
    assert found.saved([PS, PS], 9)[0] == 0


def test_sessions_are_counted_along_the_curve_of_the_clinic():
    even, _ = rows_and_truth("share", "none", seed=22, horizon=9)
    less, _ = rows_and_truth("waning", "none", seed=22, horizon=9)
    for place in (0, 1):  # at first, and later
        assert fit_worth(even).bends[place] == pytest.approx(1, abs=0.15)
        assert fit_worth(less).bends[place] < 0.8


def test_a_change_saves_less_than_ps_from_the_start():
    rows, _ = rows_and_truth("share", "two saved", seed=23, horizon=9)
    found = fit_worth(rows)
    assert found.saved([PS, NS], 9)[0] < found.saved([[0, 0, 0, 0, 1], NS], 9)[0] < 0


def test_a_worth_that_no_log_could_tell_is_refused():
    rows, _ = rows_and_truth("share", "none", seed=24, horizon=9)
    left = np.where(rows.table["ps"] > 0, rows.table["left"] ** 4, rows.table["left"])
    table = rows.table.assign(left=left)
    with pytest.raises(FitError, match=r"which one of ps counts|did not settle"):
        fit_worth(replace(rows, table=table, seen=left[rows.place]))


@pytest.mark.slow
@pytest.mark.parametrize("mechanism", ["share", "noisy", "waning", "leaving"])
@pytest.mark.parametrize("scenario", ["none", "two saved"])
def test_what_always_ps_saves_is_covered_as_promised(mechanism, scenario):
    covered = []
    for seed in range(30):
        rows, truth = rows_and_truth(mechanism, scenario, 3000 + seed, horizon=9)
        saved, error = fit_worth(rows).saved([PS, NS], 9)
        covered.append(abs(saved - truth) < 1.96 * error)
    assert np.sum(covered) >= 25  # of 95 %, fewer is a chance of 3 in 1,000
