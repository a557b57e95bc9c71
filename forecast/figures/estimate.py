"""Pictures of one estimate: the chance of each session count, and of 100 clients like this."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from forecast.figures.template import COLOURS, titled

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from forecast.counts import Estimate

__all__ = ["plot_estimate", "plot_hundred"]

WORDS = {"clear": "clear", "lighten": "light enough"}


def plot_estimate(estimate: Estimate, *, unit: str = "sessions needed here") -> go.Figure:
    """Draw the chance of each session count, the interval filled, what is beyond set apart.

    ``unit`` is the title of the axis, such as "sessions still needed" for a course under way.
    """
    import plotly.graph_objects as go

    steps = np.arange(1, estimate.horizon + 1)
    pmf = estimate.distribution.pmf[0]
    low, high = estimate.interval
    inside = (steps >= (low or estimate.horizon + 1)) & (steps <= (high or estimate.horizon))
    figure = go.Figure()
    for name, shown, colour in (
        (f"inside the {100 * estimate.level:.0f} % interval", inside, COLOURS["main"]),
        ("outside it", ~inside, COLOURS["light"]),
    ):
        figure.add_bar(x=steps[shown], y=pmf[shown], name=name, marker_color=colour)
    figure.add_bar(
        x=[estimate.horizon + 2],
        y=[estimate.not_within_horizon],
        name=f"not {WORDS[estimate.goal]} after {estimate.horizon}",
        marker={"color": COLOURS["contrast"], "pattern": {"shape": "/"}},
    )
    ticks = [n for n in range(1, estimate.horizon + 1) if n == 1 or n % 5 == 0]
    figure.update_xaxes(
        title_text=unit,
        tickvals=[*ticks, estimate.horizon + 2],
        ticktext=[*map(str, ticks), f">{estimate.horizon}"],
    )
    figure.update_yaxes(title_text="probability", tickformat=".0%", rangemode="tozero")
    about = "About " if estimate.median is not None else ""
    title = f"{about}{estimate.spoken(estimate.median)}"
    if low is not None:
        title += f"; {estimate.level * 10:g} of 10 clients like this need {estimate.range_text()}"
    title = title[0].upper() + title[1:]
    return titled(figure, title, estimate.notes)


def plot_hundred(estimate: Estimate) -> go.Figure:
    """Draw how many of 100 clients like this have reached the goal by each session."""
    import plotly.graph_objects as go

    # the last value twice: its tread is as wide as the others
    steps = np.arange(1, estimate.horizon + 2)
    reached = 100 * np.pad(estimate.distribution.cdf()[0], (0, 1), mode="edge")
    spread = 100 * np.quantile(np.cumsum(estimate.draws, axis=1), [0.1, 0.9], axis=0)
    spread = np.pad(spread, ((0, 0), (0, 1)), mode="edge")
    figure = go.Figure()
    for place, edge in enumerate(spread):
        figure.add_scatter(
            x=steps,
            y=edge,
            line={"shape": "hv", "width": 0},
            fill="tonexty" if place else None,
            fillcolor=COLOURS["band"],
            hoverinfo="skip",
            showlegend=bool(place),
            name="what the model itself is unsure of (8 of 10)",
        )
    figure.add_scatter(
        x=steps,
        y=reached,
        line={"shape": "hv", "color": COLOURS["main"], "width": 3},
        name=f"{WORDS[estimate.goal]} by then",
    )
    figure.add_hline(y=50, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text="sessions had here", dtick=5, range=[0.5, estimate.horizon + 1])
    figure.update_yaxes(title_text="clients of 100", range=[0, 100])
    if estimate.supported_to < estimate.horizon:
        figure.add_vline(
            x=estimate.supported_to + 1,
            line={"dash": "dash", "color": COLOURS["grey"]},
            annotation_text="beyond this log →",
            annotation={"y": 1, "yanchor": "bottom", "xanchor": "center"},
        )
    title = f"Of 100 clients like this, how many are {WORDS[estimate.goal]} by session n"
    return titled(figure, title, estimate.notes)
