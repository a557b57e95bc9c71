"""Pictures of one estimate, of how estimates turned out, and of prices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
import plotly.graph_objects as go

from forecast._notes import GIVE_OR_TAKE
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.figures.template import (
    COLOURS,
    dots,
    drawing,
    joined,
    mark,
    rows_of,
    shade,
    titled,
    whiskers,
)

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.forecaster import PromiseCheck
    from forecast.prices import Appointments, Book, PriceList, Quote, Variation

BINS = 60
# colour and symbol of each verdict
LOOKS = {
    "holds": ("third", "circle"),
    "cannot say": ("grey", "circle-open"),
    "fails": ("contrast", "x"),
}


def plot_estimate(estimate: Estimate, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` an ``estimate``'s chance of each count, and apart what lies beyond.

    Examples
    --------
    >>> plot_estimate(forecaster.estimate(enquiry)).layout.xaxis.title.text
    'sessions needed here'
    """
    steps = np.arange(1, estimate.horizon + 1)
    pmf, (low, high) = estimate.distribution.pmf[0], estimate.interval
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
    """Draw in a ``language`` how many of 100 clients reach the goal of an ``estimate`` by when.

    Examples
    --------
    >>> plot_hundred(forecaster.estimate(enquiry), language="de").layout.yaxis.title.text
    'von 100 Personen'
    """
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
    """Draw in a ``language`` how far each candidate of an ``assessment`` lies behind the best.

    Examples
    --------
    >>> plot_candidates(forecaster.assessment).layout.xaxis.title.text
    'log score per session behind the best (lower is better)'
    """
    rows = [row for row in assessment["candidates"] if row["behind_best"] is not None]
    figure, say = drawing(language)
    for name, *look in (("not_chosen", "main", "circle"), ("chosen", "contrast", "diamond")):
        some = [row for row in rows if row["chosen"] == (name == "chosen")]
        names = [say("said", what=row["model"]) for row in some]
        drawn = dots([row["behind_best"] for row in some], names, say(name), *look)
        figure.add_scatter(**drawn, error_x={"array": [row["behind_best_error"] for row in some]})
    figure.update_xaxes(title_text=say("behind"))
    rows_of(figure, [say("said", what=row["model"]) for row in rows])
    return titled(figure, say("candidates"), say)


