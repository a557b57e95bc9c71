"""A comparison of regimes written up item by item, as a reviewer expects it.

The items are those of TARGET 2025 (Cashin et al., Transparent Reporting of Observational Studies
Emulating a Target Trial, JAMA 2025;334:1084), in our own words and from a second-hand summary of
its checklist: whoever submits a paper fills in the published one.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import plotly.graph_objects as go

from forecast._files import write_into
from forecast.figures.sessions import plot_balance, plot_curves, plot_followers, plot_readings

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog
    from forecast.regimes import RegimeComparison

    Items = tuple[str, Sequence[str | pd.DataFrame | go.Figure]]

NOT_IN_A_LOG = "A log cannot say: to be filled in by whoever reports it."
CAUTION = (
    "An estimate from one clinic's own records, no advice on settings. Local regulation and "
    "licensed practice decide."
)
ASSUMED = (
    "No unrecorded reason drives both the choice of the regime and clearing. Each strategy could "
    "have been followed by every kind of course. Stopping is explained by what was recorded. A "
    "recorded clearing means the same under every regime."
)
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
    parts = [
        *_question_items(comparison, log),
        *_result_items(comparison, log),
        *_reading_items(comparison),
    ]
    texts = {"report.md": _as_markdown(parts), "report.html": _as_html(parts)}
    return write_into(folder, texts)


# The heading of each item and what stands under it: sentences, tables and figures. First what is
# asked, and how.
def _question_items(comparison: RegimeComparison, log: OutcomeLog) -> Iterator[Items]:
    trial = dict(comparison.target_trial)
    between = " against ".join(comparison.strategies)
    answers = list(comparison.words.values())
    started = log.courses["started_on"]
    yield (
        "1. Abstract: an observational study that emulates a target trial",
        [
            f"Pulse regimes compared ({between}) in one clinic's log of laser tattoo removal, as "
            "a trial would have compared them.",
            *answers,
        ],
    )
    yield "2. Background", [NOT_IN_A_LOG]
    question = f"How many sessions would {between} take until a tattoo is cleared?"
    yield "3. Causal question", [question, trial["Estimand"]]
    yield (
        "4. Why a target trial",
        [
            "Who gets which regime goes by ink, date, operator and how the course went; plain "
            "readings of a log mistake that for an effect (item 14). No trial that assigned whole "
            "courses to one regime is known to this package. What plain readings say here:",
            *(
                f"{one.name}, {key}: {found.spoken('sessions')}."
                for one in comparison.naive
                for key, found in one.difference.items()
            ),
        ],
    )
    yield (
        "5. Data",
        [
            f"The clinic's own outcome log, kept for care: {len(log.courses)} courses begun from "
            f"{started.min().date()} to {started.max().date()}, {len(log.each_session)} sessions, "
            f"{len(log.gradings)} gradings."
        ],
    )
    yield (
        "6. The target trial",
        [f"{item}: {text}" for item, text in trial.items()]
        + ["In the trial itself assignment would be at random and known to all."],
    )
    yield (
        "7. Its emulation in the data",
        [
            "Each course follows a strategy from its first session, in every strategy that it "
            "still agrees with, until it departs from it. Departures and stopping are weighted "
            "for, so that eligibility, assignment and the start of follow-up are one moment.",
            f"Assumed: {ASSUMED}",
            "The weights:",
            comparison.diagnostics.weights.reset_index(),
        ],
    )


# what was found
def _result_items(comparison: RegimeComparison, log: OutcomeLog) -> Iterator[Items]:
    counts = comparison.diagnostics.counts
    left_out = [f"{n} {why}" for why, n in comparison.diagnostics.left_out.items()]
    flow = f"{len(log.courses)} courses in the log; {counts['courses']} eligible"
    yield (
        "8. Selection",
        [f"{flow}. Left out: {'; '.join(left_out) or 'none'}."],
    )
    yield (
        "9. Baseline",
        [
            "Courses by ink group, year and regime of the first session:",
            comparison.diagnostics.overlap,
            *_drawn(comparison, plot_balance),
        ],
    )
    yield (
        "10. Follow-up",
        [
            "Courses that still follow each strategy, by session:",
            comparison.diagnostics.at_risk.reset_index(),
            *_drawn(comparison, plot_followers),
        ],
    )
    share = log.courses.isna().mean().rename("not_recorded").round(3)
    missing = share[share > 0].rename_axis("column").reset_index()
    yield "11. Missing data", ["Share not recorded, of all courses:", missing]
    kinds = ("cleared", "stopped", "ongoing")
    yield (
        "12. Outcomes",
        [
            ", ".join(f"{counts.get(kind, 0)} {kind}" for kind in kinds) + ".",
            *_drawn(comparison, plot_curves),
        ],
    )
    frame = comparison.to_frame()
    main = frame["quantity"].isin(["sessions"]) | frame["quantity"].str.startswith("cleared by")
    yield "13. Effect estimates", [frame[main], *comparison.words.values()]
    sensitive = [] if comparison.sensitivity is None else [*map(str, comparison.sensitivity.words)]
    yield (
        "14. Further analyses",
        [
            frame[~main],
            *sensitive,
            *(f"{one.name}: {one.why}" for one in comparison.naive),
            *_drawn(comparison, plot_readings),
        ],
    )


# how it is to be read, and what only its authors know
def _reading_items(comparison: RegimeComparison) -> Iterator[Items]:
    yield "15. Interpretation", [*comparison.words.values(), CAUTION]
    yield (
        "16. Limits",
        [*(str(note) for note in comparison.notes), f"Rests on this: {ASSUMED}"],
    )
    for item in ("17. Ethics", "18. Registration"):
        yield item, [NOT_IN_A_LOG]
    yield (
        "19. Data and code",
        [
            "`forecast compare LOG --out FOLDER` writes the weighted rows, weights and balance "
            "under new numbers, from which the comparison can be done again. " + NOT_IN_A_LOG
        ],
    )
    for item in ("20. Funding", "21. Interests"):
        yield item, [NOT_IN_A_LOG]


# a figure where the comparison has what it shows
def _drawn(
    comparison: RegimeComparison, plot: Callable[[RegimeComparison], go.Figure]
) -> list[go.Figure]:
    return [] if comparison.curves.empty else [plot(comparison)]


def _as_markdown(parts: Sequence[Items]) -> str:
    lines = ["# Pulse regimes compared", "", f"*{CAUTION}*", ""]
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
    body = ["<h1>Pulse regimes compared</h1>", f"<p><em>{html.escape(CAUTION)}</em></p>"]
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
                body.append(item.to_html(index=False, na_rep="–", float_format=_cell, border=0))
    head = f'<meta charset="utf-8"><title>Pulse regimes compared</title><style>{STYLE}</style>'
    return (
        f'<!doctype html><html lang="en"><head>{head}</head><body>{"".join(body)}</body></html>\n'
    )
