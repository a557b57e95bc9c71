"""One log and its fading, for all tests that only look at them; and a small log to fit often."""

import pytest

from forecast.fading.fading import FadingCurves, fit_fading
from forecast.invented import simulate_log
from forecast.log import OutcomeLog


@pytest.fixture(scope="session")
def log() -> OutcomeLog:
    return simulate_log(500, seed=1)


@pytest.fixture(scope="session")
def fading(log: OutcomeLog) -> FadingCurves:
    return fit_fading(log)


@pytest.fixture(scope="session")
def small_log() -> OutcomeLog:
    return simulate_log(150, seed=3)


@pytest.fixture(scope="session")
def small_fading(small_log: OutcomeLog) -> FadingCurves:
    return fit_fading(small_log)
