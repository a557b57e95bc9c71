"""Prices from a fitted forecaster: notes, the year, the open book, and what truly happens."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from benchmarks.clinics import drawn_world
from benchmarks.truth import fresh_clients, true_deliveries
from forecast import (
    Enquiry,
    Package,
    Tariff,
    fit_forecaster,
    price_caseload,
    price_many,
    price_package,
)
from forecast.invented import simulate_log
from forecast.log import enquiries_of
from forecast.prices.past_and_open import value_open_book
from forecast.prices.quote import areas_of, price_rows

PACKAGES = (
    Package("per_session", name="pay_per_session"),
    Package("block", name="block_6", sessions=6, price=780, extra_price=140),
    Package("fixed", name="fixed_price"),
)


def tariff(**changes):
    plain = {"currency": "EUR", "session_price": 150, "cap": 15, "cost_per_session": 60}
    return Tariff(**{**plain, "packages": PACKAGES, **changes})


@pytest.fixture(scope="module")
def log():
    return simulate_log(150, seed=21)


@pytest.fixture(scope="module")
def forecaster(log):
    return fit_forecaster(log, seed=1)


def test_an_enquiry_beyond_the_data_is_priced_with_its_doubts(forecaster):
    usual = Enquiry("II", "forearm", "black", "medium", "single", area_cm2=50, age_years=30)
    beyond = Enquiry("II", "forearm", "black", "medium", "single", area_cm2=50, age_years=85)
    priced = price_package(forecaster.estimate(usual), PACKAGES[2], tariff())
    doubted = price_package(forecaster.estimate(beyond), PACKAGES[2], tariff())
    carried = {str(note) for note in doubted.notes}
    assert {str(note) for note in forecaster.estimate(beyond).notes} <= carried
    assert any("age" in note for note in carried - {str(note) for note in priced.notes})
    assert doubted.model_sd > priced.model_sd


def test_one_quote_and_many_name_the_same_price(forecaster, log):
    asked, rules = enquiries_of(log.courses)[:20], tariff(round_to=Decimal("0.01"))
    many = price_many(forecaster, asked, PACKAGES, rules).set_index(["enquiry", "package"])
    for place, enquiry in enumerate(asked):
        for package in PACKAGES:
            quote = price_package(forecaster.estimate(enquiry), package, rules)
            row = many.loc[(place, package.name)]
            assert float(quote.price) == pytest.approx(row["price"], abs=0.011)
            assert float(quote.expected_margin) == pytest.approx(row["margin"], abs=0.011)


@pytest.mark.parametrize("place", [0, 2])
def test_the_stopping_hazard_s_own_error_is_part_of_the_model_risk(forecaster, place):
    # a long course: clients stop before it ends, and when they do is not known well
    asked = Enquiry("V", "ankle", "black;green", "heavy", "layered")
    estimate, package = forecaster.estimate(asked), PACKAGES[place]
    assert estimate.stop_draws.shape == estimate.draws.shape
    middle = np.repeat(estimate.draws.mean(axis=0, keepdims=True), len(estimate.draws), axis=0)
    both, needed, stopping = (
        float(price_package(one, package, tariff()).model_sd)
        for one in (estimate, replace(estimate, stopping=None), replace(estimate, draws=middle))
    )
    assert both > 3 * needed
    # the two are drawn independently, so their variances add
    assert both**2 == pytest.approx(needed**2 + stopping**2, rel=0.1)


def test_a_year_and_the_open_book_come_from_the_log_as_it_is(forecaster, log):
    year = price_caseload(forecaster, log.courses, PACKAGES, tariff(), replicates=200)
    assert year.n_courses == 150
    book = value_open_book(forecaster, log, tariff(), replicates=200)
    ongoing = int((log.courses["outcome"] == "ongoing").sum())
    assert len(book.courses) + len(book.left_out) == ongoing
    assert not book.left_out
    assert book.expected_cost < book.cost_one_in_twenty


@pytest.mark.slow
def test_a_stated_chance_of_loss_of_one_course_is_what_happens():
    rules, gaps = tariff(largest_chance_of_loss=0.1), []
    for seed in (1, 2, 3, 4):
        world = drawn_world(seed)
        frame = fresh_clients(world, 200, seed=seed + 10)[0].assign(sessions_elsewhere=0)
        given = true_deliveries(world, frame, cap=15, n_inner=100, seed=seed + 20).delivered
        fitted = fit_forecaster(simulate_log(600, seed=seed + 30, world=world), seed=seed)
        draws, stop = fitted.estimate_draws(enquiries_of(frame))
        priced = price_rows(
            draws.mean(axis=0), stop.mean(axis=0), (Package("fixed"),), rules,
            area_cm2=areas_of(enquiries_of(frame)),
        )[0]  # fmt: skip
        loses = (6000 * given > priced.price[:, None] + 0.5).mean()
        gaps.append(loses - priced.chance_of_loss.mean())
    assert abs(np.mean(gaps)) < 0.02  # two points


def test_money_of_a_quote_is_exact_to_the_cent(forecaster):
    estimate = forecaster.estimate(Enquiry("II", "forearm", "black", "medium", "single"))
    quote = price_package(estimate, PACKAGES[1], tariff(tax_rate=0.19))
    amounts = [one for one in map(quote.__getattribute__, quote.__slots__) if type(one) is Decimal]
    assert len(amounts) >= 10
    assert all(amount == amount.quantize(Decimal("0.01")) for amount in amounts)
