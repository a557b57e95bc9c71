"""Pictures of what sessions did: regimes compared, fading, reactions and reach."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from forecast._notes import sentence
from forecast.errors import RequestError
from forecast.figures.template import COLOURS, line, shade, titled, whiskers
from forecast.tattoo import CAVEAT, GRADES, INKS, WAVELENGTHS_NM, cite, uptake_table

if TYPE_CHECKING:
    from forecast._notes import Note
    from forecast.fading import FadingCurves
    from forecast.reach import LaserChange, LogReach
    from forecast.reactions import OperatorFunnel, ReactionReport
    from forecast.regimes import Contrast, RegimeComparison

T = TypeVar("T")
STRATEGY_COLOURS = [COLOURS[name] for name in ("main", "contrast", "third", "fourth", "fifth")]
BANDS = (
    COLOURS["band"],
    COLOURS["contrast_band"],
    "rgba(0, 158, 115, 0.32)",
    "rgba(204, 121, 167, 0.32)",
    "rgba(230, 159, 0, 0.32)",
)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
PACES: dict[Any, str] = {0.0: "never", np.inf: "at once"}
FEW_AT_RISK, FEW_COURSES = 10, 5  # below so many a curve is drawn faintly
ALIKE = 0.1  # a standardised difference below this is called balanced


def plot_curves(comparison: RegimeComparison, *, group: str = "all") -> go.Figure:
    """Draw a comparison's share cleared by session under each strategy, for an ink ``group``."""
    figure = go.Figure()
    table = comparison.curves[comparison.curves["group"] == group]
    parts = [(name, table[table["strategy"] == name]) for name in comparison.strategies]
    for place, (name, part) in enumerate(parts):
        edges = [_to_the_end([0.0, *(1 - part[end])]) for end in ("high", "low")]
        says = f"{name}, {100 * comparison.level:.0f} % interval"
        shade(figure, _treads(part), edges, says, BANDS[place % 5], shape="hv")
    for place, (name, part) in enumerate(parts):
        look = {"color": STRATEGY_COLOURS[place % 5], "dash": DASHES[place % 5], "width": 3}
        line(
            figure,
            (_treads(part), _to_the_end([0.0, *(1 - part["survival"])])),
            _to_the_end([np.inf, *part["at_risk"]]),
            few=FEW_AT_RISK,
            text=_to_the_end(["", *(f"{n} at risk" for n in part["at_risk"])]),
            style={"mode": "lines", "line": {"shape": "hv", **look}, "name": name},
        )
    last = 1 + max(len(part) for _, part in parts)
    figure.update_xaxes(title_text="sessions", dtick=1, range=[0, last])
    figure.update_yaxes(title_text="share cleared", tickformat=".0%", range=[0, 1])
    where = "" if group == "all" else f", {group}"
    return titled(figure, f"Cleared by session, as if all had followed it{where}")


def _treads(part: pd.DataFrame) -> list[int]:
    return list(range(len(part) + 2))  # a tread is as wide as a session, the last one too


def _to_the_end(values: list[T]) -> list[T]:
    return [*values, values[-1]]


