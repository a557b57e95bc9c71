"""One row per session with what followed it, and the rates counted from those rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast.causal.rates import exact_interval, wilson_interval

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = [
    "KINDS",
    "OUTCOMES",
    "operator_codes",
    "rate_table",
    "rate_text",
    "session_rows",
    "unmatched_reactions",
]

KINDS = (
    "blister",
    "hypopigmentation",
    "hyperpigmentation",
    "scar",
    "texture",
    "allergy",
    "darkening",
)
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
