"""Figures of reactions and reach draw the numbers they were given, and no upload button."""

import pytest

from forecast.figures.reactions import (
    plot_laser_change,
    plot_log_reach,
    plot_operator_funnel,
    plot_reaction_rates,
    plot_uptake_table,
)
from forecast.invented import simulate_log
from forecast.reach import log_reach, what_would_change
from forecast.reactions import fit_reactions
from forecast.tattoo import INKS


@pytest.fixture(scope="module")
def log():
    return simulate_log(200, seed=1)


@pytest.fixture(scope="module")
def report(log):
    return fit_reactions(log)


@pytest.fixture(scope="module")
def change(log):
    return what_would_change(
        log, (755,), regime="ns", on="2019-06-30", price=40_000, worth_cleared=900
    )


@pytest.fixture(scope="module")
def figures(log, report, change):
    return {
        "funnel": plot_operator_funnel(report.operators),
        "rates": plot_reaction_rates(report),
        "reach": plot_log_reach(log_reach(log)),
        "inks": plot_uptake_table(),
        "change": plot_laser_change(change, price=40_000),
    }


def test_funnel_shows_codes_and_never_names(figures, report):
    shown = [
        text
        for trace in figures["funnel"].data
        for text in list(trace.text if trace.text is not None else [])
    ]
    assert sorted(shown) == sorted(report.operators.table["operator"])
    assert "op1" not in figures["funnel"].to_json()


def test_funnel_curves_are_the_exact_limits(figures, report):
    curve = figures["funnel"].data[1]
    assert curve.y[5] == report.operators.limits(int(curve.x[5]), level=0.95)[1]


def test_rates_are_those_of_the_report(figures, report):
    rates = report.rates.set_index(["unit", "by", "group", "outcome"])["rate"]
    (trace,) = figures["rates"].data
    assert list(trace.x) == [rates["session", "regime", group, "any"] for group in trace.y]


def test_ink_table_has_a_row_for_every_ink(figures):
    (heat,) = figures["inks"].data
    assert list(heat.y) == [ink.replace("_", " ") for ink in INKS]
    assert heat.text[INKS.index("green")][list(heat.x).index("755 nm")] == "strong"


@pytest.mark.parametrize("name", ["funnel", "rates", "reach", "inks", "change"])
def test_no_figure_offers_to_upload(figures, name):
    assert figures[name].layout.template.layout.modebar.remove == ("sendChartToCloud",)


@pytest.mark.parametrize("name", ["funnel", "rates", "reach", "change"])
def test_axes_say_what_they_measure(figures, name):
    assert figures[name].layout.xaxis.title.text
    assert figures[name].layout.yaxis.title.text


def test_a_laser_starts_at_its_price_and_crosses_zero_when_it_is_earned_back(figures, change):
    line = figures["change"].data[1]
    assert line.y[0] == -40_000
    gained = (line.y[1] - line.y[0]) * change.break_even_years
    assert gained == pytest.approx(40_000)
