"""Whether the log is silent rather than the clinic safe: what would surprise if all were noted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from forecast._notes import Note
from forecast.causal.rates import upper_limit
from forecast.reactions.rows import session_rows

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

# AU15: blisters in 32 % of patients treated with a picosecond laser; REILLY23: lasting or
# pigment-related complications in 5.57 % of 2,118 tattoos. A log whose upper limit stays below a
# tenth of the one or half of the other is more likely silent than safe.
LEAST_SHARE = {"blister": 0.032, "any": 0.028}
FEWEST_COURSES = 50
FEWEST_LASTING = 5
SILENT_AT = 0.001  # chance of a silence below which it is surprising
QUIET_MONTHS = 12


def under_recording(log: OutcomeLog) -> tuple[Note, ...]:
    """Return warnings that the log's reactions look under-recorded, empty when they do not.

    Nothing here shows that reactions were missed; each warning says what would be surprising if
    all were written down. Exact binomial limits throughout.
    """
    rows = session_rows(log)
    if not len(log.reactions):
        return (Note("reactions.none_recorded", "serious", {"sessions": len(rows)}),)
    return (
        *_too_few(rows),
        *_lasting_only(log),
        *_silent_operators(rows),
        *_gone_quiet(rows),
    )


def _too_few(rows: pd.DataFrame) -> Iterator[Note]:
    n_courses = int(rows["course_id"].nunique())
    if n_courses < FEWEST_COURSES:
        return
    for outcome, least in LEAST_SHARE.items():
        having = int(rows.groupby("course_id")[outcome].max().sum())
        most = upper_limit(having, n_courses)
        if most < least:
            found = {"having": having, "courses": n_courses, "sessions": len(rows)}
            yield Note(f"reactions.few_{outcome}", "serious", found | {"percent": 100 * most})


def _lasting_only(log: OutcomeLog) -> Iterator[Note]:
    lasting = int((log.reactions["lasting"] == "yes").sum())
    transient = int((log.reactions["lasting"] == "no").sum())
    if lasting >= FEWEST_LASTING and lasting > transient:
        found = {"lasting": lasting, "transient": transient}
        yield Note("reactions.lasting_only", "serious", found)


def _silent_operators(rows: pd.DataFrame) -> Iterator[Note]:
    by_operator = rows.groupby("operator_id")["any"].agg(["sum", "size"])
    silent = by_operator[by_operator["sum"] == 0]
    others = by_operator["sum"].sum() / max(by_operator["size"].sum() - silent["size"].sum(), 1)
    chance = (1 - others) ** silent["size"]
    surprising = silent[chance < SILENT_AT / max(len(by_operator), 1)]
    if len(surprising):
        found = {"operators": len(surprising), "sessions": int(surprising["size"].sum())}
        percent = {"percent": float(100 * others)}
        yield Note("reactions.silent_operators", "serious", found | percent)


def _gone_quiet(rows: pd.DataFrame) -> Iterator[Note]:
    import pandas as pd

    dated = rows[rows["treated_on"].notna()]
    if dated.empty:
        return
    late = dated["treated_on"] > dated["treated_on"].max() - pd.DateOffset(months=QUIET_MONTHS)
    n_late, seen_late = int(late.sum()), int(dated.loc[late, "any"].sum())
    if n_late == len(dated) or seen_late > 0:
        return
    rate = float(dated.loc[~late, "any"].mean())
    if (1 - rate) ** n_late < SILENT_AT:
        found = {"months": QUIET_MONTHS, "sessions": n_late, "percent": 100 * rate}
        yield Note("reactions.gone_quiet", "serious", found)
