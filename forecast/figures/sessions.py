"""Pictures of what sessions did: regimes compared, fading, reactions and reach."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go
from plotly.colors import hex_to_rgb

from forecast._notes import Note
from forecast.causal.rates import funnel_limits
from forecast.errors import RequestError
from forecast.figures.template import (
    COLOURS,
    dots,
    drawing,
    joined,
    line,
    rows_of,
    shade,
    titled,
    whiskers,
)
from forecast.reach import LONGEST_LIFE
from forecast.tattoo import GRADES, INKS, WAVELENGTHS_NM, cite, uptake_table

if TYPE_CHECKING:
    from forecast.fading import FadingCurves
    from forecast.reach import LaserChange, LogReach
    from forecast.reactions import OperatorFunnel, ReactionReport
    from forecast.regimes import Contrast, RegimeComparison

STRATEGY_COLOURS = ("main", "contrast", "third", "fourth", "fifth")
BANDS = tuple(f"rgba{(*hex_to_rgb(COLOURS[name]), 0.32)}" for name in STRATEGY_COLOURS)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash")
FEW_AT_RISK, FEW_COURSES = 10, 5  # below so many a curve is drawn faintly
ALIKE = 0.1  # a standardised difference below this is called balanced


def plot_curves(comparison: RegimeComparison, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the curves of a ``comparison``, one a strategy.

    Examples
    --------
    >>> [trace.name for trace in plot_curves(comparison).data if trace.showlegend is None]
    ['ns', 'ps']
    """
    figure, say = drawing(language)
    table = comparison.curves[comparison.curves["group"] == "all"]
    parts = [(name, table[table["strategy"] == name]) for name in comparison.strategies]
    for place, (name, part) in enumerate(parts):
        edges = [_to_the_end([0.0, *(1 - part[end])]) for end in ("high", "low")]
        says = say("of_interval", what=name, level=comparison.level)
        shade(figure, list(range(len(part) + 2)), edges, says, BANDS[place % 5], shape="hv")
    for place, (name, part) in enumerate(parts):
        look = {"color": COLOURS[STRATEGY_COLOURS[place % 5]], "dash": DASHES[place % 5]}
        line(
            figure,
            (range(len(part) + 2), _to_the_end([0.0, *(1 - part["survival"])])),
            _to_the_end([np.inf, *part["at_risk"]]),
            few=FEW_AT_RISK,
            text=_to_the_end(["", *(say("at_risk", n=n) for n in part["at_risk"])]),
            style={"mode": "lines", "line": {"shape": "hv", "width": 3, **look}, "name": name},
        )
    last = 1 + max(len(part) for _, part in parts)
    figure.update_xaxes(title_text=say("sessions"), dtick=1, range=[0, last])
    figure.update_yaxes(title_text=say("share_cleared"), tickformat=".0%", range=[0, 1])
    return titled(figure, say("curves", where="all_inks"), say)


def _to_the_end(values: list[Any]) -> list[Any]:
    return [*values, values[-1]]  # a tread is as wide as a session, the last one too


