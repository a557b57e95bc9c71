"""The pictures of a comparison draw the numbers they were given."""

import pytest
from numpy.testing import assert_allclose

from forecast.figures.regimes import (
    plot_balance,
    plot_curves,
    plot_followers,
    plot_readings,
    plot_tipping,
)
from forecast.invented import World, simulate_log
from forecast.regimes import compare_regimes


@pytest.fixture(scope="module")
def comparison():
    log = simulate_log(400, seed=1, world=World.scenario("one saved"))
    return compare_regimes(log, horizon=7, replicates=30)


def test_curves_show_the_share_cleared(comparison):
    figure = plot_curves(comparison)
    drawn = {trace.name: trace for trace in figure.data if not trace.fillcolor}
    assert list(drawn) == ["ns", "ps"]
    table = comparison.curves.query("group == 'all' and strategy == 'ps'")
    assert_allclose(drawn["ps"].y[1:-1], 1 - table["survival"])
    assert figure.layout.xaxis.title.text == "sessions"


def test_curves_show_their_intervals_and_the_last_step_to_its_end(comparison):
    figure = plot_curves(comparison)
    for name in ("ns", "ps"):
        low, high = (one for one in figure.data if one.name == f"{name}, 95 % interval")
        line = next(one for one in figure.data if one.name == name)
        table = comparison.curves.query("group == 'all' and strategy == @name")
        assert_allclose(low.y[1:-1], 1 - table["high"])
        assert_allclose(high.y[1:-1], 1 - table["low"])
        assert high.fill == "tonexty"
        # the step at the last session is seen: it goes on for a session's width
        assert line.x[-2:] == (table["session"].max(), table["session"].max() + 1)
        assert line.y[-1] == line.y[-2]
        assert figure.layout.xaxis.range[1] >= line.x[-1]


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
