"""Strategies, and the rows of the trial that the log stands in for."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, IntArray, shares
from forecast._checks import check_kind
from forecast._notes import Note, Sentence, problem_and_remedy, sentence
from forecast.causal import Panel
from forecast.counts import BASELINE, covariates, eligible
from forecast.errors import DataError, RequestError
from forecast.regimes.verdict import LOOK_AGAIN, Contrast
from forecast.tattoo import ink_group

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

REGIMES = ("ns", "ps")
PATTERN = re.compile(r"(ns|ps)(?::([1-9][0-9]*)[>-](ns|ps))?")


@dataclass(frozen=True, slots=True)
class Strategy:
    """A rule for the whole course, named "ns", "ps" or as "ns:4>ps"."""

    name: str
    plan: tuple[int, ...]  # 0 for ns, 1 for ps at sessions 1, 2, ...; the last holds from there on

    @property
    def begins(self) -> int:
        """The session from which its last regime holds: 1, or that of the change."""
        return len(self.plan)

    @property
    def rule(self) -> Note:
        """Its name and what it does."""
        first, last = REGIMES[self.plan[0]], REGIMES[self.plan[-1]]
        values = {"name": self.name, "first": first, "last": last, "sessions": self.begins - 1}
        return Note("trial.always" if first == last else "trial.change", values=values)


@dataclass(frozen=True, slots=True)
class Settings:
    """What was asked; with ``auto`` each pair has its own horizon, up to this one."""

    plans: tuple[Strategy, ...]
    horizon: int
    margin: float
    level: float
    replicates: int
    seed: int
    auto: bool = False
    looking_again: bool = False
    second: int = 200  # resamples from which the second route, which costs more, has its error
    own: Mapping[str, int] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the strategies."""
        return tuple(plan.name for plan in self.plans)

    @property
    def pairs(self) -> dict[str, tuple[int, int]]:
        """Places of left and right by key, ``"later - earlier"`` for every pair."""
        names = self.names
        return {
            f"{names[left]} - {names[right]}": (left, right)
            for left in range(len(names))
            for right in range(left)
        }

    def horizon_of(self, key: str) -> int:
        """Return the horizon of a pair."""
        return self.own.get(key, self.horizon)

    def reach_of(self, place: int) -> int:
        """Return the furthest horizon that a strategy is compared to."""
        return max(self.horizon_of(key) for key, pair in self.pairs.items() if place in pair)

    def contrast(self, estimate: float, error: float, *, session: float = 1.0) -> Contrast:
        """Return a difference, in a unit of which a session is worth so many, with its interval."""
        again = LOOK_AGAIN / (self.margin * session) ** 2 if self.looking_again else None
        return Contrast.normal(estimate, error, self.level, again)

    def shortest(self, left: int, right: int) -> int:
        """Return the first session at which both strategies are what their names say."""
        return max(2, self.plans[left].begins, self.plans[right].begins)


def read_strategies(names: Sequence[str], *, horizon: int) -> tuple[Strategy, ...]:
    """Return the strategies of ``names``, or raise RequestError on one that cannot be used."""
    if isinstance(names, str):
        raise RequestError(
            f"strategies is the text {names!r}.", 'Give a sequence, for example ("ns", "ps").'
        )
    given = check_kind(names, Iterable, name="strategies", give='a sequence, as ("ns", "ps")')
    wanted = [str(name).strip() for name in given]
    plans = tuple(read_strategy(name, horizon) for name in wanted)
    if len(wanted) < 2 or len({plan.name for plan in plans}) < len(wanted):
        values = {"strategies": wanted or "none"}
        raise RequestError(*problem_and_remedy("refused.one_strategy", values))
    return plans


