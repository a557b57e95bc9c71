"""Figures draw the numbers they are given, with units, intervals and notes."""

from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from numpy.testing import assert_allclose

import forecast
from forecast._notes import texts_of
from forecast.counts import Estimate
from forecast.figures.estimate import (
    plot_book,
    plot_candidates,
    plot_estimate,
    plot_hundred,
    plot_price_list,
    plot_quote,
    plot_reliability,
    plot_sensitivity,
    plot_subgroups,
)
from forecast.log import Enquiry
from forecast.prices import (
    Package,
    Tariff,
    Variation,
    make_price_list,
    price_caseload,
    price_package,
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
    assert plot_estimate(sure).layout.title.text.endswith("need 1 session.")


def test_no_figure_has_a_button_that_sends_data_out(estimate):
    for figure in (plot_estimate(estimate), plot_hundred(estimate)):
        assert "sendChartToCloud" in figure.layout.template.layout.modebar.remove


def test_the_figures_of_a_check_draw_its_tables(forecaster):
    found = forecaster.assessment
    candidates = plot_candidates(found)
    chosen = next(trace for trace in candidates.data if trace.name == "chosen")
    assert list(chosen.y) == [texts_of("en")["terms"][found["model"]]]
    groups = plot_subgroups(found)
    assert sum(len(trace.x) for trace in groups.data) == len(found["subgroups"])
    reliability = plot_reliability(found)
    assert {trace.name for trace in reliability.data} >= {"promise kept", "by session 10"}


def test_a_title_never_says_about_more_than(estimate):
    beyond = replace(estimate, distribution=CountDistribution(0 * estimate.distribution.pmf))
    assert plot_estimate(beyond).layout.title.text.startswith("More than 25")
    assert "more than 25 to more than" not in plot_estimate(beyond).layout.title.text


HAND = np.array([0.1, 0.2, 0.3, 0.2, 0.1, 0.1])
TARIFF = Tariff(currency="EUR", session_price=150, cap=6, cost_per_session=100)
FIXED = Package("fixed", price=400)


class Made:
    def estimate_draws(self, enquiries):
        pmf = np.stack([HAND, HAND[::-1]])[:, None]
        return np.repeat(pmf, len(enquiries), axis=1), np.zeros((len(enquiries), 6))


@pytest.fixture(scope="module")
def book():
    asked = [Enquiry("II", "forearm", "black", "light", "single")] * 20
    return price_caseload(Made(), asked, FIXED, TARIFF, replicates=400)


def notes_of(figure):
    return " ".join(note.text for note in figure.layout.annotations).replace("<br>", " ")


def test_a_quote_shows_its_losses_apart_and_carries_its_notes():
    estimate = Estimate(
        enquiry=Enquiry("II", "forearm", "black", "light", "single"),
        distribution=CountDistribution(HAND[None]),
        level=0.8,
        stops=lambda: np.zeros(6),
        draws=HAND[None],
        goal="clear",
        support="well covered",
        own_share=0.5,
        supported_to=6,
        notes=("Two courses with yellow ink in this log.",),
    )
    figure = plot_quote(price_package(estimate, FIXED, TARIFF))
    earns, loses = figure.data
    assert list(earns.x) == [0, 100, 200, 300]
    assert sum(loses.y) == pytest.approx(0.2)
    assert figure.layout.xaxis.title.text == "margin of the course (EUR, net of tax)"
    assert "20 of 100 courses lose money" in figure.layout.title.text
    average = next(note for note in figure.layout.annotations if note.text == "average")
    assert (average.y, average.yanchor) == (1, "bottom")  # above the bars
    assert "Two courses with yellow ink" in notes_of(figure)
    assert "law of the place" in notes_of(figure)


def test_a_quote_that_cannot_lose_says_so_in_its_legend(estimate):
    safe = price_package(estimate, Package("fixed", price=9000), TARIFF)
    figure = plot_quote(safe)
    assert [len(bars.x) for bars in figure.data][1] == 0
    assert figure.layout.showlegend


def test_a_year_shows_both_distributions(book):
    figure = plot_book(book)
    assert [trace.name for trace in figure.data] == [
        "model not known exactly", "model taken as known",
    ]  # fmt: skip
    assert [sum(trace.y) for trace in figure.data] == pytest.approx([1, 1])
    assert figure.layout.shapes[0].x0 == float(book.one_in_twenty)


def test_changes_are_drawn_in_the_order_given():
    rows = [
        Variation("as_it_is", Decimal(70), Decimal(-200), 0.2),
        Variation("prices_higher", Decimal(110), Decimal(-160), 0.1),
    ]
    figure = plot_sensitivity(rows, currency="EUR")
    assert list(figure.data[-1].y) == ["prices 10 % higher", "as it is"]
    assert list(figure.data[-2].x) == [110, 70]


def test_a_price_list_shows_each_band_over_its_own_prices():
    asked = [Enquiry("II", "forearm", "black", "light", "single")] * 30
    made = make_price_list(Made(), asked, FIXED, TARIFF, bands=1)
    own = {"lowest_own": Decimal(300), "highest_own": Decimal(1000)}
    band = replace(made.bands[0], price=Decimal(705), **own)
    figure = plot_price_list(replace(made, bands=(band,), notes=("A note.",)))
    assert list(figure.data[0].x) == [300, 1000]
    assert list(figure.data[-1].x) == [705]
    assert "A note." in notes_of(figure)
