"""Figures show in a notebook and in what is exported from it, without a network."""

from pathlib import Path

import pytest

from forecast.figures.template import drawing, show_in_exports, titled, whiskers


@pytest.mark.slow
def test_an_exported_notebook_holds_all_it_takes_to_draw_its_figure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    nbconvert = pytest.importorskip("nbconvert")
    import nbformat
    from nbclient import NotebookClient

    sources = [
        "from forecast.figures.template import show_in_exports\nshow_in_exports()",
        "import plotly.graph_objects as go\ngo.Figure(go.Bar(x=[1, 2], y=[3, 4321]))",
    ]
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(one) for one in sources])
    monkeypatch.setenv("JUPYTER_PLATFORM_DIRS", "1")
    NotebookClient(notebook, timeout=60, kernel_name="python3").execute()
    shown = notebook.cells[1].outputs[-1].data
    # JupyterLab's own extension draws the first, a browser the second
    assert "application/vnd.plotly.v1+json" in shown
    html, _ = nbconvert.HTMLExporter().from_notebook_node(notebook)
    assert "Plotly.newPlot" in html
    assert "4321" in html
    assert "plotly.js v" in html
    assert "cdn.plot.ly/plotly" not in html


def test_the_choice_is_of_both_ways_to_draw():
    import plotly.io as pio

    before = pio.renderers.default
    try:
        show_in_exports()
        assert set(pio.renderers.default.split("+")) == {"plotly_mimetype", "notebook"}
    finally:
        pio.renderers.default = before


def test_a_percent_sign_stands_off_its_number_under_the_pointer():
    figure, say = drawing("en")
    figure.add_scatter(x=[1, 2], y=[0.1, 0.25])
    figure.data[0].error_y = whiskers([0.1, 0.25], [0.05, 0.2], [0.2, 0.3])
    figure.update_yaxes(tickformat=".0%")
    shown = titled(figure, "Shares", say).data[0]
    assert shown.hovertext == ("10 % (5 to 20 %)", "25 % (20 to 30 %)")
    assert shown.hovertemplate == "%{x}: %{hovertext}"
