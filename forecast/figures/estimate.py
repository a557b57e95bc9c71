"""Pictures of one estimate, of how estimates turned out, and of prices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.figures.template import COLOURS, drawing, mark, shade, titled, whiskers

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import PromiseCheck
    from forecast.prices import Appointments, Book, PriceList, Quote, Variation

Z95 = 1.96
SYMBOLS = {"holds": "circle", "cannot say": "circle-open", "fails": "x"}
SHADES = {"holds": "third", "cannot say": "grey", "fails": "contrast"}


def plot_estimate(estimate: Estimate, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` an ``estimate``'s chance of each count, and apart what lies beyond."""
    steps = np.arange(1, estimate.horizon + 1)
    pmf = estimate.distribution.pmf[0]
    low, high = estimate.interval
    inside = (steps >= (low or estimate.horizon + 1)) & (steps <= (high or estimate.horizon))
    figure, say = drawing(language)
    for name, shown, colour in (
        (say("inside", level=estimate.level), inside, COLOURS["main"]),
        (say("outside"), ~inside, COLOURS["light"]),
    ):
        figure.add_bar(x=steps[shown], y=pmf[shown], name=name, marker_color=colour)
    figure.add_bar(
        x=[estimate.horizon + 2],
        y=[estimate.not_within_horizon],
        name=say(f"not_{estimate.goal}", horizon=estimate.horizon),
        marker={"color": COLOURS["contrast"], "pattern": {"shape": "/"}},
    )
    ticks = [n for n in range(1, estimate.horizon + 1) if n == 1 or n % 5 == 0]
    figure.update_xaxes(
        title_text=say("still_needed" if estimate.sessions_done else "needed"),
        tickvals=[*ticks, estimate.horizon + 2],
        ticktext=[*map(str, ticks), f">{estimate.horizon}"],
    )
    figure.update_yaxes(title_text=say("probability"), tickformat=".0%", rangemode="tozero")
    return titled(figure, say("said", what=estimate.headline[0]), say, estimate.notes)


