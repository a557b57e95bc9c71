"""In a browser no figure offers to send a clinic's data anywhere."""

import pytest

import forecast
from forecast.figures.estimate import plot_estimate
from forecast.figures.template import CONFIG


@pytest.mark.parametrize("config", [CONFIG, None], ids=["our config", "layout alone"])
def test_the_bar_over_a_figure_has_no_button_that_uploads(forecaster, browser, tmp_path, config):
    enquiry = forecast.Enquiry("II", "forearm", "black", "medium", "single")
    path = tmp_path / "figure.html"
    figure = plot_estimate(forecaster.estimate(enquiry))
    figure.write_html(path, include_plotlyjs="directory", config=config)
    page = browser.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector(".modebar-btn", state="attached")
    titles = page.eval_on_selector_all(
        ".modebar-btn", "buttons => buttons.map(b => b.getAttribute('data-title') || '')"
    )
    page.close()
    assert any("Zoom" in title for title in titles)
    assert not any("hare" in title or "loud" in title for title in titles)
