"""A year of courses: shared model risk, its split, and simulation against exact moments."""

import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.log import Enquiry
from forecast.prices.package import Package
from forecast.prices.tariff import Tariff
from forecast.prices.year import Fates, courses_of, price_caseload, simulate, stretched

HORIZON = 8
FIXED = Package("fixed", price=400)


class Made:
    """A forecaster with known draws: draw d has the hazard ``hazards[d]`` at every session."""

    def __init__(self, hazards, stop=0.0):
        self.hazards, self.stop = np.asarray(hazards, dtype=float), stop

    def estimate_draws(self, enquiries):
        steps = np.arange(HORIZON)
        pmf = self.hazards[:, None] * (1 - self.hazards[:, None]) ** steps
        shape = (len(self.hazards), len(enquiries), HORIZON)
        return np.broadcast_to(pmf[:, None], shape), np.full(shape[1:], self.stop)


def enquiries(n):
    return [Enquiry("II", "forearm", "black", "medium", "single", area_cm2=40.0)] * n


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 8, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def book(forecaster, n=100, packages=FIXED, **options):
    options = {"replicates": 2000, **options}
    return price_caseload(forecaster, enquiries(n), packages, tariff(), **options)


def test_two_models_and_their_variance_by_hand():
    # clear at once, or never within the cap of 8: margins 300 and -400 for every course
    year = book(Made([1.0, 1e-12]), n=10)
    assert year.expected_margin == Decimal("-500.00")
    assert year.chance_sd == Decimal("0.00")
    assert year.model_sd == Decimal("3500.00")
    assert year.one_in_twenty == Decimal("-4000.00")
    assert year.buffer == Decimal("4000.00")
    assert year.chance_of_loss == 0.5


def test_the_model_s_part_of_the_spread_per_course_does_not_shrink():
    # Var(mean of N) = E[s2]/N + Var(mu)
    small, large = (book(Made(np.linspace(0.15, 0.4, 40)), n=n) for n in (4, 400))
    assert float(small.model_sd) / 4 == pytest.approx(float(large.model_sd) / 400, abs=0.01)
    ratio = float(large.chance_sd) / 400 / (float(small.chance_sd) / 4)
    assert ratio == pytest.approx(0.1, rel=0.01)


def test_fixed_costs_are_paid_whatever_is_done_and_break_even_is_where_courses_cover_them():
    # everybody clears at once and brings 400 - 100 a course
    rules = tariff(fixed_costs={"lease": 9000, "staff": Decimal("600.50")})
    run = {"courses": 40, "replicates": 20_000}
    year = price_caseload(Made([1.0]), enquiries(1), FIXED, rules, **run)
    assert year.fixed_costs == Decimal("9600.50")
    assert year.margin_per_course == 300
    assert year.expected_margin == 40 * 300 - Decimal("9600.50")
    assert year.break_even == 33  # 32 courses bring 9,600
    # the year loses where fewer than 33 come, of Poisson many
    loses = sum(math.exp(-40 + k * math.log(40) - math.lgamma(k + 1)) for k in range(33))
    assert year.chance_of_loss == pytest.approx(loses, abs=0.01)
    assert "Break-even at 33 courses a year" in year.to_text()
    fewer = {row.change: row for row in year.sensitivity}["fewer_courses"]
    assert fewer.expected_margin == 32 * 300 - Decimal("9600.50")


def test_a_device_spread_over_sessions_is_a_cost_of_the_year():
    parts = {
        "cost_per_session": None, "minutes_per_session": 30, "staff_per_hour": 60,
        "room_per_hour": 0, "consumables": 10, "device_price": 70_000, "device_life_years": 7,
        "device_sessions_per_year": 500, "device_service_per_year": 1000,
    }  # fmt: skip
    year = price_caseload(Made([1.0]), enquiries(10), FIXED, tariff(**parts), replicates=10)
    assert year.fixed_costs == 11_000
    assert year.margin_per_course == 400 - 40


def test_the_log_says_how_many_courses_a_year_brings(invented_log):
    year = price_caseload(
        Made([1.0]), enquiries(5), FIXED, tariff(), log=invented_log, replicates=4000
    )
    # 300 courses in eight years, evenly
    assert year.n_courses == pytest.approx(300 / 8, rel=0.2)
    chance_alone = year.n_courses**0.5 * 300
    assert float(year.margin_sd) > chance_alone
    # what is printed adds up: courses times what each brings, which is 300 without fixed costs
    assert year.n_courses == round(year.n_courses, 1) != round(year.n_courses)
    assert year.n_courses * 300 == pytest.approx(float(year.expected_margin), abs=0.05 * 300)
    assert year.to_text().startswith(f"{year.n_courses} courses")