def plot_hundred(estimate: Estimate, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` how many of 100 clients reach the goal of an ``estimate`` by when."""
    # the last value twice: its tread is as wide as the others
    steps = np.arange(1, estimate.horizon + 2)
    reached = 100 * np.pad(estimate.distribution.cdf()[0], (0, 1), mode="edge")
    spread = 100 * np.quantile(np.cumsum(estimate.draws, axis=1), [0.1, 0.9], axis=0)
    spread = np.pad(spread, ((0, 0), (0, 1)), mode="edge")
    figure, say = drawing(language)
    shade(figure, steps, spread, say("unsure"), COLOURS["band"], shape="hv")
    figure.add_scatter(
        x=steps,
        y=reached,
        line={"shape": "hv", "color": COLOURS["main"], "width": 3},
        name=say(f"by_then_{estimate.goal}"),
    )
    figure.add_hline(y=50, line={"dash": "dot", "color": COLOURS["grey"]})
    had = say("further" if estimate.sessions_done else "had")
    figure.update_xaxes(title_text=had, dtick=5, range=[0.5, estimate.horizon + 1])
    figure.update_yaxes(title_text=say("clients"), range=[0, 100])
    if estimate.supported_to < estimate.horizon:
        mark(figure, estimate.supported_to + 1, say("beyond"), side="right")
    return titled(figure, say(f"hundred_{estimate.goal}"), say, estimate.notes)


def plot_candidates(assessment: Mapping[str, Any], *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` how far each candidate of an ``assessment`` lies behind the best."""
    rows = [row for row in assessment["candidates"] if row["behind_best"] is not None]
    figure, say = drawing(language)
    for chosen in (False, True):
        some = [row for row in rows if row["chosen"] == chosen]
        figure.add_scatter(
            x=[row["behind_best"] for row in some],
            y=[say("said", what=row["model"]) for row in some],
            error_x={"array": [row["behind_best_error"] for row in some]},
            mode="markers",
            marker={
                "size": 13,
                "symbol": "diamond" if chosen else "circle",
                "color": COLOURS["contrast" if chosen else "main"],
            },
            name=say("chosen" if chosen else "not_chosen"),
        )
    figure.update_xaxes(title_text=say("behind"))
    names = [say("said", what=row["model"]) for row in rows]
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], automargin=True)
    return titled(figure, say("candidates"), say)


def plot_reliability(assessment: Mapping[str, Any], *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` what was seen against what an ``assessment`` predicted, by session."""
    rows = assessment["reliability"]
    figure, say = drawing(language)
    figure.add_scatter(
        x=[0, 1],
        y=[0, 1],
        mode="lines",
        line={"dash": "dot", "color": COLOURS["grey"]},
        name=say("kept"),
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
            name=say("by_session", step=step),
        )
    figure.update_xaxes(title_text=say("predicted"), tickformat=".0%", range=[-0.03, 1.03])
    figure.update_yaxes(title_text=say("observed"), tickformat=".0%", range=[-0.05, 1.1])
    return titled(figure, say("reliability"), say)


def plot_watch(check: PromiseCheck, *, language: str = "en") -> go.Figure:
    """Draw from month to month whether courses have come to take longer than predicted.

    Parameters
    ----------
    check : PromiseCheck
        As ``assess_forecaster`` returns it.
    language : str
        Of the texts in the picture.

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
    table, (figure, say) = found.table, drawing(language)
    figure.add_scatter(
        x=table["month"],
        y=table["score"],
        mode="lines+markers",
        line={"color": COLOURS["main"]},
        text=[
            say("seen_and_expected", seen=seen, expected=expected)
            for seen, expected in zip(table["seen"], table["expected"], strict=True)
        ],
        name=say("score"),
    )
    figure.add_hline(
        y=found.threshold,
        line={"dash": "dot", "color": COLOURS["grey"]},
        annotation_text=say("signal"),
        annotation_position="top left",
    )
    figure.update_xaxes(title_text=say("month"), automargin=True)
    top = max(1.15 * found.threshold, 1.05 * float(table["score"].max()))
    figure.update_yaxes(title_text=say("slowdown"), range=[0, top])
    title = say("signalled", day=f"{found.signal}-01") if found.signal else say("no_signal")
    return titled(figure, title, say)


def plot_subgroups(assessment: Mapping[str, Any], *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the coverage of an ``assessment`` in each group, with its verdict."""
    rows = [row for row in assessment["subgroups"] if row["coverage"] is not None]
    figure, say = drawing(language)
    names = [say("group", **{k: row[k] for k in ("factor", "label", "n_events")}) for row in rows]
    ends = np.array([[row[f"coverage{end}"] for row in rows] for end in ("", "_low", "_high")])
    level = assessment["coverage"]["level"]
    for verdict, symbol in SYMBOLS.items():
        some = [at for at, row in enumerate(rows) if row["verdict"] == verdict]
        figure.add_scatter(
            x=ends[0, some],
            y=[names[at] for at in some],
            error_x=whiskers(*ends[:, some]),
            mode="markers",
            marker={"size": 12, "symbol": symbol, "color": COLOURS[SHADES[verdict]]},
            name=say("said", what=verdict),
        )
    figure.add_vline(x=level, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text=say("share_inside"), tickformat=".0%", range=[0, 1.02])
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], automargin=True)
    return titled(figure, say("subgroups", level=level), say)


BINS = 60


