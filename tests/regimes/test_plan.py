"""How many more courses settle a comparison."""

import math

import pytest

from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from forecast.regimes.plan import plan_comparison


@pytest.fixture(scope="module")
def log():
    return simulate_log(400, seed=5)


def test_smaller_differences_and_surer_answers_need_more_courses(log):
    plans = {d: plan_comparison(log, difference=d, simulations=100) for d in (1.0, 2.0)}
    for plan in plans.values():
        assert 0 < plan.courses[0.8] < plan.courses[0.9]
        assert plan.more[0.8] == max(0, plan.courses[0.8] - plan.eligible_now)
        assert plan.cleared[0.8] == pytest.approx(plan.schoenfeld[0.8], rel=0.35)
        assert plan.design_effect >= 1
        assert list(plan.to_frame()["chance"]) == [0.8, 0.9]
    assert plans[1.0].courses[0.8] > 2 * plans[2.0].courses[0.8]


def test_a_clinic_with_one_regime_can_plan_too(log):
    plan = plan_comparison(OutcomeLog.from_frames(log.courses), difference=2.0, simulations=60)
    assert plan.eligible_now == 0
    assert plan.more == plan.courses
    assert any("One regime only" in note for note in map(str, plan.notes))
    assert all(math.isfinite(years) and years > 0 for years in plan.years.values())


def test_requests_out_of_range_and_logs_too_young_are_refused(log):
    with pytest.raises(RequestError, match="difference"):
        plan_comparison(log, difference=0)
    with pytest.raises(RequestError, match="cannot occur"):
        plan_comparison(log, difference=14.0)
    with pytest.raises(DataError, match="were cleared"):
        plan_comparison(simulate_log(20, seed=1))
