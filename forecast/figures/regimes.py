"""Pictures of a regime comparison: curves, the readings side by side, balance, tipping points."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, TypeVar

import plotly.graph_objects as go

from forecast.figures.template import COLOURS, titled, whiskers

if TYPE_CHECKING:
    import pandas as pd

    from forecast.regimes import Contrast, RegimeComparison

T = TypeVar("T")
STRATEGY_COLOURS = ("main", "contrast", "third", "fourth", "fifth")
BANDS = (
    COLOURS["band"],
    COLOURS["contrast_band"],
    "rgba(0, 158, 115, 0.18)",
    "rgba(204, 121, 167, 0.18)",
    "rgba(230, 159, 0, 0.18)",
)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
ALIKE = 0.1  # a standardised difference below this is called balanced


def plot_curves(comparison: RegimeComparison, *, group: str = "all") -> go.Figure:
    """Draw the weighted share cleared by each session under each strategy, with its interval."""
    figure = go.Figure()
    table = comparison.curves[comparison.curves["group"] == group]
    parts = [(name, table[table["strategy"] == name]) for name in comparison.strategies]
    for place, (name, part) in enumerate(parts):
        _add_band(figure, part, name, comparison.level, BANDS[place % 5])
    for place, (name, part) in enumerate(parts):
        figure.add_scatter(
            x=_treads(part["session"]),
            y=_to_the_end([0.0, *(1 - part["survival"])]),
            mode="lines",
            line={
                "shape": "hv",
                "color": COLOURS[STRATEGY_COLOURS[place % 5]],
                "dash": DASHES[place % 5],
                "width": 3,
            },
            text=_to_the_end(["", *(f"{n} at risk" for n in part["at_risk"])]),
            name=name,
        )
    # a tread is as wide as a session, the last one too
    last = 1 + max((int(part["session"].max()) for _, part in parts if len(part)), default=0)
    figure.update_xaxes(title_text="sessions", dtick=1, range=[0, last])
    figure.update_yaxes(title_text="share cleared", tickformat=".0%", range=[0, 1])
    figure.update_layout(legend_traceorder="normal")
    where = "" if group == "all" else f", {group}"
    return titled(figure, f"Cleared by session, as if all had followed it{where}")


def _add_band(figure: go.Figure, part: pd.DataFrame, name: str, level: float, colour: str) -> None:
    for edge, values in enumerate((1 - part["high"], 1 - part["low"])):
        figure.add_scatter(
            x=_treads(part["session"]),
            y=_to_the_end([0.0, *values]),
            mode="lines",
            line={"shape": "hv", "width": 0},
            fill="tonexty" if edge else None,
            fillcolor=colour,
            hoverinfo="skip",
            showlegend=bool(edge),
            name=f"{name}, {100 * level:.0f} % interval",
        )


def _treads(sessions: Iterable[int]) -> list[int]:
    steps = [0, *sessions]
    return [*steps, steps[-1] + 1]


def _to_the_end(values: list[T]) -> list[T]:
    return [*values, values[-1]]


def plot_readings(comparison: RegimeComparison, *, key: str | None = None) -> go.Figure:
    """Draw the difference by every road, the fair ones first, the plain readings below.

    Parameters
    ----------
    key : str, optional
        The pair; the first when not given.
    """
    pair = key or next(iter(comparison.difference))
    fair: list[tuple[str, Contrast]] = [
        ("weighted", comparison.difference[pair]),
        ("g-formula", comparison.second_route[pair]),
    ]
    if comparison.sensitivity is not None:
        fair.append(("weighted, with operator", comparison.sensitivity.operator[pair]))
    plain = [(reading.name, reading.difference[pair]) for reading in comparison.naive]
    figure = go.Figure()
    for rows, name, colour, symbol in (
        (fair, "adjusted", COLOURS["main"], "circle"),
        (plain, "plain readings", COLOURS["contrast"], "x"),
    ):
        known = [(label, one) for label, one in rows if one.estimate is not None]
        figure.add_scatter(
            x=[one.estimate or 0.0 for _, one in known],
            y=[label for label, _ in known],
            mode="markers",
            marker={"size": 12, "color": colour, "symbol": symbol},
            error_x=whiskers(
                [one.estimate or 0.0 for _, one in known],
                [one.interval[0] or 0.0 for _, one in known],
                [one.interval[1] or 0.0 for _, one in known],
            ),
            name=name,
        )
    margin = comparison.margin
    figure.add_vrect(x0=-margin, x1=margin, fillcolor=COLOURS["band"], line_width=0)
    figure.add_vline(x=0, line={"color": COLOURS["grey"], "width": 1})
    figure.update_xaxes(
        title_text=f"difference in mean sessions up to session {comparison.horizon} "
        "(negative: fewer)"
    )
    figure.update_yaxes(
        type="category",
        categoryorder="array",
        categoryarray=[label for label, _ in [*fair, *plain]][::-1],
    )
    return titled(figure, f"{pair}: fair and plain readings; band: ± margin")


def plot_balance(comparison: RegimeComparison, *, session: int = 1) -> go.Figure:
    """Draw how unlike the followers of each strategy are, before and after weighting."""
    table = comparison.diagnostics.balance
    # what is the same for all at this session (no fading before the first) says nothing
    table = table[(table["session"] == session) & (table["before"].abs() > 1e-9)]
    figure = go.Figure()
    for name, colour, symbol in (("before", "contrast", "x"), ("after", "main", "circle")):
        figure.add_scatter(
            x=table[name],
            y=[f"{c} ({s})" for c, s in zip(table["covariate"], table["strategy"], strict=True)],
            mode="markers",
            marker={"size": 10, "color": COLOURS[colour], "symbol": symbol},
            name=f"{name} weighting",
        )
    figure.add_vrect(x0=-ALIKE, x1=ALIKE, fillcolor=COLOURS["band"], line_width=0)
    figure.update_xaxes(title_text="standardised difference (standard deviations)")
    figure.update_yaxes(type="category", dtick=1, autorange="reversed")
    figure.update_layout(height=max(400, 200 + 24 * len(table)))
    return titled(figure, f"Followers against all eligible, session {session}")


def plot_followers(comparison: RegimeComparison) -> go.Figure:
    """Draw how many courses each session's answer rests on."""
    table = comparison.diagnostics.at_risk
    figure = go.Figure()
    for place, name in enumerate(table.columns):
        figure.add_scatter(
            x=table.index,
            y=table[name],
            mode="lines+markers",
            line={"color": COLOURS[STRATEGY_COLOURS[place % 5]], "dash": DASHES[place % 5]},
            name=str(name),
        )
    figure.update_xaxes(title_text="session", dtick=1)
    figure.update_yaxes(title_text="courses that still follow it", rangemode="tozero")
    return titled(figure, "Courses behind each session of the answer")


