"""What a session removes: the ink expected after each step, given what was seen before it.

The mean of the ink left after a step is taken as what was left before times exp(sum over the step's
sessions), and the sum as linear in what was fired, in what a clinic may have chosen it by (date,
interval, operator, attributes) and in the course so far: how far it was, how fast, and whether it
had stalled. A regime chosen by what was written down is then as good as drawn by lot (sequential
ignorability; Robins 1986, Math Model 7:1393), whatever law the ink goes by and however unlike
courses are, and errors of a grading, which move what is chosen next, move no answer. Quasi-Poisson
scores, since gradings err by points and not by ratios; errors by clients, each residual over the
root of what its leverage leaves (Kauermann & Carroll 2001, JASA 96:1387). Below it, how many ns
sessions one of ps is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import product
from math import exp, sqrt
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray
from forecast._notes import Note, problem_and_remedy
from forecast.causal.rates import verdict_interval
from forecast.errors import FitError
from forecast.fading.rows import (
    FEWEST_FOR_SPACING,
    FEWEST_GRADINGS,
    FEWEST_IN_GROUP,
    FEWEST_ON_CURVE,
    LEAST_LEFT,
    WIDEST,
    FadingRows,
    history,
)

ALL = "all"  # courses together, whatever their ink
MIDDLE = 0.8  # share of the courses inside the outer band
LONGEST = 40  # sessions of a curve
TOLD = 2.0  # standard errors from which a pace is told from none
MOST_ROUNDS = 50
SETTLED = 1e-8
START = -0.2  # log ratio of the ink by a session, where the search begins
# Standard deviation that each column's effect is held to, of the log ink left, the column being
# scaled to a mean square of one: wide, it only holds what a small log cannot tell apart.
HELD = 0.3


@dataclass(frozen=True, eq=False)
class FadingFit:
    """A fitted fading model."""

    # Of the counts of the rows, by their names, of history, change and graders: logs of the ratio
    # of the ink left after a session to that before.
    coefficients: FloatArray
    influence: FloatArray  # of each client on them, (n_clients, n_coefficients)

    @property
    def covariance(self) -> FloatArray:
        """Of the coefficients, by clients."""
        return self.influence.T @ self.influence


def fit_rows(rows: FadingRows, *, errors: bool = True) -> FadingFit:
    """Return the fitted model, its influence empty without ``errors``.

    Raises FitError if the scores do not come to nought.
    """
    design = np.column_stack([rows.counts, rows.history, rows.changed])
    telling = rows.telling[rows.place]
    at, y = rows.place[telling], rows.seen[telling]
    X = np.hstack([design[at], rows.who[telling]])
    before = np.log(rows.table["left_before"].to_numpy()[at])
    scale = np.maximum(np.sqrt((X**2).mean(axis=0)), 1e-9)
    X = X / scale
    found, first = np.zeros(X.shape[1]), rows.names.index("sessions")
    found[first] = START * scale[first]
    for _ in range(MOST_ROUNDS):
        mean = np.exp(np.clip(before + X @ found, -20, 2))
        spread = float(((y - mean) ** 2).sum() / mean.sum())
        held = np.full(len(found), spread / HELD**2)
        held[first] = 0.0
        information = X.T @ (mean[:, None] * X) + np.diag(held)
        step = np.linalg.solve(information, X.T @ (y - mean) - held * found)
        found = found + step / max(1.0, float(np.abs(X @ step).max()))  # no mean by more than e
        if np.abs(step).max() < SETTLED:
            break
    else:
        raise FitError(*problem_and_remedy("refused.fading_unsettled"))
    if not errors:
        return FadingFit(found / scale, np.empty((0, 0)))
    mean, inverse = np.exp(before + X @ found), np.linalg.inv(information)
    client, root = rows.table["client"].to_numpy(), np.sqrt(mean)
    Z, off = X * root[:, None], (y - mean) / root
    scores = np.zeros((client.max() + 1, len(found)))
    for own in rows.table.iloc[at].groupby("client").indices.values():
        leverage, axes = np.linalg.eigh(Z[own] @ inverse @ Z[own].T)
        kept = np.sqrt(np.maximum(1 - leverage, TINY))
        scores[client[at[own[0]]]] = Z[own].T @ (axes @ (axes.T @ off[own] / kept))
    return FadingFit(found / scale, scores @ inverse / scale)


# Why nothing is said of an interval at a level, or an empty text.
def _reason(ends: FloatArray, level: float) -> str:
    first, last = ends.tolist()
    low, high = verdict_interval(first, last, level)
    return "interval_too_wide" if high - low > 2 * WIDEST else ""


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """What a fitted fading model says of the courses over which it is averaged."""

    rows: FadingRows  # what was fitted to
    fit: FadingFit
    level: float  # of the intervals

    @property
    def reach(self) -> float:
        """Standard errors on either side of an estimate."""
        return NormalDist().inv_cdf((1 + self.level) / 2)

    @property
    def regimes(self) -> tuple[str, ...]:
        """Regimes with their own slope; ``all`` where the log names none."""
        return self.rows.regimes or (ALL,)

    @property
    def groups(self) -> tuple[str, ...]:
        """Ink groups with their own slope, and all courses together, first."""
        return (ALL, *self.rows.groups)

    def slope(self, regime: str, group: str) -> tuple[float, FloatArray]:
        """Return the log ink per session under a regime, and the influence of each client on it.

        Averaged over courses like the group's, each from its first to its last grading, at the
        typical interval, date and operator.
        """
        usual, by_usual = self._mean(group)
        if regime != "ps" or len(self.regimes) < 2:
            return usual, by_usual
        worth, by_worth = self.worth(group)
        return usual * worth, usual * by_worth + worth * by_usual

    def worth(self, group: str) -> tuple[float, FloatArray]:
        """Return how many ns sessions one of ps is worth, in log ink, and the influences on it.

        Over steps by the ink left, which is how the fit weighs what ps adds.
        """
        ns, by_ns = self._mean(group, by_ink=True)
        ps, by_ps = self._mean(group, ps=True, by_ink=True)
        return ps / ns, (by_ps - ps / ns * by_ns) / ns

    # The mean log ink per session over a group, all its sessions ns or all ps, and the influences
    # on it: by the coefficients, and by which courses there are.
    def _mean(
        self, group: str, *, ps: bool = False, by_ink: bool = False
    ) -> tuple[float, FloatArray]:
        rows, table = self.rows, self.rows.table
        inside = rows.telling
        if group != ALL:
            inside = inside & (table["ink_group"] == group).to_numpy()
        sessions = (table["session"] - table["since"]).to_numpy(dtype=np.float64)
        if by_ink:
            left = table["left"].to_numpy()[inside]
            weight = left / (left @ sessions[inside])
        else:
            ids = table["course_id"].to_numpy()[inside]
            _, course = np.unique(ids.astype(str), return_inverse=True)
            weight = 1 / np.bincount(course, sessions[inside])[course] / (course.max() + 1)
        columns = rows.counts.copy()
        for at, name in enumerate(rows.names):
            of, _, kind = name.partition(", ")
            if of == "ps":
                own = (table["ink_group"] == kind).to_numpy() if kind else 1.0
                columns[:, at] = sessions * own if ps else 0.0
            elif name.startswith(("operator ", "log_gap", "years")):
                columns[:, at] = 0.0
        rest = np.zeros((len(sessions), 1 + len(rows.graders)))  # neither changed nor a grader's
        every = np.hstack([columns, self.rows.history, rest])
        each = every[inside] @ self.fit.coefficients
        found = float(weight @ each)
        apart = weight * (each - found * sessions[inside])
        influence = self.fit.influence @ (weight @ every[inside])
        return found, influence + np.bincount(table["client"][inside], apart, len(influence))

    def error(self, influence: FloatArray) -> float:
        """Return the standard error of a value that each client moves so far."""
        return float(np.linalg.norm(influence))

    def had(self, regime: str, group: str) -> FloatArray:
        """Return each course's number of sessions under a regime."""
        courses = self.rows.courses
        if group != ALL:
            courses = courses[courses["ink_group"] == group]
        column = regime if regime in self.rows.regimes else "sessions_given"
        return courses[column].to_numpy(dtype=np.float64)

    def shares(self) -> pd.DataFrame:
        """Return the share of the remaining ink that a session removes, by regime and group."""
        found = []
        for group in self.groups:
            for regime in self.regimes:
                had = int((self.had(regime, group) > 0).sum())
                if had < FEWEST_ON_CURVE or not self._tells(regime, group):
                    continue
                slope, influence = self.slope(regime, group)
                # the slower end first; errors are of the log of the pace, unless no fading at all
                # is as good as possible
                error = self.error(influence)
                ends = slope + self.reach * error * np.array([1.0, -1.0])
                if -slope > TOLD * error:
                    apart = self.reach * error / -slope
                    ends = slope * np.exp([-apart, apart])
                shares = np.clip(-np.expm1([slope, *ends]), -1.0, 1.0)
                reason = _reason(shares[1:], self.level)
                found.append((regime, group, *shares.tolist(), had, reason))
        columns = ["regime", "ink_group", "share", "low", "high", "courses", "reason"]
        return pd.DataFrame(found, columns=columns)

    # Whether the model has a slope of its own for a regime in a group.
    def _tells(self, regime: str, group: str) -> bool:
        if regime != "ps" or group in (ALL, *self.rows.groups[:1]) or "ps" not in self.rows.names:
            return True
        return f"ps, {group}" in self.rows.names

    def differences(self) -> pd.DataFrame:
        """Return the share that a ps session removes less that of an ns session, by ink group."""
        found = []
        for group in self.groups if len(self.regimes) == 2 else ():
            if not self._tells("ps", group):
                continue
            (ns, by_ns), (ps, by_ps) = (self.slope(regime, group) for regime in ("ns", "ps"))
            gap = exp(ns) - exp(ps)
            error = self.error(exp(ns) * by_ns - exp(ps) * by_ps)
            ends = np.clip(gap + self.reach * error * np.array([-1.0, 1.0]), -1.0, 1.0)
            found.append((group, gap, *ends.tolist(), _reason(ends, self.level)))
        return pd.DataFrame(found, columns=["ink_group", "difference", "low", "high", "reason"])

    def curves(self) -> pd.DataFrame:
        """Return the percent faded of the middle course by session, with its bands.

        A curve ends where fewer than 5 courses had so many sessions under the regime.
        """
        found: list[tuple[Any, ...]] = []
        sessions, inner = np.arange(1, LONGEST + 1), (1 - MIDDLE) / 2
        both = self.regimes[0], self.regimes[-1]
        for group, regime in product(self.groups, self.regimes):
            if not self._tells(regime, group):
                continue
            log_left, ps = self._paths(group)
            had = self.had(regime, group)
            # what a ps session adds to the log ink: nothing where there is one regime
            (first, by_first), (last, by_last) = (self.slope(one, group) for one in both)
            error = self.error(by_last - by_first)
            lacking = (sessions if regime == "ps" else 0) - ps  # ps sessions, (n_courses, LONGEST)
            moved = np.minimum(log_left + (last - first) * lacking, 0.0)
            # the middle lies between order statistics (Woodruff 1952, JASA 47:635)
            near = min(self.reach / (2 * sqrt(len(moved))), 0.5)
            at = [1 - inner, 0.5 + near, 0.5, 0.5 - near, inner]
            slow, low, middle, high, quick = np.quantile(moved, at, axis=0)
            by_ps = self.reach * error * lacking.mean(axis=0)
            low = middle + np.hypot(low - middle, by_ps)
            high = middle - np.hypot(high - middle, by_ps)
            lines = np.minimum([middle, low, high, slow, quick], 0.0)
            faded = -100 * np.expm1(np.minimum.accumulate(lines, axis=1))
            found.append((regime, group, 0, *[0.0] * len(faded), len(had)))
            for session, at in enumerate(faded.T.tolist(), start=1):
                courses = int((had >= session).sum())
                if courses < FEWEST_ON_CURVE:
                    break
                found.append((regime, group, session, *at, courses))
        bands = ["faded", "low", "high", "middle_low", "middle_high"]
        columns = ["regime", "ink_group", "session", *bands, "courses"]
        return pd.DataFrame(found, columns=columns)

    # Each course's log ink left and ps sessions after 1 to LONGEST sessions: between its gradings
    # even, after the last along the clinic's curve, with ps as often as before.
    def _paths(self, group: str) -> tuple[FloatArray, FloatArray]:
        table = self.rows.table
        part = table if group == ALL else table[table["ink_group"] == group]
        session = part["session"].to_numpy(dtype=np.float64)
        ps = part["ps"].to_numpy(dtype=np.float64) if "ps" in part else np.zeros(len(part))
        level = np.log(np.maximum(part["left"].to_numpy(), LEAST_LEFT))
        sessions, bends, paths = np.arange(1.0, LONGEST + 1), _bends(table), []
        curve, ends = _along(sessions, bends), _along(session, bends)
        for own in part.groupby("course_id").indices.values():
            at, last = np.append(0.0, session[own]), own[-1]
            on = (level, curve / ends[last]), (ps, sessions / session[last])
            paths.append(
                [
                    np.interp(sessions, at, np.append(0, of[own])) * np.maximum(beyond, 1.0)
                    for of, beyond in on
                ]
            )
        both = np.array(paths)
        return both[:, 0], both[:, 1]


