"""How a course ends under a package and what that earns: hand cases and closed forms, in cents."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.prices.payoff import (
    expected_shortfall,
    left_of,
    outcome_chances,
    price_rows,
    smallest_price,
    terms_of,
)
from forecast.prices.quote import price_package
from forecast.prices.tariff import Package, Tariff

from .made import estimate

HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])  # chance of 1 to 6 sessions, worked by hand


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def fixed_price(price=None, **more):
    return Package("fixed", price=price, **more)


def sold(package, rules=None, *, pmf=HAND, stop=0.0, **more):
    return price_rows(pmf, np.full(len(pmf), stop), (package,), rules or tariff(), **more)[0]


@pytest.mark.parametrize(("cap", "sessions"), [(3, 2.6), (4, 3.0), (5, 3.2), (6, 3.3)])
def test_expected_sessions_agree_with_the_sum_of_the_survival_function(cap, sessions):
    # E[min(K, M)] = sum over j < M of S(j): 1 + .9 + .7 = 2.6, + .4, + .2, + .1
    one = sold(fixed_price(400), tariff(cap=cap))
    assert one.sessions == pytest.approx(sessions, abs=1e-12)
    assert one.cost == pytest.approx(10000 * sessions)


def test_a_fixed_price_of_400_earns_70_and_loses_in_two_of_ten():
    # cost 100 a session: expected cost 330; more than four sessions with chance .2
    one = sold(fixed_price(400))
    assert one.margin == pytest.approx(7000)
    assert one.chance_of_loss == pytest.approx(0.2, abs=1e-12)
    # the worst 5 of 100 all need six sessions
    margins = one.terms.margins(one.price, np.array([10000.0]))
    assert expected_shortfall(margins, one.chances) == pytest.approx(20000)


def test_the_prices_asked_for_are_those_of_the_hand_case():
    one = sold(fixed_price(), tariff(largest_chance_of_loss=0.2, target_margin=0.25))
    assert one.break_even == pytest.approx(33000)
    assert one.for_margin == pytest.approx(44000)  # 330 / (1 - .25)
    assert one.price == 44000
    one = sold(fixed_price(), tariff(largest_chance_of_loss=0.2, target_margin=0.0))
    assert one.price == 40000  # four sessions are enough for .8


@pytest.mark.parametrize(("margin", "asked"), [(0.25, 45000), (0.1, 40000), (0.2, 45000)])
def test_an_asked_price_goes_up_to_the_step_whichever_is_nearer(margin, asked):
    # 330 / .75 = 440 and 330 / .8 = 412.50 go to 450; 330 / .9 = 366.67 is below the 400 for loss
    rules = tariff(largest_chance_of_loss=0.2, target_margin=margin, round_to=50)
    assert sold(fixed_price(), rules).price == asked


def test_stopping_gives_the_geometric_closed_form():
    # h = 1/4, stop 1/20 after each uncleared session, M = 10, r = (3/4)(19/20):
    # E delivered = (1 - r^10) / (1 - r)
    pmf, rate = 0.25 * 0.75 ** np.arange(10), 0.75 * 0.95
    one = sold(fixed_price(900), tariff(cap=10), pmf=pmf, stop=0.05)
    assert one.sessions == pytest.approx((1 - rate**10) / (1 - rate), abs=1e-12)
    assert one.sessions == pytest.approx(3.360984, abs=5e-7)


def test_the_ways_a_course_ends_have_the_closed_form_chances():
    pmf = 0.25 * 0.75 ** np.arange(10)
    terms = terms_of(fixed_price(900, refund_share=0.5), tariff(cap=10), 10)
    chances = outcome_chances(terms, pmf, np.full(10, 0.05))
    assert chances[:10].sum() == pytest.approx(0.840246, abs=5e-7)
    # .126037 stopped and .033717 had all ten and may go on: neither is cleared
    assert chances[10:].sum() == pytest.approx(0.126037 + 0.033717, abs=1e-6)


def test_a_negative_binomial_count_has_its_capped_mean():
    # trials until the second success at p = .4: E[min(K, 8)] = sum of P(K > j), j < 8, with
    # P(K > j) = q^j + j p q^(j-1)
    p, q, j = 0.4, 0.6, np.arange(8.0)
    k = np.arange(1, 31)
    pmf = (k - 1) * p**2 * q ** np.maximum(k - 2, 0)
    closed = (q**j + j * p * q ** (j - 1)).sum()
    one = sold(fixed_price(900), tariff(cap=8), pmf=pmf)
    assert one.sessions == pytest.approx(closed, abs=1e-12)


def test_a_refund_hands_back_half_of_what_was_not_used():
    # six sessions at 600: after k sessions (6 - k)/6 of it are unused, half is returned
    one = sold(Package("block", sessions=6, price=600, refund_share=0.5))
    assert one.revenue == pytest.approx(60000 - 60000 * 0.5 * (6 - 3.3) / 6)
    assert one.waste == pytest.approx(6 - 3.3)


def test_a_fixed_price_is_refunded_only_to_those_who_stop():
    package = fixed_price(600, refund_share=1.0)
    assert sold(package).revenue == pytest.approx(60000)
    # all uncleared stop after the first session: .9 of them get 5/6 back
    assert sold(package, stop=1.0).revenue == pytest.approx(60000 * (1 - 0.9 * 5 / 6))


def test_extra_sessions_are_paid_beyond_the_block():
    # two sessions for 300, then 120 each: E[(K - 2)+] = 3.3 - (1 + .9) = 1.4
    one = sold(Package("block", sessions=2, price=300, extra_price=120))
    assert one.revenue == pytest.approx(46800)
    assert one.sessions == pytest.approx(3.3)


def test_a_block_without_extra_sessions_ends_with_its_last():
    one = sold(Package("block", sessions=2, price=300))
    assert one.sessions == pytest.approx(1.9)
    assert one.enough == pytest.approx(0.3)


def test_clients_who_do_not_go_on_buy_no_extra_sessions():
    half = Package("block", sessions=2, price=300, extra_price=120, goes_on=0.5)
    assert sold(half).revenue == pytest.approx(38400)  # 300 + .5 * 1.4 * 120


def test_part_fixed_is_full_price_then_reduced():
    # E[min(K, 3)] = 2.6 at 150, the other .7 at 80
    part = Package("part_fixed", sessions=3, extra_price=80)
    assert sold(part).revenue == pytest.approx(44600)


def test_tax_is_taken_off_every_payment():
    # with 20 % on top: 480 brings in 400, and 396 are needed to cover 330
    one = sold(fixed_price(480), tariff(tax_rate=0.2))
    assert one.revenue == pytest.approx(40000)
    assert one.margin == pytest.approx(7000)
    assert one.break_even == pytest.approx(39600)
    # 300 and 1.4 further sessions at 120
    block = sold(Package("block", sessions=2, price=300, extra_price=120), tariff(tax_rate=0.2))
    assert block.revenue == pytest.approx(46800 / 1.2)
    # 3.3 sessions at 150
    assert one.session_revenue == pytest.approx(3.3 * 15000 / 1.2)


def test_later_money_counts_for_less():
    # 52 weeks between sessions at 10 % a year: 1 + .9/1.1 + .7/1.21 + .4/1.331 + .2/1.4641 + ...
    rules = tariff(discount_rate=0.1, weeks_between_sessions=52)
    still_there = np.array([1, 0.9, 0.7, 0.4, 0.2, 0.1])
    expected = 10000 * (still_there / 1.1 ** np.arange(6)).sum()
    assert sold(fixed_price(400), rules).cost == pytest.approx(expected)


def test_the_fair_price_earns_what_paying_per_session_earns():
    rules = tariff(fixed_cost=40)
    fair = sold(fixed_price(), rules).fair
    assert fair == pytest.approx(49500)  # 3.3 sessions at 150
    at_fair = sold(fixed_price(Decimal(495)), rules)
    assert at_fair.margin == pytest.approx(sold(Package("per_session"), rules).margin)


def test_a_course_under_way_has_no_fixed_cost_any_more():
    rules = tariff(fixed_cost=50)
    assert sold(fixed_price(), rules).break_even == pytest.approx(38000)
    assert sold(fixed_price(), rules, started=True).break_even == pytest.approx(33000)


def test_a_promise_beyond_the_estimate_is_refused_and_a_tariff_s_cap_is_cut():
    for package in (fixed_price(400, cap=9), Package("block", sessions=9, price=400)):
        with pytest.raises(RequestError, match="promises 9 sessions"):
            terms_of(package, tariff(), 6)
    assert terms_of(fixed_price(400), tariff(cap=20), 6).cap == 6


def test_the_smallest_price_leaves_the_accepted_chance_of_loss():
    break_even, chances = np.array([[30.0, 10.0, 20.0]]), np.array([[0.2, 0.5, 0.3]])
    found = [smallest_price(break_even, chances, largest)[0] for largest in (0.0, 0.2, 0.4, 0.5)]
    assert found == [30, 20, 20, 10]


chances = arrays(float, 12, elements=st.floats(0.001, 1)).map(lambda p: p / p.sum())
margins = arrays(float, 12, elements=st.floats(-1000, 1000))


@given(chances, margins, st.sampled_from([0.5, 0.9, 0.95, 0.99]))
@settings(max_examples=50, deadline=None)
def test_the_shortfall_is_the_minimum_of_rockafellar_and_uryasev(p, earned, level):
    # the minimum over q of q + E[(X - q)+] / (1 - a) is attained at one of the losses
    losses = -earned
    objective = losses + np.maximum(losses[:, None] - losses, 0).T @ p / (1 - level)
    assert expected_shortfall(earned, p, level=level) == pytest.approx(objective.min(), abs=1e-8)


def test_a_higher_price_never_raises_the_chance_of_loss():
    losses = [sold(fixed_price(p), stop=0.1).chance_of_loss[0] for p in range(50, 700, 50)]
    assert losses == sorted(losses, reverse=True)
    assert losses[0] > losses[-1]


def test_many_enquiries_are_worked_in_parts_and_come_out_in_their_order():
    pmf = np.random.default_rng(8).dirichlet(np.ones(6), size=5000)
    many = price_rows(pmf, np.full(6, 0.1), (fixed_price(400),), tariff())[0]
    for row in (0, 4095, 4096, 4999):
        alone = sold(fixed_price(400), pmf=pmf[row], stop=0.1)
        assert_allclose(many.margin[row], alone.margin[0])


TARIFF = Tariff(currency="EUR", session_price=150, cap=15, cost_per_session=60)
REDUCED = Package(
    "part_fixed", name="reduced", sessions=8, price=150, extra_price=75, labels={"de": "Nachlass"}
)


@pytest.mark.parametrize(
    ("done", "bill"),
    [
        (0, 8 * 150 + 2 * 75),  # ten sessions in all, the price falls after the eighth
        (6, 2 * 150 + 2 * 75),
        (8, 2 * 75),
        (9, 1 * 75),
    ],
)
def test_a_reduced_price_goes_on_where_the_course_stands(done: int, bill: int):
    found = left_of(REDUCED, TARIFF, done)
    assert found is not None
    quote = price_package(estimate(np.eye(25)[10 - done - 1]), *found, started=bool(done))
    assert quote.expected_bill == bill
    assert quote.package.name == "reduced"
    assert quote.package.label("de") == "Nachlass"


def test_a_fixed_price_holds_what_is_left_up_to_its_cap_and_is_asked_for_anew():
    found = left_of(Package("fixed", price=1200, cap=12), TARIFF, 5)
    assert found is not None
    package, rest = found
    assert (package.cap, package.price, rest.cap) == (7, None, 10)


def test_a_new_block_is_sold_while_the_course_has_room_for_it():
    block = Package("block", sessions=6, price=780, extra_price=140)
    found = left_of(block, TARIFF, 9)
    assert found is not None
    assert (found[0].sessions, found[0].price) == (6, Decimal(780))
    assert left_of(block, TARIFF, 10) is None


@pytest.mark.parametrize("kind", ["per_session", "fixed"])
def test_nothing_is_sold_beyond_the_most_sessions_of_a_course(kind: str):
    assert left_of(Package(kind), TARIFF, 14) is not None
    assert left_of(Package(kind), TARIFF, 15) is None


def test_at_the_consultation_nothing_changes():
    assert left_of(REDUCED, TARIFF, 0) == (REDUCED, TARIFF)
