"""One look for every figure, and no button that uploads a clinic's data."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from textwrap import wrap
from typing import Any, TypeAlias

import numpy as np
import plotly.graph_objects as go
import plotly.io as pio
from numpy.typing import ArrayLike

from forecast._notes import Note

Say: TypeAlias = Callable[..., str]
# Okabe and Ito's palette, told apart with any colour vision.
COLOURS = {
    "main": "#0072B2",
    "light": "#9CC7E2",
    "contrast": "#D55E00",
    "third": "#009E73",
    "fourth": "#CC79A7",
    "fifth": "#E69F00",
    "grey": "#666666",
    "band": "rgba(0, 114, 178, 0.32)",
    "contrast_band": "rgba(213, 94, 0, 0.32)",
}
FAINT = 0.35
PLAIN, UNDER = 480, 110  # the height of a figure without notes; its axis, title and legend below
LINE = 16  # of notes
LONGEST = 108  # characters of a note's line, beside long names of rows in a window of 1,000 points
# For write_html and the page: what the layout's template cannot switch off.
CONFIG = {"displaylogo": False, "showSendToCloud": False, "plotlyServerURL": ""}


# A space before the sign, as everywhere else: d3 writes none. Whole percents, and tenths to 20.
TENTHS = [f"{tenths / 10:.1f}" for tenths in range(201)]
PERCENTS = (*map(str, range(-100, 101)), *TENTHS, *(n.replace(".", ",") for n in TENTHS))
LABELS = {n.replace("-", "\N{MINUS SIGN}") + "%": f"{n} %" for n in PERCENTS}


def drawing(language: str) -> tuple[go.Figure, Say]:
    """Return an empty figure, and what says a text of ``notes.picture``: by code and values."""
    return go.Figure(), lambda code, **values: Note(f"picture.{code}", values=values).say(language)


def whiskers(middle: ArrayLike, low: ArrayLike, high: ArrayLike) -> dict[str, object]:
    """Return the bars from ``low`` to ``high`` around ``middle``."""
    above, below = np.subtract(high, middle), np.subtract(middle, low)
    return {"type": "data", "symmetric": False, "array": above, "arrayminus": below}


def dots(
    x: Any, y: Any, name: str, colour: str, symbol: Any = "circle", *, size: int = 12
) -> dict[str, Any]:
    """Return a scatter of points, in a colour by its name here."""
    marker = {"color": COLOURS[colour], "symbol": symbol, "size": size}
    return {"x": x, "y": y, "name": name, "mode": "markers", "marker": marker}


def joined(
    x: Any, y: Any, name: str, colour: str, dash: str = "solid", *, mode: str = "lines+markers"
) -> dict[str, Any]:
    """Return a scatter joined by a line, likewise."""
    line = {"color": COLOURS[colour], "dash": dash}
    return {"x": x, "y": y, "name": name, "mode": mode, "line": line}


def rows_of(figure: go.Figure, names: Sequence[str]) -> None:
    """Have a figure's rows in the order of their ``names``, from above."""
    figure.update_yaxes(
        type="category", categoryorder="array", categoryarray=names[::-1], automargin=True
    )


def shade(
    figure: go.Figure,
    x: ArrayLike,
    edges: Iterable[ArrayLike],
    name: str,
    colour: str,
    *,
    shape: str = "linear",
) -> None:
    """Fill between two edges, the lower one first."""
    for upper, values in enumerate(edges):
        figure.add_scatter(
            x=x,
            y=values,
            mode="lines",
            line={"shape": shape, "width": 0},
            fill="tonexty" if upper else None,
            fillcolor=colour,
            hoverinfo="skip",
            showlegend=bool(upper),
            name=name,
        )
    figure.update_layout(legend_traceorder="normal")  # with such fills it would be turned round


def line(
    figure: go.Figure,
    points: Sequence[Sequence[Any]],
    behind: Sequence[float],
    *,
    few: int,
    text: Sequence[str],
    style: Mapping[str, Any],
) -> None:
    """Draw a line through points, x and y, faint from where fewer than ``few`` stand behind it."""
    cut = next((at for at, n in enumerate(behind) if n < few), len(behind))
    for part, opacity in ((slice(cut + 1), 1.0), (slice(cut, None), FAINT)):
        x, y = (list(values)[part] for values in points)
        if len(x) > 1 or opacity == 1:
            figure.add_scatter(x=x, y=y, text=list(text)[part], opacity=opacity, **style)
            style = {**style, "showlegend": False}


