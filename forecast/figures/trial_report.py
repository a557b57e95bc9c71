"""A comparison of regimes written up item by item, as a reviewer expects it.

The items are those of TARGET 2025, in our own words and from a second-hand summary of its
checklist, as the report itself says: whoever submits a paper fills in the published one.
"""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from forecast._checks import SHOWN_AT
from forecast._files import write_into
from forecast._notes import Note, filler, in_language, sentence, texts_of
from forecast.figures.sessions import plot_balance, plot_curves, plot_followers, plot_readings
from forecast.log import OutcomeLog
from forecast.regimes import RegimeComparison, trial_rows
from forecast.tattoo import SITES

Item: TypeAlias = str | pd.DataFrame | go.Figure
Items = tuple[str, Sequence[Item]]

PLOTS = {
    "balance": plot_balance,
    "followers": plot_followers,
    "curves": plot_curves,
    "readings": plot_readings,
}
CHARACTERISTICS = (
    "ink_group", "skin_type", "region", "ink_density", "layering", "origin", "scarring", "smoker",
    "age_years", "area_cm2", "tattoo_age_years",
)  # fmt: skip
ABOVE = ("title", "caution", "items", "figure")  # what stands above it all, and for a figure
MANY_LEVELS = 8  # from which a characteristic is a number
STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:52rem;margin:2rem auto;padding:0 1rem}"
    "table{border-collapse:collapse;display:block;overflow-x:auto}"
    "td,th{border:1px solid #bbb;padding:.2rem .6rem;text-align:right}"
    "td:first-child,th:first-child{text-align:left}"
)


def write_report(
    comparison: RegimeComparison, log: OutcomeLog, folder: str | Path, *, language: str = "en"
) -> list[Path]:
    """Write a comparison of regimes as Markdown and as one self-contained HTML with its figures.

    Parameters
    ----------
    comparison : RegimeComparison
        What ``compare_regimes`` returns.
    log : OutcomeLog
        The log it was made from.
    folder : path
        Made if it is not there.
    language : str
        Code of a shipped language.

    Returns
    -------
    list of Path
        ``report.md`` and ``report.html``.

    Raises
    ------
    RequestError
        If ``folder`` is a file.

    Examples
    --------
    >>> [path.name for path in write_report(comparison, log, folder)]
    ['report.md', 'report.html']
    """
    parts = [*_items(comparison, log, language)]
    as_written = {"report.md": _as_markdown, "report.html": _as_html}
    return write_into(folder, {name: say(parts, language) for name, say in as_written.items()})


def _items(comparison: RegimeComparison, log: OutcomeLog, language: str) -> Iterator[Items]:
    given, numbers = _given(comparison, language), _numbers(comparison, log)
    given["baseline"] = [_baseline(comparison, log)]
    missing = log.courses.isna().mean().rename("not_recorded").round(3)
    given["missing"] = [missing[missing > 0].rename_axis("column").reset_index()]
    texts = texts_of(language)
    items = texts["report"] | (texts["report_of_pairs"] if _paired(comparison) else {})
    for heading, *listed in items.values():
        found: list[Item] = []
        for text in listed:
            said = filler(language).fill(text, numbers)
            found += given[text[1:]] if text[0] == "@" else [said]
        yield heading, [_said(item, language) for item in found]


def _paired(comparison: RegimeComparison) -> bool:
    """Return whether the answer is that of split tattoos, for which nothing is weighted."""
    return comparison.split is not None and comparison.rows.empty


def _said(item: Item | Note, language: str) -> Item:
    """Return an item in a language: a sentence, or a table whose heads and cells are words."""
    if isinstance(item, go.Figure):
        return item
    if isinstance(item, Note | str):
        return item.say(language) if isinstance(item, Note) else in_language(item, language)
    shown = item.astype(object).where(item.notna(), "–").rename(columns=str)
    return shown.rename(columns=lambda name: _cell(name, language)).map(_cell, language=language)


def _cell(value: object, language: str) -> str:
    whole = isinstance(value, str | int | np.integer)
    if isinstance(value, str):
        said = filler(language).terms.get(value, value)
        value = said.replace("_", " ") if said == value else value
    return Note(f"written_up.{'cell' if whole else 'number'}", values={"n": value}).say(language)


def _numbers(comparison: RegimeComparison, log: OutcomeLog) -> dict[str, object]:
    counts, left_out = comparison.diagnostics.counts, comparison.diagnostics.left_out
    started = log.courses["started_on"]
    return {
        "between": comparison.strategies,
        "assumed": Note(f"written_up.assumed{'_of_pairs' * _paired(comparison)}"),
        "pairs": comparison.split.n_pairs if comparison.split else 0,
        "not_in_a_log": Note("written_up.not_in_a_log"),
        "courses": len(log.courses),
        "sessions": len(log.each_session),
        "gradings": len(log.gradings),
        "first": str(started.min().date()),
        "last": str(started.max().date()),
        "level": comparison.level,
        "eligible": counts["courses"],
        "left_out": [sentence("counts.left_out", {"n": n, "why": w}) for w, n in left_out.items()]
        or "none",
        **{kind: counts.get(kind, 0) for kind in ("cleared", "stopped", "ongoing")},
    }


