"""What is said reads as a person would say it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import forecast
from forecast.counts.estimate import Estimate
from forecast.log import OutcomeLog
from forecast.survival import CountDistribution

COURSE = {
    "course_id": "c1", "client_id": "p1", "started_on": "2024-01-10", "skin_type": "II",
    "body_site": "forearm", "inks": "black", "ink_density": "medium", "layering": "single",
    "sessions_given": 3, "outcome": "stopped",
}  # fmt: skip


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
    assert str(quote.check[0]) == (
        "1 session is enough for 99 of 100 clients like this; 1 of 100 needs more "
        "(predicted median 1)."
    )


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"target_margin": "1.5"}, "target_margin is 1.5."),
        ({"cap": "1.5"}, "cap is 1.5."),
        ({"session_price": "NaN"}, "session_price is NaN"),
    ],
)
def test_a_number_of_a_tariff_is_shown_as_written(given: dict[str, str], says: str):
    from decimal import Decimal

    terms = {"currency": "EUR", "session_price": 150, "cost_per_session": 55, "cap": 15}
    numbers = {name: Decimal(text) for name, text in given.items()}
    with pytest.raises(forecast.RequestError) as refused:
        forecast.Tariff(**(terms | numbers))
    assert says in str(refused.value)


@pytest.mark.parametrize("heading", ["Course No", "course number", "CourseID"])
def test_a_missing_column_names_the_heading_that_is_likely_meant(heading: str):
    frame = pd.DataFrame([{heading: "c1", **{k: v for k, v in COURSE.items() if k != "course_id"}}])
    with pytest.raises(forecast.DataError, match=f"Perhaps '{heading}' is meant"):
        OutcomeLog.from_frames(frame)


def test_a_column_that_is_there_is_not_suggested_for_another():
    frame = pd.DataFrame([{k: v for k, v in COURSE.items() if k != "course_id"}])
    with pytest.raises(forecast.DataError) as refused:
        OutcomeLog.from_frames(frame)
    assert "Perhaps" not in str(refused.value)
