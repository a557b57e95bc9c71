"""What drives an estimate: which attribute, which way, and of what."""

from dataclasses import replace

import pytest

import forecast


def test_drivers_name_what_differs_from_the_reference_and_which_way(forecaster):
    enquiry = forecast.Enquiry("III", "shoulder", "black;green", "heavy", "single", smoker="yes")
    found = {driver.attribute: driver for driver in forecaster.drivers(enquiry)}
    assert set(found) == {"inks", "ink_density", "smoker"}
    for driver in found.values():
        assert driver.difference > 0
        assert driver.interval[0] <= driver.difference <= driver.interval[1]
        assert "instead of" in driver.to_text()
    plain = forecast.Enquiry("III", "shoulder", "black", "medium", "single")
    assert forecaster.drivers(plain) == ()


@pytest.mark.parametrize("inks", ["white", "brown;white;flesh"])
def test_drivers_of_what_lies_beyond_the_horizon_are_chances_by_then_and_no_counts(
    forecaster, inks
):
    hard = forecast.Enquiry("III", "shoulder", inks, "heavy", "single")
    found = {driver.attribute: driver for driver in forecaster.drivers(hard)}
    easier = {
        "inks": replace(hard, inks="black"),
        "ink_density": replace(hard, ink_density="medium"),
    }
    assert set(found) == set(easier)
    for name, driver in found.items():
        by_then, instead = (
            1 - forecaster.estimate(each).not_within_horizon for each in (hard, easier[name])
        )
        assert driver.by_session == forecaster.horizon
        assert driver.difference == pytest.approx(by_then - instead, abs=0.1)
        assert -1 <= driver.interval[0] <= driver.difference <= driver.interval[1] <= 1
        assert f"of 100 there by session {forecaster.horizon} (" in driver.to_text()
        assert driver.to_dict()["by_session"] == forecaster.horizon
    assert found["inks"].difference < -0.3


def test_drivers_are_counts_where_all_that_is_compared_is_within_the_horizon(forecaster):
    easy = forecast.Enquiry("III", "shoulder", "black", "heavy", "single")
    (driver,) = forecaster.drivers(easy)
    plain = forecaster.estimate(replace(easy, ink_density="medium"))
    assert driver.by_session is None
    assert driver.difference == pytest.approx(
        forecaster.estimate(easy).median - plain.median, abs=1.1
    )
