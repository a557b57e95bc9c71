"""Pictures of one estimate, of how estimates turned out, and of prices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from forecast._notes import sentence
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.figures.template import COLOURS, mark, shade, titled, whiskers

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import PromiseCheck
    from forecast.prices import Appointments, Book, PriceList, Quote, Variation

WORDS = {"clear": "clear", "lighten": "light enough"}
Z95 = 1.96
SYMBOLS = {"holds": "circle", "cannot say": "circle-open", "fails": "x"}
SHADES = {"holds": "third", "cannot say": "grey", "fails": "contrast"}


def plot_estimate(estimate: Estimate, *, unit: str = "sessions needed here") -> go.Figure:
    """Draw an estimate's chance of each count, the interval filled, what is beyond set apart.

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
    shade(figure, steps, spread, "how unsure the model is", COLOURS["band"], shape="hv")
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
        mark(figure, estimate.supported_to + 1, "beyond this log →", side="right")
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


def plot_watch(check: PromiseCheck) -> go.Figure:
    """Draw from month to month whether courses have come to take longer than predicted.

    Parameters
    ----------
    check : PromiseCheck
        As ``assess_forecaster`` returns it.

    Raises
    ------
    RequestError
        If the check has no watch: no dated sessions, or too little was expected.
    """
    found = check.watch
    if found is None:
        raise RequestError(
            "There is nothing to watch from month to month.",
            "Give a log with dated sessions of courses that the model was not fitted to.",
        )
    table, figure = found.table, go.Figure()
    figure.add_scatter(
        x=table["month"],
        y=table["score"],
        mode="lines+markers",
        line={"color": COLOURS["main"]},
        text=[
            f"{seen} reached the goal, {expected:.1f} expected"
            for seen, expected in zip(table["seen"], table["expected"], strict=True)
        ],
        name="score",
    )
    figure.add_hline(
        y=found.threshold,
        line={"dash": "dot", "color": COLOURS["grey"]},
        annotation_text="signal",
        annotation_position="top left",
    )
    figure.update_xaxes(title_text="month", automargin=True)
    top = max(1.15 * found.threshold, 1.05 * float(table["score"].max()))
    figure.update_yaxes(title_text="score of a slowdown", range=[0, top])
    month = found.signal and sentence("assess.month", {"month": f"{found.signal}-01"})
    since = f"Signalled in {month}" if month else "No signal"
    return titled(figure, f"Do courses take longer than predicted? {since}")


def plot_subgroups(assessment: Mapping[str, Any]) -> go.Figure:
    """Draw the interval's coverage in each group, with its verdict."""
    rows = [row for row in assessment["subgroups"] if row["coverage"] is not None]
    names = [f"{row['factor']}: {row['label']} ({row['n_events']} finished)" for row in rows]
    ends = np.array([[row[f"coverage{end}"] for row in rows] for end in ("", "_low", "_high")])
    level = assessment["coverage"]["level"]
    figure = go.Figure()
    for verdict, symbol in SYMBOLS.items():
        some = [at for at, row in enumerate(rows) if row["verdict"] == verdict]
        figure.add_scatter(
            x=ends[0, some],
            y=[names[at] for at in some],
            error_x=whiskers(*ends[:, some]),
            mode="markers",
            marker={"size": 12, "symbol": symbol, "color": COLOURS[SHADES[verdict]]},
            name=verdict,
        )
    figure.add_vline(x=level, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text="share inside the interval", tickformat=".0%", range=[0, 1.02])
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], automargin=True)
    title = f"Does the {100 * level:.0f} % interval hold in each group? (whiskers: 95 %)"
    return titled(figure, title)


BINS = 60


def plot_quote(quote: Quote) -> go.Figure:
    """Draw the chance of each margin of one course; the losses stand out."""
    values, where = np.unique(quote.margins / 100, return_inverse=True)
    chances = np.bincount(where.ravel(), weights=quote.chances)
    figure = go.Figure()
    for name, shown, colour, pattern in (
        ("earns", values >= 0, COLOURS["main"], ""),
        ("loses", values < 0, COLOURS["contrast"], "/"),
    ):
        figure.add_bar(
            x=values[shown],
            y=chances[shown],
            name=name,
            marker={"color": colour, "pattern": {"shape": pattern}},
        )
    mark(figure, float(quote.expected_margin), "average")
    figure.update_xaxes(title_text=f"margin of the course ({quote.currency}, net of tax)")
    figure.update_yaxes(title_text="probability", tickformat=".0%", rangemode="tozero")
    title = (
        f"{quote.package.label('en')} at {quote.price:,} {quote.currency}: "
        f"{of_100(quote.chance_of_loss)} courses lose money"
    )
    return titled(figure, title, (*quote.check, *quote.notes))