@dataclass(frozen=True, slots=True)
class Spacing:
    """Two intervals of the log compared, over a course from untreated to the log's threshold."""

    weeks: tuple[float, float]  # the shorter and the longer: about the quarter points of the log
    sessions: tuple[float, float]  # to the threshold of a typical course at each
    difference: float  # sessions at the longer interval less those at the shorter
    interval: tuple[float, float]
    weeks_difference: float  # weeks from the first to the last session, likewise
    weeks_interval: tuple[float, float]
    level: float

    @property
    def answer(self) -> Note:
        """Whether longer intervals go with fewer sessions, in words."""
        short, long = self.weeks
        ends = {"sessions": self.interval, "weeks": self.weeks_interval}
        said = {what: self._clear(one, what) for what, one in ends.items()}
        return Note("fading.spacing", "info", {"long": long, "short": short, **said})

    def _clear(self, interval: tuple[float, float], what: str) -> str:
        low, high = verdict_interval(*interval, self.level)
        return f"fewer_{what}" if high < 0 else f"more_{what}" if low > 0 else f"unclear_{what}"

    @property
    def caution(self) -> Note:
        """Why that need not be what longer intervals do."""
        return Note("fading.spacing_chosen", "caution")

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values, the answer and the caution as sentences."""
        in_weeks = {"estimate": self.weeks_difference, "interval": list(self.weeks_interval)}
        return {
            "weeks": list(self.weeks),
            "sessions": list(self.sessions),
            "difference": {"estimate": self.difference, "interval": list(self.interval)},
            "weeks_difference": in_weeks,
            "level": self.level,
            "answer": str(self.answer),
            "caution": str(self.caution),
            "note_codes": [self.answer.to_dict(), self.caution.to_dict()],
        }


def spacing_of(slopes: Slopes) -> Spacing | None:
    """Return the comparison of a log's shorter and longer intervals, or None if all are alike.

    The fall of log ink per session goes with the log of the weeks since the session before;
    sessions are the log of the ink at the threshold over that fall. Errors by the delta method.
    """
    rows = slopes.rows
    if "log_gap" not in rows.names or len(rows.courses) < FEWEST_FOR_SPACING:
        return None
    short, long = (float(np.round(q)) for q in np.quantile(rows.gap_weeks, [0.25, 0.75]))
    if not 1 <= short < long:
        return None
    had = np.array([slopes.had(regime, ALL).sum() for regime in slopes.regimes])
    each, by_each = zip(*(slopes.slope(regime, ALL) for regime in slopes.regimes), strict=True)
    mix = had / had.sum()  # of the log's regimes
    slope, by_slope = float(mix @ np.array(each)), mix @ np.array(by_each)
    column = rows.names.index("log_gap")
    gap, by_gap = float(slopes.fit.coefficients[column]), slopes.fit.influence[:, column]
    ahead = -np.log(max(1 - rows.cleared_at / 100, LEAST_LEFT))
    lengths = np.array([short, long])
    away = np.log(lengths / rows.mean_gap_weeks)
    falls = -slope - away * gap
    if (falls <= 0).any():
        return None
    sessions = ahead / falls
    by = (sessions / falls)[:, None] * (by_slope + away[:, None] * by_gap)
    in_sessions = _gap(slopes, sessions, by)
    in_weeks = _gap(slopes, (sessions - 1) * lengths, by * lengths[:, None])
    both = float(sessions[0]), float(sessions[1])
    return Spacing((short, long), both, *in_sessions, *in_weeks, slopes.level)


# The second value less the first, and its interval.
def _gap(slopes: Slopes, values: FloatArray, by: FloatArray) -> tuple[float, tuple[float, float]]:
    gap, error = float(values[1] - values[0]), slopes.reach * slopes.error(by[1] - by[0])
    return gap, (gap - error, gap + error)


# Given what was seen before a step, a course of ps is behind one of ns that looks like it: it came
# as far with the help of ps. So the model of the steps counts sessions as a course of ns would have
# had to have them, a ps session as so many as it is worth, and the worth is that beyond which ps
# adds nothing (a structural nested model; Robins 1992, Biometrika 79:321). Sessions are counted
# along the clinic's own curve of fading, which bends: twice as many do not remove twice the log of
# the ink. All in ns sessions.
WORTH_SETTLED = 1e-3  # a hundredth of the error of a large log
NUDGE = 0.1  # to see how steps and their score move; wide, as the curve bends where steps begin
WORTH = 0.4, 2.5  # beyond, no log of one clinic could tell
BENDS = 0.3, 2.5  # powers; 1 takes the same share of the ink each time, less takes less and less
EARLY = 2  # sessions to which the early bend holds
TINY = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Worth:
    """What a ps session is worth."""

    rows: FadingRows  # what was fitted to
    sessions: float  # of ns, that one of ps is worth
    error: float
    bends: tuple[float, float]  # powers of the sessions by which log ink goes, at first and later

    def saved(self, plans: Sequence[Sequence[int]], horizon: int) -> tuple[float, float]:
        """Return mean sessions under the first plan less those under the second, and its error.

        Sessions to the log's threshold, up to ``horizon``, of all courses as they were graded; a
        plan has 1 for ps and 0 for ns, its last going on.
        """
        held = [np.array([*plan, *[plan[-1]] * horizon][:horizon]) for plan in plans]

        # Parts of sessions count as such: rounded up, the many courses that just cleared at a
        # session would need one more as soon as ps is worth a trifle less.
        def difference(worth: float) -> float:
            needed, means = self._needed(worth), []
            for plan in held:
                done = np.append(0.0, np.cumsum(np.where(plan == 1, worth, 1.0)))
                taken = np.interp(needed, done, np.arange(horizon + 1))
                means.append(np.minimum(taken + 0.5, horizon).mean())
            return float(means[0] - means[1])

        low, high = np.clip(self.sessions + self.error * np.array([-1, 1]), *WORTH)
        return difference(self.sessions), abs(difference(high) - difference(low)) / 2

    # ns sessions to the threshold, by course: between its gradings log ink is even, after the last
    # it goes on along the clinic's curve.
    def _needed(self, worth: float) -> FloatArray:
        table = self.rows.table
        threshold = np.log(max(1 - self.rows.cleared_at / 100, LEAST_LEFT)) + TINY
        _, ends = _times(table, worth)
        found = []
        level = np.log(np.maximum(table["left"].to_numpy(), LEAST_LEFT))
        for own in table.groupby("course_id").indices.values():
            at, log_left = np.append(0.0, ends[own]), np.append(0.0, level[own])
            if log_left.min() <= threshold:
                last = int(np.argmax(log_left <= threshold))
                part = (threshold - log_left[last - 1]) / (log_left[last] - log_left[last - 1])
                found.append(at[last - 1] + part * (at[last] - at[last - 1]))
            elif log_left[-1] < 0:
                found.append(at[-1] * (threshold / log_left[-1]) ** (1 / self.bends[1]))
            else:
                found.append(np.inf)
        return np.array(found)


def fit_worth(rows: FadingRows) -> Worth:
    """Return what a ps session is worth, of rows with both regimes.

    Raises FitError if it is not between 0.4 and 2.5 ns sessions.

    Examples
    --------
    >>> from forecast.fading import fading_rows
    >>> found = fit_worth(fading_rows(log))
    >>> round(found.sessions, 1), round(found.error, 1)  # one of ps does the work of as many of ns
    (1.1, 0.1)
    """
    from scipy.optimize import brentq

    table, bends = rows.table, _bends(rows.table)
    own = np.array([name.startswith(("log_gap", "years", "operator ")) for name in rows.names])
    kept = [at for at, name in enumerate(rows.names) if name.partition(",")[0] != "ps"]
    names = ("worth", *(rows.names[at] for at in kept))

    # The rows as those of a clinic of ns only, whose sessions are counted along its curve of
    # fading, with what ps adds to a session beyond that worth, as the log of the ink left, first.
    def beyond(worth: float, *, errors: bool = False) -> FadingFit:
        down, now, up = (_times(table, worth + way * NUDGE, bends) for way in (-1, 0, 1))
        (begins, ends), moved = now, (up[1] - up[0]) - (down[1] - down[0])
        scale = (ends - begins) / (table["session"] - table["since"]).to_numpy()
        counts = rows.counts * np.where(own, 1.0, scale[:, None])
        counts = np.column_stack([moved / (2 * NUDGE), counts[:, kept]])
        known = history(table, begins, ends)
        return fit_rows(replace(rows, counts=counts, names=names, history=known), errors=errors)

    @cache  # the search asks for its ends again
    def gain(worth: float) -> float:
        return float(beyond(worth).coefficients[0])

    if gain(WORTH[0]) < 0 < gain(WORTH[1]):
        worth = float(brentq(gain, *WORTH, xtol=WORTH_SETTLED))
        slope = (gain(worth + NUDGE) - gain(worth - NUDGE)) / (2 * NUDGE)
        if slope > 0:
            error = float(beyond(worth, errors=True).covariance[0, 0]) ** 0.5
            return Worth(rows, worth, error / slope, bends)
    raise FitError(*problem_and_remedy("refused.no_worth"))


# ns sessions that the sessions of a course were worth when each step began and when it ended, and
# along a curve of fading.
def _times(
    table: pd.DataFrame, worth: float, bends: tuple[float, float] = (1.0, 1.0)
) -> tuple[FloatArray, FloatArray]:
    had = table.groupby("course_id")["ps"].shift(fill_value=0.0)
    both = table["since"] + (worth - 1) * had, table["session"] + (worth - 1) * table["ps"]
    begins, ends = (_along(one.to_numpy(dtype=np.float64), bends) for one in both)
    return begins, ends


def _along(at: FloatArray, bends: tuple[float, float]) -> FloatArray:
    early, late = bends
    late_on = EARLY**early * (np.maximum(at, EARLY) / EARLY) ** late
    return np.asarray(np.where(at <= EARLY, at**early, late_on), dtype=np.float64)


# The early bend from the mean ink after one and two sessions, since nothing is known before the
# first; the later one from what is left of a course, given what was left of it before.
def _bends(table: pd.DataFrame) -> tuple[float, float]:
    second = table[(table["since"] == 1) & (table["session"] == 2)]
    one, two = second["left_before"].mean(), second["left"].mean()
    early = late = 1.0
    if len(second) >= FEWEST_IN_GROUP and two < one < 1:
        early = float(np.clip(np.log2(np.log(two) / np.log(one)), *BENDS))
    told = table["left_before"].between(2 * LEAST_LEFT, 1 - LEAST_LEFT)
    rest = table[told & (table["since"] > EARLY)]
    if len(rest) >= FEWEST_GRADINGS:
        ratio = (rest["session"] / rest["since"]).to_numpy(dtype=np.float64)
        before, left = np.log(rest["left_before"].to_numpy()), rest["left"].to_numpy()
        tried = np.linspace(*BENDS, 97)
        off = [((left - np.exp(before * ratio**bend)) ** 2).sum() for bend in tried]
        late = float(tried[np.argmin(off)])
    return early, late
