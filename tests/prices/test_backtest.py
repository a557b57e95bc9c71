"""The past under a tariff: ends and running courses, and drop-out by package."""

from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast._notes import Note
from forecast.errors import RequestError
from forecast.log import OutcomeLog
from forecast.prices.backtest import PastCourses, backtest_package, stop_factors
from forecast.prices.tariff import Package, Tariff


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def log_of(courses):
    none = pd.DataFrame()
    return OutcomeLog(courses, none, none, none, none, report=None)


def past_log(*rows):
    courses = pd.DataFrame([{"client_id": f"P{i}", "area_cm2": 40.0, **row}
                            for i, row in enumerate(rows)])  # fmt: skip
    return log_of(courses)


def sales(*courses):
    frame = pd.DataFrame(courses, columns=["package", "sessions_given", "outcome"])
    return log_of(frame)


FIXED = Package("fixed", price=400, refund_share=1.0)


def ended(*rows):
    return past_log(*({"sessions_given": n, "outcome": outcome} for n, outcome in rows))


def test_finished_courses_earn_what_they_would_have_earned():
    # cleared at 2: 400 - 200; stopped at 3 of 6: half refunded, 200 - 300; 8 given: capped at 6
    past = backtest_package(
        ended((2, "cleared"), (3, "stopped"), (8, "cleared")), FIXED, tariff(), resamples=50
    )
    assert past.earned_by_ended == Decimal("200.00") - Decimal("100.00") - Decimal("200.00")
    assert past.margin_per_course == Decimal("-33.33")
    assert past.chance_of_loss == pytest.approx(2 / 3)


def test_ongoing_courses_are_never_counted_as_finished():
    known = ((2, "cleared"), (4, "cleared"), (4, "stopped"))
    with_open = backtest_package(ended(*known, (3, "ongoing")), FIXED, tariff(), resamples=50)
    # the one seen for 3 sessions stands in for those that ended at 4: weights 1, 3/2, 3/2
    earned = (1 * 200 + 1.5 * 0 + 1.5 * (400 - 400 * 2 / 6 - 400)) / 4
    assert float(with_open.margin_per_course) == pytest.approx(earned, abs=0.006)
    assert with_open.n_ongoing == 1
    assert with_open.spent_on_ongoing == Decimal("300.00")


def test_an_ongoing_course_that_had_the_whole_package_is_complete():
    past = backtest_package(ended((6, "ongoing"), (2, "cleared")), FIXED, tariff(), resamples=50)
    assert past.n_ongoing == 0


def test_what_was_never_seen_to_end_is_said():
    past = backtest_package(ended((2, "cleared"), (5, "ongoing")), FIXED, tariff(), resamples=50)
    assert Note("prices.longest_still_running", "serious", {"ended": 2, "seen": 5}) in past.notes


def test_the_weights_are_those_of_kaplan_and_meier():
    # Kaplan-Meier as redistribution to the right (Efron 1967): summed weights / n are its steps;
    # who is followed no further than k is not at risk of being seen to end there
    rng = np.random.default_rng(6)
    need, watched = rng.geometric(0.2, 400), rng.geometric(0.1, 400)
    step, observed = np.minimum(need, watched), need < watched
    none = np.zeros(400)
    weights = PastCourses(~observed, step, observed, none, none).weights(np.ones(400))
    survival, expected = 1.0, []
    for k in range(1, 8):
        at_risk = (step > k).sum() + (observed & (step == k)).sum()
        hazard = (observed & (step == k)).sum() / at_risk
        expected.append(survival * hazard)
        survival *= 1 - hazard
    assert_allclose([weights[step == k].sum() / 400 for k in range(1, 8)], expected)


@pytest.mark.slow
def test_the_backtest_finds_the_true_margin_despite_censoring():
    rng = np.random.default_rng(11)
    true = float(np.mean(400 - 100 * np.minimum(rng.geometric(0.25, 10**6), 6)))
    found = []
    for _ in range(200):
        need, watched = rng.geometric(0.25, 300), rng.geometric(0.15, 300)
        rows = zip(
            np.minimum(need, watched), np.where(need < watched, "cleared", "ongoing"), strict=True
        )
        past = backtest_package(
            ended(*((int(n), o) for n, o in rows)), Package("fixed", price=400), tariff(),
            resamples=2,
        )  # fmt: skip
        found.append(float(past.margin_per_course))
    error = np.std(found) / len(found) ** 0.5
    assert abs(np.mean(found) - true) < 4 * error + 0.5


def test_a_backtest_without_a_price_is_refused():
    with pytest.raises(RequestError, match="has no price"):
        backtest_package(ended((2, "cleared")), Package("fixed"), tariff())


def test_a_backtest_without_any_end_is_refused():
    with pytest.raises(RequestError, match="No course of the log has ended"):
        backtest_package(ended((2, "ongoing")), FIXED, tariff())


def test_courses_that_outlived_the_package_are_said_to_count_as_ended():
    past = backtest_package(
        ended((6, "cleared"), (4, "stopped"), (6, "ongoing"), (8, "ongoing"), (3, "ongoing")),
        Package("per_session"), tariff(), resamples=10,
    )  # fmt: skip
    assert (past.n_ended, past.n_ongoing) == (4, 1)
    assert Note("prices.outlived", "info", {"outlived": 2, "ongoing": 3, "cap": 6}) in past.notes
    assert past.to_dict()["notes"] == [str(note) for note in past.notes]


def by_package(made, **options):
    return {found.package: found for found in stop_factors(made, **options)}


def test_expected_stops_are_those_of_all_clients_at_the_same_session():
    # after session 1 two of four stop, after session 2 none of two who could
    found = by_package(
        sales(("a", 1, "stopped"), ("a", 3, "cleared"), ("b", 1, "stopped"), ("b", 3, "ongoing"))
    )
    assert found["a"].expected == found["b"].expected == pytest.approx(1.0)
    assert found["a"].factor == found["b"].factor == pytest.approx(1.0)


def test_observed_and_expected_stops_have_the_same_sum():
    rng = np.random.default_rng(4)
    rows = zip(
        rng.choice(["a", "b", "c"], 300),
        rng.geometric(0.2, 300),
        rng.choice(["stopped", "cleared", "ongoing", "lightened"], 300),
        strict=True,
    )
    found = stop_factors(sales(*rows))
    assert sum(one.stops for one in found) == pytest.approx(sum(one.expected for one in found))


def test_a_package_hardly_sold_is_drawn_to_one():
    many = [("a", 5, "cleared")] * 200 + [("a", 2, "stopped")] * 40
    found = by_package(sales(*many, ("rare", 1, "stopped")))
    assert 1 < found["rare"].factor < 1.3
    assert found["rare"].low < 1 < found["rare"].high


def test_a_known_ratio_is_found():
    rng = np.random.default_rng(9)
    rows = []
    for package, hazard in (("loyal", 0.05), ("free", 0.15)):
        stop, clear = rng.geometric(hazard, 4000), rng.geometric(0.1, 4000)
        for s, c in zip(stop, clear, strict=True):
            rows.append((package, int(min(s, c)), "stopped" if s < c else "cleared"))
    found = by_package(sales(*rows))
    assert found["free"].factor / found["loyal"].factor == pytest.approx(3, rel=0.08)
    assert found["loyal"].low < found["loyal"].factor < found["loyal"].high


def test_a_log_without_packages_is_refused():
    with pytest.raises(RequestError, match="which package was sold"):
        stop_factors(sales((None, 3, "cleared")))