def mark(
    figure: go.Figure, at: float, says: str, *, colour: str = "grey", side: str = "center"
) -> None:
    """Draw a dashed line up through a figure; what it says stands above, its ``side`` there."""
    figure.add_vline(
        x=at,
        line={"dash": "dash", "color": COLOURS[colour]},
        annotation_text=says,
        annotation={"y": 1, "yanchor": "bottom", "xanchor": side},
    )


def titled(
    figure: go.Figure, title: str, say: Say | None = None, notes: Sequence[Note | str] = ()
) -> go.Figure:
    """Return ``figure`` with the package's template, a title, and its notes underneath.

    What is a note is said by ``say``, in the language of the picture; in English without it.

    Examples
    --------
    >>> titled(go.Figure(), "Ten courses").layout.title.text
    'Ten courses'
    """
    say = say or drawing("en")[1]
    template = go.layout.Template(pio.templates["plotly_white"])
    template.layout.update(
        font={"size": 15},
        title={"font": {"size": 18}, "x": 0.02, "xanchor": "left", "yref": "container"},
        colorway=[COLOURS[name] for name in ("main", "contrast", "third", "fourth", "fifth")],
        modebar={"remove": ["sendChartToCloud"]},
        legend={"orientation": "h", "x": 0},
        margin={"l": 70, "r": 30, "t": 70},
    )
    for axis in (template.layout.xaxis, template.layout.yaxis):
        axis.update(exponentformat="none", separatethousands=True)  # 20,000 and no 20k
    lines = [line for note in notes for line in wrap(say("said", what=note), LONGEST)]
    plain, under = figure.layout.height or PLAIN, UNDER + LINE * len(lines)
    figure.update_layout(
        template=template,
        title_text=title,
        separators=say("marks"),
        height=plain + LINE * len(lines),
        margin_b=under,
        legend_y=-65 / (plain - UNDER - 70),
    )
    for one, other, axes in (("x", "y", figure.select_xaxes), ("y", "x", figure.select_yaxes)):
        for axis in axes(lambda axis: str(axis.tickformat).endswith("%")):
            axis.labelalias = LABELS
            _say_percents(figure, one, other, say, digits=axis.tickformat[1])
    if lines:
        figure.add_annotation(
            text="<br>".join(lines),
            xref="paper",
            yref="paper",
            x=0,
            y=0,
            yshift=-UNDER,
            xanchor="left",
            yanchor="top",
            align="left",
            showarrow=False,
            font={"size": 12, "color": COLOURS["grey"]},
        )
    return figure


def _say_percents(figure: go.Figure, one: str, other: str, say: Say, *, digits: str) -> None:
    # under the pointer too a space stands before the sign; a whisker's ends are in the text then
    for trace in figure.data:
        if trace.hoverinfo == "skip" or trace.hovertemplate:
            continue
        said = [say("percent", at=100 * share, digits=digits) for share in trace[one]]
        bars = trace[f"error_{one}"]
        if bars.array is not None:
            low, high = np.subtract(trace[one], bars.arrayminus), np.add(trace[one], bars.array)
            said = [
                say("with_ends", at=at, low=100 * a, high=100 * b, digits=digits)
                for at, a, b in zip(said, low, high, strict=True)
            ]
        more = "" if trace.text is None else "<br>%{text}"
        trace.hovertext, trace.hovertemplate = said, f"%{{{other}}}: %{{hovertext}}{more}"


def show_in_exports() -> None:
    """Let figures of this notebook also show in what is exported from it as HTML, offline too.

    JupyterLab draws a figure by plotly's own extension and needs nothing for it; a page made by
    nbconvert has no extension, so plotly.js is put into the notebook's output, once (5 MB, gone
    when the outputs are cleared). Long lines of text then break between words, not within them.
    Call it in a notebook's first cell.

    Examples
    --------
    >>> show_in_exports()
    >>> pio.renderers.default
    'plotly_mimetype+notebook'
    """
    from IPython import get_ipython

    pio.renderers.default = "plotly_mimetype+notebook"
    if (shell := get_ipython()) is not None:  # long lines of text break between words
        whole_words = ".jp-RenderedText pre { word-break: normal !important; }"
        shell.display_pub.publish({"text/html": f"<style>{whole_words}</style>"})
