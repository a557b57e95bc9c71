"""Prices of one package for one enquiry, against hand cases and closed forms."""

from dataclasses import dataclass, replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.prices.payoff import expected_shortfall, outcome_chances, price_many, terms_of
from forecast.prices.quote import best_block_size, price_package
from forecast.prices.tariff import Package, Tariff
from forecast.survival import CountDistribution

HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])  # chance of 1 to 6 sessions, worked by hand


@dataclass(frozen=True)
class Answer:
    distribution: CountDistribution
    stop_hazard: np.ndarray
    draws: np.ndarray
    notes: tuple[str, ...] = ()


def answer(pmf=HAND, stop=0.0, draws=None, notes=()):
    pmf = np.asarray(pmf, dtype=float)
    draws = pmf[None] if draws is None else np.asarray(draws)
    return Answer(CountDistribution(pmf[None]), np.full(len(pmf), stop), draws, notes)


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def fixed_price(price=None, **more):
    return Package("fixed", price=price, **more)


@pytest.mark.parametrize(("cap", "sessions"), [(3, 2.6), (4, 3.0), (5, 3.2), (6, 3.3)])
def test_expected_sessions_agree_with_the_sum_of_the_survival_function(cap, sessions):
    # E[min(K, M)] = sum over j < M of S(j): 1 + .9 + .7 = 2.6, + .4, + .2, + .1
    quote = price_package(answer(), fixed_price(400), tariff(cap=cap))
    assert quote.expected_sessions == pytest.approx(sessions, abs=1e-12)
    assert quote.expected_cost == Decimal(str(sessions)) * 100


def test_a_fixed_price_of_400_earns_70_and_loses_in_two_of_ten():
    # cost 100 a session: expected cost 330; more than four sessions with chance .2
    quote = price_package(answer(), fixed_price(400), tariff())
    assert quote.expected_margin == Decimal("70.00")
    assert quote.chance_of_loss == pytest.approx(0.2, abs=1e-12)
    # the worst 5 of 100 all need six sessions
    assert quote.expected_shortfall == Decimal("200.00")


def test_the_distribution_of_the_margin_is_the_hand_case():
    quote = price_package(answer(), fixed_price(400), tariff())
    assert_allclose(quote.margins, [30000, 20000, 10000, 0, -10000, -20000])
    assert_allclose(quote.chances, HAND)


def test_prices_asked_for_are_those_of_the_hand_case():
    rules = tariff(largest_chance_of_loss=0.2, target_margin=0.25)
    quote = price_package(answer(), fixed_price(400), rules)
    assert quote.break_even_price == Decimal("330.00")
    assert quote.price_for_margin == Decimal("440.00")  # 330 / (1 - .25)
    assert quote.price_for_loss == Decimal("400.00")  # four sessions are enough for .8
    assert quote.list_price == Decimal("440.00")


def test_an_asked_price_meets_both_promises_and_no_smaller_step_does():
    rules = tariff(largest_chance_of_loss=0.15, target_margin=0.2, round_to=5, tax_rate=0.19)
    quote = price_package(answer(), fixed_price(), rules)
    below = price_package(answer(), fixed_price(quote.price - 5), rules)
    assert quote.price % 5 == 0
    assert quote.chance_of_loss <= 0.15
    assert quote.expected_margin >= quote.expected_revenue * Decimal("0.2")
    short = below.expected_margin < below.expected_revenue * Decimal("0.2")
    assert short or below.chance_of_loss > 0.15


def test_stopping_gives_the_geometric_closed_form():
    # h = 1/4, stop 1/20 after each uncleared session, M = 10, r = (3/4)(19/20):
    # E delivered = (1 - r^10) / (1 - r)
    pmf = 0.25 * 0.75 ** np.arange(10)
    rate = 0.75 * 0.95
    quote = price_package(answer(pmf, 0.05), fixed_price(900), tariff(cap=10))
    assert quote.expected_sessions == pytest.approx((1 - rate**10) / (1 - rate), abs=1e-12)
    assert quote.expected_sessions == pytest.approx(3.360984, abs=5e-7)


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
    quote = price_package(answer(pmf), fixed_price(900), tariff(cap=8))
    assert quote.expected_sessions == pytest.approx(closed, abs=1e-12)


def test_the_newsvendor_block_is_three_sessions():
    # p = 150, c = 100: critical ratio 1/3, F(2) = .3, F(3) = .6
    size = best_block_size(answer(), price_in_block=Decimal(100), price_alone=Decimal(150))
    assert size == 3
    saved = [150 * HAND @ np.minimum(np.arange(1, 7), n) - 100 * n for n in (2, 3, 4)]
    assert_allclose(saved, [85, 90, 50])  # the profits of the same hand case


def test_no_block_is_worth_it_without_a_discount():
    size = best_block_size(answer(), price_in_block=Decimal(150), price_alone=Decimal(150))
    assert size == 0


