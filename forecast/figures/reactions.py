"""Pictures of reactions: operators in a funnel, rates with their limits; and of ink and light."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.figures.template import COLOURS, titled
from forecast.tattoo import CAVEAT, GRADES, INKS, WAVELENGTHS_NM, cite, uptake_table

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

    from forecast._notes import Note
    from forecast.reach import LaserChange, LogReach
    from forecast.reactions import OperatorFunnel, ReactionReport

__all__ = [
    "plot_laser_change",
    "plot_log_reach",
    "plot_operator_funnel",
    "plot_reaction_rates",
    "plot_uptake_table",
]

FUNNEL_LEVELS = ((0.95, "dot"), (0.998, "dash"))
GRADE_COLOURS = {
    "darkening risk": COLOURS["contrast"],
    "weak": "#eeeeee",
    "partial": COLOURS["light"],
    "strong": COLOURS["main"],
}


def plot_operator_funnel(operators: OperatorFunnel) -> go.Figure:
    """Draw each operator's adjusted rate against sessions, with the exact limits.

    The curves are the limits for any one operator; the grey bars, drawn at each operator, also
    allow for the number of operators, and say who is outside.
    """
    import plotly.graph_objects as go

    table = operators.table
    figure = go.Figure()
    _add_limits(figure, operators)
    _add_operators(figure, table)
    figure.update_xaxes(title_text="sessions by the operator")
    figure.update_yaxes(
        title_text="reactions per session, adjusted", tickformat=".1%", rangemode="tozero"
    )
    count = len(operators.outside)
    title = "No operator is outside what chance allows"
    if count:
        title = f"{count} of {len(table)} operators outside what chance allows"
    notes: tuple[str | Note, ...] = (
        "Adjusted for what each operator met; names replaced by codes. Bars: limits that allow"
        " for the number of operators. Not a league table.",
        *operators.notes,
    )
    return titled(figure, title, notes)


def _add_limits(figure: go.Figure, operators: OperatorFunnel) -> None:
    table = operators.table
    fewest, most = max(table["sessions"].min() // 3, 20), table["sessions"].max() * 1.1
    sizes = np.unique(np.linspace(fewest, most, 60).astype(int))
    for level, dash in FUNNEL_LEVELS:
        limits = np.array([operators.limits(int(size), level=level) for size in sizes])
        for at in (0, 1):
            figure.add_scatter(
                x=sizes,
                y=limits[:, at],
                mode="lines",
                line={"dash": dash, "color": COLOURS["grey"], "width": 1.5},
                name=f"{100 * level:g} % limits",
                legendgroup=str(level),
                showlegend=at == 1,
                hoverinfo="skip",
            )
    figure.add_hline(y=operators.target, line={"color": COLOURS["grey"], "width": 1})
    for low, high, sessions in zip(
        table["limit_low"], table["limit_high"], table["sessions"], strict=True
    ):
        figure.add_scatter(
            x=[sessions, sessions],
            y=[low, high],
            mode="lines",
            line={"color": "rgba(102, 102, 102, 0.25)", "width": 10},
            showlegend=False,
            hoverinfo="skip",
        )


def _add_operators(figure: go.Figure, table: pd.DataFrame) -> None:
    # Labels alternate above and below, so that operators with like counts stay legible.
    side = {
        code: ("top center", "bottom center")[at % 2] for at, code in enumerate(table["operator"])
    }
    for outside, name, colour, symbol in (
        ("", "within the limits", COLOURS["main"], "circle"),
        ("above", "above", COLOURS["contrast"], "triangle-up"),
        ("below", "below", COLOURS["third"], "triangle-down"),
    ):
        part = table[table["outside"] == outside]
        if len(part):
            figure.add_scatter(
                x=part["sessions"],
                y=part["adjusted_rate"],
                text=part["operator"],
                mode="markers+text",
                textposition=[side[code] for code in part["operator"]],
                marker={"size": 12, "color": colour, "symbol": symbol},
                name=name,
            )


def plot_reaction_rates(
    report: ReactionReport, *, by: str = "regime", outcome: str = "any", unit: str = "session"
) -> go.Figure:
    """Draw the rate of one outcome in each group, with exact limits; none is drawn as a limit."""
    import plotly.graph_objects as go

    table = report.rates
    chosen = table[
        (table["by"] == by)
        & (table["outcome"] == outcome)
        & (table["unit"] == unit)
        & table["rate"].notna()
    ]
    figure = go.Figure()
    figure.add_scatter(
        x=chosen["rate"],
        y=chosen["group"],
        mode="markers",
        marker={"size": 11, "color": COLOURS["main"]},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": chosen["exact_high"] - chosen["rate"],
            "arrayminus": chosen["rate"] - chosen["exact_low"],
        },
        text=[f"{events} of {n}" for events, n in zip(chosen["events"], chosen["n"], strict=True)],
        name=f"{100 * report.level:.0f} % exact limits",
        showlegend=True,
    )
    figure.update_xaxes(title_text=f"share of {unit}s", tickformat=".1%", rangemode="tozero")
    figure.update_yaxes(title_text=by.replace("_", " "), type="category", autorange="reversed")
    title = f"Reactions ({outcome}) per {unit} by {by.replace('_', ' ')}, not adjusted"
    return titled(figure, title, report.notes)


def plot_log_reach(reach: LogReach) -> go.Figure:
    """Draw the share cleared by session, with every ink reached and with some ink unreached."""
    import plotly.graph_objects as go

    figure = go.Figure()
    for word, name, colour in (
        ("yes", "every ink reached", COLOURS["main"]),
        ("no", "some ink unreached", COLOURS["contrast"]),
    ):
        part = reach.cleared[(reach.cleared["reached"] == word)].dropna()
        figure.add_scatter(
            x=part["session"],
            y=part["cleared_by"],
            mode="lines+markers",
            marker={"size": 10, "color": colour},
            error_y={
                "type": "data",
                "symmetric": False,
                "array": part["high"] - part["cleared_by"],
                "arrayminus": part["cleared_by"] - part["low"],
            },
            name=name,
        )
    figure.update_xaxes(title_text="sessions", tickvals=sorted(set(reach.cleared["session"])))
    figure.update_yaxes(title_text="cleared by then", tickformat=".0%", range=[0, 1])
    share = reach.n_unreached / reach.n_courses
    title = f"{100 * share:.0f} % of courses started with an ink that no laser reached"
    return titled(figure, title, reach.notes)


def plot_laser_change(change: LaserChange, *, price: float, years: int = 10) -> go.Figure:
    """Draw what a laser has earned less its price, year by year, at the limits of both unknowns.

    The band joins both ends of the gain per course with the same ends of the courses a year,
    which is wider than the level says.
    """
    import plotly.graph_objects as go

    when = np.arange(years + 1)
    ends = []
    for gain, rate in zip(change.gain_interval, change.per_year_interval, strict=True):
        ends.append((0.0 if gain is None else gain) * rate * when - price)
    figure = go.Figure()
    figure.add_scatter(
        x=np.concatenate([when, when[::-1]]),
        y=np.concatenate([ends[1], ends[0][::-1]]),
        fill="toself",
        line={"width": 0},
        fillcolor=COLOURS["band"],
        hoverinfo="skip",
        name="both unknowns at their limits",
    )
    figure.add_scatter(
        x=when,
        y=(change.gain_per_course or 0.0) * change.per_year * when - price,
        line={"color": COLOURS["main"], "width": 3},
        name="expected",
    )
    figure.add_hline(y=0, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text="years after buying", dtick=1)
    figure.update_yaxes(title_text="earned less the price")
    named = ", ".join(f"{value:g}" for value in change.laser.wavelengths_nm)
    title = f"One more {change.laser.regime} laser at {named} nm is not earned back"
    if change.break_even_years is not None:
        title = (
            f"One more {change.laser.regime} laser at {named} nm is earned back after"
            f" {change.break_even_years:.1f} years"
        )
    return titled(figure, title, change.notes)


def plot_uptake_table() -> go.Figure:
    """Draw the ink table: ink colour by wavelength, the grade as colour and as text."""
    import plotly.graph_objects as go

    order = list(reversed(GRADES))
    cells = {(cell.ink, cell.wavelength_nm): cell for cell in uptake_table()}
    scale: list[list[Any]] = []
    for at, grade in enumerate(order):
        colour = GRADE_COLOURS[grade]
        scale += [[at / len(order), colour], [(at + 1) / len(order), colour]]
    grid = [[cells[ink, nm] for nm in WAVELENGTHS_NM] for ink in INKS]
    figure = go.Figure(
        go.Heatmap(
            z=[[order.index(cell.grade) for cell in row] for row in grid],
            x=[f"{nm} nm" for nm in WAVELENGTHS_NM],
            y=[ink.replace("_", " ") for ink in INKS],
            text=[[cell.grade.split()[0] for cell in row] for row in grid],
            customdata=[[f"{cite(cell.source)}. {cell.remark}" for cell in row] for row in grid],
            texttemplate="%{text}",
            hovertemplate="%{y} at %{x}: %{text}<br>%{customdata}<extra></extra>",
            colorscale=scale,
            zmin=-0.5,
            zmax=len(order) - 0.5,
            showscale=False,
            xgap=2,
            ygap=2,
        )
    )
    figure.update_yaxes(autorange="reversed")
    return titled(figure, "Which ink takes up which wavelength", (CAVEAT,))
