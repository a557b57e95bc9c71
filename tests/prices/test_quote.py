"""How a course ends under a package and what that earns, and the quote: numbers, risk, words."""

import re
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from numpy.testing import assert_allclose

from forecast._notes import Note
from forecast.errors import RequestError
from forecast.prices.package import Package
from forecast.prices.quote import (
    cap_note,
    expected_shortfall,
    outcome_chances,
    price_package,
    price_rows,
    quotes_lines,
    smallest_price,
)
from forecast.prices.tariff import Tariff, terms_of
from forecast.survival import CountDistribution

from .made import estimate as estimate_of

HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])  # chance of 1 to 6 sessions, worked by hand


def answer(pmf=HAND, stop=0.0, draws=None, notes=()):
    return estimate_of(pmf if draws is None else draws, stop, pmf=pmf, notes=notes)


def said(text):
    return Note("counts.said", "caution", {"text": text})


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 6, "cost_per_session": 100}
    return Tariff(**{**plain, **changes})


def fixed_price(price=None, **more):
    return Package("fixed", price=price, **more)


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


def test_tax_is_inside_the_price():
    quote = price_package(answer(), fixed_price(480), tariff(tax_rate=0.2))
    assert quote.expected_revenue == Decimal("400.00")
    assert quote.expected_bill == Decimal("480.00")
    assert quote.break_even_price == Decimal("396.00")


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
    assert small.check[0].code == "prices.enough_for_few"
    assert str(small.check[0]) == (
        "2 sessions are enough for 30 of 100 clients like this; 70 of 100 need more "
        "(predicted median 3). That is less than half: say so before selling it."
    )
    assert large.check[0].code == "prices.enough"