def test_a_refund_hands_back_half_of_what_was_not_used():
    # six sessions at 600: after k sessions (6 - k)/6 of it are unused, half is returned
    block = Package("block", sessions=6, price=600, refund_share=0.5)
    quote = price_package(answer(), block, tariff())
    returned = 600 * 0.5 * (6 - 3.3) / 6
    assert quote.expected_bill == Decimal("600.00") - Decimal(f"{returned:.2f}")
    assert quote.expected_waste == pytest.approx(6 - 3.3)


def test_a_fixed_price_is_refunded_only_to_those_who_stop():
    never = price_package(answer(), fixed_price(600, refund_share=1.0), tariff())
    stops = price_package(answer(stop=0.2), fixed_price(600, refund_share=1.0), tariff())
    assert never.expected_bill == Decimal("600.00")
    assert stops.expected_bill < Decimal("600.00")


def test_extra_sessions_are_paid_beyond_the_block():
    # two sessions for 300, then 120 each: E[(K - 2)+] = 3.3 - (1 + .9) = 1.4
    block = Package("block", sessions=2, price=300, extra_price=120)
    quote = price_package(answer(), block, tariff())
    assert quote.expected_bill == Decimal("468.00")
    assert quote.expected_sessions == pytest.approx(3.3)


def test_a_block_without_extra_sessions_ends_with_its_last():
    quote = price_package(answer(), Package("block", sessions=2, price=300), tariff())
    assert quote.expected_sessions == pytest.approx(1.9)


def test_clients_who_do_not_go_on_buy_no_extra_sessions():
    half = Package("block", sessions=2, price=300, extra_price=120, goes_on=0.5)
    quote = price_package(answer(), half, tariff())
    assert quote.expected_bill == Decimal("384.00")  # 300 + .5 * 1.4 * 120


def test_part_fixed_is_full_price_then_reduced():
    # E[min(K, 3)] = 2.6 at 150, the other .7 at 80
    part = Package("part_fixed", sessions=3, extra_price=80)
    assert price_package(answer(), part, tariff()).expected_bill == Decimal("446.00")


def test_tax_is_inside_the_price():
    quote = price_package(answer(), fixed_price(480), tariff(tax_rate=0.2))
    assert quote.expected_revenue == Decimal("400.00")
    assert quote.expected_bill == Decimal("480.00")
    assert quote.break_even_price == Decimal("396.00")


def test_later_money_counts_for_less():
    # 52 weeks between sessions at 10 % a year: 1 + .9/1.1 + .7/1.21 + .4/1.331 + .2/1.4641 + ...
    rules = tariff(discount_rate=0.1, weeks_between_sessions=52)
    quote = price_package(answer(), fixed_price(400), rules)
    still_there = np.array([1, 0.9, 0.7, 0.4, 0.2, 0.1])
    assert quote.expected_cost == Decimal(f"{100 * (still_there / 1.1 ** np.arange(6)).sum():.2f}")


def test_the_fair_price_earns_what_paying_per_session_earns():
    per_session = price_package(answer(), Package("per_session"), tariff(fixed_cost=40))
    fixed = price_package(answer(), fixed_price(), tariff(fixed_cost=40))
    at_fair = price_package(answer(), fixed_price(fixed.fair_price), tariff(fixed_cost=40))
    assert fixed.fair_price == Decimal("495.00")  # 3.3 sessions at 150
    assert at_fair.expected_margin == per_session.expected_margin
    assert fixed.fair_premium == 0


def test_clients_who_keep_coming_because_they_prepaid_cost_a_premium():
    loyal = price_package(answer(stop=0.2), fixed_price(stop_factor=0.0), tariff())
    usual = price_package(answer(stop=0.2), Package("per_session"), tariff())
    more = 3.3 - usual.expected_sessions
    assert float(loyal.fair_premium) == pytest.approx(100 * more, abs=0.01)


def test_chance_and_model_add_up_to_the_whole_variance():
    rng = np.random.default_rng(3)
    draws = rng.dirichlet(np.ones(6), size=50)
    quote = price_package(answer(draws.mean(axis=0), draws=draws), fixed_price(400), tariff())
    margins = np.arange(300, -201, -100)
    within = (draws @ margins**2 - (draws @ margins) ** 2).mean()
    between = (draws @ margins).var()
    assert float(quote.chance_sd) == pytest.approx(within**0.5, abs=0.0051)
    assert float(quote.model_sd) == pytest.approx(between**0.5, abs=0.0051)
    assert float(quote.margin_sd) == pytest.approx((within + between) ** 0.5, abs=0.0051)


def test_a_known_model_leaves_no_model_risk():
    quote = price_package(answer(draws=np.tile(HAND, (9, 1))), fixed_price(400), tariff())
    assert quote.model_sd == 0
    assert quote.chance_of_loss_range == pytest.approx((0.2, 0.2))
    assert quote.risk_premium == 0


def test_the_remaining_sessions_are_priced_without_the_course_s_fixed_cost():
    # given K > 2: 3/7, 2/7, 1/7, 1/7 on 3 to 6, so E[K - 2] = 2
    later = CountDistribution(HAND[None]).given_not_by(2).pmf[0]
    quote = price_package(answer(later), fixed_price(), tariff(fixed_cost=50), started=True)
    first = price_package(answer(later), fixed_price(), tariff(fixed_cost=50))
    assert quote.break_even_price == Decimal("200.00")
    assert first.break_even_price == Decimal("250.00")


