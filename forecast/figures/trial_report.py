"""A comparison of regimes written up item by item, as a reviewer expects it.

The items are those of TARGET 2025, in our own words and from a second-hand summary of its
checklist, as the report itself says: whoever submits a paper fills in the published one.
"""

from __future__ import annotations

import html
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TypeAlias

import pandas as pd
import plotly.graph_objects as go

from forecast._checks import SHOWN_AT
from forecast._files import write_into
from forecast.figures.sessions import plot_balance, plot_curves, plot_followers, plot_readings
from forecast.log import OutcomeLog
from forecast.regimes import RegimeComparison

Item: TypeAlias = str | pd.DataFrame | go.Figure
Items = tuple[str, Sequence[Item]]

SAID = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
PLOTS = {
    "balance": plot_balance,
    "followers": plot_followers,
    "curves": plot_curves,
    "readings": plot_readings,
}
NOT_IN_A_LOG = "A log cannot say: to be filled in by whoever reports it."
CAUTION = (
    "An estimate from one clinic's own records, no advice on settings. Local regulation and "
    "licensed practice decide."
)
ITEMS = (
    "The items are those of TARGET 2025 (Cashin et al., Transparent Reporting of Observational "
    "Studies Emulating a Target Trial, JAMA 2025;334:1084), from memory and in other words than "
    "its checklist: fill in the published one before submitting."
)
ASSUMED = (
    "No unrecorded reason drives both the choice of the regime and clearing. Each strategy could "
    "have been followed by every kind of course. Stopping is explained by what was recorded. A "
    "recorded clearing means the same under every regime."
)
CHARACTERISTICS = (
    "ink_group", "skin_type", "region", "ink_density", "layering", "origin", "scarring", "smoker",
    "age_years", "area_cm2", "tattoo_age_years",
)  # fmt: skip
MANY_LEVELS = 8  # from which a characteristic is a number
STYLE = (
    "body{font:16px/1.5 system-ui,sans-serif;max-width:52rem;margin:2rem auto;padding:0 1rem}"
    "table{border-collapse:collapse;display:block;overflow-x:auto}"
    "td,th{border:1px solid #bbb;padding:.2rem .6rem;text-align:right}"
    "td:first-child,th:first-child{text-align:left}"
)


def write_report(comparison: RegimeComparison, log: OutcomeLog, folder: str | Path) -> list[Path]:
    """Write a comparison of regimes as Markdown and as one self-contained HTML with its figures.

    Parameters
    ----------
    comparison : RegimeComparison
        What ``compare_regimes`` returns.
    log : OutcomeLog
        The log it was made from.
    folder : path
        Made if it is not there.

    Returns
    -------
    list of Path
        ``report.md`` and ``report.html``.

    Raises
    ------
    RequestError
        If ``folder`` is a file.
    """
    parts = [*_items(comparison, log)]
    texts = {"report.md": _as_markdown(parts), "report.html": _as_html(parts)}
    return write_into(folder, texts)


def _items(comparison: RegimeComparison, log: OutcomeLog) -> Iterator[Items]:
    given, numbers = _given(comparison), _numbers(comparison, log)
    given["baseline"] = [_baseline(comparison, log)]
    missing = log.courses.isna().mean().rename("not_recorded").round(3)
    given["missing"] = [missing[missing > 0].rename_axis("column").reset_index()]
    for heading, listed in SAID.items():
        found: list[Item] = []
        for text in listed:
            found += given[text[1:]] if text[0] == "@" else [text.format_map(numbers)]
        yield heading, found


def _numbers(comparison: RegimeComparison, log: OutcomeLog) -> dict[str, object]:
    counts, left_out = comparison.diagnostics.counts, comparison.diagnostics.left_out
    started = log.courses["started_on"]
    return {
        "between": " against ".join(comparison.strategies),
        "assumed": ASSUMED,
        "not_in_a_log": NOT_IN_A_LOG,
        "courses": len(log.courses),
        "sessions": len(log.each_session),
        "gradings": len(log.gradings),
        "first": started.min().date(),
        "last": started.max().date(),
        "level": f"{100 * comparison.level:g} %",
        "eligible": counts["courses"],
        "left_out": "; ".join(f"{n} {why}" for why, n in left_out.items()) or "none",
        **{kind: counts.get(kind, 0) for kind in ("cleared", "stopped", "ongoing")},
    }


