"""A clinic whose lasers are known, shared by the tests of the room."""

import pytest

from forecast.invented import simulate_log


@pytest.fixture(scope="session")
def invented():
    from forecast.invented.world import OwnedLaser, World

    fleet = (OwnedLaser("yag", "ns", (532, 1064), -2.0), OwnedLaser("pico", "ps", (532, 1064), 4.0))
    return simulate_log(400, seed=2, world=World(fleet=fleet))