def test_a_package_that_is_enough_for_less_than_half_says_so():
    small = price_package(answer(), Package("block", sessions=2, price=300), tariff())
    large = price_package(answer(), Package("block", sessions=3, price=300), tariff())
    assert small.chance_enough == pytest.approx(0.3)
    assert "less than half" in small.check[0]
    assert "30 of 100" in small.check[0]
    assert "less than half" not in large.check[0]


def test_a_median_beyond_the_horizon_is_said_in_a_whole_sentence():
    rare = answer([0.1, 0.1, 0.1])
    alone = price_package(rare, Package("per_session", price=150), tariff(cap=3))
    assert alone.check[0] == (
        "More than half of clients like this need more sessions than the estimate reaches."
    )


def test_no_text_promises_removal_and_the_law_is_left_to_local_rules():
    text = price_package(answer(), fixed_price(400), tariff()).to_text().lower()
    assert "law of the place" in text
    assert "no number of sessions is a promise" in text
    assert not any(word in text for word in ("guarantee", "complete removal", "permanent"))


def test_notes_of_the_estimate_are_carried_and_the_wider_risk_shows():
    narrow = np.tile(HAND, (20, 1))
    wide = np.random.default_rng(5).dirichlet(4 * HAND, size=20)
    beyond = answer(draws=wide, notes=("No course in this log has yellow ink.",))
    quote = price_package(beyond, fixed_price(400), tariff())
    sure = price_package(answer(draws=narrow), fixed_price(400), tariff())
    assert "No course in this log has yellow ink." in quote.notes
    assert np.ptp(quote.chance_of_loss_range) > np.ptp(sure.chance_of_loss_range)
    assert quote.to_dict()["notes"] == list(quote.notes)


def test_a_promise_beyond_the_horizon_is_refused():
    with pytest.raises(RequestError, match="promises 9 sessions"):
        price_package(answer(), fixed_price(400, cap=9), tariff())
    cut = price_package(answer(), fixed_price(400), tariff(cap=20))
    assert cut.cap == 6  # the tariff's own cap is cut to what the estimate reaches, and said
    assert any("at most 6 sessions" in note for note in cut.notes)
    with pytest.raises(RequestError, match="promises 7 sessions"):
        price_package(answer(), Package("block", sessions=7, price=400), tariff())


def test_a_quote_becomes_plain_json():
    plain = price_package(answer(), fixed_price(400), tariff()).to_dict()
    assert plain["price"] == "400.00"
    assert plain["currency"] == "EUR"
    assert plain["chance_of_loss"] == 0.2


chances = arrays(float, 12, elements=st.floats(0.001, 1)).map(lambda p: p / p.sum())
margins = arrays(float, 12, elements=st.floats(-1000, 1000))


@given(chances, margins, st.sampled_from([0.5, 0.9, 0.95, 0.99]))
@settings(max_examples=50, deadline=None)
def test_the_shortfall_is_the_minimum_of_rockafellar_and_uryasev(p, earned, level):
    # the minimum over q of q + E[(X - q)+] / (1 - a) is attained at one of the losses
    losses = -earned
    objective = losses + np.maximum(losses[:, None] - losses, 0).T @ p / (1 - level)
    assert expected_shortfall(earned, p, level=level) == pytest.approx(objective.min(), abs=1e-8)


def test_many_enquiries_are_priced_as_each_alone():
    rng = np.random.default_rng(8)
    pmf = rng.dirichlet(np.ones(9), size=7)[:, :8]
    rules = tariff(cap=8, round_to=5, fixed_cost=20)
    packages = (
        Package("per_session"),
        fixed_price(refund_share=0.3),
        Package("block", sessions=4, price=500, extra_price=90, goes_on=0.8),
        Package("part_fixed", sessions=3, extra_price=80),
    )
    together = price_many(pmf, np.full(8, 0.1), packages, rules)
    for package, priced in zip(packages, together, strict=True):
        for row in range(7):
            alone = price_package(answer(pmf[row], 0.1), package, rules)
            assert alone.chance_of_loss == pytest.approx(priced.chance_of_loss[row])
            assert float(alone.price) == pytest.approx(priced.price[row] / 100)


def test_a_higher_price_never_raises_the_chance_of_loss():
    quotes = [price_package(answer(stop=0.1), fixed_price(p), tariff()) for p in range(50, 700, 50)]
    losses = [quote.chance_of_loss for quote in quotes]
    assert losses == sorted(losses, reverse=True)


def test_pricing_leaves_its_inputs_alone():
    estimate, package = (
        answer(stop=0.1),
        Package("block", sessions=2, price=300, extra_price=90, goes_on=0.5),
    )
    before = estimate.stop_hazard.copy()
    price_package(estimate, package, tariff())
    assert_allclose(estimate.stop_hazard, before, rtol=0, atol=0)
    assert replace(package) == package
