"""Signs that reactions happen and are not written down."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.causal.rates import upper_limit
from forecast.clinic.reaction_rows import session_rows

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["under_recording"]

# AU15: blisters in 32 % of patients treated with a picosecond laser; REILLY23: lasting or
# pigment-related complications in 5.57 % of 2,118 tattoos. A log whose upper limit stays below a
# tenth of the one or half of the other is more likely silent than safe.
BLISTERS_AT_LEAST = 0.032
ANY_AT_LEAST = 0.028
FEWEST_COURSES = 50
SILENT_AT = 0.001
QUIET_MONTHS = 12


def under_recording(log: OutcomeLog) -> tuple[str, ...]:
    """Return warnings that the log's reactions look under-recorded, empty when they do not.

    Nothing here shows that reactions were missed; each warning says what would be surprising if
    all were written down. Exact binomial limits throughout.
    """
    rows = session_rows(log)
    n_courses = rows["course_id"].nunique()
    if not len(log.reactions):
        return (
            f"No reaction is recorded in {len(rows)} sessions: the log cannot speak of safety.",
        )
    found = [*_too_few(rows, n_courses), *_lasting_only(log)]
    return (*found, *_silent_operators(rows), *_gone_quiet(rows))


def _too_few(rows: pd.DataFrame, n_courses: int) -> list[str]:
    if n_courses < FEWEST_COURSES:
        return []
    found = []
    for outcome, least, source in (
        ("blister", BLISTERS_AT_LEAST, "32 % of patients in one picosecond series (AU15)"),
        ("any", ANY_AT_LEAST, "complications in 5.6 % of tattoos in one clinic (REILLY23)"),
    ):
        courses = int(rows.groupby("course_id")[outcome].max().sum())
        most = upper_limit(courses, n_courses)
        if most < least:
            what = "blisters" if outcome == "blister" else "reactions of any kind"
            found.append(
                f"{courses} of {n_courses} courses ({len(rows)} sessions) have {what}: at most"
                f" {100 * most:.2g} % if all were written down, against {source}. That few is"
                " more likely under-recording than safety."
            )
    return found


def _lasting_only(log: OutcomeLog) -> list[str]:
    lasting = int((log.reactions["lasting"] == "yes").sum())
    transient = int((log.reactions["lasting"] == "no").sum())
    if lasting < 5 or lasting <= transient:
        return []
    return [
        f"{lasting} reactions are recorded as lasting and {transient} as transient: transient ones"
        " are more frequent in every published series, so they are likely not written down."
    ]


def _silent_operators(rows: pd.DataFrame) -> list[str]:
    by_operator = rows.groupby("operator_id")["any"].agg(["sum", "size"])
    silent = by_operator[by_operator["sum"] == 0]
    others = by_operator["sum"].sum() / max(by_operator["size"].sum() - silent["size"].sum(), 1)
    chance = (1 - others) ** silent["size"]
    surprising = silent[chance < SILENT_AT / max(len(by_operator), 1)]
    if surprising.empty:
        return []
    return [
        f"{len(surprising)} operator(s) with {int(surprising['size'].sum())} sessions have no"
        f" reaction on record, the others {100 * others:.2g} % of sessions: ask whether they write"
        " them down."
    ]


def _gone_quiet(rows: pd.DataFrame) -> list[str]:
    import pandas as pd

    dated = rows[rows["treated_on"].notna()]
    if dated.empty:
        return []
    start = dated["treated_on"].max() - pd.DateOffset(months=QUIET_MONTHS)
    late = dated[dated["treated_on"] > start]
    early = dated[dated["treated_on"] <= start]
    if early.empty or late["any"].sum() > 0:
        return []
    rate = early["any"].mean()
    if (1 - rate) ** len(late) >= SILENT_AT:
        return []
    return [
        f"No reaction is recorded in the last {QUIET_MONTHS} months ({len(late)} sessions), before"
        f" then {100 * rate:.2g} % of sessions: recording seems to have stopped."
    ]