def plot_readings(comparison: RegimeComparison, *, key: str | None = None) -> go.Figure:
    """Draw the difference of a comparison by every road, fair ones first, plain ones below.

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
    if pair in comparison.by_fading:
        fair.append(("from fading", comparison.by_fading[pair]))
    if comparison.sensitivity is not None:
        without = comparison.sensitivity.without_operator[pair]
        fair.append(("weighted, operator left out", without))
    plain = [(reading.name, reading.difference[pair]) for reading in comparison.naive]
    figure = go.Figure()
    for rows, name, colour, symbol in (
        (fair, "adjusted", COLOURS["main"], "circle"),
        (plain, "plain readings", COLOURS["contrast"], "x"),
    ):
        known = [(label, one) for label, one in rows if one.estimate is not None]
        numbers = [(one.estimate, *one.interval) for _, one in known]
        middle, low, high = np.array(numbers, dtype=np.float64).reshape(-1, 3).T
        figure.add_scatter(
            x=middle,
            y=[label for label, _ in known],
            mode="markers",
            marker={"size": 12, "color": colour, "symbol": symbol},
            error_x=whiskers(middle, low, high),
            name=name,
        )
    margin = comparison.margin
    figure.add_vrect(x0=-margin, x1=margin, fillcolor=COLOURS["band"], line_width=0)
    figure.add_vline(x=0, line={"color": COLOURS["grey"], "width": 1})
    figure.update_xaxes(
        title_text=f"difference in mean sessions up to session {comparison.horizons[pair]} "
        "(negative: fewer)"
    )
    figure.update_yaxes(
        type="category",
        categoryorder="array",
        categoryarray=[label for label, _ in [*fair, *plain]][::-1],
    )
    return titled(figure, f"{pair}: fair and plain readings; band: ± margin")


def plot_balance(comparison: RegimeComparison, *, session: int = 1) -> go.Figure:
    """Draw how unlike a comparison's followers at ``session`` are, before and after weighting."""
    table = comparison.diagnostics.balance
    # what is the same for all at this session (no fading before the first) says nothing
    table = table[(table["session"] == session) & (table["before"].abs() > 1e-9)]
    said = zip(table["covariate"], table["strategy"], strict=True)
    names = [f"{sentence(f'covariate.{one}')} ({strategy})" for one, strategy in said]
    figure = go.Figure()
    for name, colour, symbol in (("before", "contrast", "x"), ("after", "main", "circle")):
        figure.add_scatter(
            x=table[name],
            y=names,
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
            line={"color": STRATEGY_COLOURS[place % 5], "dash": DASHES[place % 5]},
            name=str(name),
        )
    figure.update_xaxes(title_text="session", dtick=1)
    figure.update_yaxes(title_text="courses that still follow it", rangemode="tozero")
    return titled(figure, "Courses behind each session of the answer")


def plot_tipping(comparison: RegimeComparison, *, key: str | None = None) -> go.Figure:
    """Draw the difference of pair ``key`` for every assumption about those who stopped.

    Raises
    ------
    RequestError
        If the comparison has no sensitivity analysis of this pair.
    """
    pair = key or next(iter(comparison.difference))
    if comparison.sensitivity is None or pair not in comparison.sensitivity.tipping_point:
        raise RequestError(
            f"{pair} could not be estimated, so there is nothing to tip.",
            "Compare up to an earlier session, or fewer strategies.",
        )
    table = comparison.sensitivity.tipping
    wide = table[table["comparison"] == pair].pivot(  # noqa: PD010 (nothing to aggregate)
        index="phi_left", columns="phi_right", values="estimate"
    )
    left, right = pair.split(" - ")
    figure = go.Figure(
        go.Heatmap(
            z=wide.to_numpy(),
            x=[PACES.get(phi, f"{phi:g}") for phi in wide.columns],
            y=[PACES.get(phi, f"{phi:g}") for phi in wide.index],
            text=[[f"{one:+.1f}" for one in row] for row in wide.to_numpy().round(1) + 0.0],
            texttemplate="%{text}",
            colorscale="RdBu",
            zmid=0,
            reversescale=True,
            colorbar={"title": {"text": "sessions"}},
        )
    )
    figure.update_xaxes(
        title_text=f"pace of the stopped under {right}, in times of courses like it"
    )
    figure.update_yaxes(title_text=f"the same under {left}")
    return titled(figure, f"{pair}: what if those who stopped were different?")


# line, band, dash: told apart without colour too
LOOKS = {
    "ns": (COLOURS["main"], COLOURS["band"], "solid"),
    "ps": (COLOURS["contrast"], COLOURS["contrast_band"], "dash"),
    "all": (COLOURS["main"], COLOURS["band"], "solid"),
}
NAMES = {"ns": "ns", "ps": "ps", "all": "all sessions"}
FUNNEL_LEVELS = ((0.95, "dot"), (0.998, "dash"))
GRADE_COLOURS = {
    "darkening risk": COLOURS["contrast"],
    "weak": "#eeeeee",
    "partial": COLOURS["light"],
    "strong": COLOURS["main"],
}