def test_the_year_as_it_is_reads_the_same_among_the_changes():
    year = book(Made(np.linspace(0.15, 0.4, 10), stop=0.05), n=20)
    as_it_is = year.sensitivity[0]
    assert as_it_is.change == "as_it_is"
    same = ("expected_margin", "one_in_twenty", "chance_of_loss")
    assert [getattr(as_it_is, name) for name in same] == [getattr(year, name) for name in same]


@pytest.mark.parametrize("courses", [None, 60])
def test_simulated_years_have_the_exact_mean_and_variance(courses):
    packages = (FIXED, Package("block", sessions=3, price=350, extra_price=120))
    year = book(
        Made(np.linspace(0.15, 0.4, 25), stop=0.1), n=60, packages=packages, courses=courses,
        replicates=20_000, seed=4,
    )  # fmt: skip
    mean, sd = year.totals.mean(), year.totals.std()
    exact_sd = float(year.margin_sd)
    assert abs(mean - float(year.expected_margin)) < 4 * exact_sd / 20_000**0.5
    assert sd == pytest.approx(exact_sd, rel=0.02)


def test_a_year_of_one_course_has_the_outcome_chances():
    # one known model: margins 300, 200, ... with geometric chances
    year = book(Made([0.3]), n=1, replicates=40_000)
    seen = [(year.totals == 300 - 100 * k).mean() for k in range(8)]
    exact = np.append(0.3 * 0.7 ** np.arange(7), 0.7**7)
    assert_allclose(seen, exact, atol=4 * 0.5 / 40_000**0.5)


def test_ignoring_the_model_understates_the_bad_year():
    year = book(Made(np.linspace(0.15, 0.4, 40)), n=400)
    assert year.one_in_twenty < year.one_in_twenty_model_known
    known = year.expected_margin - year.one_in_twenty_model_known
    assert year.below_plan > 2 * known


def test_a_known_model_understates_nothing():
    year = book(Made([0.3] * 5), n=200, replicates=20_000)
    known = year.expected_margin - year.one_in_twenty_model_known
    assert float(year.below_plan / known) == pytest.approx(1, abs=0.05)
    assert year.model_sd == 0


def test_same_seed_same_years():
    one, two = (book(Made([0.2, 0.3, 0.4]), replicates=300).totals for _ in range(2))
    assert_allclose(one, two, rtol=0, atol=0)


def test_changes_move_the_year_the_way_they_must():
    year = book(Made(np.linspace(0.15, 0.4, 10), stop=0.05))
    by = {row.change: row.expected_margin for row in year.sensitivity}
    now = by["as_it_is"]
    assert now == year.expected_margin
    assert by["prices_higher"] - now == now - by["prices_lower"] == 4000
    assert by["laser_slower"] < now < by["twice_the_drop_out"]  # nothing is refunded
    assert by["cap_lower"] > now
    assert "cap_higher" not in by  # the estimates reach no further


def test_a_change_risks_what_a_year_so_changed_does():
    model = Made(np.linspace(0.2, 0.3, 10), stop=0.05)
    by = {row.change: row for row in book(model, n=30, courses=30).sensitivity}
    cheaper = book(model, n=30, courses=30, packages=Package("fixed", price=360))
    found = by["prices_lower"]
    assert found.expected_margin == cheaper.expected_margin
    assert found.chance_of_loss == pytest.approx(cheaper.chance_of_loss, abs=0.04)
    assert float(found.one_in_twenty) == pytest.approx(float(cheaper.one_in_twenty), abs=400)