def test_a_median_beyond_the_horizon_is_said_in_a_whole_sentence():
    rare = answer([0.1, 0.1, 0.1])
    alone = price_package(rare, Package("per_session", price=150), tariff(cap=3))
    assert str(alone.check[0]) == (
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
    beyond = answer(draws=wide, notes=(said("No course in this log has yellow ink."),))
    quote = price_package(beyond, fixed_price(400), tariff())
    sure = price_package(answer(draws=narrow), fixed_price(400), tariff())
    assert str(quote.notes[0]) == "No course in this log has yellow ink."
    assert np.ptp(quote.chance_of_loss_range) > np.ptp(sure.chance_of_loss_range)
    plain = quote.to_dict()
    assert plain["notes"] == [str(note) for note in quote.notes]
    assert [code["code"] for code in plain["note_codes"]] == [note.code for note in quote.notes]


def test_a_promise_beyond_the_horizon_is_refused():
    with pytest.raises(RequestError, match="promises 9 sessions"):
        price_package(answer(), fixed_price(400, cap=9), tariff())
    cut = price_package(answer(), fixed_price(400), tariff(cap=20))
    assert cut.cap == 6  # the tariff's own cap is cut to what the estimate reaches, and said
    assert Note("prices.most_sessions", "info", {"cap": 6}) in cut.notes
    with pytest.raises(RequestError, match="promises 7 sessions"):
        price_package(answer(), Package("block", sessions=7, price=400), tariff())


def test_a_quote_becomes_plain_json():
    plain = price_package(answer(), fixed_price(400), tariff()).to_dict()
    assert plain["price"] == 400.0
    assert plain["currency"] == "EUR"
    assert plain["chance_of_loss"] == 0.2


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
    together = price_rows(pmf, np.full(8, 0.1), packages, rules)
    for package, priced in zip(packages, together, strict=True):
        for row in range(7):
            alone = price_package(answer(pmf[row], 0.1), package, rules)
            assert alone.chance_of_loss == pytest.approx(priced.chance_of_loss[row])
            assert float(alone.price) == pytest.approx(priced.price[row] / 100)


def test_pricing_leaves_its_inputs_alone():
    estimate, package = (
        answer(stop=0.1),
        Package("block", sessions=2, price=300, extra_price=90, goes_on=0.5),
    )
    before = estimate.stop_hazard.copy()
    price_package(estimate, package, tariff())
    assert_allclose(estimate.stop_hazard, before, rtol=0, atol=0)
    assert replace(package) == package


def test_what_holds_for_every_package_of_an_enquiry_is_said_once_and_nothing_is_left_out():
    asked = answer(notes=(said("Few courses are like it."),))
    sold = (
        fixed_price(400),
        Package("block", sessions=2, extra_price=90),
        Package("per_session"),
    )
    quotes = [price_package(asked, package, tariff()) for package in sold]
    text = "\n".join(quotes_lines(quotes))
    lines = [line.removeprefix("- ") for line in text.splitlines()]
    assert lines.count("Few courses are like it.") == 1
    assert {str(line) for quote in quotes for line in (*quote.check, *quote.notes)} <= set(lines)
    assert [quote.package.name in text for quote in quotes] == [True] * 3


def test_a_fixed_price_says_on_its_own_line_where_it_ends_and_for_how_many_that_is_enough():
    # of HAND, 1 to 4 sessions have the chance 0.1 + 0.2 + 0.3 + 0.2
    quote = price_package(answer(), Package("until_cleared", price=400, cap=4), tariff())
    assert quote.to_text().splitlines()[0] == (
        "fixed price, at most 4 sessions: 400.00 EUR for the course, tax included; "
        "enough for 80 of 100 clients like this."
    )
    assert quote.to_dict()["kind"] == "fixed"
    single = price_package(answer(), fixed_price(400), tariff(cap=1)).to_text()
    assert single.startswith("fixed price, at most 1 session: ")


def test_a_chance_is_never_worded_as_none_or_all():
    sure = price_package(answer(), fixed_price(601), tariff()).to_text()
    lost = price_package(answer(), fixed_price(99), tariff()).to_text()
    assert "lost on fewer than 1 of 100" in sure
    assert "lost on more than 99 of 100" in lost


def test_prices_that_the_extra_sessions_already_cover_are_words_and_never_below_zero():
    # two sessions in the block, then 400 each: E[sessions] 3.3, so 1.4 of them come on top and
    # bring 560 against a cost of 330
    block = Package("block", sessions=2, extra_price=Decimal(400))
    quote = price_package(answer(), block, tariff(largest_chance_of_loss=0.99))
    assert quote.break_even_price == Decimal("-230.00")
    assert (quote.price, quote.list_price) == (0, 0)
    text = quote.to_text()
    assert "that breaks even any (the extra sessions cover the cost)" in text
    assert "No fair price" in text
    assert not re.search(r"(?<!\w)-\d", text)


def test_one_client_needs_more_and_several_need_more():
    single, rest = Package("block", sessions=1, price=300), {}
    for share in (0.01, 0.02):
        quote = price_package(answer([1 - share, share]), single, tariff(cap=2))
        rest[share] = str(quote.check[0])
    assert rest[0.01].startswith(
        "1 session is enough for 99 of 100 clients like this; 1 of 100 needs"
    )
    assert "1 of 100 needs more (predicted median 1)" in rest[0.01]
    assert "2 of 100 need more (predicted median 1)" in rest[0.02]


def test_every_remark_is_said_in_german_too():
    estimate = answer()
    packages = (Package("per_session"), Package("block", sessions=2, price=300), fixed_price(400))
    rules = Tariff(
        currency="EUR", session_price=150, cap=6, minutes_per_session=20, staff_per_hour=60,
        room_per_hour=0, consumables=0, device_price=0,
    )  # fmt: skip
    quotes = [price_package(estimate, package, rules) for package in packages]
    for note in {note for quote in quotes for note in (*quote.check, *quote.notes)}:
        assert note.say("de") != str(note)
    assert quotes[1].check[0].say("de") == (
        "2 Sitzungen reichen für 30 von 100 vergleichbaren Personen; 70 von 100 brauchen mehr "
        "(geschätzter Median 3). Das ist weniger als die Hälfte: vor dem Verkauf sagen."
    )


SURE = [1.0, 0, 0, 0, 0, 0]  # everybody clears at once


def margin_of(package, **rules):
    return price_package(answer(SURE), package, tariff(**rules)).expected_margin


def test_free_touch_ups_credit_defaults_and_discounts_by_hand():
    assert margin_of(fixed_price(400)) == 300
    assert margin_of(fixed_price(400), touch_up_rate=0.25, touch_up_months=12) == 275
    block = Package("block", sessions=6, price=600)
    assert margin_of(block, credit_share=0.4) == 600 - 100 - 2 * 100  # two of the five unused
    plan = fixed_price(400, down_payment=100, instalments=3, instalment=100)
    assert margin_of(plan, default_rate=0.5) == 300 - 150  # of the 300 still owed
    assert margin_of(fixed_price(400), prepay_discount=0.1, prepay_share=0.5) == 280
    assert margin_of(plan, prepay_discount=0.1, prepay_share=0.5) == 300  # not paid at once
    second = {"second_tattoo_discount": 0.2, "second_tattoo_share": 0.25}
    assert margin_of(fixed_price(400), **second) == 280


def test_without_an_area_the_bands_it_could_fall_into_are_named():
    bands = [{"up_to_cm2": 25, "price": 90}, {"price": 180}]
    rules = tariff(session_price=None, session_prices=bands)
    text = price_package(answer(), Package("per_session"), rules).to_text()
    assert "No area given, priced as 50 cm²; by area it costs 90.00 (≤ 25 cm²), 180.00." in text
    german = price_package(answer(), Package("per_session"), rules).to_text(language="de")
    assert "je nach Fläche kostet es 90,00 (≤ 25 cm²), 180,00." in german


def test_an_offer_dearer_than_its_sessions_or_enough_for_few_is_marked():
    dear = price_package(answer(), fixed_price(901, cap=6), tariff())
    assert dear.misleads == "dearer"
    assert "Dearer than its 6 sessions paid one by one (900.00)" in dear.to_text()
    assert "einzeln bezahlt (900,00): kein Angebot" in dear.to_text(language="de")
    few = price_package(answer(), fixed_price(300, cap=2), tariff())  # enough for 3 in 10
    assert few.misleads == "too_few"
    assert few.to_text().count("no offer") == dear.to_text().count("no offer") == 2
    brief = "\n".join(quotes_lines([dear, few], details=False))
    assert brief.count("no offer") == 4
    assert "say so before selling" not in few.to_text()
    assert price_package(answer(), fixed_price(400, cap=6), tariff()).misleads is None


def test_no_text_lets_a_price_press_on_care():
    for package in (Package("per_session"), fixed_price(400)):
        assert "not for sale" in price_package(answer(), package, tariff()).to_text()


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
    assert expected_shortfall(margins[0], one.chances[0]) == pytest.approx(20000)


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
    assert one.chances @ one.terms.unused == pytest.approx(6 - 3.3)


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


def test_the_fair_price_of_a_row_earns_what_paying_per_session_earns():
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


@pytest.mark.parametrize(
    ("cap", "done", "says"),
    [
        (4, 0, "At most 4 sessions are given in one course: enough for 80 of 100 clients like"),
        (4, 1, "given in one course, 3 of them from now on: enough for 60 of 100 clients like"),
        (4, 4, "had all 4 sessions that are given in one: going on needs a new agreement, or"),
        (4, 6, "had all 4 sessions that are given in one: going on needs a new agreement, or"),
        (5, 0, None),  # eight of ten need no more
        (9, 0, None),  # further than the estimate reaches
    ],
)
def test_the_cap_is_named_where_it_bounds(cap: int, done: int, says: str | None):
    found = cap_note(answer(), tariff(cap=cap), done)
    assert (found is None) == (says is None)
    assert (says or "") in str(found)
