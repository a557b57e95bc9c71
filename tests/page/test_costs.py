"""What it costs is said once, and what is not sold has no cost."""

from types import SimpleNamespace

import forecast
from forecast.page.answer import answer
from forecast.page.costs import range_text
from forecast.page.desk import Asked, Desk
from forecast.page.words import load_words

ENGLISH = load_words("en")
TARIFF = forecast.Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
COMMON = forecast.Enquiry("V", "forearm", "black;red", "medium", "single")


def test_paying_one_by_one_says_each_count_once():
    asked = SimpleNamespace(area_cm2=None)
    estimate = SimpleNamespace(interval=(4, 9), median=4, horizon=25, enquiry=asked)
    said = range_text(estimate, TARIFF, "clear", ENGLISH)
    assert said == "Paid one by one until clear: €600.00 for 4, €1,350.00 for 9 sessions."


def test_no_more_than_is_left_of_the_cap_is_paid_and_it_is_enough_for_so_many():
    ends = {"interval": (4, None), "median": 9, "horizon": 25, "chance_by": {6: 0.4, 3: 0.1}.get}
    estimate = SimpleNamespace(enquiry=SimpleNamespace(area_cm2=None), **ends)
    said = range_text(estimate, TARIFF, "clear", ENGLISH, done=9)
    assert said.startswith("Paid one by one: €600.00 for 4, €900.00 for 6 sessions, enough for 40")
    assert range_text(estimate, TARIFF, "clear", ENGLISH, done=12).startswith(
        "Paid one by one: €450.00 for 3 sessions, enough for 10 of 100"
    )
    german = range_text(estimate, TARIFF, "entfernt", load_words("de"), done=9)
    assert "genug für 40 von 100" in german
    assert "entfernt" not in german
    none = range_text(estimate, TARIFF, "clear", ENGLISH, done=15)
    assert none == "At most 15 sessions are given in one course; some clients need more."


def test_mid_course_a_block_does_not_count_the_sessions_had():
    assert "except towards a block" in ENGLISH.say("answer.price_from_now")
    assert "nicht bei einem Block" in load_words("de").say("answer.price_from_now")


def test_what_ends_beyond_horizon_and_cap_costs_at_least_the_next_session():
    ends = {"interval": (4, None), "median": 9, "horizon": 10}
    estimate = SimpleNamespace(enquiry=SimpleNamespace(area_cm2=None), **ends)
    said = range_text(estimate, TARIFF, "clear", ENGLISH)
    assert "more than 10 sessions: it would cost €1,650.00 at least" in said


def test_what_costs_more_than_is_ever_sold_is_said_to_be_more(desk: Desk):
    found = answer(desk, Asked(COMMON), ENGLISH)
    assert found is not None
    assert desk.tariff is not None
    low, high = found.estimate.interval
    assert low is not None
    each, cap = desk.tariff.single_price(None), desk.tariff.cap
    assert high is None or high > cap
    least, most = (ENGLISH.money(n * each, "EUR") for n in (low, cap))
    assert found.options[0].cost == f"{least} to more than {most} one by one"
    sold = answer(desk, Asked(COMMON, sessions_done=cap), ENGLISH)
    assert sold is not None
    assert sold.options[0].cost == ""
