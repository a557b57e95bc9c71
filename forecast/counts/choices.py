"""Which courses could have had either regime, and what a clinic may choose the regime by."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from forecast.log import judged_sessions

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

# Attributes that the published cohorts tie to the session count, and that a clinic may look at.
BASELINE = (
    "skin_type",
    "region_head_neck",
    "region_distal_limb",
    "ink_warm",
    "ink_other",
    "ink_density",
    "layering",
    "origin_amateur",
    "origin_cosmetic",
    "area_doublings",
    "tattoo_age_doublings",
    "scarring",
    "smoker",
)
REGULAR, HALF_A_YEAR = 5, 183  # sessions within days: regular use of a regime


def in_use(dates: pd.Series[pd.Timestamp]) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return the first and the last day on which a regime was in regular use.

    A trial session years before the laser was bought opens no window: use is regular where
    five sessions fall within half a year; if that never happened, from the first to the last.
    """
    import pandas as pd

    days = dates.sort_values().to_numpy()
    if len(days) >= REGULAR:
        close = days[REGULAR - 1 :] - days[: 1 - REGULAR] <= np.timedelta64(HALF_A_YEAR, "D")
        if close.any():
            found = np.flatnonzero(close)
            return pd.Timestamp(days[found[0]]), pd.Timestamp(days[found[-1] + REGULAR - 1])
    return pd.Timestamp(days[0]), pd.Timestamp(days[-1])


def eligible(
    log: OutcomeLog, set_apart: set[str]
) -> tuple[pd.DataFrame, tuple[str, str], dict[str, int]]:
    """Return the eligible courses, the days between which both regimes were in use, and the rest.

    A regime that was not yet there cannot have been chosen, so courses begun before the later
    regime came in or after the earlier one went out are left out, not adjusted for.
    """
    spans = [in_use(dates) for _, dates in log.sessions.groupby("regime")["treated_on"]]
    first, last = max(span[0] for span in spans), min(span[1] for span in spans)
    window = (str(first.date()), str(last.date()))
    numbers = log.sessions.groupby("course_id")["session_no"].agg(["size", "max", "min"])
    courses = log.courses.copy()
    held = numbers.reindex(courses["course_id"]).set_axis(courses.index)
    whole = (held["size"] == held["max"]) & (held["min"] == 1)
    whole &= held["max"] == courses["sessions_given"]
    begun = courses["started_on"]
    tests = {
        "half of a split tattoo": ~courses["course_id"].isin(set_apart),
        "only wanted lightening": courses["goal"] == "clear",
        "begun elsewhere": courses["sessions_elsewhere"] == 0,
        "sessions not all recorded": whole,
        f"begun before {window[0]}, when only one regime was in use": begun >= first,
        f"begun after {window[1]}, when only one regime was in use": begun <= last,
    }
    left_out: dict[str, int] = {}
    keep = courses["course_id"].notna()
    for reason, passes in tests.items():
        left_out[reason] = int((keep & ~passes).sum())
        keep &= passes
    chosen = courses[keep].sort_values("course_id", ignore_index=True)
    return chosen, window, {reason: n for reason, n in left_out.items() if n}


def split_halves(log: OutcomeLog) -> pd.DataFrame:
    """Return one row per pair of halves under different regimes.

    Columns ``tattoo_id, client_id`` and, with suffix ``_ps`` and ``_ns``, ``course_id``,
    ``sessions_given`` (those whose result is known) and ``cleared``. A half treated with both
    regimes makes no pair.
    """
    courses = log.courses.assign(sessions_given=judged_sessions(log))
    courses = courses[courses["half"].notna() & courses["tattoo_id"].notna()]
    courses = courses[courses["sessions_given"] > 0]
    regimes = log.sessions.groupby("course_id")["regime"].agg(["first", "nunique"])
    courses = courses.join(regimes, on="course_id")
    courses = courses[courses["nunique"] == 1]
    courses = courses.assign(cleared=courses["outcome"] == "cleared")
    columns = ["tattoo_id", "client_id", "course_id", "sessions_given", "cleared"]
    one = courses.loc[courses["first"] == "ps", columns]
    other = courses.loc[courses["first"] == "ns", columns].drop(columns="client_id")
    pairs = one.merge(other, on="tattoo_id", suffixes=("_ps", "_ns"))
    return pairs.drop_duplicates("tattoo_id").reset_index(drop=True)