def test_frames_name_each_row_s_package():
    rows = pd.DataFrame(
        {
            "skin_type": "II", "body_site": "forearm", "inks": "black", "ink_density": "medium",
            "layering": "single", "package": ["fixed price", "pay per session"],
        }
    )  # fmt: skip
    packages = (FIXED, Package("per_session"))
    known = Made([0.5])
    year = price_caseload(known, rows, packages, tariff(), replicates=10)
    sessions = (1 - 0.5**8) / 0.5
    assert float(year.expected_margin) == pytest.approx(
        400 - 100 * sessions + 50 * sessions, abs=0.01
    )
    with pytest.raises(RequestError, match="Not on offer: gift card"):
        price_caseload(known, rows.replace("fixed price", "gift card"), packages, tariff())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"n": 0}, "at least one each"),
        ({"courses": 0}, "courses is 0"),
        ({"replicates": 0}, "replicates is 0"),
    ],
)
def test_a_year_that_cannot_be_priced_is_refused(options, words):
    with pytest.raises(RequestError, match=words):
        book(Made([0.3]), **options)


def test_a_frame_brings_the_clinics_own_columns_that_the_model_has(own_log, own_forecaster):
    rows, run = own_log.courses.head(40), {"replicates": 10}
    knowing, blind = (
        price_caseload(own_forecaster, each, FIXED, tariff(), **run).to_dict()
        for each in (rows, rows.drop(columns="sun_exposure"))
    )
    assert knowing["expected_margin"] != pytest.approx(blind["expected_margin"], rel=1e-6)


def test_a_book_becomes_plain_json_and_words():
    year = book(Made([0.2, 0.4]))
    plain = year.to_dict()
    assert plain["one_in_twenty"] == float(year.one_in_twenty)
    assert "1 year in 20" in year.to_text()


TARIFF = Tariff(currency="EUR", session_price=150, cap=2, cost_per_session=100)
# clears at once, or in two sessions: 400 - 100 or 400 - 200
SURE = np.array([[1.0, 0.0], [0.0, 1.0]])


def courses(pmf, n=5, *, drawn=None):
    draws = np.repeat(np.asarray(pmf)[:, None], n, axis=1)
    return courses_of(
        draws, np.zeros((n, draws.shape[2])), (Package("fixed", price=400),), TARIFF,
        area_cm2=np.full(n, 40.0), weights=np.ones((n, 1)), drawn=drawn,
    )  # fmt: skip


def test_all_courses_of_a_replicate_share_one_draw_of_the_model():
    # under each draw all five end alike, so that no year is a mixture
    totals = simulate(courses(np.tile(SURE, (20, 1))), replicates=1000, seed=3)[0]
    assert set(totals.tolist()) == {5 * 30000, 5 * 20000}
    assert (totals == 5 * 30000).sum() == 500


def test_moments_are_those_of_each_draw():
    _, means, variances = simulate(courses([[0.5, 0.5], [1.0, 0.0]]), replicates=1, seed=1)
    assert_allclose(means, [5 * 25000, 5 * 30000])
    assert_allclose(variances, [5 * 5000**2, 0])


def test_a_drawn_number_of_courses_has_the_variance_of_a_compound_sum():
    # of Poisson many: E[N] E[X²]; and with a mean that is unsure by a fifth, (0.2 E[N] E[X])² more
    sold = courses([[0.5, 0.5]], drawn=40)
    second = (30000**2 + 20000**2) / 2
    for unsure, more in ((0.0, 0.0), (0.2, (0.2 * 40 * 25000) ** 2)):
        one = replace(sold, unsure=unsure)
        totals, means, variances = simulate(one, replicates=20_000, seed=3)
        assert_allclose((means, variances), ([40 * 25000], [40 * second + more]))
        assert totals.mean() == pytest.approx(means[0], rel=0.01)
        assert totals.var() == pytest.approx(variances[0], rel=0.05)


def test_courses_whose_fates_are_given_have_the_same_moments():
    sold = courses([[0.5, 0.5], [1.0, 0.0]])
    given = Fates(sold.chances(), sold.margins())
    both = zip(*(simulate(one, replicates=50, seed=1) for one in (given, sold)), strict=True)
    for own, other in both:  # totals, means, variances
        assert_allclose(own, other)


def test_a_course_under_a_known_model_has_its_chances():
    totals = simulate(courses([[0.3, 0.7]], n=1), replicates=20_000, seed=2)[0]
    assert (totals == 30000).mean() == pytest.approx(0.3, abs=0.015)


def test_a_slower_laser_does_in_ten_sessions_what_nine_did():
    pmf = 0.2 * 0.8 ** np.arange(20)
    slow = stretched(pmf, 0.9, len(pmf))
    assert slow[:10].sum() == pytest.approx(pmf[:9].sum())
    assert (slow >= 0).all()
    assert stretched(pmf, 1.0, len(pmf)) == pytest.approx(pmf)
