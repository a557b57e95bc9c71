"""One answer: its numbers fit together, and it reads as a person would say it."""

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.counts.estimate import Estimate
from forecast.survival import CountDistribution

PLAIN = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
COMPLETE = replace(
    PLAIN, age_years=30, origin="professional", area_cm2=50, tattoo_age_years=4, scarring="none",
    smoker="no",
)  # fmt: skip


def certain(step: int) -> Estimate:
    """Return the estimate of a course that needs so many sessions and no other number."""
    pmf = np.zeros((1, 25))
    pmf[0, step - 1] = 1.0
    return Estimate(
        enquiry=forecast.Enquiry("II", "forearm", "black", "medium", "single"),
        distribution=CountDistribution(pmf),
        level=0.8,
        stop_hazard=np.zeros(25),
        draws=pmf,
        goal="clear",
        support="well covered",
        own_share=1.0,
        supported_to=25,
    )


@pytest.mark.parametrize(("step", "says"), [(1, "need 1 session."), (6, "need 6 sessions.")])
def test_an_interval_of_one_number_is_said_as_that_number(step: int, says: str):
    assert says in certain(step).to_text().splitlines()[0]


def test_one_client_needs_and_one_session_is():
    pmf = np.eye(1, 25) * 0.99
    most = replace(certain(1), distribution=CountDistribution(pmf))
    tariff = forecast.Tariff(currency="EUR", session_price=150, cost_per_session=55, cap=15)
    quote = forecast.price_package(most, forecast.Package("block", sessions=1), tariff)
    assert quote.check[0] == (
        "1 session is enough for 99 of 100 clients like this; 1 of 100 needs more "
        "(predicted median 1)."
    )


def test_intervals_nest_over_levels_and_contain_the_median(forecaster):
    ends = [forecaster.estimate(PLAIN, level=level).interval for level in (0.5, 0.8, 0.9)]
    median = forecaster.estimate(PLAIN).median
    lows, highs = zip(*ends, strict=True)
    assert list(lows) == sorted(lows, reverse=True)
    assert lows[0] <= median <= highs[0]
    assert [25 if high is None else high for high in highs] == sorted(
        25 if high is None else high for high in highs
    )


def test_one_distribution_gives_chance_median_prices_and_draws(forecaster):
    estimate = forecaster.estimate(PLAIN)
    assert_allclose(estimate.draws.mean(axis=0), estimate.distribution.pmf[0], atol=1e-12)
    assert estimate.chance_by(0) == 0
    assert estimate.chance_by(estimate.median) >= 0.5 > estimate.chance_by(estimate.median - 1)
    assert estimate.chance_by(25) + estimate.not_within_horizon == pytest.approx(1)
    delivered = estimate.delivered
    assert delivered.cleared.sum() + delivered.stopped.sum() + delivered.going == pytest.approx(1)
    assert delivered.cleared.sum() < estimate.chance_by(25)


def test_no_chance_is_spoken_of_as_none_or_all(forecaster):
    sure = np.zeros((1, 25))
    sure[0, 0] = 1.0
    estimate = replace(forecaster.estimate(COMPLETE), distribution=CountDistribution(sure))
    assert "About 1 session here" in estimate.to_text()
    assert "Fewer than 1 of 100 are not clear after 25." in estimate.to_text()
    never = replace(estimate, distribution=CountDistribution(0 * sure))
    assert "More than 99 of 100 are not clear after 25." in never.to_text()


def test_the_words_say_when_the_log_hardly_covers_an_enquiry(forecaster):
    old = forecaster.estimate(replace(COMPLETE, age_years=109))
    assert "nothing quite like it" in old.to_text()
    assert "like it" not in forecaster.estimate(COMPLETE).to_text().split("\n")[2]


def test_the_words_the_codes_and_the_reasons_all_travel_as_json(forecaster):
    estimate = forecaster.estimate(replace(COMPLETE, age_years=109))
    data = estimate.to_dict()
    assert data["notes"] == [str(note) for note in estimate.notes]
    assert [note["code"] for note in data["note_codes"]] == [n.code for n in estimate.notes]
    assert data["support_reasons"] == list(estimate.support_reasons)
    assert "number_outside_log" in data["support_reasons"]
    assert json.dumps(data, allow_nan=False)