def plot_reliability(assessment: Mapping[str, Any], *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` what was seen against what an ``assessment`` predicted, by session.

    Examples
    --------
    >>> plot_reliability(forecaster.assessment).layout.title.text
    'What was promised and what was seen (whiskers: 95 %)'
    """
    rows = assessment["reliability"]
    figure, say = drawing(language)
    figure.add_scatter(**joined([0, 1], [0, 1], say("kept"), "grey", "dot", mode="lines"))
    symbols = ("circle", "square", "triangle-up", "diamond")
    for place, step in enumerate(sorted({row["step"] for row in rows})):
        some = [row for row in rows if row["step"] == step and row["observed"] is not None]
        figure.add_scatter(
            x=[row["predicted"] for row in some],
            y=[row["observed"] for row in some],
            error_y={"array": [GIVE_OR_TAKE * (row["standard_error"] or 0) for row in some]},
            mode="markers",
            marker={"size": 10, "symbol": symbols[place % len(symbols)]},
            name=say("by_session", step=step),
        )
    figure.update_xaxes(title_text=say("predicted"), tickformat=".0%", range=[-0.03, 1.03])
    figure.update_yaxes(title_text=say("observed"), tickformat=".0%", range=[-0.05, 1.1])
    return titled(figure, say("reliability"), say)


def plot_watch(check: PromiseCheck, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` from month to month how much longer courses take than predicted.

    Raises RequestError if the ``check`` of a forecaster has no watch: no dated sessions, or too
    little was expected.

    Examples
    --------
    >>> seen = forecast.assess_forecaster(forecaster, forecast.simulate_log(40, seed=3))
    >>> plot_watch(seen).layout.yaxis.title.text
    'score of a slowdown'
    """
    if (found := check.watch) is None:
        raise RequestError(
            "There is nothing to watch from month to month.",
            "Give a log with dated sessions of courses that the model was not fitted to.",
        )
    table, (figure, say) = found.table, drawing(language)
    each = zip(table["seen"], table["expected"], strict=True)
    figure.add_scatter(
        **joined(table["month"], table["score"], say("score"), "main"),
        text=[say("seen_and_expected", seen=seen, expected=expected) for seen, expected in each],
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
    """Draw in a ``language`` the coverage of an ``assessment`` in each group, with its verdict.

    Examples
    --------
    >>> plot_subgroups(forecaster.assessment).layout.title.text
    'Does the 80 % interval hold in each group? (whiskers: 95 %)'
    """
    rows = [row for row in assessment["subgroups"] if row["coverage"] is not None]
    figure, say = drawing(language)
    names = [say("group", **{k: row[k] for k in ("factor", "label", "n_events")}) for row in rows]
    ends = np.array([[row[f"coverage{end}"] for row in rows] for end in ("", "_low", "_high")])
    level = assessment["coverage"]["level"]
    for verdict, look in LOOKS.items():
        some = [at for at, row in enumerate(rows) if row["verdict"] == verdict]
        which = (ends[0, some], [names[at] for at in some], say("said", what=verdict))
        figure.add_scatter(**dots(*which, *look), error_x=whiskers(*ends[:, some]))
    figure.add_vline(x=level, line={"dash": "dot", "color": COLOURS["grey"]})
    figure.update_xaxes(title_text=say("share_inside"), tickformat=".0%", range=[0, 1.02])
    rows_of(figure, names)
    return titled(figure, say("subgroups", level=level), say)


def plot_quote(quote: Quote, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the chance of each margin of one ``quote``; the losses stand out.

    Examples
    --------
    >>> package = forecast.Package("fixed", price=900)
    >>> quote = forecast.price_package(forecaster.estimate(enquiry), package, tariff)
    >>> plot_quote(quote).layout.title.text
    'fixed price at 900.00 EUR: fewer than 1 of 100 courses lose money'
    """
    values, where = np.unique(quote.margins / 100, return_inverse=True)
    chances = np.bincount(where.ravel(), weights=quote.chances)
    figure, say = drawing(language)
    for name, shown, colour, pattern in (
        ("earns", values >= 0, "main", ""),
        ("loses", values < 0, "contrast", "/"),
    ):
        look = {"color": COLOURS[colour], "pattern": {"shape": pattern}}
        figure.add_bar(x=values[shown], y=chances[shown], name=say(name), marker=look)
    mark(figure, float(quote.expected_margin), say("average"))
    figure.update_xaxes(title_text=say("margin_of_course", currency=quote.currency))
    figure.update_yaxes(title_text=say("probability"), tickformat=".0%", rangemode="tozero")
    figure.update_layout(showlegend=True)  # where nothing is lost too
    said = {"package": quote.package.label(language), "share": of_100(quote.chance_of_loss)}
    title = say("quote", price=quote.price, currency=quote.currency, **said)
    return titled(figure, title, say, (*quote.check, *quote.notes))


def plot_book(book: Book, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the margin of a ``book``, and what it is with the model known.

    Examples
    --------
    >>> package = forecast.Package("fixed", price=900)
    >>> book = forecast.price_caseload(forecaster, [enquiry] * 9, package, tariff, replicates=9)
    >>> [trace.name for trace in plot_book(book).data]
    ['model not known exactly', 'model taken as known']
    """
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
    """Draw in a ``language`` the margins in ``currency`` of ``rows``: as it is, and changed.

    Examples
    --------
    >>> as_it_is = forecast.prices.Variation("as_it_is", 900, 300, chance_of_loss=0.01)
    >>> plot_sensitivity([as_it_is], currency="EUR").layout.xaxis.title.text
    'margin (EUR, net of tax)'
    """
    figure, say = drawing(language)
    names = [say("said", what=row.change) for row in rows][::-1]
    average = [float(row.expected_margin) for row in rows][::-1]
    bad = [float(row.one_in_twenty) for row in rows][::-1]
    for name, *ends in zip(names, bad, average, strict=True):
        figure.add_scatter(**joined(ends, [name, name], "", "light", mode="lines"))
    figure.update_traces(line_width=4, showlegend=False, hoverinfo="skip")
    figure.add_scatter(**dots(average, names, say("average"), "main"))
    figure.add_scatter(**dots(bad, names, say("bad"), "contrast", "diamond"))
    figure.update_xaxes(title_text=say("margin", currency=currency))
    figure.update_yaxes(automargin=True)
    figure.update_layout(height=140 + 45 * len(names))
    return titled(figure, say("sensitivity"), say)


def plot_appointments(load: Appointments, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the ``load`` of each month, open courses and new, with its band.

    Examples
    --------
    >>> load = forecast.forecast_appointments(forecaster, log, weeks=4)
    >>> plot_appointments(load).layout.title.text
    '11 appointments in all (8 to 14)'
    """
    frame, (figure, say) = load.to_frame(), drawing(language)
    for name, colour in (("from_open_courses", "main"), ("from_new_courses", "light")):
        bars = {"name": say(name), "marker_color": COLOURS[colour]}
        figure.add_bar(x=frame["month"], y=frame[name], **bars)
    figure.add_scatter(
        **dots(frame["month"], frame["sessions"], say("futures"), "grey", size=5),
        error_y=whiskers(frame["sessions"], frame["low"], frame["high"]),
    )
    figure.update_layout(barmode="stack")
    figure.update_xaxes(title_text=say("month_counted"), tickformat=say("month_format"))
    figure.update_yaxes(title_text=say("appointments"), rangemode="tozero")
    title = say("load", **dict(zip(("mean", "low", "high"), map(round, load.total), strict=True)))
    return titled(figure, title, say, load.notes)


def plot_price_list(prices: PriceList, *, language: str = "en") -> go.Figure:
    """Draw in a ``language`` the ``prices`` of bands over what their clients would have had.

    Examples
    --------
    >>> package = forecast.Package("fixed")
    >>> prices = forecast.make_price_list(forecaster, [enquiry] * 10, package, tariff, bands=1)
    >>> plot_price_list(prices).layout.title.text
    'fixed price: 1 price instead of 10'
    """
    bands = prices.bands[::-1]
    # broken, so that long rules leave room for the prices
    figure, say = drawing(language)
    rules = ["<br>".join(wrap(say("band", rule=band.rule, n=band.n), 36)) for band in bands]
    for rule, band in zip(rules, bands, strict=True):
        own = [float(band.lowest_own), float(band.highest_own)]
        drawn = joined(own, [rule, rule], say("own_prices"), "light", mode="lines")
        figure.add_scatter(**drawn, showlegend=band is bands[0])
    figure.update_traces(line_width=10)
    asked = [float(band.price) for band in bands]
    figure.add_scatter(**dots(asked, rules, say("band_price"), "contrast", "diamond", size=14))
    figure.update_xaxes(title_text=say("price", currency=prices.currency), rangemode="tozero")
    figure.update_yaxes(automargin=True)
    values = {"package": prices.package.label(language), "n": len(bands), "of": len(prices.band_of)}
    return titled(figure, say("price_list", **values), say, prices.notes)
