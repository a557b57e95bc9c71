"""On whom a package loses, and why: what is said of each enquiry, by hand."""

from dataclasses import replace

import numpy as np
import pytest

import forecast
from forecast.prices import WhoLoses

HORIZON = 12
PLAIN = forecast.Enquiry("II", "forearm", "black", "medium", "single", area_cm2=40.0)
SESSION = forecast.Package("per_session", name="by_session")
FIXED = forecast.Package("fixed", name="fixed", price=900)
TARIFF = forecast.Tariff(currency="EUR", session_price=150, cap=12, cost_per_session=100)


class Needs:
    """Each enquiry needs exactly as many sessions as its tattoo is old in years."""

    def estimate_draws(self, enquiries):
        needed = [int(one.tattoo_age_years) for one in enquiries]
        pmf = np.eye(HORIZON)[[n - 1 for n in needed]]
        return pmf[None], np.zeros((len(needed), HORIZON))


def losers(*needed, packages=(SESSION, FIXED)):
    asked = [replace(PLAIN, tattoo_age_years=n) for n in needed]
    return WhoLoses(forecast.price_many(Needs(), asked, packages, TARIFF), "EUR")


def test_a_short_course_earns_less_by_the_session_and_a_long_one_costs_more_at_one_price():
    worst = losers(3, 12, 12).worst().set_index("package")
    assert worst.loc["by_session", ["enquiry", "reason"]].tolist() == [
        0,
        "3 sessions, 9 are usual",
    ]
    assert worst.loc["fixed", "enquiry"].tolist() == [1, 2]
    assert set(worst.loc["fixed", "reason"]) == {"12 sessions, 9 are usual"}


def test_the_price_is_a_reason_only_where_it_is_lower():
    asked = forecast.Package("fixed", name="asked")
    reasons = losers(3, 12, 12, packages=asked).rows["reason"]
    assert reasons.tolist() == ["price", *["12 sessions, 9 are usual"] * 2]
    assert set(losers(9, 9, 9).rows["reason"]) == {"as usual"}


def test_one_enquiry_or_package_may_be_given_alone():
    asked = replace(PLAIN, tattoo_age_years=9)
    alone = forecast.price_many(Needs(), asked, FIXED, TARIFF)
    assert alone.equals(forecast.price_many(Needs(), [asked], [FIXED], TARIFF))
    for wrong in ({"frame": 7}, {"packages": 7}, {"frame": None}, {"frame": []}):
        request = {"frame": asked, "packages": FIXED, **wrong}
        with pytest.raises(forecast.RequestError):
            forecast.price_many(Needs(), tariff=TARIFF, **request)


def test_none_above_the_mean_is_named_and_one_alone_is():
    found = losers(3, 4, 5, 6, 12)
    for package, rows in found.worst().groupby("package"):
        mean = found.rows.loc[found.rows["package"] == package, "margin"].mean()
        assert (rows["margin"] <= mean).all()
    one, two = losers(3), losers(3, 3)
    assert set(one.worst()["enquiry"]) == {0}
    assert "by_session: 0 150 (as usual)" in two.to_text()
    assert "Least is left by" not in one.to_text()  # the table has said it


def test_a_package_paid_by_the_session_has_no_chance_to_be_enough():
    chances = losers(3, 4).rows.set_index("package")["chance_enough"]
    assert chances["by_session"].isna().all()
    assert chances["fixed"].tolist() == pytest.approx([1, 1])


def test_a_tattoo_without_an_area_is_said_to_have_been_given_one():
    by_area = replace(TARIFF, cost_per_session=None, minutes_per_session=20, staff_per_hour=45,
                      room_per_hour=20, consumables=6, device_price=0, minutes_per_100_cm2=60,
                      typical_area_cm2=80)  # fmt: skip
    bare = replace(PLAIN, tattoo_age_years=9, area_cm2=None)
    small = replace(PLAIN, tattoo_age_years=9, area_cm2=5.0)
    rows = forecast.price_many(Needs(), [bare, small, small], FIXED, by_area)
    assert rows["reason"][0].startswith("no area, taken as 80 cm²: ")
