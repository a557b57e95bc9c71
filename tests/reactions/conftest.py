"""One log and what its reactions say, for all tests that only look at them."""

import pytest

from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from forecast.reactions import ReactionReport, fit_reactions


@pytest.fixture(scope="session")
def log() -> OutcomeLog:
    return simulate_log(400, seed=1)


@pytest.fixture(scope="session")
def report(log: OutcomeLog) -> ReactionReport:
    return fit_reactions(log)
