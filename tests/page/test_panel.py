"""The panel in a notebook shows the page's answer and follows its controls."""

import re
from typing import Any

import pytest

import forecast
from forecast.forecaster import Forecaster
from forecast.page.desk import Desk
from forecast.page.panel import estimate_panel

pytest.importorskip("ipywidgets")


def parts_of(panel: Any) -> tuple[dict[str, Any], Any, Any]:
    """Return the controls by their label, the slider, and what is shown."""
    controls, (slider, shown) = panel.children[0], panel.children[1].children
    return {one.description: one for one in controls.children}, slider, shown


def test_the_panel_says_what_the_forecaster_says(forecaster: Forecaster):
    controls, slider, shown = parts_of(estimate_panel(forecaster))
    low, high = map(int, re.search(r"need (\d+) to (\d+)", shown.value).groups())  # type: ignore[union-attr]
    assert (low < high, slider.value) == (True, high)
    controls["inks"].value = ("black", "red")
    controls["body site"].value = "foot"
    controls["Fitzpatrick type"].value = "V"
    controls["ink density"].value = "heavy"
    controls["layering"].value = "single"
    estimate = forecaster.estimate(forecast.Enquiry("V", "foot", "black;red", "heavy", "single"))
    assert f"About {estimate.median} sessions" in shown.value
    slider.value = 7
    assert "By session 7:" in shown.value


def test_a_wrong_number_is_told_and_does_not_break_the_panel(forecaster: Forecaster):
    controls, _, shown = parts_of(estimate_panel(forecaster))
    controls["age"].value = "<b>old</b>"
    assert "0 to 110" in shown.value
    assert "<b>" not in shown.value
    controls["age"].value = "30"
    assert "About" in shown.value


def test_prices_come_with_a_tariff_and_words_with_a_language(forecaster: Forecaster, desk: Desk):
    _, _, shown = parts_of(estimate_panel(forecaster, tariff=desk.tariff, language="de"))
    assert "Preis inkl. Steuer" in shown.value
    assert "Sitzungen" in shown.value
    _, _, plain = parts_of(estimate_panel(forecaster))
    assert "<table>" not in plain.value
