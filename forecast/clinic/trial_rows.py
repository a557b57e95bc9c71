"""From a log to the rows of the trial that it stands in for: who is eligible, what was known when.

One row per course and session, in the words of ``forecast.causal.Panel``: regime ns is group 0
and ps is group 1. Before a session the clinic knows the attributes, the date, the gradings
written down so far, the weeks since the last session and whether there was a reaction; those
may move its choice. After the session the same, brought up to date, may move the client to stop.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.causal import Panel
from forecast.clinic.attributes import covariates
from forecast.clinic.groups import ink_group
from forecast.clinic.trial_history import (
    HISTORY,
    History,
    fading_history,
    known_fading,
    not_yet_judged,
)
from forecast.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["Trial", "trial_rows"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

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
YEAR = 365.25
REGULAR, HALF_A_YEAR = 5, 183
USUAL_WEEKS = 8.0  # stands in for the interval before a first session
FLOOR = 1.0  # percent of the ink: a grading of 100 is read as this much left


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """The rows of the trial, and who was left out of it.

    Attributes
    ----------
    panel : Panel
        One row per course and session; group 1 is ps; clusters are clients.
    courses : DataFrame
        The eligible courses, in the order of the panel's subjects, with ``ink_group``.
    week : ndarray of shape (n,)
        Weeks from the first session to each session.
    operator : ndarray of shape (n,), object
        Who treated; None where not recorded.
    baseline : ndarray of shape (n_courses, p)
        Attributes, gaps filled with the mean of the eligible.
    baseline_names : tuple of str
    ink_left, ink_left_after : ndarray of shape (n,)
        Log of the share of ink left by the last grading before, and after, each session.
    graded : ndarray of shape (n,), bool
        Whether a grading was written down after the session.
    left_out : dict of str to int
        Courses not eligible, by reason.
    window : tuple of str
        First and last day on which both regimes were in use.
    """

    panel: Panel
    courses: pd.DataFrame
    week: FloatArray
    operator: npt.NDArray[np.object_]
    baseline: FloatArray
    baseline_names: tuple[str, ...]
    ink_left: FloatArray
    ink_left_after: FloatArray
    graded: BoolArray
    left_out: dict[str, int]
    window: tuple[str, str]


def trial_rows(log: OutcomeLog, *, horizon: int, set_apart: set[str] | None = None) -> Trial | None:
    """Return the trial's rows up to ``horizon`` sessions, or None if no course is eligible.

    Parameters
    ----------
    set_apart : set of str, optional
        Courses analysed elsewhere (the halves of split tattoos).

    Raises
    ------
    DataError
        If the log has no sessions table, or only one regime in it.
    """
    sessions = log.sessions
    if not len(sessions):
        raise DataError(
            "The log has no sessions table, so no regime is known.",
            "Add sessions with course_id, session_no, treated_on and regime.",
        )
    used = sessions["regime"].dropna().unique()
    if len(used) < 2:
        raise DataError(
            f"All {len(sessions)} sessions of the log are {used[0] if len(used) else 'unknown'}: "
            "there is nothing to compare.",
            "A comparison needs courses under both ns and ps.",
        )
    courses, window, left_out = eligible(log, set_apart or set())
    if not len(courses):
        return None
    return _rows(log, courses, horizon, window, left_out)


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


def _rows(
    log: OutcomeLog,
    courses: pd.DataFrame,
    horizon: int,
    window: tuple[str, str],
    left_out: dict[str, int],
) -> Trial | None:
    import pandas as pd

    rows = log.sessions[log.sessions["course_id"].isin(set(courses["course_id"]))]
    rows = rows[rows["session_no"] <= horizon].sort_values(["course_id", "session_no"])
    rows = rows[~not_yet_judged(log, rows)].reset_index(drop=True)
    courses, left_out = _seen(courses, rows, left_out)
    if not len(courses):
        return None
    place = pd.Series(np.arange(len(courses)), index=courses["course_id"])
    rows["subject"] = rows["course_id"].map(place).to_numpy(dtype=np.int64)
    history = fading_history(log, rows, place)
    since_first = rows["treated_on"] - rows.groupby("subject")["treated_on"].transform("min")
    week = since_first.dt.days.to_numpy(dtype=np.float64) / 7
    years = (rows["treated_on"] - pd.Timestamp(window[0])).dt.days.to_numpy(dtype=np.float64)
    baseline = _baseline(courses)
    return Trial(
        panel=_panel(courses, rows, history, baseline, week, years / YEAR),
        courses=courses.assign(ink_group=courses["inks"].map(ink_group)),
        week=week,
        operator=rows["operator_id"].to_numpy(dtype=object),
        baseline=baseline,
        baseline_names=BASELINE,
        ink_left=np.log(np.maximum(100 - history.before, FLOOR) / 100),
        ink_left_after=np.log(np.maximum(100 - history.after, FLOOR) / 100),
        graded=history.graded,
        left_out=left_out,
        window=window,
    )


def _panel(
    courses: pd.DataFrame,
    rows: pd.DataFrame,
    history: History,
    baseline: FloatArray,
    week: FloatArray,
    years: FloatArray,
) -> Panel:
    """Return the panel: what was known before each session, and after it."""
    import pandas as pd

    subject = rows["subject"].to_numpy(dtype=np.int64)
    number = rows["session_no"].to_numpy(dtype=np.int64)
    final = number == courses["sessions_given"].to_numpy(dtype=np.int64)[subject]
    outcome = courses["outcome"].to_numpy(dtype=object)[subject]
    gap = np.where(number == 1, USUAL_WEEKS, np.diff(week, prepend=0.0))
    log_gap = np.log(np.maximum(gap, 1.0) / USUAL_WEEKS)
    attributes, calendar = baseline[subject], np.column_stack([years, years**2])
    reacted_before = np.where(number == 1, False, np.roll(history.reacted, 1))
    before = known_fading(history.before, history.gain_before, number - 1)
    after = known_fading(history.after, history.gain_after, number)
    return Panel(
        subject=subject,
        step=number,
        group=np.where(rows["regime"] == "ps", 1, 0),
        event=final & (outcome == "cleared"),
        # content with less than asked for is an end without the event, like any other stop
        lost=final & np.isin(outcome, ("stopped", "lightened")),
        before=np.column_stack([attributes, calendar, log_gap, reacted_before, before]),
        after=np.column_stack([attributes, calendar, log_gap, history.reacted, after]),
        cluster=pd.factorize(courses["client_id"])[0].astype(np.int64),
        names=(*BASELINE, *HISTORY),
        after_names=(*BASELINE, *HISTORY),
    )


def _seen(
    courses: pd.DataFrame, rows: pd.DataFrame, left_out: dict[str, int]
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return the courses with at least one row, and the others added to those left out."""
    with_rows = courses["course_id"].isin(set(rows["course_id"]))
    without = int((~with_rows).sum())
    reason = {"first session not yet judged": without} if without else {}
    return courses[with_rows].reset_index(drop=True), left_out | reason


def _baseline(courses: pd.DataFrame) -> FloatArray:
    columns = {str(name): courses[name].to_numpy() for name in courses.columns}
    # reach and calendar time are the trial's own business: its courses share both
    none = np.zeros(len(courses))
    found = covariates({**columns, "unreached": none, "years_from_now": none})
    table = np.column_stack([found[name] for name in BASELINE])
    seen = ~np.isnan(table)
    total = np.where(seen, table, 0).sum(axis=0)
    mean = np.divide(total, seen.sum(axis=0), out=np.zeros(len(BASELINE)), where=seen.any(axis=0))
    return np.where(seen, table, mean)
