"""The past under a tariff, drop-out by package, and what courses under way are worth, by hand."""

from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast._notes import Note
from forecast.errors import RequestError
from forecast.log import OutcomeLog
from forecast.prices.package import Package
from forecast.prices.past_and_open import (
    PastCourses,
    backtest_package,
    stop_factors,
    value_open_book,
)
from forecast.prices.tariff import Tariff
from forecast.survival import CountDistribution

from .made import estimate

HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])
PACKAGES = (
    Package("per_session", name="pay_per_session"),
    Package("block", name="block_6", sessions=6, extra_price=120, refund_share=0.5),
    Package("fixed", name="fixed_price", cap=6),
)


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, "packages": PACKAGES, **changes})


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


def test_what_a_running_course_may_still_bring_is_not_spent_on_it():
    block = Package("block", sessions=6, price=700)
    may = tariff(credit_share=0.5, touch_up_months=6, touch_up_rate=0.5)
    past = backtest_package(ended((2, "cleared"), (3, "ongoing")), block, may, resamples=50)
    assert past.spent_on_ongoing == Decimal("300.00")


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


class Made:
    """Every course has the hand distribution of sessions, given those it has had."""

    def __init__(self, draws=HAND[None], stop=0.0):
        self.draws, self.stop, self.asked = draws, stop, []

    def update(self, enquiry, *, sessions_done, gradings):
        self.asked.append((enquiry.ink_density, sessions_done, tuple(gradings)))
        later = CountDistribution(self.draws).given_not_by(sessions_done).pmf
        return SimpleNamespace(remaining=estimate(later, self.stop))


def log(*rows, gradings=()):
    plain = {
        "skin_type": "II", "body_site": "forearm", "inks": "black", "ink_density": "medium",
        "layering": "single", "area_cm2": 40.0, "outcome": "ongoing", "sessions_elsewhere": 0,
        "sessions_prepaid": np.nan, "price_paid": np.nan, "package": "pay_per_session",
    }  # fmt: skip
    courses = pd.DataFrame(
        [{**plain, "course_id": f"C{i}", "client_id": f"P{i}", **row} for i, row in enumerate(rows)]
    )
    columns = ["course_id", "after_session", "fading_pct"]
    table = pd.DataFrame(list(gradings), columns=columns)
    none = pd.DataFrame()
    return OutcomeLog(courses, none, table, none, none, report=None)


def value(*rows, forecaster=None, **options):
    """Return the book of courses that were graded, uncleared, after their last session."""
    options = {"replicates": 500, **options}
    seen = [(f"C{i}", row["sessions_given"], 10.0) for i, row in enumerate(rows)]
    made = forecaster or Made()
    return value_open_book(made, log(*rows, gradings=seen), tariff(), **options)


def waiting(row, *, stop=0.0, rules=None):
    """Return the book of one course whose last session nobody has judged yet."""
    return value_open_book(Made(stop=stop), log(row), rules or tariff(), replicates=500)


def test_a_fixed_price_under_way_costs_its_remaining_sessions():
    # given K > 2 two more are expected, at 100 each; 500 were paid: half are worked off
    row = {"package": "fixed_price", "sessions_given": 2, "price_paid": 500.0}
    book = value({**row, "sessions_prepaid": 6.0})
    assert book.expected_cost == Decimal("200.00")
    assert book.expected_income == Decimal("0.00")
    assert book.prepaid_left == Decimal("250.00")
    assert book.expected_result == Decimal("50.00")
    # 3 or 4 more sessions lose, 1/7 each; the worst leaves 250 - 400
    assert book.chance_of_loss == pytest.approx(2 / 7, abs=0.05)
    assert book.result_one_in_twenty == Decimal("-150.00")
    assert book.cost_one_in_twenty == Decimal("400.00")


def test_the_result_is_what_the_printed_sums_come_to():
    row = {"package": "block_6", "sessions_given": 2, "price_paid": 599.99, "sessions_prepaid": 6.0}
    rules = tariff(tax_rate=0.19, cost_per_session=Decimal("77.77"))
    book = value_open_book(Made(stop=0.03), log(*[row] * 9), rules, replicates=50)
    assert book.expected_result == book.expected_income + book.prepaid_left - book.expected_cost


def test_pay_per_session_brings_in_what_it_sells():
    book = value({"sessions_given": 2})
    assert book.expected_income == Decimal("300.00")
    assert book.prepaid_left == 0


def test_a_block_hands_back_half_of_what_is_not_used():
    # 600 for six, four left at 100 each: E[unused | K > 2] = 4 - 2, half of 100 each
    row = {"package": "block 6", "sessions_given": 2, "price_paid": 600.0, "sessions_prepaid": 6.0}
    book = value(row)
    assert book.expected_income == Decimal("-100.00")


def test_past_the_block_sessions_are_sold_one_by_one():
    row = {"package": "block_6", "sessions_given": 2, "price_paid": 200.0, "sessions_prepaid": 2.0}
    book = value(row)
    assert book.expected_income == Decimal("240.00")  # two more at the extra price of 120
    assert book.prepaid_left == 0


def test_the_model_s_error_is_shared_by_all_courses():
    draws = np.random.default_rng(2).dirichlet(10 * HAND, size=30)
    rows = [{"sessions_given": 2}] * 50
    many, one = value(*rows, forecaster=Made(draws)), value(*rows[:1], forecaster=Made(draws))
    assert float(many.model_sd) == pytest.approx(50 * float(one.model_sd), rel=0.01)
    assert float(many.chance_sd) == pytest.approx(50**0.5 * float(one.chance_sd), rel=0.01)