def read_strategy(name: str, horizon: int) -> Strategy:
    """Return the strategy ``name``, whose change comes before session ``horizon``.

    "ns:4-ps" is "ns:4>ps", for shells in which ">" writes a file. Raises RequestError where it
    cannot be read, changes nothing or changes too late.

    Examples
    --------
    >>> read_strategy("ns:4-ps", horizon=15)
    Strategy(name='ns:4>ps', plan=(0, 0, 0, 0, 1))
    """
    check_kind(name, str, name="strategy", give='a text, as "ns" or "ns:4>ps"')
    found = PATTERN.fullmatch(name)
    if found is None or found[1] == found[3]:
        raise RequestError(*problem_and_remedy("refused.no_strategy", {"name": name}))
    first = REGIMES.index(found[1])
    if found[2] is None:
        return Strategy(name, (first,))
    sessions = int(found[2])
    if sessions >= horizon:
        values = {"name": name, "sessions": sessions, "horizon": horizon}
        raise RequestError(*problem_and_remedy("refused.late_change", values))
    return Strategy(f"{found[1]}:{sessions}>{found[3]}", (first,) * sessions + (1 - first,))


LEAST_BY_OPERATOR = 3  # sessions with each regime before an operator counts as using both
LEAST_SHARED = 0.5  # of the courses, in hands that used both, for the two to be told apart


def operators_apart(trial: Trial) -> bool:
    """Return whether most courses were begun by one of several operators who used one regime."""
    known = np.array([isinstance(name, str) for name in trial.operator], dtype=bool)
    names, code = np.unique(trial.operator[known].astype(str), return_inverse=True)
    group, first = trial.panel.group[known], trial.panel.first[known]
    used = [np.bincount(code[group == regime], minlength=len(names)) for regime in (0, 1)]
    both = np.minimum(*used) >= LEAST_BY_OPERATOR
    return len(names) > 1 and bool(first.any()) and float(both[code][first].mean()) < LEAST_SHARED


STALLED = 5.0  # percentage points gained between the last two gradings
NEARLY_CLEAR = 90.0
YEAR = 365.25
USUAL_WEEKS = 8.0  # stands in for the interval before a first session
FLOOR = 1.0  # percent of the ink: a grading of 100 is read as this much left

HISTORY = (
    "calendar_years",
    "calendar_years_squared",
    "log_weeks_since_session",
    "reaction",
    "fading",
    "last_gain",
    "stalled",
    "log_ink_left",
    "log_ink_left_per_session",
)


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """The rows of the trial, and who was left out of it."""

    panel: Panel  # one row per course and session; group 1 is ps; clusters are clients
    courses: pd.DataFrame  # the eligible, in the order of the panel's subjects, with ink_group
    week: FloatArray  # (n,), from the first session to each session
    operator: npt.NDArray[np.object_]  # (n,), who treated; None where not recorded
    baseline: FloatArray  # (n_courses, p), attributes, gaps filled with the mean of the eligible
    # (n,), log of the share of ink left by the last grading before, and after, each session
    ink_left: FloatArray
    ink_left_after: FloatArray
    graded: BoolArray  # (n,), whether a grading was written down after the session
    left_out: dict[Sentence, int]  # courses not eligible, by reason
    window: tuple[str, str]  # first and last day on which both regimes were in use


def trial_rows(log: OutcomeLog, *, horizon: int, set_apart: Collection[str] = ()) -> Trial | None:
    """Return the trial's rows up to ``horizon`` sessions, or None if no course is eligible.

    Courses ``set_apart`` are analysed elsewhere (the halves of split tattoos). Raises DataError if
    the log has no sessions table, or only one regime in it.

    Examples
    --------
    >>> trial = trial_rows(log, horizon=15)
    >>> trial.window, trial.panel.n_subjects  # both regimes in use, of 150 courses
    (('2021-02-12', '2024-12-24'), 52)
    """
    sessions = log.sessions
    if not len(sessions):
        raise DataError(*problem_and_remedy("refused.no_sessions"))
    used = sessions["regime"].dropna().unique()
    if len(used) < 2:
        values = {"n": len(sessions), "regime": used[0] if len(used) else "unknown"}
        raise DataError(*problem_and_remedy("refused.one_regime", values))
    courses, window, left_out = eligible(log, set(set_apart))
    return _rows(log, courses, horizon, window, left_out) if len(courses) else None


