"""Pictures of one estimate, and of how estimates turned out: candidates, reliability, groups."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from forecast.figures.template import COLOURS, mark, titled, whiskers

if TYPE_CHECKING:
    from forecast.counts import Estimate

WORDS = {"clear": "clear", "lighten": "light enough"}
Z95 = 1.96
SYMBOLS = {"holds": "circle", "cannot say": "circle-open", "fails": "x"}
SHADES = {"holds": "third", "cannot say": "grey", "fails": "contrast"}


def plot_estimate(estimate: Estimate, *, unit: str = "sessions needed here") -> go.Figure:
    """Draw the chance of each session count, the interval filled, what is beyond set apart.

    ``unit`` is the title of the axis, such as "sessions still needed" for a course under way.
    """
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
        mark(figure, estimate.supported_to + 1, "beyond this log →")
    title = f"Of 100 clients like this, how many are {WORDS[estimate.goal]} by session n"
    return titled(figure, title, estimate.notes)


def plot_candidates(assessment: Mapping[str, Any]) -> go.Figure:
    """Draw how far each candidate's out-of-fold log score lies behind the best."""
    rows = [row for row in assessment["candidates"] if row["behind_best"] is not None]
    figure = go.Figure()
    for chosen in (False, True):
        some = [row for row in rows if row["chosen"] == chosen]
        figure.add_scatter(
            x=[row["behind_best"] for row in some],
            y=[row["model"] for row in some],
            error_x={"array": [row["behind_best_error"] for row in some]},
            mode="markers",
            marker={
                "size": 13,
                "symbol": "diamond" if chosen else "circle",
                "color": COLOURS["contrast" if chosen else "main"],
            },
            name="chosen" if chosen else "not chosen",
        )
    figure.update_xaxes(title_text="log score per session behind the best (lower is better)")
    figure.update_yaxes(
        categoryorder="array", categoryarray=[row["model"] for row in rows][::-1], automargin=True
    )
    return titled(figure, "Candidates, scored on clients they were not fitted to")


def plot_reliability(assessment: Mapping[str, Any]) -> go.Figure:
    """Draw the observed share against the predicted chance, by session."""
    rows = assessment["reliability"]
    figure = go.Figure()
    figure.add_scatter(
        x=[0, 1],
        y=[0, 1],
        mode="lines",
        line={"dash": "dot", "color": COLOURS["grey"]},
        name="promise kept",
    )
    symbols = ("circle", "square", "triangle-up", "diamond")
    for place, step in enumerate(sorted({row["step"] for row in rows})):
        some = [row for row in rows if row["step"] == step and row["observed"] is not None]
        figure.add_scatter(
            x=[row["predicted"] for row in some],
            y=[row["observed"] for row in some],
            error_y={"array": [Z95 * (row["standard_error"] or 0) for row in some]},
            mode="markers",
            marker={"size": 10, "symbol": symbols[place % len(symbols)]},
            name=f"by session {step}",
        )
    figure.update_xaxes(title_text="predicted chance", tickformat=".0%", range=[-0.03, 1.03])
    figure.update_yaxes(title_text="observed share", tickformat=".0%", range=[-0.05, 1.1])
    return titled(figure, "What was promised and what was seen (whiskers: 95 %)")


def plot_subgroups(assessment: Mapping[str, Any]) -> go.Figure:
    """Draw the interval's coverage in each group, with its verdict."""
    rows = [row for row in assessment["subgroups"] if row["coverage"] is not None]
    level = assessment["coverage"]["level"]
    figure = go.Figure()
    for verdict, symbol in SYMBOLS.items():
        some = [row for row in rows if row["verdict"] == verdict]
        coverage = [row["coverage"] for row in some]
        figure.add_scatter(
            x=coverage,
            y=[f"{row['factor']}: {row['label']} ({row['n_events']} finished)" for row in some],
            error_x=whiskers(
                coverage,
                [row["coverage_low"] for row in some],
                [row["coverage_high"] for row in some],
            ),
            mode="markers",
            marker={"size": 12, "symbol": symbol, "color": COLOURS[SHADES[verdict]]},
            name=verdict,
        )
    figure.add_vline(x=level, line={"dash": "dot", "color": COLOURS["grey"]})
    names = [f"{row['factor']}: {row['label']} ({row['n_events']} finished)" for row in rows]
    figure.update_xaxes(title_text="share inside the interval", tickformat=".0%", range=[0, 1.02])
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], automargin=True)
    title = f"Does the {100 * level:.0f} % interval hold in each group? (whiskers: 95 %)"
    return titled(figure, title)
