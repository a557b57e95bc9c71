"""Pictures of how estimates turned out: candidates, reliability, groups."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from forecast.figures.template import COLOURS, titled

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["plot_candidates", "plot_reliability", "plot_subgroups"]

Z95 = 1.96
SYMBOLS = {"holds": "circle", "cannot say": "circle-open", "fails": "x"}
SHADES = {"holds": "third", "cannot say": "grey", "fails": "contrast"}


def plot_candidates(assessment: Mapping[str, Any]) -> go.Figure:
    """Draw how far each candidate's out-of-fold log score lies behind the best."""
    import plotly.graph_objects as go

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
    import plotly.graph_objects as go

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
    import plotly.graph_objects as go

    rows = [row for row in assessment["subgroups"] if row["coverage"] is not None]
    level = assessment["coverage"]["level"]
    figure = go.Figure()
    for verdict, symbol in SYMBOLS.items():
        some = [row for row in rows if row["verdict"] == verdict]
        coverage = [row["coverage"] for row in some]
        figure.add_scatter(
            x=coverage,
            y=[f"{row['factor']}: {row['label']} ({row['n_events']} finished)" for row in some],
            error_x={
                "symmetric": False,
                "array": [row["coverage_high"] - row["coverage"] for row in some],
                "arrayminus": [row["coverage"] - row["coverage_low"] for row in some],
            },
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
