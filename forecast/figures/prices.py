"""Pictures of prices: the margin of a course, a year, what volume does, changes, the list."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import plotly.graph_objects as go

from forecast.counts import of_100
from forecast.figures.template import COLOURS, mark, titled

if TYPE_CHECKING:
    from forecast.prices import Book, PriceList, Quote, Variation

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
        f"{quote.package.name} at {quote.price} {quote.currency}: "
        f"{of_100(quote.chance_of_loss)} courses lose money"
    )
    return titled(figure, title, (*quote.check, *quote.notes))


def plot_book(book: Book) -> go.Figure:
    """Draw the year's margin, with the model's error shared and with the model taken as known."""
    shown = (book.totals / 100, book.totals_model_known / 100)
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
    title = f"{book.n_courses} courses: 1 year in 20 earns less than {book.one_in_twenty}"
    return titled(figure, f"{title} {book.currency}", book.notes)


def plot_volume(book: Book, *, most: int = 10_000) -> go.Figure:
    """Draw how the spread of the average margin per course falls with more courses; both log."""
    counts = np.unique(np.round(np.geomspace(1, most, 80)).astype(int))
    whole = [book.sd_per_course(int(n)) for n in counts]
    floor = float(book.model_sd) / book.n_courses
    figure = go.Figure()
    figure.add_scatter(
        x=counts, y=whole, name="chance and model", line={"color": COLOURS["main"], "width": 3}
    )
    figure.add_scatter(
        x=counts,
        y=np.sqrt(np.maximum(np.square(whole) - floor**2, 0)),
        name="chance alone",
        line={"color": COLOURS["fifth"], "dash": "dash"},
    )
    if floor > 0:
        figure.add_scatter(
            x=[1, most],
            y=[floor, floor],
            mode="lines",
            name="what the model does not know",
            line={"dash": "dot", "color": COLOURS["grey"]},
        )
    figure.update_xaxes(title_text="courses in the year", type="log")
    figure.update_yaxes(title_text=f"spread per course ({book.currency})", type="log")
    return titled(figure, "More courses help only down to what the model does not know", book.notes)


def plot_sensitivity(rows: Sequence[Variation], *, currency: str) -> go.Figure:
    """Draw expected margin and 1-in-20 margin as they are and under single changes."""
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


def plot_price_list(prices: PriceList) -> go.Figure:
    """Draw each band's price over the prices its clients would have had on their own."""
    bands = prices.bands[::-1]
    rules = [f"{band.rule} ({band.n})" for band in bands]
    figure = go.Figure()
    for rule, band in zip(rules, bands, strict=True):
        figure.add_scatter(
            x=[float(band.lowest_own), float(band.highest_own)],
            y=[rule, rule],
            mode="lines",
            line={"color": COLOURS["light"], "width": 10},
            name="own prices of the middle 8 of 10 clients",
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
    title = f"{prices.package.name}: {len(bands)} prices instead of {len(prices.band_of)}"
    return titled(figure, title, prices.notes)
