"""What it costs is said once, and what is not sold has no cost."""

from types import SimpleNamespace

import forecast
from forecast.page.answer import answer
from forecast.page.costs import range_text
from forecast.page.desk import Asked, Desk
from forecast.page.words import load_words

ENGLISH = load_words("en")
COMMON = forecast.Enquiry("V", "forearm", "black;red", "medium", "single")


def test_paying_one_by_one_says_each_count_once():
    asked = SimpleNamespace(area_cm2=None)
    estimate = SimpleNamespace(interval=(4, 9), median=4, enquiry=asked)
    tariff = forecast.Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
    said = range_text(estimate, tariff, "clear", ENGLISH)
    assert said == "Paid one by one until clear: €600.00 for 4, €1,350.00 for 9 sessions."
    late = range_text(estimate, tariff, "clear", ENGLISH, done=12)
    assert late.startswith("Paid one by one until clear: €450.00 for 3 sessions.")


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