# eligible courses by the regime that they began with: shares of the levels recorded, or median and
# quartiles
def _baseline(comparison: RegimeComparison, log: OutcomeLog) -> pd.DataFrame:
    import pandas as pd

    from forecast.regimes import trial_rows
    from forecast.tattoo import SITES

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
        for level in ["median (quartiles)"] if number else levels:
            known = [own[name].dropna() for own in each.values()]
            share = [_percent((own == level).mean()) for own in known]
            rows.append((name, level, *(map(_quartiles, known) if number else share)))
    return pd.DataFrame(rows, columns=["characteristic", "level", *each])


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _quartiles(numbers: pd.Series) -> str:
    low, middle, high = numbers.astype(float).quantile([0.25, 0.5, 0.75])
    return f"{middle:.0f} ({low:.0f} to {high:.0f})"


def _given(comparison: RegimeComparison) -> dict[str, list[Item]]:
    trial, frame = dict(comparison.target_trial), comparison.to_frame()
    means = frame["quantity"] == "mean sessions"
    main = (frame["quantity"] == "sessions") | frame["quantity"].str.startswith("cleared by")
    drawn = {
        name: [] if comparison.curves.empty else [plot(comparison)] for name, plot in PLOTS.items()
    }
    return {
        **drawn,
        "answers": [*comparison.words.values()],
        "not in a log": [NOT_IN_A_LOG],
        "caution": [CAUTION],
        "estimand": [trial["Estimand"]],
        "trial": [f"{item}: {text}" for item, text in trial.items()],
        "plain readings": [
            f"{one.name}, {key}: {found.spoken('sessions')}."
            for one in comparison.naive
            for key, found in one.difference.items()
        ],
        "why plain": [f"{one.name}: {one.why}" for one in comparison.naive],
        "weights": [comparison.diagnostics.weights.reset_index()],
        "overlap": [comparison.diagnostics.overlap],
        "at risk": [comparison.diagnostics.at_risk.reset_index()],
        "absolute": [_absolute(comparison)],
        "means": [frame[means].rename(columns={"comparison": "strategy"}).iloc[:, [0, 3, 4, 5, 6]]],
        "effects": [frame[main]],
        "further": [frame[~main & ~means]],
        "sensitivity": [*map(str, comparison.sensitivity.words if comparison.sensitivity else ())],
        "notes": [*map(str, comparison.notes)],
    }


# what would come under each strategy, not only the differences
def _absolute(comparison: RegimeComparison) -> pd.DataFrame:
    whole = comparison.curves[comparison.curves["group"] == "all"]
    shown = whole[whole["session"].isin(SHOWN_AT)]
    table = shown[["strategy", "session"]].rename(columns={"session": "by_session"})
    for name, column in (("cleared", "survival"), ("low", "high"), ("high", "low")):
        table[name] = [_percent(1 - share) for share in shown[column]]
    return table


def _as_markdown(parts: Sequence[Items]) -> str:
    lines = ["# Pulse regimes compared", "", f"*{CAUTION}*", "", f"*{ITEMS}*", ""]
    for heading, items in parts:
        lines += [f"## {heading}", ""]
        for item in items:
            if isinstance(item, go.Figure):
                lines += ["(A figure stands here in report.html.)", ""]
            elif isinstance(item, str):
                lines += [item, ""]
            else:
                lines += [*_table_lines(item), ""]
    return "\n".join(lines)


def _table_lines(table: pd.DataFrame) -> list[str]:
    shown = table.astype(object).where(table.notna(), "–")
    rows = [[_cell(value) for value in row] for row in shown.itertuples(index=False)]
    head = [str(name) for name in table.columns]
    return [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]


def _cell(value: object) -> str:
    return f"{value:.3g}" if isinstance(value, float) else str(value)


def _as_html(parts: Sequence[Items]) -> str:
    body = ["<h1>Pulse regimes compared</h1>"]
    body += [f"<p><em>{html.escape(text)}</em></p>" for text in (CAUTION, ITEMS)]
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
                shown = item.astype(object).where(item.notna(), "–")
                body.append(shown.to_html(index=False, float_format=_cell, border=0))
    head = f'<meta charset="utf-8"><title>Pulse regimes compared</title><style>{STYLE}</style>'
    return (
        f'<!doctype html><html lang="en"><head>{head}</head><body>{"".join(body)}</body></html>\n'
    )
