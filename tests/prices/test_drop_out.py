"""Drop-out by package: sessions held alike, shrunk where there is little to go by."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from forecast.errors import RequestError
from forecast.prices.backtest import stop_factors


def log(*courses):
    frame = pd.DataFrame(courses, columns=["package", "sessions_given", "outcome"])
    return SimpleNamespace(courses=frame)


def by_package(made, **options):
    return {found.package: found for found in stop_factors(made, **options)}


def test_expected_stops_are_those_of_all_clients_at_the_same_session():
    # after session 1 two of four stop, after session 2 none of two who could
    found = by_package(
        log(("a", 1, "stopped"), ("a", 3, "cleared"), ("b", 1, "stopped"), ("b", 3, "ongoing"))
    )
    assert found["a"].expected == found["b"].expected == pytest.approx(1.0)
    assert found["a"].factor == found["b"].factor == pytest.approx(1.0)


def test_observed_and_expected_stops_have_the_same_sum():
    rng = np.random.default_rng(4)
    rows = zip(
        rng.choice(["a", "b", "c"], 300),
        rng.geometric(0.2, 300),
        rng.choice(["stopped", "cleared", "ongoing", "lightened"], 300),
        strict=True,
    )
    found = stop_factors(log(*rows))
    assert sum(one.stops for one in found) == pytest.approx(sum(one.expected for one in found))


def test_a_package_hardly_sold_is_drawn_to_one():
    many = [("a", 5, "cleared")] * 200 + [("a", 2, "stopped")] * 40
    found = by_package(log(*many, ("rare", 1, "stopped")))
    assert 1 < found["rare"].factor < 1.3
    assert found["rare"].low < 1 < found["rare"].high


def test_a_known_ratio_is_found():
    rng = np.random.default_rng(9)
    rows = []
    for package, hazard in (("loyal", 0.05), ("free", 0.15)):
        stop, clear = rng.geometric(hazard, 4000), rng.geometric(0.1, 4000)
        for s, c in zip(stop, clear, strict=True):
            rows.append((package, int(min(s, c)), "stopped" if s < c else "cleared"))
    found = by_package(log(*rows))
    assert found["free"].factor / found["loyal"].factor == pytest.approx(3, rel=0.08)
    assert found["loyal"].low < found["loyal"].factor < found["loyal"].high


def test_a_log_without_packages_is_refused():
    with pytest.raises(RequestError, match="which package was sold"):
        stop_factors(log((None, 3, "cleared")))