def plot_book(book: Book) -> go.Figure:
    """Draw the year's margin, with the model's error shared and with the model taken as known."""
    shown = (book.totals, book.totals_model_known)
    edges = np.histogram_bin_edges(np.concatenate(shown), bins=BINS)
    figure = go.Figure()
    for name, totals, colour in (
        ("model not known exactly", shown[0], COLOURS["main"]),
        ("model taken as known", shown[1], COLOURS["fifth"]),
    ):
        share = np.histogram(totals, bins=edges)[0] / len(totals)
        figure.add_scatter(
            x=(edges[:-1] + edges[1:]) / 2,
            y=share,
            name=name,
            fill="tozeroy",
            line={"shape": "hvh", "color": colour, "width": 2},
        )
    mark(figure, float(book.one_in_twenty), "1 year in 20 is below", colour="main")
    figure.update_xaxes(title_text=f"margin of the year ({book.currency}, net of tax)")
    figure.update_yaxes(title_text="share of years", tickformat=".0%", rangemode="tozero")
    title = f"{book.n_courses:,g} courses: 1 year in 20 earns less than {book.one_in_twenty:,}"
    return titled(figure, f"{title} {book.currency}", book.notes)


def plot_sensitivity(rows: Sequence[Variation], *, currency: str) -> go.Figure:
    """Draw expected and 1-in-20 margin, in ``currency``, for ``rows``: as it is, and changed."""
    names = [row.change for row in rows][::-1]
    average = [float(row.expected_margin) for row in rows][::-1]
    bad = [float(row.one_in_twenty) for row in rows][::-1]
    figure = go.Figure()
    for name, at_average, at_bad in zip(names, average, bad, strict=True):
        figure.add_scatter(
            x=[at_bad, at_average],
            y=[name, name],
            mode="lines",
            line={"color": COLOURS["light"], "width": 4},
            showlegend=False,
            hoverinfo="skip",
        )
    for label, values, colour, symbol in (
        ("average", average, COLOURS["main"], "circle"),
        ("1 in 20 is below", bad, COLOURS["contrast"], "diamond"),
    ):
        figure.add_scatter(
            x=values,
            y=names,
            mode="markers",
            name=label,
            marker={"color": colour, "size": 12, "symbol": symbol},
        )
    figure.update_xaxes(title_text=f"margin ({currency}, net of tax)")
    figure.update_yaxes(automargin=True)
    figure.update_layout(height=140 + 45 * len(names))
    return titled(figure, "What one change does to the margin")


def plot_appointments(load: Appointments) -> go.Figure:
    """Draw each month's sessions, from open courses and from new ones, with the 90 % band."""
    frame = load.to_frame()
    figure = go.Figure()
    for name, column, colour in (
        ("courses under way", "from_open_courses", COLOURS["main"]),
        ("new courses", "from_new_courses", COLOURS["light"]),
    ):
        figure.add_bar(x=frame["month"], y=frame[column], name=name, marker_color=colour)
    figure.add_scatter(
        x=frame["month"],
        y=frame["sessions"],
        mode="markers",
        name="9 of 10 futures",
        error_y=whiskers(frame["sessions"], frame["low"], frame["high"]),
        marker={"color": COLOURS["grey"], "size": 5},
    )
    figure.update_layout(barmode="stack")
    figure.update_xaxes(title_text="month, from its first day counted", tickformat="%b %Y")
    figure.update_yaxes(title_text="appointments", rangemode="tozero")
    mean, low, high = map(round, load.total)
    return titled(figure, f"{mean} appointments in all ({low} to {high})", load.notes)


def plot_price_list(prices: PriceList) -> go.Figure:
    """Draw each band's price over the prices its clients would have had on their own."""
    bands = prices.bands[::-1]
    # broken, so that long rules leave room for the prices
    rules = ["<br>".join(wrap(f"{band.rule} ({band.n})", 36)) for band in bands]
    figure = go.Figure()
    for rule, band in zip(rules, bands, strict=True):
        figure.add_scatter(
            x=[float(band.lowest_own), float(band.highest_own)],
            y=[rule, rule],
            mode="lines",
            line={"color": COLOURS["light"], "width": 10},
            name="own prices, middle 8 of 10",
            showlegend=band is bands[0],
        )
    figure.add_scatter(
        x=[float(band.price) for band in bands],
        y=rules,
        mode="markers",
        marker={"color": COLOURS["contrast"], "size": 14, "symbol": "diamond"},
        name="price of the band",
    )
    figure.update_xaxes(title_text=f"price ({prices.currency}, tax included)", rangemode="tozero")
    figure.update_yaxes(automargin=True)
    title = f"{prices.package.label('en')}: {len(bands)} prices instead of {len(prices.band_of)}"
    return titled(figure, title, prices.notes)
