"""Pictures of fading, reactions and reach draw the numbers they were given, and offer no upload."""

from dataclasses import replace

import pytest

from benchmarks.clinics import simulate_split_trial
from forecast.causal.rates import funnel_limits
from forecast.errors import RequestError
from forecast.fading import fit_fading
from forecast.figures.sessions import (
    plot_fading,
    plot_fading_shares,
    plot_laser_change,
    plot_log_reach,
    plot_operator_funnel,
    plot_reaction_rates,
    plot_split_fading,
    plot_uptake_table,
)
from forecast.invented import simulate_log
from forecast.reach import log_reach, what_would_change
from forecast.reactions import fit_reactions
from forecast.tattoo import INKS


@pytest.fixture(scope="module")
def fading():
    return fit_fading(simulate_log(150, seed=4))


def text_of(figure):
    """Return all annotations with their line breaks taken out."""
    return " ".join(str(note.text) for note in figure.layout.annotations).replace("<br>", " ")


def test_the_curves_are_those_of_the_result(fading):
    figure = plot_fading(fading, ink_group="black")
    for regime in ("ns", "ps"):
        curve = fading.curves.query("regime == @regime and ink_group == 'black'")
        (line,) = (one for one in figure.data if one.name == regime)
        assert list(line.y) == list(curve["faded"])
        low, high = (one for one in figure.data if one.name == f"{regime}, 95 % band")
        assert (list(low.y), list(high.y)) == (list(curve["low"]), list(curve["high"]))
    assert figure.layout.yaxis.title.text == "faded, percent"
    assert str(fading.assumption).split(":")[0] in text_of(figure)
    assert "cleared: 95 %" in text_of(figure)


def test_the_middle_courses_can_be_drawn_instead(fading):
    figure = plot_fading(fading, middle=True)
    assert any("middle 8 of 10" in str(one.name) for one in figure.data)


def test_an_unknown_ink_group_is_refused(fading):
    with pytest.raises(RequestError, match="Choose one of all"):
        plot_fading(fading, ink_group="blue")


def test_shares_are_drawn_with_their_intervals(fading):
    figure = plot_fading_shares(fading)
    ns = fading.shares[fading.shares["regime"] == "ns"]
    assert list(figure.data[0].x) == list(ns["share"])
    assert list(figure.data[0].error_x.array) == pytest.approx(list(ns["high"] - ns["share"]))


def test_what_cannot_be_said_is_drawn_hollow_and_named(fading):
    figure = plot_fading_shares(
        replace(fading, shares=fading.shares.assign(reason="interval_too_wide"))
    )
    assert all(symbol.endswith("-open") for symbol in figure.data[0].marker.symbol)
    assert set(figure.data[0].text) == {"cannot say"}
    assert not any(s.endswith("-open") for s in plot_fading_shares(fading).data[0].marker.symbol)


def test_split_tattoos_are_drawn_as_pairs(fading):
    with pytest.raises(RequestError, match="no split tattoos"):
        plot_split_fading(fading)
    trial = fit_fading(simulate_split_trial(30, seed=1))
    figure = plot_split_fading(trial)
    assert list(figure.data[2].y) == list(trial.split.curves["difference"])
    assert f"{trial.split.n_pairs} pairs" in text_of(figure)


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
    assert curve.y[5] == funnel_limits(int(curve.x[5]), report.operators.target)[1]


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
    line = figures["change"].data[-1]
    assert line.y[0] == -40_000
    gained = (line.y[1] - line.y[0]) * change.break_even_years
    assert gained == pytest.approx(40_000)
