"""One invented log and one forecaster for all tests that only look at them."""

import os

import pytest
from hypothesis import settings

import forecast
from forecast.forecaster import Forecaster
from forecast.log import OutcomeLog

# Tests stand side by side already; to start workers costs more than most of the fits here, and
# numpy's own threads would wait for each other.
os.environ.setdefault("FORECAST_WORKERS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
# no test is timed: a busy machine would fail it
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def invented_log() -> OutcomeLog:
    """300 courses of a clinic that is not the shipped one."""
    return forecast.simulate_log(300, seed=11)


@pytest.fixture(scope="session")
def forecaster(invented_log: OutcomeLog) -> Forecaster:
    """A forecaster fitted to that log."""
    return forecast.fit_forecaster(invented_log, seed=1)
