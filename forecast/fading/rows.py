"""The rows of the fading model: steps from one grading to the next, and what went before.

A step holds the sessions between two gradings of a course, the first step those from the untreated
tattoo on. Its columns are what a clinic chose in it, and what it may have chosen by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray, sums_by
from forecast._checks import YEAR
from forecast._notes import Sentence, problem_and_remedy, sentence
from forecast.counts import BASELINE, covariates, eligible
from forecast.errors import DataError
from forecast.log import OutcomeLog
from forecast.tattoo import INK_GROUPS, ink_group

# What a log must hold for the room to say something of it.
FEWEST_COURSES, FEWEST_GRADINGS, FEWEST_LEVELS = 20, 60, 2  # for curves at all
FEWEST_IN_GROUP = 10  # courses, for an ink group or a regime in it to have its own slope
FEWEST_BY_GRADER = 20  # gradings
# Half the interval of what a session removes, as a share, from which nothing is said: a session
# removes some 10 to 25 points, so wider than that it holds everything that lasers do.
WIDEST = 0.20
FEWEST_BY_OPERATOR = 60  # sessions
FEWEST_PER_ATTRIBUTE = 15  # courses behind each attribute adjusted for
FEWEST_ON_CURVE = 5  # courses with that many sessions, for a curve to go on
WISHED_IN_REGIME = 30  # courses, for its curve not to be called uncertain
FEWEST_FOR_SPACING = 40  # courses
FEWEST_SPLIT = 5  # split tattoos graded together
FEWEST_TWICE = 10  # tattoos graded by two people, and by the same two people
FEWEST_BEFORE = 2  # gradings to expect the next from
FEWEST_CLEARED = 40  # courses, to learn from them when fading has stopped

UNITS = (25.0, 10.0, 5.0)  # percentage points in which whole logs are graded
LEAST_LEFT = 0.03  # of the ink, below which a grading says no more than "nearly all"
HARDLY = 5.0  # percentage points of fading in a step, that count as hardly any
# Adjusted for first: a clinic may choose by these, and cohorts tie them to the session count.
FIRST = ("ink_density", "heavy", "layering", "smoker", "origin_amateur", "area_doublings")


@dataclass(frozen=True, slots=True, eq=False)
class FadingRows:
    """The rows of the fading model."""

    # One row per course and graded session, gradings of one session averaged: course_id, client (a
    # number), session, since (session of the grading before, 0 at first), left and left_before
    # (share of the ink), ink_group. A course cleared without a grading at its end has a row at the
    # threshold.
    table: pd.DataFrame
    counts: FloatArray  # (n, p), sums over the sessions of the step
    names: tuple[str, ...]  # of their columns
    history: FloatArray  # (n, q), what was known before the step, and times its sessions
    changed: FloatArray  # (n,), ps sessions of courses that were changed to it before the step
    # One row per grading: its row of the table, the share of the ink it saw, and who graded, as
    # columns that sum to zero, less those of the grading before.
    place: IntArray
    seen: FloatArray
    who: FloatArray
    graders: tuple[str, ...]  # whose columns they are; one more has none
    courses: pd.DataFrame  # one row per course, with ink_group and its sessions under each regime
    adjusted: tuple[str, ...]  # attributes adjusted for
    regimes: tuple[str, ...]  # in the rows, ns first; empty when the log has no sessions
    groups: tuple[str, ...]  # ink groups with their own slope
    # Whether operators cannot be adjusted for, each having fired one regime only.
    operators_apart: bool
    unit: float  # percentage points to which gradings are rounded
    gap_weeks: FloatArray  # between sessions of a course, and their geometric mean, at which slopes
    mean_gap_weeks: float  # are stated; NaN without sessions
    cleared_at: float  # percent faded
    left_out: dict[Sentence, int]  # courses not used, by reason

    @property
    def telling(self) -> BoolArray:
        """Rows of the table whose steps begin with ink to lose."""
        return np.asarray(self.table["left_before"] > LEAST_LEFT)


def fading_rows(log: OutcomeLog) -> FadingRows:
    """Return the rows of the fading model, or raise DataError where there are too few.

    Raises DataError if the log has no gradings, fewer than 20 usable courses or 60 gradings, or all
    are alike.

    Examples
    --------
    >>> rows = fading_rows(log)
    >>> rows.regimes, len(rows.courses), rows.counts.shape  # one line for each graded session
    (('ns', 'ps'), 51, (365, 11))
    """
    courses, left_out = _usable_courses(log)
    graded = _graded_rows(log, courses)
    courses = courses[courses["course_id"].isin(graded["course_id"])].reset_index(drop=True)
    _check_enough(courses, graded, left_out)
    here = log.each_session
    here = here[here["course_id"].isin(courses["course_id"])]
    sums, regimes, gap_weeks, mean_gap = _session_sums(here)
    courses = courses.assign(ink_group=courses["inks"].map(ink_group))
    for regime in regimes:
        had = sums.groupby("course_id")[regime].max()
        courses[regime] = courses["course_id"].map(had).fillna(0).to_numpy()
    groups = tuple(
        group for group in INK_GROUPS if (courses["ink_group"] == group).sum() >= FEWEST_IN_GROUP
    )
    often = _often(graded["grader_id"], FEWEST_BY_GRADER)
    own = _sum_to_zero("", graded["grader_id"].to_numpy(dtype=object), often)
    who = np.column_stack([np.empty((len(graded), 0)), *own.values()])
    table, place = _sessions_graded(graded, courses)
    # columns of each grading less the mean of those of the session graded before
    mean = sums_by(place, who.T, len(table)).T / np.bincount(place)[:, None]
    who = who - (mean - _less_before(table, mean))[place]
    table = table.merge(sums, on=["course_id", "session"], how="left")
    attributes = _attributes_of(courses)
    columns = _design_columns(table, courses, attributes, regimes, groups)
    told = any(name.startswith("operator ") for name in columns)
    several = len(_often(here["operator_id"], FEWEST_BY_OPERATOR)) > 1
    return FadingRows(
        table=table,
        counts=_less_before(table, np.column_stack(list(columns.values()))),
        names=tuple(columns),
        history=history(table, *table[["since", "session"]].to_numpy(dtype=np.float64).T),
        changed=_changed(table, here),
        place=place,
        seen=_left(graded["fading_pct"]),
        who=who,
        graders=tuple(often[:-1]),
        courses=courses,
        adjusted=tuple(attributes),
        regimes=regimes,
        groups=groups,
        unit=next((one for one in UNITS if np.allclose(log.graded["fading_pct"] % one, 0)), 1.0),
        gap_weeks=gap_weeks,
        mean_gap_weeks=mean_gap,
        cleared_at=float(log.cleared_at),
        left_out=left_out,
        operators_apart=len(regimes) == 2 and several and not told,
    )


# One row per course and session, with the grading before, and the row of each grading.
def _sessions_graded(graded: pd.DataFrame, courses: pd.DataFrame) -> tuple[pd.DataFrame, IntArray]:
    by_session = graded.groupby(["course_id", "session"])
    table = by_session["fading_pct"].mean().reset_index()
    client, _ = courses["client_id"].factorize()
    known = courses.assign(client=client).set_index("course_id")
    for name in ("client", "ink_group"):
        table[name] = table["course_id"].map(known[name])
    table["left"] = _left(table["fading_pct"])
    by_course = table.groupby("course_id")
    table["since"] = by_course["session"].shift(fill_value=0)
    table["left_before"] = by_course["left"].shift(fill_value=1.0).clip(lower=LEAST_LEFT)
    return table, np.asarray(by_session.ngroup(), dtype=np.int64)


def _left(fading_pct: pd.Series[float]) -> FloatArray:
    return 1 - fading_pct.clip(0, 100).to_numpy(dtype=np.float64) / 100


# what was added since the row before of the same course
def _less_before(table: pd.DataFrame, sums: FloatArray) -> FloatArray:
    before = np.vstack([np.zeros((1, sums.shape[1])), sums[:-1]])
    first = (table["since"] == 0).to_numpy()
    return np.asarray(sums - np.where(first[:, None], 0.0, before), dtype=np.float64)


def history(table: pd.DataFrame, begins: FloatArray, ends: FloatArray) -> FloatArray:
    """Return what a clinic may choose by in the step of each row, and that times its sessions.

    How far the tattoo was, how fast it went, and whether a step had hardly any effect, the last
    one or one before; sessions are counted from ``begins`` to ``ends``. At the first step nothing
    was known.
    """
    begun = (table["since"] > 0).to_numpy()
    twice = (table.groupby("course_id").cumcount() > 1).to_numpy(dtype=np.float64)
    by_course = table.assign(begins=begins).groupby("course_id")
    since = np.where(begun, begins, 1.0)
    left = table["left_before"].to_numpy()
    earlier = by_course["left_before"].shift(fill_value=1.0).to_numpy()
    apart = np.where(begun, begins - by_course["begins"].shift(fill_value=0.0).to_numpy(), 1.0)
    level, recent = np.log(left), np.log(earlier / left) / apart
    hardly = np.exp(-np.clip(100 * (earlier - left), -3 * HARDLY, None) / HARDLY) * twice
    worst = table.assign(hardly=hardly).groupby("course_id")["hardly"].cummax().to_numpy()
    pace, long = -level / since, np.log(since)
    known = [np.ones_like(left), level, pace, recent, long, pace**2, pace * long]
    columns = [*(column * begun for column in known), hardly, worst]
    times = [(ends - begins) * one for one in columns]
    return np.column_stack([*columns, *times, level**2 * begun])


# Who was changed to ps was so for what was seen by then: later ps sessions of such a course tell
# of the course, not of ps.
def _changed(table: pd.DataFrame, sessions: pd.DataFrame) -> FloatArray:
    if "ps" not in table:
        return np.zeros(len(table))
    first = sessions.sort_values("session_no").groupby("course_id")["regime"].first()
    began = (table["course_id"].map(first) == "ps").to_numpy()
    had = table.groupby("course_id")["ps"].shift(fill_value=0.0).to_numpy()
    return np.where((had > 0) & ~began, table["ps"].to_numpy() - had, 0.0)


def _usable_courses(log: OutcomeLog) -> tuple[pd.DataFrame, dict[Sentence, int]]:
    if not len(log.gradings):
        raise DataError(*problem_and_remedy("refused.no_gradings"))
    if len(log.sessions):
        courses, _, left_out = eligible(log, set())
        return courses, left_out
    here = log.courses["sessions_elsewhere"] == 0
    left_out = {sentence("counts.out_begun_elsewhere"): int((~here).sum())} if (~here).any() else {}
    return log.courses[here].reset_index(drop=True), left_out


# One row per grading after a session, and per clearance that was not graded.
def _graded_rows(log: OutcomeLog, courses: pd.DataFrame) -> pd.DataFrame:
    kept = courses[["course_id", "client_id", "sessions_given", "outcome"]]
    table = log.graded.merge(kept, on="course_id")
    table = table[(table["after_session"] > 0) & table["fading_pct"].notna()]
    table = table.rename(columns={"after_session": "session"})
    final = table[table["session"] == table["sessions_given"]]["course_id"]
    cleared = kept[(kept["outcome"] == "cleared") & ~kept["course_id"].isin(final)]
    cleared = cleared.assign(session=cleared["sessions_given"], fading_pct=float(log.cleared_at))
    both: pd.DataFrame = pd.concat([table, cleared])  # nobody graded these: no grader, no day
    sessions = log.each_session  # what both regimes did together speaks for neither
    mixed = sessions[sessions["regime"] == "mixed"].groupby("course_id")["session_no"].min()
    both = both[~(both["session"] >= both["course_id"].map(mixed))]
    both = both.sort_values(["course_id", "session"], kind="stable", ignore_index=True)
    found: pd.DataFrame = both[["course_id", "session", "fading_pct", "grader_id"]]
    return found


def _check_enough(
    courses: pd.DataFrame, table: pd.DataFrame, left_out: dict[Sentence, int]
) -> None:
    if len(courses) < FEWEST_COURSES or len(table) < FEWEST_GRADINGS:
        few = {"courses": len(courses), "gradings": len(table)}
        few |= {"least": FEWEST_COURSES, "fewest": FEWEST_GRADINGS}
        listed = [sentence("counts.left_out", {"n": n, "why": why}) for why, n in left_out.items()]
        code = "few_graded_left_out" if listed else "few_graded"
        raise DataError(*problem_and_remedy(f"refused.{code}", few | {"reasons": listed}))
    clients = courses["client_id"].nunique()
    if clients < FEWEST_COURSES:
        values = {"clients": clients, "least": FEWEST_COURSES}
        raise DataError(*problem_and_remedy("refused.few_graded_clients", values))
    if table["fading_pct"].nunique() < FEWEST_LEVELS:
        alike = {"n": len(table), "percent": float(table["fading_pct"].iloc[0])}
        raise DataError(*problem_and_remedy("refused.graded_alike", alike))


# Sums over the sessions so far, by course and session; the regimes; the intervals, the typical one.
def _session_sums(
    sessions: pd.DataFrame,
) -> tuple[pd.DataFrame, tuple[str, ...], FloatArray, float]:
    rows = sessions.sort_values(["course_id", "session_no"])
    rows = rows.rename(columns={"session_no": "session"})
    if not len(rows):
        return pd.DataFrame({"course_id": [], "session": []}), (), np.empty(0), float("nan")
    days = rows.groupby("course_id")["treated_on"].diff().dt.days.to_numpy(dtype=np.float64)
    log_gap = np.log(np.maximum(days / 7, 1.0))
    mean_gap = float(np.nanmean(log_gap)) if (~np.isnan(log_gap)).any() else float("nan")
    year = (rows["treated_on"] - rows["treated_on"].min()).dt.days.to_numpy() / YEAR
    year = year - year.mean()
    regimes = tuple(name for name in ("ns", "ps") if (rows["regime"] == name).any())
    # where no operator fired both regimes often enough, who treated and what was fired cannot be
    # told apart
    who, ps = rows["operator_id"].to_numpy(dtype=object), (rows["regime"] == "ps").to_numpy()
    often = _often(rows["operator_id"], FEWEST_BY_OPERATOR)
    both = [min(ps[who == name].sum(), (~ps[who == name]).sum()) for name in often]
    told = not ps.any() or ps.all() or max(both, default=0) >= FEWEST_IN_GROUP
    operators = _sum_to_zero("operator", who, often) if told else {}
    steps = pd.DataFrame(
        {
            "log_gap": np.where(np.isnan(log_gap), 0.0, log_gap - mean_gap),
            "years": year,
            "years_squared": year**2 - np.mean(year**2),
            **{name: (rows["regime"] == name).to_numpy(dtype=np.float64) for name in regimes},
            **operators,
        },
        index=rows.index,
    )
    summed = steps.groupby(rows["course_id"]).cumsum()
    found = pd.concat([rows[["course_id", "session"]], summed], axis=1)
    return found, regimes, days[~np.isnan(days)] / 7, float(np.exp(mean_gap))


def _often(who: pd.Series, fewest: int) -> list[str]:
    counts = who.value_counts()
    return sorted(str(name) for name in counts.index[counts >= fewest])


# One column per name but the last, so that all their effects sum to zero.
def _sum_to_zero(kind: str, who: AnyArray, names: list[str]) -> dict[str, FloatArray]:
    return {f"{kind} {name}": 1.0 * (who == name) - (who == names[-1]) for name in names[:-1]}


# As many of the attributes that the regime comparison uses as the number of courses bears, less
# their means.
def _attributes_of(courses: pd.DataFrame) -> dict[str, FloatArray]:
    columns = {str(name): courses[name].to_numpy() for name in courses.columns}
    zeros = np.zeros(len(courses))
    found = covariates({**columns, "unreached": zeros, "years_from_now": zeros})
    dense = found["ink_density"]  # a step of density need not be as much as the next
    found["heavy"] = np.where(np.isnan(dense), np.nan, dense == np.nanmax(dense, initial=-1))
    by_group = ("ink_warm", "ink_other")  # these are the ink groups
    wanted = [*FIRST, *(name for name in BASELINE if name not in (*FIRST, *by_group))]
    kept: dict[str, FloatArray] = {}
    for name in wanted:
        values = found[name]
        seen = ~np.isnan(values)
        _, often = np.unique(values[seen], return_counts=True)
        if seen.sum() - often.max(initial=0) >= FEWEST_IN_GROUP:
            kept[name] = np.where(seen, values - values[seen].mean(), 0.0)
    few = max(len(courses) // FEWEST_PER_ATTRIBUTE, 2)
    return dict([*kept.items()][:few])


# sums over the sessions so far
def _design_columns(
    table: pd.DataFrame,
    courses: pd.DataFrame,
    attributes: dict[str, FloatArray],
    regimes: tuple[str, ...],
    groups: tuple[str, ...],
) -> dict[str, FloatArray]:
    sessions = table["session"].to_numpy(dtype=np.float64)
    inside = {group: (table["ink_group"] == group).to_numpy() for group in groups[1:]}
    found = {"sessions": sessions}
    found |= {f"sessions, {group}": sessions * here for group, here in inside.items()}
    if len(regimes) == 2:  # what ps sessions add, and further in groups that had enough of both
        found["ps"] = ps = table["ps"].to_numpy(dtype=np.float64)
        for group, here in inside.items():
            had = courses.loc[courses["ink_group"] == group, ["ns", "ps"]] > 0
            if had.sum().min() >= FEWEST_IN_GROUP:
                found[f"ps, {group}"] = ps * here
    row = pd.Index(courses["course_id"]).get_indexer(table["course_id"])
    found |= {name: sessions * values[row] for name, values in attributes.items()}
    if regimes:
        operators = [str(name) for name in table.columns if str(name).startswith("operator ")]
        for name in ("log_gap", "years", "years_squared", *operators):
            values = table[name].to_numpy(dtype=np.float64)
            if np.ptp(values) > 0:
                found[name] = values
    return found