def plot_tipping(comparison: RegimeComparison, *, key: str | None = None) -> go.Figure:
    """Draw the difference for every assumption about those who stopped.

    Raises
    ------
    ValueError
        If the comparison has no sensitivity analysis of this pair.
    """
    pair = key or next(iter(comparison.difference))
    if comparison.sensitivity is None or pair not in comparison.sensitivity.tipping_point:
        raise ValueError(f"{pair} could not be estimated, so there is nothing to tip.")
    table = comparison.sensitivity.tipping
    wide = table[table["comparison"] == pair].pivot(  # noqa: PD010 (nothing to aggregate)
        index="phi_left", columns="phi_right", values="estimate"
    )
    left, right = pair.split(" - ")
    figure = go.Figure(
        go.Heatmap(
            z=wide.to_numpy(),
            x=[f"{phi:g}" for phi in wide.columns],
            y=[f"{phi:g}" for phi in wide.index],
            text=[[f"{value:+.1f}" for value in row] for row in wide.to_numpy()],
            texttemplate="%{text}",
            colorscale="RdBu",
            zmid=0,
            reversescale=True,
            colorbar={"title": {"text": "sessions"}},
        )
    )
    figure.update_xaxes(title_text=f"pace of the stopped under {right}, times like courses")
    figure.update_yaxes(title_text=f"pace of the stopped under {left}, times like courses")
    return titled(figure, f"{pair}: what if those who stopped were different?")
