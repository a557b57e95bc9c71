"""One invented clinic and its comparison, for the whole room."""

import pytest

from benchmarks.clinics import simulate_clinic, study_world
from forecast.invented import simulate_log
from forecast.regimes.compare import compare_regimes


@pytest.fixture(scope="package")
def clinic():
    return simulate_clinic(600, seed=3, world=study_world("two saved"))


@pytest.fixture(scope="package")
def log(clinic):
    return clinic.log


@pytest.fixture(scope="package")
def comparison(log):
    return compare_regimes(log, strategies=("ns", "ps", "ns:4>ps"), horizon=10, replicates=60)


@pytest.fixture(scope="package")
def found_alone(log):
    return compare_regimes(log, strategies=("ns", "ps", "ns:4-ps"), replicates=40, by="smoker")


@pytest.fixture(scope="package")
def practice():
    return simulate_log(400, seed=5)