def plot_readings(comparison: RegimeComparison, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` a ``comparison``'s first difference by every road, plain ones below.

    Examples
    --------
    >>> plot_readings(comparison).layout.title.text
    'ps - ns: fair and plain readings; band: ± margin'
    """
    figure, say = drawing(language)
    pair = next(iter(comparison.difference))
    fair: list[tuple[str, Contrast]] = [
        (say("weighted"), comparison.difference[pair]),
        (say("g_formula"), comparison.second_route[pair]),
    ]
    if pair in comparison.by_fading:
        fair.append((say("from_fading"), comparison.by_fading[pair]))
    if comparison.sensitivity is not None:
        fair.append((say("without_operator"), comparison.sensitivity.without_operator[pair]))
    plain = [(say("said", what=one.name), one.difference[pair]) for one in comparison.naive]
    for rows, *look in ((fair, "adjusted", "main", "circle"), (plain, "plain", "contrast", "x")):
        known = [(label, one) for label, one in rows if one.estimate is not None]
        numbers = [(one.estimate, *one.interval) for _, one in known]
        middle, low, high = np.array(numbers, dtype=np.float64).reshape(-1, 3).T
        drawn = dots(middle, [label for label, _ in known], say(look[0]), *look[1:])
        figure.add_scatter(**drawn, error_x=whiskers(middle, low, high))
    _alike(figure, comparison.margin)
    figure.add_vline(x=0, line={"color": COLOURS["grey"], "width": 1})
    figure.update_xaxes(title_text=say("difference", horizon=comparison.horizons[pair]))
    rows_of(figure, [label for label, _ in [*fair, *plain]])
    return titled(figure, say("readings", pair=pair), say)


def _alike(figure: go.Figure, most: float) -> None:
    band = {"fillcolor": COLOURS["band"], "line_width": 0, "layer": "below"}
    figure.add_vrect(x0=-most, x1=most, **band)


def plot_balance(comparison: RegimeComparison, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` how unlike a ``comparison``'s followers at the first session are.

    Examples
    --------
    >>> plot_balance(comparison).layout.title.text
    'Followers against all eligible, session 1'
    """
    table = comparison.diagnostics.balance
    # what is the same for all, such as no fading before the first session, says nothing
    table = table[(table["session"] == 1) & (table["before"].abs() > 1e-9)]
    figure, say = drawing(language)
    names = [
        say("covariate", what=Note(f"covariate.{one}"), strategy=strategy)
        for one, strategy in zip(table["covariate"], table["strategy"], strict=True)
    ]
    for name, *look in (("before", "contrast", "x"), ("after", "main", "circle")):
        figure.add_scatter(**dots(table[name], names, say(name), *look, size=10))
    _alike(figure, ALIKE)
    figure.update_xaxes(title_text=say("standardised"))
    figure.update_yaxes(dtick=1)
    rows_of(figure, names)
    figure.update_layout(height=max(400, 200 + 24 * len(table)))
    return titled(figure, say("balance", session=1), say)


def plot_followers(comparison: RegimeComparison, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` how many courses each session of a ``comparison`` rests on.

    Examples
    --------
    >>> plot_followers(comparison).layout.yaxis.title.text
    'courses that still follow it'
    """
    table, (figure, say) = comparison.diagnostics.at_risk, drawing(language)
    for place, name in enumerate(table.columns):
        look = STRATEGY_COLOURS[place % 5], DASHES[place % 5]
        figure.add_scatter(**joined(table.index, table[name], str(name), *look))
    figure.update_xaxes(title_text=say("session"), dtick=1)
    figure.update_yaxes(title_text=say("still_follow"), rangemode="tozero")
    return titled(figure, say("followers"), say)


def plot_tipping(comparison: RegimeComparison, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the first difference for each pace of those who stopped.

    Raises RequestError if the ``comparison`` has no sensitivity analysis of this pair.

    Examples
    --------
    >>> plot_tipping(comparison).layout.title.text
    'ps - ns: what if those who stopped were different?'
    """
    pair = next(iter(comparison.difference))
    if comparison.sensitivity is None or pair not in comparison.sensitivity.tipping_point:
        raise RequestError(
            f"{pair} could not be estimated, so there is nothing to tip.",
            "Compare up to an earlier session, or fewer strategies.",
        )
    table = comparison.sensitivity.tipping
    own = table[table["comparison"] == pair]
    wide = own.pivot(index="phi_left", columns="phi_right", values="estimate")
    left, right = pair.split(" - ")
    figure, say = drawing(language)
    paces: dict[Any, str] = {0.0: say("pace_never"), np.inf: say("pace_at_once")}
    figure.add_heatmap(
        z=wide.to_numpy(),
        x=[paces.get(phi, say("pace", phi=phi)) for phi in wide.columns],
        y=[paces.get(phi, say("pace", phi=phi)) for phi in wide.index],
        text=[[say("change", n=one) for one in row] for row in wide.to_numpy().round(1) + 0.0],
        texttemplate="%{text}",
        colorscale="RdBu",
        zmid=0,
        reversescale=True,
        colorbar={"title": {"text": say("sessions")}},
    )
    figure.update_xaxes(title_text=say("pace_under", strategy=right))
    figure.update_yaxes(title_text=say("the_same_under", strategy=left))
    return titled(figure, say("tipping", pair=pair), say)


# line, band, dash: told apart without colour too; and which sessions
LOOKS = {
    "ns": ("main", COLOURS["band"], "solid", "ns"),
    "ps": ("contrast", COLOURS["contrast_band"], "dash", "ps"),
    "all": ("main", COLOURS["band"], "solid", "all_sessions"),
}
FUNNEL_LEVELS = ((0.95, "dot"), (0.998, "dash"))
GRADE_COLOURS = {
    "darkening risk": COLOURS["contrast"],
    "weak": "#eeeeee",
    "partial": COLOURS["light"],
    "strong": COLOURS["main"],
}


def plot_fading(
    fading: FadingCurves, *, ink_group: str = "all", middle: bool = False, language: str = "en"
) -> go.Figure:
    """Draw in a ``language`` percent faded of the middle course by session, a curve per regime.

    ``ink_group`` is one of those of ``fading``, else RequestError is raised; "all" is all courses.
    With ``middle`` the range of the middle 8 of 10 courses is in place of the estimate's band.

    Examples
    --------
    >>> plot_fading(fading).layout.title.text
    'Fading by session, all inks'
    """
    table = fading.curves[fading.curves["ink_group"] == ink_group]
    if table.empty:
        raise RequestError(
            f"There is no curve for the ink group {ink_group!r}.",
            f"Choose one of {', '.join(fading.curves['ink_group'].unique())}.",
        )
    low, high = ("middle_low", "middle_high") if middle else ("low", "high")
    figure, say = drawing(language)
    curves = [(regime, table[table["regime"] == regime]) for regime in table["regime"].unique()]
    for regime, curve in curves:  # below all lines
        _, band, _, sessions = LOOKS[regime]
        says = say("of_middle" if middle else "of_band", what=sessions, level=fading.level)
        shade(figure, curve["session"], [curve[low], curve[high]], says, band)
    for regime, curve in curves:
        colour, _, dash, sessions = LOOKS[regime]
        line(
            figure,
            (curve["session"], curve["faded"]),
            list(curve["courses"]),
            few=FEW_COURSES,
            text=[say("had_so_many", n=n) for n in curve["courses"]],
            style={
                "mode": "lines+markers",
                "line": {"color": COLOURS[colour], "dash": dash, "width": 2.5},
                "name": say("said", what=sessions),
            },
        )
    threshold = fading.rows.cleared_at
    figure.add_hline(
        y=threshold,
        line={"dash": "dot", "color": COLOURS["grey"]},
        annotation_text=say("cleared_at", percent=threshold),
        annotation_position="bottom left",
    )
    figure.update_xaxes(title_text=say("sessions"), dtick=2, rangemode="tozero")
    figure.update_yaxes(title_text=say("faded"), range=[0, 102])
    where = "all_inks" if ink_group == "all" else ink_group
    notes = (fading.assumption, *fading.notes)
    return titled(figure, say("fading", where=where), say, notes)


def plot_fading_shares(fading: FadingCurves, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the shares of ``fading`` that a session removes, by ink and regime.

    Examples
    --------
    >>> list(plot_fading_shares(fading).data[0].y)
    ['all inks', 'black', 'other colours']
    """
    figure, say = drawing(language)
    for regime in fading.shares["regime"].unique():
        table = fading.shares[fading.shares["regime"] == regime]
        inks = [say("said", what=one) for one in table["ink_group"].replace("all", "all_inks")]
        symbol, (colour, _, _, sessions) = "diamond" if regime == "ps" else "circle", LOOKS[regime]
        symbols = [symbol + "-open" * bool(reason) for reason in table["reason"]]
        says = say("of_interval", what=sessions, level=fading.level)
        bars = whiskers(table["share"], table["low"], table["high"])
        figure.add_scatter(
            **dots(table["share"], inks, says, colour, symbols),
            orientation="h",
            error_x={**bars, "color": COLOURS[colour]},
            text=[
                say("said", what="cannot say") if reason else say("courses", n=n)
                for n, reason in zip(table["courses"], table["reason"], strict=True)
            ],
        )
    figure.update_layout(scattermode="group", scattergap=0.6)
    figure.update_xaxes(title_text=say("share_removed"), tickformat=".0%")
    figure.update_yaxes(autorange="reversed", automargin=True, title_text="")
    return titled(figure, say("fading_shares"), say, (fading.assumption, *fading.notes))


def plot_split_fading(fading: FadingCurves, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` two halves of split tattoos in ``fading``, and their difference.

    Raises RequestError if its log holds no split tattoos.

    Examples
    --------
    >>> plot_split_fading(fading)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    forecast.errors.RequestError: The log has no split tattoos graded together. ...
    """
    if fading.split is None:
        raise RequestError(
            "The log has no split tattoos graded together.",
            "A split tattoo is two courses with one tattoo_id and halves A and B.",
        )
    table, (figure, say) = fading.split.curves, drawing(language)
    for regime in ("ns", "ps"):
        colour, _, dash, _ = LOOKS[regime]
        says = say("half", regime=regime)
        figure.add_scatter(**joined(table["session"], table[regime], says, colour, dash))
    says = say("of_interval", what="ps minus ns", level=fading.level)
    figure.add_scatter(
        **dots(table["session"], table["difference"], says, "grey", size=9),
        error_y=whiskers(table["difference"], table["low"], table["high"]),
        text=[say("pairs", n=n) for n in table["pairs"]],
    )
    figure.update_xaxes(title_text=say("sessions"), dtick=1)
    figure.update_yaxes(title_text=say("faded_and_difference"))
    share = fading.split.share
    low, high = (100 * end for end in share.interval)
    values = {"points": 100 * share.estimate, "low": low, "high": high}
    note = say("split_note", pairs=fading.split.n_pairs, **values)
    return titled(figure, say("split"), say, (note,))


def plot_operator_funnel(operators: OperatorFunnel, *, language: str = "en") -> go.Figure:
    """Draw each of ``operators``' adjusted rate against sessions, with the exact limits.

    The curves are the limits for any one operator; the grey bars, drawn at each operator, also
    allow for the number of operators, and say who is outside. The texts are in ``language``.

    Examples
    --------
    >>> plot_operator_funnel(report.operators).layout.title.text
    'No operator is outside what chance allows'
    """
    table, (figure, say) = operators.table, drawing(language)
    fewest, most = max(table["sessions"].min() // 3, 20), table["sessions"].max() * 1.1
    sizes = np.unique(np.linspace(fewest, most, 60).astype(int))
    for level, dash in FUNNEL_LEVELS:
        limits = [funnel_limits(int(size), operators.target, level=level) for size in sizes]
        for at, edge in enumerate(np.transpose(limits)):
            says = say("limits", percent=100 * level)
            drawn = joined(sizes, edge, says, "grey", dash, mode="lines") | {"hoverinfo": "skip"}
            figure.add_scatter(**drawn, legendgroup=str(level), showlegend=at == 1)
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
    # Labels alternate above and below, so that operators with like counts stay legible.
    side = {
        code: ("top center", "bottom center")[at % 2] for at, code in enumerate(table["operator"])
    }
    for outside, name, *look in (
        ("", "within", "main", "circle"),
        ("above", "above", "contrast", "triangle-up"),
        ("below", "below", "third", "triangle-down"),
    ):
        part = table[table["outside"] == outside]
        if len(part):
            drawn = dots(part["sessions"], part["adjusted_rate"], say(f"funnel_{name}"), *look)
            where = [side[code] for code in part["operator"]]
            named = {"mode": "markers+text", "text": part["operator"], "textposition": where}
            figure.add_scatter(**drawn | named)
    figure.update_xaxes(title_text=say("sessions_by"))
    figure.update_yaxes(title_text=say("adjusted_rate"), tickformat=".1%", rangemode="tozero")
    count = len(operators.outside)
    title = say("funnel", n=count, of=len(table)) if count else say("funnel_none")
    return titled(figure, title, say, (say("funnel_note"), *operators.notes))


def plot_reaction_rates(
    report: ReactionReport,
    *,
    by: str = "regime",
    outcome: str = "any",
    unit: str = "session",
    language: str = "en",
) -> go.Figure:
    """Draw in a ``language`` the rates in a ``report`` of one ``outcome``.

    They are per ``unit``, session or course, in groups ``by``; none seen is drawn as a limit.

    Examples
    --------
    >>> list(plot_reaction_rates(report, by="skin_type").data[0].y)
    ['I', 'II', 'III', 'IV', 'V', 'VI']
    """
    asked = "by == @by and outcome == @outcome and unit == @unit"
    chosen = report.rates.query(asked).dropna(subset=["rate"])
    figure, say = drawing(language)
    names = [say("said", what=group) for group in chosen["group"]]
    seen = zip(chosen["events"], chosen["n"], strict=True)
    figure.add_scatter(
        **dots(chosen["rate"], names, say("exact_limits", level=report.level), "main"),
        error_x=whiskers(chosen["rate"], chosen["exact_low"], chosen["exact_high"]),
        text=[say("events_of", events=events, n=n) for events, n in seen],
        showlegend=True,
    )
    figure.update_xaxes(title_text=say(f"share_of_{unit}s"), tickformat=".1%", rangemode="tozero")
    figure.update_yaxes(title_text=say("said", what=by))
    rows_of(figure, names)
    told = (*report.warnings, *report.notes)
    return titled(figure, say(f"rates_per_{unit}", outcome=outcome, by=by), say, told)


def plot_log_reach(reach: LogReach, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` who is cleared by when by ``reach``: every ink, or some unreached.

    Examples
    --------
    >>> plot_log_reach(forecast.log_reach(log)).layout.title.text
    '8 % of courses started with an ink that no laser reached'
    """
    figure, say = drawing(language)
    for word, name, colour in (
        ("yes", "every_ink_reached", "main"),
        ("no", "some_ink_unreached", "contrast"),
    ):
        part = reach.cleared[(reach.cleared["reached"] == word)].dropna()
        drawn = dots(part["session"], part["cleared_by"], say("said", what=name), colour, size=10)
        bars = whiskers(part["cleared_by"], part["low"], part["high"])
        figure.add_scatter(**drawn | {"mode": "lines+markers"}, error_y=bars)
    figure.update_xaxes(title_text=say("sessions"), tickvals=sorted(set(reach.cleared["session"])))
    figure.update_yaxes(title_text=say("cleared_by_then"), tickformat=".0%", range=[-0.03, 1.03])
    title = say("log_reach", share=reach.n_unreached / reach.n_courses)
    return titled(figure, title, say, reach.notes)


def plot_laser_change(
    change: LaserChange, *, price: float, years: int = 10, language: str = "en"
) -> go.Figure:
    """Draw what a laser ``change`` has earned less its price, year by year, over ``years``.

    It is at the limits of both unknowns. The band joins both ends of the gain per course with the
    same ends of the courses a year, which is wider than the level says. Texts are in ``language``.

    Examples
    --------
    >>> change = forecast.what_would_change(log, [755], on="2020-01-01", price=60_000)
    >>> plot_laser_change(change, price=60_000).layout.title.text
    'One more ps laser at 755 nm is not earned back'
    """
    when = np.arange(years + 1)
    ends = [
        (gain or 0.0) * rate * when - price
        for gain, rate in zip(change.gain_interval, change.per_year_interval, strict=True)
    ]
    figure, say = drawing(language)
    shade(figure, when, ends, say("both_limits"), COLOURS["band"])
    expected = (change.gain_per_course or 0.0) * change.per_year * when - price
    figure.add_scatter(**joined(when, expected, say("expected"), "main"))
    figure.add_hline(y=0, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text=say("years_after"), dtick=1)
    figure.update_yaxes(title_text=say("earned"))
    named = ", ".join(f"{value:g}" for value in change.laser.wavelengths_nm)
    even = change.break_even_years
    values = {"regime": change.laser.regime, "nm": named, "years": even}
    code = "never_earned"
    if even is not None:
        code = "earned_back" if even <= LONGEST_LIFE else "earned_late"
    return titled(figure, say(code, **values), say, change.notes)


def plot_uptake_table(*, language: str = "en") -> go.Figure:
    """Draw in a language the ink table: ink by wavelength, the grade as colour and as text.

    Examples
    --------
    >>> plot_uptake_table().data[0].x
    ('532 nm', '585 nm', '650 nm', '694 nm', '755 nm', '785 nm', '1064 nm')
    """
    figure, say = drawing(language)
    order = list(reversed(GRADES))
    cells = {(cell.ink, cell.wavelength_nm): cell for cell in uptake_table()}
    steps = [(at, GRADE_COLOURS[grade]) for at, grade in enumerate(order)]
    scale = [[end / len(order), colour] for at, colour in steps for end in (at, at + 1)]
    grid = [[cells[ink, nm] for nm in WAVELENGTHS_NM] for ink in INKS]
    figure.add_heatmap(
        z=[[order.index(cell.grade) for cell in row] for row in grid],
        x=[f"{nm} nm" for nm in WAVELENGTHS_NM],
        y=[say("said", what=ink.replace("_", " ")) for ink in INKS],
        text=[[say("said", what=cell.grade) for cell in row] for row in grid],
        customdata=[
            [say("source", name=cite(cell.source, language), remark=cell.remark) for cell in row]
            for row in grid
        ],
        texttemplate="%{text}",
        hovertemplate="%{y}, %{x}: %{text}<br>%{customdata}<extra></extra>",
        colorscale=scale,
        zmin=-0.5,
        zmax=len(order) - 0.5,
        showscale=False,
        xgap=2,
        ygap=2,
    )
    figure.update_yaxes(autorange="reversed", dtick=1)
    figure.update_layout(height=600)
    return titled(figure, say("uptake"), say, (Note("reach.caveat"),))