def plot_fading(fading: FadingCurves, *, ink_group: str = "all", middle: bool = False) -> go.Figure:
    """Draw percent faded of the middle course by session, one curve per regime.

    Parameters
    ----------
    fading : FadingCurves
        As ``fit_fading`` returns it.
    ink_group : str
        One of the ink groups of the curves; ``all`` for all courses.
    middle : bool
        Draw the range of the middle 8 of 10 courses in place of the band of the estimate.

    Raises
    ------
    RequestError
        If the curves have no such ink group.
    """
    table = fading.curves[fading.curves["ink_group"] == ink_group]
    if table.empty:
        raise RequestError(
            f"There is no curve for the ink group {ink_group!r}.",
            f"Choose one of {', '.join(fading.curves['ink_group'].unique())}.",
        )
    low, high = ("middle_low", "middle_high") if middle else ("low", "high")
    says = "middle 8 of 10 courses" if middle else f"{100 * fading.level:.0f} % band"
    figure = go.Figure()
    for regime in table["regime"].unique():
        curve, (colour, tint, dash) = table[table["regime"] == regime], LOOKS[regime]
        edges = [curve[low], curve[high]]
        shade(figure, curve["session"], edges, f"{NAMES[regime]}, {says}", tint)
        line(
            figure,
            (curve["session"], curve["faded"]),
            list(curve["courses"]),
            few=FEW_COURSES,
            text=[f"{n} courses had so many" for n in curve["courses"]],
            style={
                "mode": "lines+markers",
                "line": {"color": colour, "dash": dash, "width": 2.5},
                "name": NAMES[regime],
            },
        )
    threshold = fading.rows.cleared_at
    figure.add_hline(
        y=threshold,
        line={"dash": "dot", "color": COLOURS["grey"]},
        annotation_text=f"cleared: {threshold:g} %",
        annotation_position="bottom right",
    )
    figure.update_xaxes(title_text="sessions", dtick=2, rangemode="tozero")
    figure.update_yaxes(title_text="faded, percent", range=[0, 102])
    where = "all inks" if ink_group == "all" else ink_group
    notes = (fading.assumption, *fading.notes)
    return titled(figure, f"Fading by session, {where}", notes)


def plot_fading_shares(fading: FadingCurves) -> go.Figure:
    """Draw the share of the remaining ink that a session removes, by ink group and regime."""
    figure = go.Figure()
    for regime in fading.shares["regime"].unique():
        table = fading.shares[fading.shares["regime"] == regime]
        colour = LOOKS[str(regime)][0]
        figure.add_scatter(
            x=table["share"],
            y=table["ink_group"].replace("all", "all inks"),
            mode="markers",
            orientation="h",
            marker={
                "size": 11,
                "color": colour,
                "symbol": [
                    ("diamond" if regime == "ps" else "circle") + "-open" * bool(reason)
                    for reason in table["reason"]
                ],
            },
            error_x={**whiskers(table["share"], table["low"], table["high"]), "color": colour},
            text=[
                "cannot say" if reason else f"{n} courses"
                for n, reason in zip(table["courses"], table["reason"], strict=True)
            ],
            name=f"{NAMES[str(regime)]}, {100 * fading.level:.0f} % interval",
        )
    figure.update_layout(scattermode="group", scattergap=0.6)
    figure.update_xaxes(
        title_text="share of the remaining ink removed per session", tickformat=".0%"
    )
    figure.update_yaxes(autorange="reversed", automargin=True, title_text="")
    title = "What a session removes, by ink"
    return titled(figure, title, (fading.assumption, *fading.notes))


