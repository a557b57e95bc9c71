"""Every picture speaks the language that it is asked for, its numbers and hover remarks too."""

import re
from functools import partial

import numpy as np
import pytest

import forecast
from benchmarks.clinics import simulate_split_trial
from forecast import figures
from forecast.figures.template import LONGEST

ENQUIRY = forecast.Enquiry("II", "forearm", "black;red", "medium", "single")
TARIFF = forecast.Tariff(currency="EUR", session_price=150, cost_per_session=90, cap=15)
ENGLISH = re.compile(
    r"\b(the|of|courses?|sessions?|clients?|interval|year|month|needed|cleared|not|with|by|ink)\b"
)


@pytest.fixture(scope="module")
def drawn(forecaster, invented_log):
    """Return what draws each picture, by its name."""
    estimate, log = forecaster.estimate(ENQUIRY), invented_log
    package, mix = forecast.Package("fixed", cap=15), [ENQUIRY] * 20
    prices = forecast.make_price_list(forecaster, mix * 3, package, TARIFF, bands=1)
    book = forecast.price_caseload(forecaster, mix, package, TARIFF, replicates=200)
    fading, report = forecast.fit_fading(log), forecast.fit_reactions(log)
    compared = forecast.compare_regimes(log, replicates=20)
    other = forecast.simulate_log(150, seed=99)
    other = other.where(other.courses["started_on"] < "2023")
    laser = forecast.what_would_change(log, [694], price=60000, worth_cleared=900)
    return {
        "watch": (figures.plot_watch, forecast.assess_forecaster(forecaster, other)),
        "sensitivity": (partial(figures.plot_sensitivity, currency="EUR"), book.sensitivity),
        "laser change": (partial(figures.plot_laser_change, price=60000), laser),
        "uptake": (lambda _, language: figures.plot_uptake_table(language=language), None),
        "estimate": (figures.plot_estimate, estimate),
        "hundred": (figures.plot_hundred, estimate),
        "candidates": (figures.plot_candidates, forecaster.assessment),
        "reliability": (figures.plot_reliability, forecaster.assessment),
        "subgroups": (figures.plot_subgroups, forecaster.assessment),
        "quote": (figures.plot_quote, forecast.price_package(estimate, package, TARIFF)),
        "book": (figures.plot_book, book),
        "price list": (figures.plot_price_list, prices),
        "appointments": (
            figures.plot_appointments, forecast.forecast_appointments(forecaster, log)
        ),
        "curves": (figures.plot_curves, compared),
        "readings": (figures.plot_readings, compared),
        "balance": (figures.plot_balance, compared),
        "followers": (figures.plot_followers, compared),
        "tipping": (figures.plot_tipping, compared),
        "fading": (figures.plot_fading, fading),
        "shares": (figures.plot_fading_shares, fading),
        "split": (figures.plot_split_fading, forecast.fit_fading(simulate_split_trial(30, seed=1))),
        "funnel": (figures.plot_operator_funnel, report.operators),
        "rates": (figures.plot_reaction_rates, report),
        "reach": (figures.plot_log_reach, forecast.log_reach(log)),
    }  # fmt: skip


def words_of(figure) -> list[str]:
    """Return every text of a figure, also what is seen when it is pointed at."""
    axes = [*figure.select_xaxes(), *figure.select_yaxes()]
    said = [figure.layout.title.text, *(axis.title.text for axis in axes)]
    said += [note.text for note in figure.layout.annotations]
    for trace in figure.data:
        said += [trace.name, *trace.x, *trace.y, trace.hovertemplate]
        for under in (trace.text, trace.hovertext, trace.customdata):
            said += np.ravel([] if under is None else under).tolist()
    return [one for one in said if isinstance(one, str)]


@pytest.mark.slow
def test_a_picture_speaks_the_language_asked_for(drawn):
    for name, (plot, result) in drawn.items():
        english, german = (words_of(plot(result, language=code)) for code in ("en", "de"))
        assert any(ENGLISH.search(one) for one in english), name
        assert [one for one in german if ENGLISH.search(one)] == [], name
        assert len(english) == len(german), name


def test_what_marks_a_region_lies_below_the_points(drawn):
    for name in ("readings", "balance"):
        plot, result = drawn[name]
        shapes = plot(result).layout.shapes
        assert [one.layer for one in shapes if one.type == "rect"] == ["below"], name
    plot, result = drawn["fading"]
    bands = [bool(one.fillcolor) for one in plot(result).data]
    assert bands == sorted(bands, reverse=True)  # all of them before the first line


def test_every_picture_is_among_them(drawn):
    names = {name for name in dir(figures) if name.startswith("plot_")} - {"plot_uptake_table"}
    plots = {getattr(plot, "func", plot).__name__ for plot, _ in drawn.values()} - {"<lambda>"}
    assert plots == names


def test_numbers_in_a_picture_have_the_marks_of_its_language(drawn):
    plot, result = drawn["shares"]
    marks = {code: plot(result, language=code).layout.separators for code in ("en", "de")}
    assert marks == {"en": ".,", "de": ",."}
    assert figures.plot_uptake_table(language="de").data[0].y[0] == "schwarz"


def test_notes_below_a_picture_end_within_a_laptops_width(drawn):
    for name, (plot, result) in drawn.items():
        figure = plot(result, language="de")
        lines = [line for one in figure.layout.annotations for line in str(one.text).split("<br>")]
        assert [line for line in lines if len(line) > LONGEST] == [], name
        assert figure.layout.template.layout.xaxis.exponentformat == "none", name