def plot_quote(quote: Quote, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the chance of each margin of one ``quote``; the losses stand out."""
    values, where = np.unique(quote.margins / 100, return_inverse=True)
    chances = np.bincount(where.ravel(), weights=quote.chances)
    figure, say = drawing(language)
    for name, shown, colour, pattern in (
        ("earns", values >= 0, COLOURS["main"], ""),
        ("loses", values < 0, COLOURS["contrast"], "/"),
    ):
        figure.add_bar(
            x=values[shown],
            y=chances[shown],
            name=say(name),
            marker={"color": colour, "pattern": {"shape": pattern}},
        )
    mark(figure, float(quote.expected_margin), say("average"))
    figure.update_xaxes(title_text=say("margin_of_course", currency=quote.currency))
    figure.update_yaxes(title_text=say("probability"), tickformat=".0%", rangemode="tozero")
    title = say(
        "quote",
        package=quote.package.label(language),
        price=quote.price,
        currency=quote.currency,
        share=of_100(quote.chance_of_loss),
    )
    return titled(figure, title, say, (*quote.check, *quote.notes))


def plot_book(book: Book, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the margin of a ``book``, and what it is with the model known."""
    shown = (book.totals, book.totals_model_known)
    edges = np.histogram_bin_edges(np.concatenate(shown), bins=BINS)
    figure, say = drawing(language)
    for name, totals, colour in (
        (say("model_unknown"), shown[0], COLOURS["main"]),
        (say("model_known"), shown[1], COLOURS["fifth"]),
    ):
        share = np.histogram(totals, bins=edges)[0] / len(totals)
        figure.add_scatter(
            x=(edges[:-1] + edges[1:]) / 2,
            y=share,
            name=name,
            fill="tozeroy",
            line={"shape": "hvh", "color": colour, "width": 2},
        )
    mark(figure, float(book.one_in_twenty), say("bad_year"), colour="main")
    figure.update_xaxes(title_text=say("margin_of_year", currency=book.currency))
    figure.update_yaxes(title_text=say("years"), tickformat=".0%", rangemode="tozero")
    values = {"n": book.n_courses, "least": book.one_in_twenty, "currency": book.currency}
    return titled(figure, say("book", **values), say, book.notes)


def plot_sensitivity(
    rows: Sequence[Variation], *, currency: str, language: str = "en"
) -> go.Figure:
    """Draw in a ``language`` the margins in ``currency`` of ``rows``: as it is, and changed."""
    figure, say = drawing(language)
    names = [say("said", what=row.change) for row in rows][::-1]
    average = [float(row.expected_margin) for row in rows][::-1]
    bad = [float(row.one_in_twenty) for row in rows][::-1]
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
        (say("average"), average, COLOURS["main"], "circle"),
        (say("bad"), bad, COLOURS["contrast"], "diamond"),
    ):
        figure.add_scatter(
            x=values,
            y=names,
            mode="markers",
            name=label,
            marker={"color": colour, "size": 12, "symbol": symbol},
        )
    figure.update_xaxes(title_text=say("margin", currency=currency))
    figure.update_yaxes(automargin=True)
    figure.update_layout(height=140 + 45 * len(names))
    return titled(figure, say("sensitivity"), say)


def plot_appointments(load: Appointments, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the ``load`` of each month, open courses and new, with its band."""
    frame, (figure, say) = load.to_frame(), drawing(language)
    for name, colour in (("from_open_courses", "main"), ("from_new_courses", "light")):
        bars = {"name": say(name), "marker_color": COLOURS[colour]}
        figure.add_bar(x=frame["month"], y=frame[name], **bars)
    figure.add_scatter(
        x=frame["month"],
        y=frame["sessions"],
        mode="markers",
        name=say("futures"),
        error_y=whiskers(frame["sessions"], frame["low"], frame["high"]),
        marker={"color": COLOURS["grey"], "size": 5},
    )
    figure.update_layout(barmode="stack")
    figure.update_xaxes(title_text=say("month_counted"), tickformat=say("month_format"))
    figure.update_yaxes(title_text=say("appointments"), rangemode="tozero")
    title = say("load", **dict(zip(("mean", "low", "high"), map(round, load.total), strict=True)))
    return titled(figure, title, say, load.notes)


def plot_price_list(prices: PriceList, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the ``prices`` of bands over what their clients would have had."""
    bands = prices.bands[::-1]
    # broken, so that long rules leave room for the prices
    figure, say = drawing(language)
    rules = ["<br>".join(wrap(say("band", rule=band.rule, n=band.n), 36)) for band in bands]
    for rule, band in zip(rules, bands, strict=True):
        figure.add_scatter(
            x=[float(band.lowest_own), float(band.highest_own)],
            y=[rule, rule],
            mode="lines",
            line={"color": COLOURS["light"], "width": 10},
            name=say("own_prices"),
            showlegend=band is bands[0],
        )
    figure.add_scatter(
        x=[float(band.price) for band in bands],
        y=rules,
        mode="markers",
        marker={"color": COLOURS["contrast"], "size": 14, "symbol": "diamond"},
        name=say("band_price"),
    )
    figure.update_xaxes(title_text=say("price", currency=prices.currency), rangemode="tozero")
    figure.update_yaxes(automargin=True)
    values = {"package": prices.package.label(language), "n": len(bands), "of": len(prices.band_of)}
    return titled(figure, say("price_list", **values), say, prices.notes)
