"""Figures draw the numbers they are given, with units, intervals and notes."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast.figures.estimate import (
    plot_candidates,
    plot_estimate,
    plot_hundred,
    plot_reliability,
    plot_subgroups,
)
from forecast.survival import CountDistribution


@pytest.fixture(scope="module")
def estimate(forecaster):
    return forecaster.estimate(forecast.Enquiry("II", "forearm", "black;red", "medium", "single"))


def text_of(figure) -> str:
    return " ".join(note.text or "" for note in figure.layout.annotations).replace("<br>", " ")


def test_the_estimate_figure_draws_every_count_and_what_lies_beyond(estimate):
    figure = plot_estimate(estimate)
    bars = {bar.name: bar for bar in figure.data}
    drawn = np.concatenate([bar.y for bar in figure.data])
    assert drawn.sum() == pytest.approx(1)
    inside = bars["inside the 80 % interval"]
    assert (min(inside.x), max(inside.x)) == (estimate.interval[0], estimate.interval[1] or 25)
    assert list(bars["not clear after 25"].y) == [estimate.not_within_horizon]
    assert figure.layout.xaxis.title.text == "sessions needed here"
    assert "8 of 10 clients like this need" in figure.layout.title.text
    assert str(estimate.notes[0])[:40] in text_of(figure)


def test_of_a_hundred_clients_the_curve_is_the_chance_by_each_session(estimate):
    figure = plot_hundred(estimate)
    curve = next(trace for trace in figure.data if trace.name == "clear by then")
    assert_allclose(curve.y[:-1], [100 * estimate.chance_by(n) for n in range(1, 26)])
    assert figure.layout.yaxis.title.text == "clients of 100"
    # the last step is seen: it goes on for a session's width
    assert (curve.x[-1], curve.y[-1]) == (26, curve.y[-2])
    assert figure.layout.xaxis.range[1] == 26


def test_where_the_log_ends_is_written_above_the_curve(estimate):
    figure = plot_hundred(replace(estimate, supported_to=12))
    note = next(one for one in figure.layout.annotations if "beyond this log" in one.text)
    # on the upper edge of the plot and upwards from there
    assert (note.y, note.yanchor) == (1, "bottom")


def test_a_title_says_an_interval_of_one_number_as_that_number(estimate):
    sure = replace(estimate, distribution=CountDistribution(np.eye(1, estimate.horizon)))
    assert plot_estimate(sure).layout.title.text.endswith("need 1 session")


def test_no_figure_has_a_button_that_sends_data_out(estimate):
    for figure in (plot_estimate(estimate), plot_hundred(estimate)):
        assert "sendChartToCloud" in figure.layout.template.layout.modebar.remove


def test_the_figures_of_a_check_draw_its_tables(forecaster):
    found = forecaster.assessment
    candidates = plot_candidates(found)
    chosen = next(trace for trace in candidates.data if trace.name == "chosen")
    assert list(chosen.y) == [found["model"]]
    groups = plot_subgroups(found)
    assert sum(len(trace.x) for trace in groups.data) == len(found["subgroups"])
    reliability = plot_reliability(found)
    assert {trace.name for trace in reliability.data} >= {"promise kept", "by session 10"}


def test_a_title_never_says_about_more_than(estimate):
    beyond = replace(estimate, distribution=CountDistribution(0 * estimate.distribution.pmf))
    assert plot_estimate(beyond).layout.title.text.startswith("More than 25")
    assert "more than 25 to more than" not in plot_estimate(beyond).layout.title.text