def plot_split_fading(fading: FadingCurves) -> go.Figure:
    """Draw the two halves of split tattoos, and their difference within pairs.

    Raises
    ------
    RequestError
        If the log holds no split tattoos.
    """
    if fading.split is None:
        raise RequestError(
            "The log has no split tattoos graded together.",
            "A split tattoo is two courses with one tattoo_id and halves A and B.",
        )
    table = fading.split.curves
    figure = go.Figure()
    for regime in ("ns", "ps"):
        colour, _, dash = LOOKS[regime]
        figure.add_scatter(
            x=table["session"],
            y=table[regime],
            mode="lines+markers",
            line={"color": colour, "dash": dash},
            name=f"{regime} half, mean",
        )
    figure.add_scatter(
        x=table["session"],
        y=table["difference"],
        mode="markers",
        marker={"color": COLOURS["grey"], "size": 9},
        error_y=whiskers(table["difference"], table["low"], table["high"]),
        text=[f"{n} pairs" for n in table["pairs"]],
        name=f"ps less ns, {100 * fading.level:.0f} % interval",
    )
    figure.update_xaxes(title_text="sessions", dtick=1)
    figure.update_yaxes(title_text="faded, percent; difference, points")
    low, high = fading.split.share.interval
    note = (
        f"{fading.split.n_pairs} pairs. Share of the remaining ink removed per session, ps less "
        f"ns: {100 * fading.split.share.estimate:+.1f} points ({100 * low:+.1f} to "
        f"{100 * high:+.1f}). Pairs leave as they clear, so the two means bend towards the slow "
        "ones: read the difference, not the bend."
    )
    return titled(figure, "Two halves of one tattoo", (note,))


def plot_operator_funnel(operators: OperatorFunnel) -> go.Figure:
    """Draw each operator's adjusted rate against sessions, with the exact limits.

    The curves are the limits for any one operator; the grey bars, drawn at each operator, also
    allow for the number of operators, and say who is outside.
    """
    table = operators.table
    figure = go.Figure()
    _add_limits(figure, operators)
    _add_operators(figure, table)
    figure.update_xaxes(title_text="sessions by the operator")
    figure.update_yaxes(
        title_text="reactions per session, adjusted", tickformat=".1%", rangemode="tozero"
    )
    count = len(operators.outside)
    who = f"{count} of {len(table)} operators" if count else "No operator is"
    title = f"{who} outside what chance allows"
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
    for row in table.itertuples():
        figure.add_scatter(
            x=[row.sessions, row.sessions],
            y=[row.limit_low, row.limit_high],
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
    """Draw a report's rate of one outcome per ``unit``, in groups ``by``; none is a limit."""
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
        error_x=whiskers(chosen["rate"], chosen["exact_low"], chosen["exact_high"]),
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
            error_y=whiskers(part["cleared_by"], part["low"], part["high"]),
            name=name,
        )
    figure.update_xaxes(title_text="sessions", tickvals=sorted(set(reach.cleared["session"])))
    figure.update_yaxes(title_text="cleared by then", tickformat=".0%", range=[0, 1])
    share = reach.n_unreached / reach.n_courses
    title = f"{100 * share:.0f} % of courses started with an ink that no laser reached"
    return titled(figure, title, reach.notes)


def plot_laser_change(change: LaserChange, *, price: float, years: int = 10) -> go.Figure:
    """Draw what a laser ``change`` has earned less its price, year by year, over ``years``.

    It is at the limits of both unknowns. The band joins both ends of the gain per course with the
    same ends of the courses a year, which is wider than the level says.
    """
    when = np.arange(years + 1)
    ends = [
        (gain or 0.0) * rate * when - price
        for gain, rate in zip(change.gain_interval, change.per_year_interval, strict=True)
    ]
    figure = go.Figure()
    shade(figure, when, ends, "both unknowns at their limits", COLOURS["band"])
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
    even = change.break_even_years
    earned = "not earned back" if even is None else f"earned back after {even:.1f} years"
    title = f"One more {change.laser.regime} laser at {named} nm is {earned}"
    return titled(figure, title, change.notes)


def plot_uptake_table() -> go.Figure:
    """Draw the ink table: ink colour by wavelength, the grade as colour and as text."""
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
    figure.update_yaxes(autorange="reversed", dtick=1)
    figure.update_layout(height=600)
    return titled(figure, "Which ink takes up which wavelength", (CAVEAT,))
