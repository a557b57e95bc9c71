"""Fading figures draw the numbers of the result, with its interval and its notes."""

import pytest

from forecast.errors import RequestError
from forecast.fading import fit_fading
from forecast.figures.fading import plot_fading, plot_fading_shares, plot_split_fading
from forecast.invented import simulate_log, simulate_split_trial


@pytest.fixture(scope="module")
def fading():
    return fit_fading(simulate_log(300, seed=4))


def text_of(figure):
    """Return all annotations with their line breaks taken out."""
    return " ".join(str(note.text) for note in figure.layout.annotations).replace("<br>", " ")


def test_the_curves_are_those_of_the_result(fading):
    figure = plot_fading(fading, ink_group="black")
    for regime in ("ns", "ps"):
        curve = fading.curves.query("regime == @regime and ink_group == 'black'")
        (line,) = (one for one in figure.data if one.name == regime)
        assert list(line.y) == list(curve["faded"])
        (band,) = (one for one in figure.data if one.name == f"{regime}, 95 % band")
        assert min(band.y) == curve["low"].min()
    assert figure.layout.yaxis.title.text == "faded, percent"
    assert fading.assumption.split(":")[0] in text_of(figure)
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


def test_split_tattoos_are_drawn_as_pairs(fading):
    with pytest.raises(RequestError, match="no split tattoos"):
        plot_split_fading(fading)
    trial = fit_fading(simulate_split_trial(30, seed=1))
    figure = plot_split_fading(trial)
    assert list(figure.data[2].y) == list(trial.split.curves["difference"])
    assert f"{trial.split.n_pairs} pairs" in text_of(figure)
