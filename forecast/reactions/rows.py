"""One row per session with what followed it, and the rates counted from those rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.causal.proportions import exact_interval, upper_limit, wilson_interval
from forecast.log import column
from forecast.tattoo import INK_GROUPS, ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

KINDS = column("reactions", "reaction").levels
OUTCOMES = ("any", "lasting", "transient", *KINDS)
ATTRIBUTES = ["client_id", "skin_type", "inks", "ink_density", "started_on"]
SMALLEST_GROUP = 5


def session_rows(log: OutcomeLog) -> pd.DataFrame:
    """Return one row per session: who, how, and one yes/no column per outcome.

    ``lasting`` and ``transient`` are sessions followed by a reaction recorded as lasting "yes"
    or "no"; a reaction without that entry counts only under ``any`` and its kind. Without a
    sessions table the rows follow ``sessions_given``, and how each was done is not known.

    Returns
    -------
    DataFrame
        ``course_id``, ``session_no``, ``regime``, ``laser_id``, ``operator_id``,
        ``fluence_j_cm2``, the course's attributes, and the columns of ``OUTCOMES``.
    """
    how = ["treated_on", "regime", "laser_id", "fluence_j_cm2", "operator_id"]
    if len(log.sessions):
        rows = log.sessions[["course_id", "session_no", *how]]
    else:
        given = log.courses["sessions_given"].to_numpy()
        rows = log.courses[["course_id"]].loc[log.courses.index.repeat(given)]
        rows = rows.assign(session_no=rows.groupby("course_id").cumcount() + 1)
        rows = rows.assign(**dict.fromkeys(how))
    rows = rows.merge(log.courses[["course_id", *ATTRIBUTES]], on="course_id", how="inner")
    seen = log.reactions.assign(
        any=1,
        lasting_=(log.reactions["lasting"] == "yes").astype(int),
        transient=(log.reactions["lasting"] == "no").astype(int),
        **{kind: (log.reactions["reaction"] == kind).astype(int) for kind in KINDS},
    )
    seen = seen.drop(columns="lasting").rename(
        columns={"after_session": "session_no", "lasting_": "lasting"}
    )
    keys = ["course_id", "session_no"]
    most = seen.groupby(keys, as_index=False)[list(OUTCOMES)].max()
    rows = rows.merge(most, on=keys, how="left").reset_index(drop=True)
    rows[list(OUTCOMES)] = rows[list(OUTCOMES)].fillna(0).astype(int)
    return rows


def unmatched_reactions(log: OutcomeLog, rows: pd.DataFrame) -> int:
    """Return how many reactions belong to no session of ``rows``."""
    known = set(zip(rows["course_id"], rows["session_no"], strict=True))
    places = zip(log.reactions["course_id"], log.reactions["after_session"], strict=True)
    return sum(place not in known for place in places)


def operator_codes(rows: pd.DataFrame) -> dict[str, str]:
    """Return a code for each operator, "A" the one with most sessions.

    Names stay with the clinic: tables and figures carry only the codes.
    """
    counts = rows["operator_id"].value_counts()
    order = sorted(counts.index, key=lambda name: (-counts[name], name))
    return {name: _letters(place) for place, name in enumerate(order)}


def rate_text(events: int, n: int, *, level: float = 0.95) -> str:
    """Return a rate in words, with its exact limits.

    Examples
    --------
    >>> rate_text(0, 140)
    '0 of 140: at most 2.6 %'
    >>> rate_text(3, 1041)
    '3 of 1041: 0.29 % (0.059 to 0.84 %)'
    """
    low, high = exact_interval(events, n, level=level)
    if events == 0:
        return f"0 of {n}: at most {100 * high:.2g} %"
    return f"{events} of {n}: {100 * events / n:.2g} % ({100 * low:.2g} to {100 * high:.2g} %)"


def rate_table(
    rows: pd.DataFrame, codes: Mapping[str, str], *, level: float = 0.95
) -> pd.DataFrame:
    """Return rates per session and per course, overall and by regime, skin type, operator, laser.

    A course belongs to a regime, operator or laser when all its sessions do, else to "several".
    Groups of fewer than five have no rate.

    Returns
    -------
    DataFrame
        ``unit`` (session, course), ``by``, ``group``, ``outcome``, ``events``, ``n``, ``rate``,
        ``wilson_low``, ``wilson_high``, ``exact_low``, ``exact_high``.
    """
    import pandas as pd

    grouped = rows.assign(
        all="all",
        regime=rows["regime"].fillna("not recorded"),
        operator=rows["operator_id"].map(codes).fillna("not recorded"),
        laser=rows["laser_id"].fillna("not recorded"),
    )
    by_names = ("all", "regime", "skin_type", "operator", "laser")
    by_course = grouped.groupby("course_id")
    one = by_course[list(by_names)].min() == by_course[list(by_names)].max()
    courses = by_course[list(by_names)].first().where(one, "several")
    courses = courses.join(by_course[list(OUTCOMES)].max())
    lines: list[dict[str, Any]] = []
    for unit, frame in (("session", grouped), ("course", courses)):
        for by in by_names:
            for group, part in frame.groupby(by):
                for outcome in OUTCOMES:
                    where = {"unit": unit, "by": by, "group": group, "outcome": outcome}
                    lines.append(where | _rate(int(part[outcome].sum()), len(part), level))
    return pd.DataFrame(lines)


def _rate(events: int, n: int, level: float) -> dict[str, Any]:
    names = ("wilson_low", "wilson_high", "exact_low", "exact_high")
    if n < SMALLEST_GROUP:
        return {"events": events, "n": n, "rate": np.nan} | dict.fromkeys(names, np.nan)
    limits = (*wilson_interval(events, n, level=level), *exact_interval(events, n, level=level))
    return {"events": events, "n": n, "rate": events / n} | dict(zip(names, limits, strict=True))


def _letters(place: int) -> str:
    text = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        text = chr(65 + rest) + text
    return text


DENSITY = {"light": -1.0, "medium": 0.0, "heavy": 1.0}


def case_mix(rows: pd.DataFrame) -> tuple[dict[str, FloatArray], tuple[str, ...]]:
    """Return the columns to adjust for, those without variation left out, and notes."""
    skin, inks = rows["skin_type"], rows["inks"]
    fluence, notes = _fluence(rows)
    columns: dict[str, FloatArray] = {
        "skin_iv": numbers(skin == "IV"),
        "skin_v_vi": numbers(skin.isin(["V", "VI"])),
        "colour": numbers(inks.map(ink_group) != INK_GROUPS[0]),
        "density": numbers(rows["ink_density"].map(DENSITY)),
        "fluence_doublings": fluence,
    }
    return {name: value for name, value in columns.items() if np.ptp(value) > 0}, notes


def numbers(column: pd.Series) -> FloatArray:
    """Return a column as floats."""
    return np.asarray(column, dtype=np.float64)


def _fluence(rows: pd.DataFrame) -> tuple[FloatArray, tuple[str, ...]]:
    """Return doublings of fluence over the regime's median, 0 where not recorded.

    The two regimes work at different fluences by nature, so that fluence as such would take the
    place of the regime. What is compared is each regime at its own usual fluence.
    """
    given = rows["fluence_j_cm2"].astype(float)
    given = given.where(given > 0)
    missing = float(given.isna().mean())
    if missing == 1:
        return np.zeros(len(rows)), ("Fluence is not recorded and not adjusted for.",)
    usual = given.groupby(rows["regime"].fillna("")).transform("median")
    notes: tuple[str, ...] = ("Fluence is adjusted as doublings over each regime's own median.",)
    if missing > 0.2:
        notes += (
            f"Fluence is missing in {100 * missing:.0f} % of sessions and taken as usual there.",
        )
    doublings: FloatArray = np.nan_to_num(np.log2((given / usual).to_numpy(dtype=np.float64)))
    return doublings, notes


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