# eligible courses by the regime that they began with: shares of the levels recorded, or median and
# quartiles
def _baseline(comparison: RegimeComparison, log: OutcomeLog) -> pd.DataFrame:
    trial = trial_rows(log, horizon=comparison.horizon)
    eligible = trial.courses[["course_id", "ink_group"]] if trial else log.courses[:0]
    began = log.each_session.query("session_no == 1")[["course_id", "regime"]]
    courses = eligible.merge(began).merge(log.courses)
    courses["region"] = courses["body_site"].map(lambda name: SITES[name].region)
    each = {regime: courses[courses["regime"] == regime] for regime in ("ns", "ps")}
    rows = [("courses", "", *(str(len(own)) for own in each.values()))]
    for name in CHARACTERISTICS:
        levels = sorted(courses[name].dropna().unique())
        number = len(levels) > MANY_LEVELS
        for level in ["median_quartiles"] if number else levels:
            known = [own[name].dropna() for own in each.values()]
            share = [f"{100 * (own == level).mean():.0f} %" for own in known]
            rows.append((name, level, *(map(_quartiles, known) if number else share)))
    return pd.DataFrame(rows, columns=["characteristic", "recorded", *each])


def _quartiles(numbers: pd.Series) -> str:
    low, middle, high = numbers.astype(float).quantile([0.25, 0.5, 0.75])
    return f"{middle:.0f} ({low:.0f}–{high:.0f})"


def _given(comparison: RegimeComparison, language: str) -> dict[str, list[Item | Note]]:
    trial, frame = dict(comparison.target_trial), comparison.to_frame()
    means = frame["quantity"] == "mean_sessions"
    main = (frame["quantity"] == "sessions") | frame["quantity"].str.startswith("cleared_by")
    of_weights = {"balance", "readings"} if _paired(comparison) else set()
    drawn = {
        name: []
        if comparison.curves.empty or name in of_weights
        else [plot(comparison, language=language)]
        for name, plot in PLOTS.items()
    }
    return {
        **drawn,
        "answers": [*comparison.words.values()],
        "not in a log": [Note("written_up.not_in_a_log")],
        "caution": [Note("written_up.caution")],
        "estimand": [trial["Estimand"]],
        "trial": [_of(head, text) for head, text in trial.items()],
        "plain readings": [
            _of(one.name, f.spoken("sessions"), pair=key)
            for one in comparison.naive
            for key, f in one.difference.items()
        ],
        "why plain": [_of(one.name, one.why) for one in comparison.naive],
        "weights": [comparison.diagnostics.weights.reset_index()],
        "overlap": [comparison.diagnostics.overlap],
        "at risk": [comparison.diagnostics.at_risk.reset_index()],
        "absolute": [_absolute(comparison)],
        "means": [
            frame[means].rename(columns={"comparison": "strategy"}).iloc[:, [0, 8, 3, 4, 5, 6]]
        ],
        "effects": [frame[main]],
        "further": [frame[~main & ~means]],
        "sensitivity": [*(comparison.sensitivity.words if comparison.sensitivity else ())],
        "notes": [*comparison.notes],
    }


def _of(head: str, says: object, pair: str = "") -> Note:
    code = "written_up.plain" if pair else "written_up.item"
    return Note(code, values={"of": head, "says": says, "pair": pair})


# what would come under each strategy, not only the differences
def _absolute(comparison: RegimeComparison) -> pd.DataFrame:
    whole = comparison.curves[comparison.curves["group"] == "all"]
    shown = whole[whole["session"].isin(SHOWN_AT)]
    table = shown[["strategy", "session"]].rename(columns={"session": "by_session"})
    for name, column in (("cleared", "survival"), ("low", "high"), ("high", "low")):
        table[name] = [f"{100 * (1 - share):.0f} %" for share in shown[column]]
    return table


def _as_markdown(parts: Sequence[Items], language: str) -> str:
    title, *above, figure = (Note(f"written_up.{name}").say(language) for name in ABOVE)
    lines = [f"# {title}", "", *(line for text in above for line in (f"*{text}*", ""))]
    for heading, items in parts:
        lines += [f"## {heading}", ""]
        for item in items:
            if isinstance(item, go.Figure):
                lines += [f"({figure})", ""]
            elif isinstance(item, str):
                lines += [item, ""]
            else:
                rows = [list(item.columns), ["---"] * item.shape[1], *item.to_numpy().tolist()]
                lines += [*(f"| {' | '.join(row)} |" for row in rows), ""]
    return "\n".join(lines)


def _as_html(parts: Sequence[Items], language: str) -> str:
    title, *above, _ = (html.escape(Note(f"written_up.{name}").say(language)) for name in ABOVE)
    body = [f"<h1>{title}</h1>", *(f"<p><em>{text}</em></p>" for text in above)]
    script = True
    for heading, items in parts:
        body.append(f"<h2>{html.escape(heading)}</h2>")
        for item in items:
            if isinstance(item, go.Figure):
                # the first figure brings the script, so that the file needs no network
                body.append(item.to_html(full_html=False, include_plotlyjs=script))
                script = False
            elif isinstance(item, str):
                body.append(f"<p>{html.escape(item)}</p>")
            else:
                body.append(item.to_html(index=False, border=0))
    head = f'<meta charset="utf-8"><title>{title}</title><style>{STYLE}</style>'
    html_of = f'<html lang="{language}"><head>{head}</head><body>{"".join(body)}</body></html>'
    return f"<!doctype html>{html_of}\n"
