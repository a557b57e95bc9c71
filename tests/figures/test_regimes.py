"""The pictures of a comparison draw the numbers they were given."""

import pytest
from numpy.testing import assert_allclose

from forecast.clinic.regimes import compare_regimes
from forecast.clinic.simulate import World, simulate_log
from forecast.figures.regimes import (
    plot_balance,
    plot_curves,
    plot_followers,
    plot_readings,
    plot_tipping,
)


@pytest.fixture(scope="module")
def comparison():
    log = simulate_log(400, seed=1, world=World.scenario("one saved"))
    return compare_regimes(log, horizon=7, replicates=30)


def test_curves_show_the_share_cleared(comparison):
    figure = plot_curves(comparison)
    assert [trace.name for trace in figure.data] == ["ns", "ps"]
    table = comparison.curves.query("group == 'all' and strategy == 'ps'")
    assert_allclose(figure.data[1].y[1:], 1 - table["survival"])
    assert figure.layout.xaxis.title.text == "sessions"


def test_readings_stand_side_by_side_with_their_intervals(comparison):
    figure = plot_readings(comparison)
    fair, plain = figure.data
    assert fair.x[0] == comparison.difference["ps - ns"].estimate
    low, high = comparison.difference["ps - ns"].interval
    assert fair.error_x.array[0] == pytest.approx(high - fair.x[0])
    assert fair.error_x.arrayminus[0] == pytest.approx(fair.x[0] - low)
    assert list(plain.y) == [reading.name for reading in comparison.naive]
    assert "sessions" in figure.layout.xaxis.title.text


def test_balance_shows_before_and_after(comparison):
    figure = plot_balance(comparison)
    table = comparison.diagnostics.balance.query("session == 1 and abs(before) > 1e-9")
    assert_allclose(figure.data[0].x, table["before"])
    assert_allclose(figure.data[1].x, table["after"])


def test_followers_are_counted(comparison):
    figure = plot_followers(comparison)
    assert list(figure.data[0].y) == list(comparison.diagnostics.at_risk["ns"])


def test_tipping_points_are_laid_out(comparison):
    figure = plot_tipping(comparison)
    assert list(figure.data[0].x) == ["0", "0.5", "1", "2", "4", "inf"]
    like = figure.data[0].z[2][2]
    assert like == pytest.approx(comparison.difference["ps - ns"].estimate)
    with pytest.raises(ValueError, match="nothing to tip"):
        plot_tipping(comparison, key="ns - ps")
