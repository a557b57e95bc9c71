"""From the log to the rows of the count model, and which courses could have had either regime."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import YEAR, nearest
from forecast._notes import Sentence, problem_and_remedy, sentence
from forecast.counts.attributes import LIGHTEN, covariates
from forecast.errors import RequestError
from forecast.survival import Durations
from forecast.tattoo import Laser, unreached_inks

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

GOALS = {"clear": ("cleared",), "lighten": ("cleared", "lightened")}
FAR = "366D"  # from nearly all other starts, before a date is doubted

# From how many something is said; judgements unless a reason stands beside them.
FEWEST_STARTS = 20  # before one can be far from the others
FEWEST_ALIKE = 5  # courses that are counted together, and values that a fill is taken from
FEWEST_FOLLOWED = 5  # courses that a session of the curve must rest on
FEWEST_WITH_LEVEL = 10  # courses with a level of an attribute
FEWEST_FINISHED_WITH_LEVEL = 5
# Finished courses from which an answer counts as well covered: what is learnt comes from them, and
# promises are judged from as many. The log of the count that half need is then known to about
# 1 / (2.5 sqrt(20)) = 9 % (the evidence's Weibull shape), attributes aside.
FEWEST_FINISHED = 20
FEWEST_LIGHTENED = 10  # courses that got there, below which they check nothing
# Events below which a model with no prior to lean on, the cure mixture, only costs.
FEWEST_FOR_DATA_ALONE = 200


def check_goal(goal: str) -> str:
    """Return ``goal`` if it is one, or raise RequestError.

    Examples
    --------
    >>> check_goal("lighten")
    'lighten'
    """
    if goal not in GOALS:
        values = {"given": goal, "hint": nearest(str(goal), GOALS)}
        raise RequestError(*problem_and_remedy("refused.no_goal", values))
    return goal


def course_rows(log: OutcomeLog, *, goal: str = "clear") -> pd.DataFrame:
    """Return one row per course: step, entry, observed, stopped, ids, date and covariates.

    ``step`` counts all sessions had whose result is known (``OutcomeLog.judged_sessions``),
    ``entry`` those had elsewhere before (left truncation); both are equal if nothing is known yet.
    ``observed`` says whether the goal was reached at ``step``, ``given`` how many sessions were
    had here, ``stopped`` whether the client gave up after them. Covariates are NaN where the log
    has nothing.

    For the goal ``lighten`` each course is watched until its own goal, which the covariate
    ``lighten`` says (1 or 0): one that wants clearing passes light enough long before it clears,
    at a session nobody wrote down, but tells how attributes act. Raises RequestError if there is no
    such goal.

    Examples
    --------
    >>> course_rows(log)["entry"].head(3).tolist(), course_rows(log)["step"].head(3).tolist()
    ([3, 0, 0], [11, 8, 14])
    """
    import pandas as pd

    courses = log.courses
    outcome = courses["outcome"]
    entry = courses["sessions_elsewhere"].to_numpy(dtype=np.int64)
    lighten = (courses["goal"] == "lighten").to_numpy()
    observed = (outcome == "cleared").to_numpy()
    if check_goal(goal) == "lighten":
        observed = observed | (lighten & (outcome == "lightened").to_numpy())
    rows = {
        "course_id": courses["course_id"].to_numpy(),
        "client_id": courses["client_id"].to_numpy(),
        "started_on": courses["started_on"].to_numpy(),
        "entry": entry,
        "step": entry + log.judged_sessions,
        "given": courses["sessions_given"].to_numpy(dtype=np.int64),
        "observed": observed,
        # a course that ended at its own goal of lightening was not given up
        "stopped": (outcome == "stopped").to_numpy(),
    }
    columns = {str(name): courses[name].to_numpy() for name in courses.columns}
    columns["unreached"] = np.full(len(courses), np.nan)  # where the log names no lasers
    if not log.lasers.empty:  # or whether none in use when the course started reached some ink
        missed = unreached_on(courses["inks"], courses["started_on"], log.lasers)
        columns["unreached"] = np.array([bool(inks) for inks in missed], dtype=np.float64)
    # from the middle of the last two years of the log, at most 1
    days = (courses["started_on"] - latest_start(courses["started_on"])).dt.days
    columns["years_from_now"] = np.minimum(days.to_numpy(dtype=np.float64) / YEAR + 1, 1.0)
    found = covariates(columns)
    if goal == "lighten":
        found[LIGHTEN] = lighten.astype(np.float64)
    return pd.DataFrame({**rows, **found})


def of_goal(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows of ``course_rows`` say by themselves when the goal asked for is reached.

    All for the goal ``clear``; those that want lightening for ``lighten``, (n,).

    Examples
    --------
    >>> [int(of_goal(course_rows(log, goal=goal)).sum()) for goal in ("clear", "lighten")]
    [150, 12]
    """
    if LIGHTEN not in rows:
        return np.ones(len(rows), dtype=bool)
    return (rows[LIGHTEN] == 1).to_numpy(dtype=bool)


