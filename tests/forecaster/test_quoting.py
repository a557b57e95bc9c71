"""What quotes are worth, by a forecast that knows all, one that knows nothing, and by hand."""

import numpy as np
import pytest

import forecast
from forecast.assess import grouped_folds
from forecast.errors import RequestError
from forecast.forecaster import quoting, value_of_quoting

HORIZON = 25
TARIFF = forecast.Tariff(currency="EUR", session_price=120, cap=15, cost_per_session=60)
FIXED = forecast.Package("fixed", price=900)


class Says:
    """A model that gives each enquiry the count that ``counts`` has for its area."""

    def __init__(self, counts):
        self.counts = counts

    def estimate_draws(self, enquiries):
        counts = [self.counts.get(one.area_cm2, 8) for one in enquiries]
        pmf = np.eye(HORIZON)[np.array(counts) - 1]
        return pmf[None], np.zeros_like(pmf)


@pytest.fixture(scope="module")
def log():
    """Courses that all cleared within the cap, each of an area of its own."""
    log = forecast.simulate_log(200, seed=8)
    courses = log.courses
    log = log.where((courses["outcome"] == "cleared") & (courses["sessions_given"] <= 15))
    area = log.courses["area_cm2"]
    return log.where(~area.duplicated() & area.notna())


def valued(log, counts, monkeypatch):
    monkeypatch.setattr(quoting, "fit_forecaster", lambda log, seed: Says(counts))
    return value_of_quoting(log, FIXED, TARIFF)


def test_a_forecast_that_knows_each_count_puts_all_of_it_right(log, monkeypatch):
    given = log.courses["sessions_given"].to_numpy()
    known = dict(zip(log.courses["area_cm2"], given, strict=True))
    found = valued(log, known, monkeypatch)
    # at one price the margin is off by what a course cost more or less than the mean of the others
    fold = grouped_folds(log.courses["client_id"], n_folds=quoting.FOLDS, seed=0)
    usual = np.array([given[fold != own].mean() for own in fold])
    off = np.abs(given - usual).mean() * 60 / (1 - TARIFF.target_margin)
    assert float(found.put_right) == pytest.approx(100 * off, rel=1e-4)
    assert found.interval[0] > 0
    assert found.losses[1] == 0
    assert found.losses[0] > 0
    assert found.n_courses == len(log.courses)
    assert "closer to what each course costs" in found.to_text()


def test_a_forecast_that_says_the_same_of_all_puts_nothing_right(log, monkeypatch):
    found = valued(log, {}, monkeypatch)
    assert found.put_right == 0
    assert found.losses[0] == found.losses[1]
    assert "cannot be said" in found.to_text()


def test_a_forecast_that_is_wrong_is_said_to_be(log, monkeypatch):
    given = log.courses["sessions_given"].to_numpy()
    wrong = dict(zip(log.courses["area_cm2"], 16 - given, strict=True))
    found = valued(log, wrong, monkeypatch)
    assert found.put_right < 0
    assert found.interval[1] < 0
    assert "further from what each course costs" in found.to_text()
    assert "quote one price" in found.to_text()


def test_too_few_ended_courses_are_refused(log):
    with pytest.raises(RequestError, match="Fewer than 40 courses"):
        value_of_quoting(log.where(np.arange(len(log.courses)) < 20), FIXED, TARIFF)


@pytest.mark.slow
def test_on_a_log_quotes_are_worth_something():
    found = value_of_quoting(forecast.simulate_log(300, seed=17, mechanism="noisy"), FIXED, TARIFF)
    assert found.interval[0] > 0
    assert found.losses[1] < found.losses[0]
