"""How many more courses settle a comparison."""

import math
from dataclasses import replace

import numpy as np
import pytest

from forecast.errors import DataError, RequestError
from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from forecast.regimes.compare import compare_regimes
from forecast.regimes.plan import plan_comparison

from .made import made_log


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
    far = replace(plans[1.0], courses={0.8: 1623}, more={0.8: 1223}, years={0.8: 49.6})
    assert "1,623 courses in all, 1,223 more than now, about 50 years" in far.to_text()
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


def test_a_verdict_that_stands_is_not_called_unsettled_by_the_plan():
    need = np.tile(np.arange(3, 9), 80)
    log = made_log(need, np.where(np.arange(480) // 6 % 2 == 0, "ns", "ps"))
    present = compare_regimes(log, replicates=60)
    assert present.verdict["ps - ns"] == "equivalent"
    plan = plan_comparison(log, horizon=8, simulations=50, present=present)
    said = [str(note) for note in plan.notes if note.code == "regimes.plan_verdict_stands"]
    assert len(said) == 1
    assert "already says 'equivalent'" in said[0]
    alone = plan_comparison(log, horizon=8, simulations=50)
    assert alone.more == plan.more
    assert not any("stands" in str(note) for note in alone.notes)