def is_judged(rows: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which rows of ``course_rows`` have a session here whose result is known, (n,).

    Examples
    --------
    >>> rows = course_rows(log)
    >>> len(rows), int(is_judged(rows).sum())
    (150, 145)
    """
    return (rows["step"] > rows["entry"]).to_numpy()


def judged_rows(log: OutcomeLog, *, goal: str = "clear") -> pd.DataFrame:
    """Return ``course_rows`` of ``log`` and ``goal`` whose result is known, index 0 to n - 1.

    Examples
    --------
    >>> len(judged_rows(log))
    145
    """
    rows = course_rows(log, goal=goal)
    return rows[is_judged(rows)].reset_index(drop=True)


def fill_missing(rows: pd.DataFrame, fills: Mapping[str, float | None]) -> pd.DataFrame:
    """Return ``rows`` with what stands in for a missing value of each covariate, by ``fills``.

    None is the mean of the rows' own, 0 if there is none. Rows that are given stay as they are.

    Examples
    --------
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"smoker": [0.0, 1.0, float("nan")], "scarring": float("nan")})
    >>> fill_missing(rows, {"smoker": None, "scarring": 0.25})["smoker"].tolist()
    [0.0, 1.0, 0.5]
    """
    filled = rows.copy(deep=False)
    for name, fill in fills.items():
        if rows[name].isna().any():
            mean = rows[name].mean() if fill is None else fill
            filled[name] = rows[name].fillna(0.0 if np.isnan(mean) else mean)
    return filled


def durations_of(rows: pd.DataFrame, fills: Mapping[str, float | None]) -> Durations:
    """Return the rows as a count model takes them, with the covariates of ``fills``, filled.

    Examples
    --------
    >>> filled = durations_of(judged_rows(log), {"smoker": None, "scarring": 0.25})
    >>> len(filled), [*filled.covariates]
    (145, ['smoker', 'scarring'])
    """
    return Durations.from_frame(
        fill_missing(rows, fills),
        step="step",
        observed="observed",
        entry="entry",
        subject="client_id",
        covariates=list(fills),
    )


def by_contents(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with clients called by what their courses say, not by what they are called.

    Folds and draws then go by contents alone: other names or another order of the log give the
    same forecast.
    """
    import pandas as pd

    told = rows.drop(columns=["course_id", "client_id"])
    dates = told.select_dtypes("datetime").astype("datetime64[ns]")  # pandas has several units
    numbers = told.select_dtypes("float").round(9) + 0.0
    # of what is alike bits may differ: a zero and a missing number have a sign
    told = told.assign(**numbers.where(numbers.notna(), np.nan), **dates)
    each = pd.util.hash_pandas_object(told, index=False)
    of_client = each.groupby(rows["client_id"]).sum()  # whatever their order
    rank = of_client.rank(method="first").astype(np.int64).astype(str)
    return rows.assign(client_id=rows["client_id"].map(rank))


def latest_start(started: pd.Series[pd.Timestamp]) -> pd.Timestamp:
    """Return the last start that others bear out.

    One more than a year after 99 of 100 others is more likely a mistyped year, and must not
    decide alone what practice of today is.

    Examples
    --------
    >>> import pandas as pd
    >>> print(latest_start(pd.to_datetime(pd.Series(["2024-03-01"] * 99 + ["2034-03-01"]))).date())
    2024-03-01
    """
    import pandas as pd

    late: Any = started.max()
    if len(started) >= FEWEST_STARTS:
        near: Any = started.quantile(0.99, interpolation="lower")
        late = started[started <= near + pd.Timedelta(FAR)].max()
    return pd.Timestamp(late)