def _rows(
    log: OutcomeLog,
    courses: pd.DataFrame,
    horizon: int,
    window: tuple[str, str],
    left_out: dict[Sentence, int],
) -> Trial | None:
    import pandas as pd

    rows = log.each_session
    rows = rows[rows["course_id"].isin(set(courses["course_id"]))]
    rows = rows[rows["session_no"] <= horizon].sort_values(["course_id", "session_no"])
    # the last session of an ongoing course, not graded yet, is not "not cleared": counted so it
    # would slow whatever regime the recent courses are under
    judged = pd.Series(log.judged_sessions, index=log.courses["course_id"])
    rows = rows[rows["session_no"] <= rows["course_id"].map(judged)].reset_index(drop=True)
    judged_ids = set(rows["course_id"])
    # a session with both regimes follows no strategy of one: its course is lost before it
    mixed = rows[rows["regime"] == "mixed"].groupby("course_id")["session_no"].min()
    first = rows["course_id"].map(mixed)
    rows = rows.assign(leaves=rows["session_no"] == first - 1)
    rows = rows[~(rows["session_no"] >= first)].reset_index(drop=True)
    with_rows = courses["course_id"].isin(set(rows["course_id"]))
    unseen = int((~courses["course_id"].isin(judged_ids)).sum())
    begun_mixed = int((~with_rows).sum()) - unseen
    reasons = {sentence("counts.out_unjudged"): unseen, sentence("counts.out_mixed"): begun_mixed}
    left_out = left_out | {reason: n for reason, n in reasons.items() if n}
    courses = courses[with_rows].reset_index(drop=True)
    if not len(courses):
        return None
    place = pd.Series(np.arange(len(courses)), index=courses["course_id"])
    rows["subject"] = rows["course_id"].map(place).to_numpy(dtype=np.int64)
    history = _history(log, rows, place)
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
        ink_left=np.log(np.maximum(100 - history.before, FLOOR) / 100),
        ink_left_after=np.log(np.maximum(100 - history.after, FLOOR) / 100),
        graded=history.graded,
        left_out=left_out,
        window=window,
    )


def usual_operator(rows: pd.DataFrame) -> pd.Series:
    """Return who treats most of each row's course, the first of several; missing where nobody is.

    Whoever stands in for a session follows the other's plan: weights by the hand that fired know
    the plan's maker only dimly, and leave half of what it confounds.
    """
    by = [rows["subject"], rows["operator_id"]]
    held = rows.groupby(by)["operator_id"].transform("size")
    often = rows.assign(held=held).sort_values(["held", "session_no"], ascending=[False, True])
    return rows["subject"].map(often.groupby("subject")["operator_id"].first())


def _panel(
    courses: pd.DataFrame,
    rows: pd.DataFrame,
    history: _History,
    baseline: FloatArray,
    week: FloatArray,
    years: FloatArray,
) -> Panel:
    import pandas as pd

    subject = rows["subject"].to_numpy(dtype=np.int64)
    number = rows["session_no"].to_numpy(dtype=np.int64)
    final = number == courses["sessions_given"].to_numpy(dtype=np.int64)[subject]
    outcome = courses["outcome"].to_numpy(dtype=object)[subject]
    gap = np.where(number == 1, USUAL_WEEKS, np.diff(week, prepend=0.0))
    log_gap = np.log(np.maximum(gap, 1.0) / USUAL_WEEKS)
    attributes, calendar = baseline[subject], np.column_stack([years, years**2])
    reacted_before = np.where(number == 1, False, np.roll(history.reacted, 1))
    before = _known_fading(history.before, history.gain_before, number - 1)
    after = _known_fading(history.after, history.gain_after, number)
    return Panel(
        subject=subject,
        step=number,
        group=np.where(rows["regime"] == "ps", 1, 0),
        event=final & (outcome == "cleared"),
        # content with less than asked for is an end without the event, like any other stop
        lost=(final & np.isin(outcome, ("stopped", "lightened"))) | rows["leaves"].to_numpy(bool),
        before=np.column_stack([attributes, calendar, log_gap, reacted_before, before]),
        after=np.column_stack([attributes, calendar, log_gap, history.reacted, after]),
        cluster=pd.factorize(courses["client_id"])[0].astype(np.int64),
        names=(*BASELINE, *HISTORY),
        agent=pd.factorize(usual_operator(rows), sort=True)[0].astype(np.int64),
    )


