"""Courses already sold, and past courses under a new tariff: hand cases and censoring."""

from dataclasses import dataclass
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.prices.backtest import backtest_package, ending_weights
from forecast.prices.open_courses import value_open_book
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])
PACKAGES = (
    Package("per_session", name="pay_per_session"),
    Package("block", name="block_6", sessions=6, extra_price=120, refund_share=0.5),
    Package("fixed", name="fixed_price", cap=6),
)


@dataclass(frozen=True)
class Remaining:
    distribution: CountDistribution
    stop_hazard: np.ndarray
    draws: np.ndarray
    notes: tuple[str, ...] = ()


class Made:
    """Every course has the hand distribution of sessions, given those it has had."""

    def __init__(self, draws=HAND[None], stop=0.0):
        self.draws, self.stop, self.asked = draws, stop, []

    def update(self, enquiry, *, sessions_done, gradings):
        self.asked.append((enquiry.ink_density, sessions_done, tuple(gradings)))
        later = CountDistribution(self.draws).given_not_by(sessions_done).pmf
        mean = CountDistribution(later.mean(axis=0)[None])
        return SimpleNamespace(remaining=Remaining(mean, np.full(later.shape[1], self.stop), later))


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
    return SimpleNamespace(courses=courses, gradings=table, graded=table)


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, "packages": PACKAGES, **changes})


def value(*rows, forecaster=None, **options):
    """Return the book of courses that were graded, uncleared, after their last session."""
    options = {"replicates": 500, "workers": 1, **options}
    seen = [(f"C{i}", row["sessions_given"], 10.0) for i, row in enumerate(rows)]
    made = forecaster or Made()
    return value_open_book(made, log(*rows, gradings=seen), tariff(), **options)


def waiting(row, *, stop=0.0, rules=None):
    """Return the book of one course whose last session nobody has judged yet."""
    return value_open_book(Made(stop=stop), log(row), rules or tariff(), replicates=500, workers=1)


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
        replicates=10, workers=1,
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
        workers=1,
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


def test_no_course_to_value_is_refused():
    with pytest.raises(RequestError, match="gift card"):
        value({"sessions_given": 2, "package": "gift card"})


FIXED = Package("fixed", price=400, refund_share=1.0)


def ended(*rows):
    return log(*({"sessions_given": n, "outcome": outcome} for n, outcome in rows))


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
    assert any("running at 5" in note for note in past.notes)


def test_the_weights_are_those_of_kaplan_and_meier():
    # Kaplan-Meier as redistribution to the right (Efron 1967): summed weights / n are its steps;
    # who is followed no further than k is not at risk of being seen to end there
    rng = np.random.default_rng(6)
    need, watched = rng.geometric(0.2, 400), rng.geometric(0.1, 400)
    step, observed = np.minimum(need, watched), need < watched
    weights = ending_weights(step, observed, np.ones(400))
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