def lasers_in_use(lasers: pd.DataFrame, on: pd.Timestamp | None = None) -> tuple[Laser, ...]:
    """Return the lasers in use on a day, or ever; one without a date was always there.

    Examples
    --------
    >>> first_day = log.courses["started_on"].min()
    >>> [laser.laser_id for laser in lasers_in_use(log.lasers, first_day)]
    ['yag']
    """
    used = lasers
    if on is not None:
        used = lasers[~(lasers["in_use_from"] > on).fillna(False)]
    each = used[["laser_id", "regime", "wavelengths_nm"]].itertuples(index=False)
    return tuple(
        Laser(str(regime), tuple(map(float, str(wavelengths).split(";"))), str(laser))
        for laser, regime, wavelengths in each
    )


def unreached_on(
    inks: pd.Series[str], days: pd.Series[pd.Timestamp], lasers: pd.DataFrame
) -> list[tuple[str, ...]]:
    """Return, row by row, the ``inks`` that none of ``lasers``, as in use on ``days``, reached.

    Examples
    --------
    >>> import pandas as pd
    >>> days = pd.to_datetime(pd.Series(["2018-01-01", "2024-01-01"]))
    >>> unreached_on(pd.Series(["black;green"] * 2), days, log.lasers)
    [('green',), ()]
    """
    import pandas as pd

    changes = pd.DatetimeIndex(lasers["in_use_from"].dropna().sort_values().unique())
    fleets = [lasers_in_use(lasers, day) for day in (pd.Timestamp.min, *changes)]
    period = np.searchsorted(changes.to_numpy(), days.to_numpy(), side="right")
    missed = cache(lambda at, text: unreached_inks(text, fleets[at]))
    return [missed(at, text) for at, text in zip(period.tolist(), inks, strict=True)]


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
    close = days[REGULAR - 1 :] - days[: 1 - REGULAR] <= np.timedelta64(HALF_A_YEAR, "D")
    found = np.flatnonzero(close)
    first, last = (found[0], found[-1] + REGULAR - 1) if len(found) else (0, -1)
    return pd.Timestamp(days[first]), pd.Timestamp(days[last])


def eligible(
    log: OutcomeLog, set_apart: set[str]
) -> tuple[pd.DataFrame, tuple[str, str], dict[Sentence, int]]:
    """Return the eligible courses, the days between which both regimes were in use, and the rest.

    Courses of ``log`` in ``set_apart`` (their ids) are counted among the rest. A regime that was
    not yet there cannot have been chosen, so courses begun before the later regime came in or after
    the earlier one went out are left out, not adjusted for.

    Examples
    --------
    >>> courses, window, left_out = eligible(log, set())
    >>> len(courses), window, sum(left_out.values())
    (56, ('2021-02-12', '2024-12-24'), 94)
    """
    spans = [in_use(dates) for _, dates in log.sessions.groupby("regime")["treated_on"]]
    first, last = max(span[0] for span in spans), min(span[1] for span in spans)
    window = (str(first.date()), str(last.date()))
    numbers = log.each_session.groupby("course_id")["session_no"].agg(["size", "max", "min"])
    courses = log.courses.copy()
    held = numbers.reindex(courses["course_id"]).set_axis(courses.index)
    whole = (held["size"] == held["max"]) & (held["min"] == 1)
    whole &= held["max"] == courses["sessions_given"]
    begun = courses["started_on"]
    tests = {
        sentence("counts.out_split_half"): ~courses["course_id"].isin(set_apart),
        sentence("counts.out_only_lightening"): courses["goal"] == "clear",
        sentence("counts.out_begun_elsewhere"): courses["sessions_elsewhere"] == 0,
        sentence("counts.out_sessions_missing"): whole,
        sentence("counts.out_begun_before", {"day": window[0]}): begun >= first,
        sentence("counts.out_begun_after", {"day": window[1]}): begun <= last,
    }
    left_out: dict[Sentence, int] = {}
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

    Examples
    --------
    >>> len(split_halves(log))  # here no tattoo was split
    0
    """
    courses = log.courses.assign(sessions_given=log.judged_sessions)
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