# What a clinic sees in the gradings so far, by row: fading, the last gain, whether it stalled, the
# log of the ink left, and that per session done, the scale on which a slow course looks slow.
def _known_fading(fading: FloatArray, gain: FloatArray, done: IntArray) -> FloatArray:
    stalled = (gain < STALLED) & (fading < NEARLY_CLEAR) & (done >= 2)
    left = np.log1p(-np.minimum(fading, 99.0) / 100)
    pace = left / np.maximum(done, 1)
    return np.column_stack([fading / 100, np.clip(gain, -20, 40) / 100, stalled, left, pace])


def _baseline(courses: pd.DataFrame) -> FloatArray:
    columns = {str(name): courses[name].to_numpy() for name in courses.columns}
    # reach and calendar time are the trial's own business: its courses share both
    none = np.zeros(len(courses))
    found = covariates({**columns, "unreached": none, "years_from_now": none})
    table = np.column_stack([found[name] for name in BASELINE])
    seen = ~np.isnan(table)
    mean = shares(np.where(seen, table, 0).sum(axis=0), seen.sum(axis=0))
    return np.where(seen, table, mean)


@dataclass(frozen=True, slots=True, eq=False)
class _History:
    """Gradings and reactions on the grid of sessions, each of shape (n_rows,)."""

    before: FloatArray
    after: FloatArray
    gain_before: FloatArray
    gain_after: FloatArray
    graded: BoolArray
    reacted: BoolArray


# The last grading stands until the next one; one made after the next session began was not known
# before it and is passed over. Before any grading the fading is 0.
def _history(log: OutcomeLog, rows: pd.DataFrame, place: pd.Series[int]) -> _History:
    import pandas as pd

    n, most = len(place), int(rows["session_no"].max()) + 1
    # by course and session, NaN where there is none; repeats averaged
    grid = np.full((n, most), np.nan)
    graded = log.graded[log.graded["course_id"].isin(place.index)]
    graded = graded[graded["after_session"] < most]
    following = rows[["course_id", "treated_on"]].assign(after_session=rows["session_no"] - 1)
    seen = graded.merge(following, on=["course_id", "after_session"], how="left")
    seen = seen[~(seen["graded_on"] > seen["treated_on"])]
    mean = seen.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    where = place.reindex(mean["course_id"]).to_numpy(dtype=np.int64)
    grid[where, mean["after_session"].to_numpy(dtype=np.int64)] = mean["fading_pct"]
    written = ~np.isnan(grid)
    level = pd.DataFrame(grid).ffill(axis=1).fillna(0.0).to_numpy()
    change = grid - np.hstack([np.full((n, 1), np.nan), level[:, :-1]])
    gain = pd.DataFrame(change).ffill(axis=1).fillna(0.0).to_numpy()
    subject = rows["subject"].to_numpy(dtype=np.int64)
    number = rows["session_no"].to_numpy(dtype=np.int64)
    reacted = np.zeros((n, most), dtype=bool)
    bad = log.reactions[log.reactions["course_id"].isin(place.index)]
    bad = bad[bad["after_session"] < most]
    where = place.reindex(bad["course_id"]).to_numpy(dtype=np.int64)
    reacted[where, bad["after_session"].to_numpy(dtype=np.int64)] = True
    return _History(
        before=level[subject, number - 1],
        after=level[subject, number],
        gain_before=gain[subject, number - 1],
        gain_after=gain[subject, number],
        graded=written[subject, number],
        reacted=reacted[subject, number],
    )