def test_each_course_is_updated_with_its_own_gradings_and_ended_ones_are_left_alone():
    made = Made()
    rows = (
        {"sessions_given": 2, "ink_density": "heavy"},
        {"sessions_given": 3, "outcome": "cleared"},
    )
    value_open_book(
        made, log(*rows, gradings=[("C0", 1, 20.0), ("C0", 0, 0.0), ("C1", 0, 0.0)]), tariff(),
        replicates=10,
    )  # fmt: skip
    # the second session is not graded: nobody knows yet what it did
    assert made.asked == [("heavy", 1, ((0, 0.0), (1, 20.0)))]


def test_a_course_may_be_over_before_anyone_has_looked():
    # asked after 1 session: 2/9 need just the one already given; else E[K - 2 | K > 2] = 2 more
    book = waiting({"sessions_given": 2})
    assert book.expected_cost == Decimal("155.56")
    assert book.courses[0].expected_sessions == pytest.approx(14 / 9)


def test_a_client_may_have_given_up_after_the_last_session():
    # cleared 2/9; of the rest half stayed away after session 2, and half of those left after each
    # further one: E = 7/9 * 1/2 * (1 + 4/7 * 1/2 + 2/7 * 1/4 + 1/7 * 1/8)
    expected = 7 / 9 / 2 * (1 + 4 / 7 / 2 + 2 / 7 / 4 + 1 / 7 / 8)
    assert waiting({"sessions_given": 2}, stop=0.5).courses[0].expected_sessions == pytest.approx(
        expected
    )


def test_a_block_that_is_over_hands_back_its_share():
    # four of six left, worth 400, half of it refunded: 2/9 of 200, and else as E[unused] = 2
    row = {"package": "block_6", "sessions_given": 2, "price_paid": 600.0, "sessions_prepaid": 6.0}
    book = waiting(row)
    assert float(book.expected_income) == pytest.approx(-(2 / 9 * 200 + 7 / 9 * 100), abs=0.01)


def test_tax_is_taken_off_what_was_prepaid_and_off_what_is_handed_back():
    # two blocks of six at 600, of it a sixth tax: 400 for four left, 333.33 net.
    # C0 is known to go on: E[more | K > 2] = 2, half of the two unused comes back: 100, 83.33 net;
    # of the 600 half is worked off then: 300 prepaid, 250 net; 250 - 200 - 83.33 = -33.33.
    # C1 waits: 2/9 are over (200 back, 166.67 net), 7/9 as C0, with 14/9 more sessions:
    # 600 x 14/9 / (2 + 14/9) = 262.50 prepaid, 218.75 net
    row = {"package": "block_6", "sessions_given": 2, "price_paid": 600.0, "sessions_prepaid": 6.0}
    book = value_open_book(
        Made(), log(row, row, gradings=[("C0", 2, 10.0)]), tariff(tax_rate=0.2), replicates=500,
    )  # fmt: skip
    goes_on, waits = book.courses
    assert goes_on.expected_income == Decimal("-83.33")
    assert goes_on.prepaid_left == Decimal("250.00")
    assert float(waits.expected_income) == pytest.approx(-(2 * 166.67 + 7 * 83.33) / 9, abs=0.01)
    assert waits.prepaid_left == Decimal("218.75")
    expected = -33.33 + 218.75 - 155.56 - (2 * 166.67 + 7 * 83.33) / 9
    assert float(book.expected_result) == pytest.approx(expected, abs=0.02)


def test_a_fixed_price_hands_back_to_those_who_gave_up_only():
    row = {"package": "fixed_price", "sessions_given": 2, "price_paid": 600.0}
    rules = tariff(refund_share=1.0)
    # nobody stops: nothing handed back, whether over or not, but at the cap nothing is unused
    assert waiting(row, rules=rules).expected_income == Decimal("0.00")
    # everybody uncleared has left: 400 of the 600 belong to the four sessions not had
    left = waiting(row, rules=rules, stop=1.0)
    assert float(left.expected_income) == pytest.approx(-7 / 9 * 400, abs=0.01)


def test_a_course_whose_package_is_unknown_is_listed():
    book = value({"sessions_given": 2}, {"sessions_given": 2, "package": "gift card"})
    assert len(book.courses) == 1
    assert book.left_out[0][0] == "C1"
    assert "gift card" in book.left_out[0][1]
    assert "C1" in book.to_text()
    assert list(book.to_frame()["course_id"]) == ["C0"]


def test_a_course_at_the_cap_gets_nothing_more_and_one_near_it_what_may_still_be_delivered():
    # of six sessions two are left after four, or after five one; beyond six none
    book = value({"sessions_given": 5}, {"sessions_given": 6}, {"sessions_given": 9})
    assert [round(row.expected_sessions, 9) for row in book.courses] == [1, 0, 0]
    assert book.expected_cost == Decimal("100.00")
    assert "all the sessions that a course is given behind them: 2 of these" in book.to_text()


def test_courses_left_out_are_counted_by_their_reason():
    rows = [{"sessions_given": 2, "package": name} for name in ("gift", "gift", "pay_per_session")]
    text = value(*rows).to_text()
    assert "2 are in none of these sums, first C0: Package 'gift' is not in the tariff" in text


def test_no_course_to_value_is_refused():
    with pytest.raises(RequestError, match="gift card") as said:
        value({"sessions_given": 2, "package": "gift card"})
    assert "Das Angebot 'gift card' steht nicht im Tarif" in said.value.problem.say("de")
    with pytest.raises(RequestError, match="No course is under way"):
        value_open_book(Made(), log({"sessions_given": 2, "outcome": "cleared"}), tariff())
