"""The trial that the log stands in for: its rows, and the halves of split tattoos, in pairs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray, cluster_counts, shares
from forecast._checks import SHOWN_AT, YEAR
from forecast._notes import Note, Sentence, notes_as_json, problem_and_remedy, sentence
from forecast._plain import fields_of, plain
from forecast.causal import Panel, life_sums, restricted_mean
from forecast.causal.rates import PairedDifference, paired_difference, share_at_every_look
from forecast.counts import BASELINE, covariates, eligible, split_halves
from forecast.errors import DataError
from forecast.fading import split_fading
from forecast.log import OutcomeLog
from forecast.regimes.verdict import (
    LEAST_AT_RISK,
    LEAST_CLIENTS,
    LEAST_PAIRS,
    Contrast,
    Settings,
    reasons_for,
)
from forecast.tattoo import ink_group

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


CURVE_COLUMNS = ("strategy", "group", "session", "at_risk", "survival", "low", "high")
STALLED = 5.0  # percentage points gained between the last two gradings
NEARLY_CLEAR = 90.0
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
    operator: AnyArray  # (n,), who treated; None where not recorded
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
    if not len(courses):
        return None
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
    since_first = rows["treated_on"] - rows.groupby("subject")["treated_on"].transform("min")
    rows["week"] = since_first.dt.days / 7
    rows["year"] = (rows["treated_on"] - pd.Timestamp(window[0])).dt.days / YEAR
    known, baseline = _known(log, rows, place), _baseline(courses)
    left, left_after = (
        np.log(np.maximum(100 - known[name], FLOOR) / 100) for name in ("before", "after")
    )
    return Trial(
        panel=_panel(courses, rows, known, baseline),
        courses=courses.assign(ink_group=courses["inks"].map(ink_group)),
        week=rows["week"].to_numpy(),
        operator=rows["operator_id"].to_numpy(dtype=object),
        baseline=baseline,
        ink_left=left,
        ink_left_after=left_after,
        graded=known["graded"],
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
    courses: pd.DataFrame, rows: pd.DataFrame, known: dict[str, AnyArray], baseline: FloatArray
) -> Panel:
    subject, number = (rows[name].to_numpy(dtype=np.int64) for name in ("subject", "session_no"))
    week, year = (rows[name].to_numpy(dtype=np.float64) for name in ("week", "year"))
    final = number == courses["sessions_given"].to_numpy(dtype=np.int64)[subject]
    outcome = courses["outcome"].to_numpy(dtype=object)[subject]
    gap = np.where(number == 1, USUAL_WEEKS, np.diff(week, prepend=0.0))
    log_gap = np.log(np.maximum(gap, 1.0) / USUAL_WEEKS)
    always = np.column_stack([baseline[subject], year, year**2, log_gap])
    reacted_before = np.where(number == 1, False, np.roll(known["reacted"], 1))
    before = _known_fading(known["before"], known["gain_before"], number - 1)
    after = _known_fading(known["after"], known["gain_after"], number)
    return Panel(
        subject=subject,
        step=number,
        group=np.where(rows["regime"] == "ps", 1, 0),
        event=final & (outcome == "cleared"),
        # content with less than asked for is an end without the event, like any other stop
        lost=(final & np.isin(outcome, ("stopped", "lightened"))) | rows["leaves"].to_numpy(bool),
        before=np.column_stack([always, reacted_before, before]),
        after=np.column_stack([always, known["reacted"], after]),
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


# Gradings and reactions by row. The last grading stands until the next one; one made after the next
# session began was not known before it and is passed over. Before any grading the fading is 0.
def _known(log: OutcomeLog, rows: pd.DataFrame, place: pd.Series[int]) -> dict[str, AnyArray]:
    n, most = len(place), int(rows["session_no"].max()) + 1
    graded, bad = (
        one[one["course_id"].isin(place.index) & (one["after_session"] < most)]
        for one in (log.graded, log.reactions)
    )
    following = rows[["course_id", "treated_on"]].assign(after_session=rows["session_no"] - 1)
    seen = graded.merge(following, on=["course_id", "after_session"], how="left")
    seen = seen[~(seen["graded_on"] > seen["treated_on"])]
    mean = seen.groupby(["course_id", "after_session"])["fading_pct"].mean().reset_index()
    # by course and session, NaN where there is none; repeats averaged
    grid, reacted = np.full((n, most), np.nan), np.zeros((n, most), dtype=bool)
    whose = mean["course_id"].map(place).astype(int)
    grid[whose, mean["after_session"].astype(int)] = mean["fading_pct"]
    whose = bad["course_id"].map(place).astype(int)
    reacted[whose, bad["after_session"].astype(int)] = True
    level = pd.DataFrame(grid).ffill(axis=1).fillna(0.0).to_numpy()
    change = grid - np.hstack([np.full((n, 1), np.nan), level[:, :-1]])
    gain = pd.DataFrame(change).ffill(axis=1).fillna(0.0).to_numpy()
    subject, number = (rows[name].to_numpy(dtype=np.int64) for name in ("subject", "session_no"))
    return {
        "before": level[subject, number - 1],
        "after": level[subject, number],
        "gain_before": gain[subject, number - 1],
        "gain_after": gain[subject, number],
        "graded": ~np.isnan(grid[subject, number]),
        "reacted": reacted[subject, number],
    }


@dataclass(frozen=True, slots=True, eq=False)
class SplitTrial:
    """The paired analysis of halves, ps minus ns."""

    n_pairs: int  # tattoos with one half always ns and the other always ps
    n_clients: int  # whose they are
    # Mean sessions up to the horizon, halves of stopped tattoos censored; clients resampled.
    difference: Contrast
    means: Mapping[str, Contrast]  # mean sessions up to the horizon under each, where it has one
    curves: pd.DataFrame  # as of `RegimeComparison`, up to ``supported_to``
    at_risk: pd.DataFrame  # index session; a column per regime: halves not yet cleared or stopped
    cleared_at: pd.DataFrame  # as ``at_risk``: halves that were cleared at each session
    ends: Mapping[str, int]  # halves cleared, stopped, ongoing
    horizon: int  # of the mean: as asked, or, where none was, ``supported_to``
    supported_to: int  # last session with enough halves at risk under both
    # By 5, 10, 15 sessions: pairs in which only the ps half (``ps_only``), or only the ns half
    # (``ns_only``), was cleared, and the exact ``p_value`` of McNemar's test; pairs in which one
    # half was not watched that long are left out.
    cleared_by: Mapping[int, Mapping[str, float]]
    # Over pairs in which both halves were cleared: a narrower question, shown beside.
    sessions: PairedDifference | None
    fading: PairedDifference | None  # in the share of the remaining ink removed per session
    # Pairs in which the ps half, and in which the ns half, was cleared while the other was not.
    first_cleared: tuple[int, int]
    # The share of them that were ps halves, 95 % and exact at every look together, if the regime of
    # each half was drawn by lot: at 0.5 there is no difference.
    share_first: tuple[float, float]
    reasons: tuple[str, ...]  # what keeps a verdict on it back, see `reasons_for`
    course_ids: frozenset[str]  # of the halves
    notes: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        names = ("n_pairs", "difference", "cleared_by", "sessions", "fading", "first_cleared",
                 "share_first", "reasons")  # fmt: skip
        every = fields_of(self)
        for name in ("sessions", "fading"):
            if (one := every[name]) is not None:
                said = {"n": one.n_pairs, "estimate": one.estimate, "interval": one.interval}
                every[name] = said
        return {**plain({name: every[name] for name in names}), **notes_as_json(self.notes)}


def analyse_split(log: OutcomeLog, settings: Settings) -> SplitTrial | None:
    """Return the paired analysis, or None if the log holds no pair of halves."""
    if not len(log.sessions):
        return None
    pairs = split_halves(log)
    if not len(pairs):
        return None
    given = pairs[["sessions_given_ps", "sessions_given_ns"]].to_numpy(dtype=np.int64)
    cleared = pairs[["cleared_ps", "cleared_ns"]].to_numpy(dtype=bool)
    client, notes = pd.factorize(pairs["client_id"])[0], []
    halves = frozenset([*pairs["course_id_ps"], *pairs["course_id_ns"]])
    n_clients = int(client.max()) + 1
    draws = cluster_counts(n_clients, settings.replicates, seed=settings.seed)[:, client]
    # the last session, up to the horizon, with enough halves at risk under both
    sessions = pd.RangeIndex(1, settings.horizon + 1, name="session")
    at_risk = (given >= sessions.to_numpy()[:, None, None]).sum(axis=1)
    done = (cleared & (given <= settings.horizon)).all(axis=0)
    thin = np.flatnonzero(~((at_risk >= LEAST_AT_RISK) | done).all(axis=1))
    support = int(thin[0]) if thin.size else settings.horizon
    horizon = max(2, support) if settings.auto else settings.horizon
    tables, means = _tables(given, cleared, draws, settings.horizon), {}
    if support >= horizon and len(pairs) >= LEAST_PAIRS:
        ps, ns = (
            restricted_mean(risk[:, :horizon], events[:, :horizon])[0]
            for risk, events in tables.values()
        )
        difference = settings.drawn(ps - ns)
        means = {"ps": settings.drawn(ps), "ns": settings.drawn(ns)}
    else:
        difference = Contrast.missing(settings.level)
        values = {"pairs": len(pairs), "reach": support, "horizon": horizon}
        needed = {"least": LEAST_PAIRS, "at_risk": LEAST_AT_RISK}
        notes.append(Note("regimes.few_pairs", "serious", {**values, **needed}))
    both, graded = given[cleared.all(axis=1)], split_fading(log, level=settings.level)
    ps_first, ns_first = _first_cleared(given, cleared)
    share = share_at_every_look(ps_first, ps_first + ns_first, level=0.95)
    lacking = ["too_few_clients"] if n_clients < LEAST_CLIENTS else []
    unsettled = share[0] <= 0.5 <= share[1] and not difference.within(settings.margin)
    if settings.looking_again and unsettled:
        lacking.append("not_at_every_look")
    return SplitTrial(
        n_pairs=len(pairs),
        n_clients=n_clients,
        difference=difference,
        means=means,
        curves=_curves(tables, support, settings.level),
        at_risk=pd.DataFrame(at_risk, sessions, list(tables)),
        cleared_at=pd.DataFrame({name: one[1][0] for name, one in tables.items()}, sessions),
        ends=Counter(log.courses["outcome"][log.courses["course_id"].isin(halves)]),
        horizon=horizon,
        supported_to=support,
        cleared_by=_cleared_by(given, cleared, horizon),
        sessions=paired_difference(*both.T, level=settings.level) if len(both) > 1 else None,
        first_cleared=(ps_first, ns_first),
        share_first=share,
        fading=None if graded is None else graded.share,
        reasons=reasons_for(difference, settings.margin, lacking, few="too_few_pairs"),
        course_ids=halves,
        notes=tuple(notes),
    )


# One half was cleared while the other was not, whatever became of that one: the ps half, the ns.
def _first_cleared(given: IntArray, cleared: BoolArray) -> tuple[int, int]:
    later = np.where(cleared, given, given.max() + 1)[:, ::-1]
    ps, ns = (cleared & (given < later) & (given <= given[:, ::-1])).sum(axis=0)
    return int(ps), int(ns)


# Life tables of the halves, of each pair once and over the draws.
def _tables(
    given: IntArray, cleared: BoolArray, draws: IntArray, last: int
) -> dict[str, tuple[FloatArray, FloatArray]]:
    each, start = np.vstack([np.ones(len(given)), draws]), np.zeros(len(given), dtype=np.int64)
    return {
        name: life_sums(given[:, at], cleared[:, at], start, each, last)
        for at, name in enumerate(("ps", "ns"))
    }


def _curves(
    tables: Mapping[str, tuple[FloatArray, FloatArray]], last: int, level: float
) -> pd.DataFrame:
    parts = []
    for name, (risk, events) in tables.items():
        survival = np.cumprod(1 - shares(events, risk), axis=-1)[:, :last]
        parts.append(one_curve(name, "all", risk[0, :last].astype(np.int64), survival, level))
    return pd.concat(parts, ignore_index=True)


def one_curve(
    name: str, group: str, at_risk: IntArray, survival: AnyArray, level: float
) -> pd.DataFrame:
    """Return a strategy's curve with its band, from its ``survival`` and that of resamples."""
    low, high = np.quantile(survival[1:], [(1 - level) / 2, (1 + level) / 2], axis=0)
    sessions = np.arange(1, len(at_risk) + 1)
    columns = (name, group, sessions, at_risk, survival[0], low, high)
    return pd.DataFrame(dict(zip(CURVE_COLUMNS, columns, strict=True)))


def _cleared_by(given: IntArray, cleared: BoolArray, horizon: int) -> dict[int, dict[str, float]]:
    from scipy.stats import binomtest

    tests = {}
    for n in SHOWN_AT:
        known = (cleared | (given >= n)).all(axis=1)
        by_n = cleared & (given <= n)
        ps, ns = (int((known & by_n[:, a] & ~by_n[:, 1 - a]).sum()) for a in (0, 1))
        if n <= horizon and known.any():
            p_value = float(binomtest(ps, ps + ns).pvalue) if ps + ns else 1.0
            tests[n] = {"ps_only": ps, "ns_only": ns, "p_value": p_value}
    return tests
