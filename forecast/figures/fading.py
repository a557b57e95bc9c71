"""Pictures of fading: curves by regime, shares per session with their intervals, one course."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.errors import RequestError
from forecast.figures.template import COLOURS, titled

if TYPE_CHECKING:
    import pandas as pd
    import plotly.graph_objects as go

    from forecast.fading import FadingCurves, SplitFading

__all__ = ["plot_fading", "plot_fading_shares", "plot_split_fading"]

# line, band, dash: told apart without colour too
LOOKS = {
    "ns": (COLOURS["main"], COLOURS["band"], "solid"),
    "ps": (COLOURS["contrast"], COLOURS["contrast_band"], "dash"),
    "all": (COLOURS["main"], COLOURS["band"], "solid"),
}
NAMES = {"ns": "ns", "ps": "ps", "all": "all sessions"}


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
    import plotly.graph_objects as go

    table = fading.curves[fading.curves["ink_group"] == ink_group]
    if table.empty:
        raise RequestError(
            f"There is no curve for the ink group {ink_group!r}.",
            f"Choose one of {', '.join(fading.curves['ink_group'].unique())}.",
        )
    figure = go.Figure()
    for regime in table["regime"].unique():
        add_curve(figure, table[table["regime"] == regime], str(regime), fading.level, middle)
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


def add_curve(
    figure: go.Figure, curve: pd.DataFrame, regime: str, level: float, middle: bool
) -> None:
    """Add one regime's curve and its band."""
    colour, band, dash = LOOKS[regime]
    low, high = ("middle_low", "middle_high") if middle else ("low", "high")
    says = "middle 8 of 10 courses" if middle else f"{100 * level:.0f} % band"
    figure.add_scatter(
        x=[*curve["session"], *curve["session"][::-1]],
        y=[*curve[high], *curve[low][::-1]],
        fill="toself",
        fillcolor=band,
        line={"width": 0},
        hoverinfo="skip",
        name=f"{NAMES[regime]}, {says}",
    )
    figure.add_scatter(
        x=curve["session"],
        y=curve["faded"],
        mode="lines+markers",
        line={"color": colour, "dash": dash, "width": 2.5},
        text=[f"{n} courses had so many" for n in curve["courses"]],
        name=NAMES[regime],
    )


def plot_fading_shares(fading: FadingCurves) -> go.Figure:
    """Draw the share of the remaining ink that a session removes, by ink group and regime."""
    import plotly.graph_objects as go

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
                "symbol": "diamond" if regime == "ps" else "circle",
            },
            error_x={
                "type": "data",
                "symmetric": False,
                "array": table["high"] - table["share"],
                "arrayminus": table["share"] - table["low"],
                "color": colour,
            },
            text=[f"{n} courses" for n in table["courses"]],
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
    import plotly.graph_objects as go

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
            name=f"{regime} half, mean of the pairs graded then",
        )
    figure.add_scatter(
        x=table["session"],
        y=table["difference"],
        mode="markers",
        marker={"color": COLOURS["grey"], "size": 9},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": table["high"] - table["difference"],
            "arrayminus": table["difference"] - table["low"],
        },
        text=[f"{n} pairs" for n in table["pairs"]],
        name=f"ps less ns within pairs, {100 * fading.level:.0f} % interval",
    )
    figure.update_xaxes(title_text="sessions", dtick=1)
    figure.update_yaxes(title_text="faded, percent; difference, points")
    return titled(figure, "Two halves of one tattoo", (_paired_note(fading.split),))


def _paired_note(split: SplitFading) -> str:
    low, high = split.share.interval
    return (
        f"{split.n_pairs} pairs. Share of the remaining ink removed per session, ps less "
        f"ns: {100 * split.share.estimate:+.1f} points ({100 * low:+.1f} to "
        f"{100 * high:+.1f}). Pairs leave as they clear, so the two means bend towards the slow "
        "ones: read the difference, not the bend."
    )
