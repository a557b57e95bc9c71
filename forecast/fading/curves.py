"""The fit of the fading model, in which everything multiplies a course's own pace.

The log of the ink left is taken as start + pace x effective sessions: an attribute makes a session
of a course count as ``exp(effect)`` sessions, ps and a longer interval likewise. The pace varies by
course in proportion to what is usual for its attributes, and so does what chance adds in a session.
Given the effects that is a linear mixed model; their own scores, those of the likelihood with the
clock of chance held, tell where they are to go (Newton steps), until they stay. Added to all paces
alike, the effect of ps would be that of slow courses, which have the most sessions and are changed
to ps most often; with one spread of paces for quick and slow inks, ps looked too slow among the
slow ones.

Two things keep late gradings of a course from saying more of its pace than they know: what chance
does in a session stays (the path wanders), and some courses level off with ink left that no laser
takes. Slow late sessions are where ps is used most, so that both would else be laid at its door.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import exp, sqrt
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._types import FloatArray
from forecast.causal.mixed import BoundedMixed, FittedBoundedMixed

if TYPE_CHECKING:
    import pandas as pd

    from forecast.causal.mixed import Guess
    from forecast.fading.rows import FadingRows

REMNANTS = (0.005, 0.01, 0.02, 0.03)  # shares of ink that never go, tried in turn
LARGEST = 0.6  # of the ink at the threshold: a remnant beyond that would let nothing clear
WORTHWHILE = 1.92  # rise of the log-likelihood: half the 95 % point of chi-squared on one degree
MOST_ROUNDS = 15
ASYMPTOTES = (0.1, 0.2, 0.35, 0.6, 0.9)  # shares of its ink at which a course may level off
SETTLED = 0.05  # change of an effect, in its standard errors
LARGEST_STEP = 0.5
PULLS = 0.25, 1.5  # least and most of a step that is taken
MOST_APART = 3.0  # log of the pace of a course over the usual one
LEAST_WORTH = 0.05  # ns sessions that a session counts as, whatever its interval and operator


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """The columns of the mixed model when the effects that multiply are given.

    Attributes
    ----------
    linear, multiplying : ndarray of int
        Which of the rows' names the design holds, and which stretch it.
    design : ndarray of shape (n, p)
        The start, effective sessions, graders.
    random : ndarray of shape (n, 2)
        What varies by course: the start and the pace, so in proportion to what is usual.
    stretch : ndarray of shape (n, m)
        Change of the effective sessions with each effect.
    clock : ndarray of shape (n,)
        By which chance adds up: in a session of a quick course it moves more ink.
    """

    linear: npt.NDArray[np.int64]
    multiplying: npt.NDArray[np.int64]
    design: FloatArray
    random: FloatArray
    stretch: FloatArray
    clock: FloatArray

    @property
    def order(self) -> npt.NDArray[np.int64]:
        """Which of the rows' names each parameter of the model is."""
        return np.concatenate([self.linear, self.multiplying])


@dataclass(frozen=True, eq=False)
class FadingFit:
    """A fitted fading model.

    Attributes
    ----------
    fitted : FittedBoundedMixed
        The model at the last effects.
    coefficients : ndarray of shape (p,)
        Of the columns by name: the start, the usual pace, graders; all others are logs of ratios
        of paces (operators, dates and the interval to first order: ratios less one).
    columns : Columns
        At the last effects.
    remnant : float
        Share of the ink taken never to go.
    loglik : float
        Of the gradings, comparable between remnants.
    settled : bool
        Whether the effects stayed.
    """

    fitted: FittedBoundedMixed
    coefficients: FloatArray
    columns: Columns
    remnant: float
    loglik: float
    settled: bool

    @cached_property
    def covariance(self) -> FloatArray:
        """Of the coefficients, (p, p), clients' scores being independent."""
        order = self.columns.order
        found = np.empty((len(order), len(order)))
        found[np.ix_(order, order)] = self.fitted.robust_covariance
        return found

    @property
    def wander(self) -> float:
        """Variance per session at the usual pace that chance adds to the log of the ink left."""
        return self.fitted.process_variance

    @property
    def levelled(self) -> Mapping[str, float]:
        """Chance that a course levels off with ink left, by ``course_id``."""
        found = self.fitted.asymptote_chance.tolist()
        return dict(zip(map(str, self.fitted.model.subjects), found, strict=True))


def columns_at(rows: FadingRows, effects: FloatArray) -> Columns:
    """Return the columns of the model at given effects.

    Parameters
    ----------
    effects : ndarray of shape (m,)
        Log ratios of paces of the multiplying columns.
    """
    sessions, ps = rows.sums[:, 1], rows.ps_sessions
    course, regime, longer = (np.zeros(len(rows.sums)) for _ in range(3))
    for at, effect in zip(rows.multiplying, effects, strict=True):
        if rows.of_course(rows.names[at]):
            course = course + effect * rows.sums[:, at] / sessions
        elif rows.names[at].startswith("ps"):
            regime = regime + effect * (rows.sums[:, at] > 0)
        else:
            longer = longer + effect * rows.sums[:, at]
    times = np.exp(np.clip(course, -MOST_APART, MOST_APART))
    worth = sessions + np.expm1(regime) * ps + longer
    effective = times * np.maximum(worth, LEAST_WORTH * sessions)
    stretch = times[:, None] * rows.sums[:, rows.multiplying]
    for place, at in enumerate(rows.multiplying):
        if rows.of_course(rows.names[at]):
            stretch[:, place] = effective * rows.sums[:, at] / sessions
        elif rows.names[at].startswith("ps"):
            stretch[:, place] *= np.exp(regime)
    linear = np.setdiff1d(np.arange(len(rows.names)), rows.multiplying)
    design = rows.sums[:, linear]
    design[:, 1] = effective
    random = np.column_stack([np.ones(len(design)), effective])
    return Columns(linear, rows.multiplying, design, random, stretch, clock=sessions * times**2)


def fit_rows(
    rows: FadingRows, *, remnant: float = 0.0, start: FadingFit | None = None
) -> FadingFit:
    """Return the model when a share of the ink never goes, searched from another fit if given."""
    low, high, jacobian = rows.bounds(remnant)
    places = rows.multiplying
    effects = np.zeros(len(places)) if start is None else start.coefficients[places]
    guess = None if start is None else start.fitted.guess
    rounds, moving, pull, before = 0, True, 1.0, np.zeros(0)
    while moving and rounds < MOST_ROUNDS:
        rounds += 1
        columns = columns_at(rows, effects)
        fitted = fit_columns(rows, columns, low, high, guess)
        guess = fitted.guess
        far = fitted.step / fitted.step_errors
        moving = not (np.abs(far) <= SETTLED).all()
        if moving:
            pull = relaxed(pull, before, far)
            effects = effects + pull * np.clip(fitted.step, -LARGEST_STEP, LARGEST_STEP)
            before = far
    coefficients = np.empty(len(rows.names))
    coefficients[columns.order] = np.concatenate([fitted.coefficients, effects])
    return FadingFit(
        fitted=fitted,
        coefficients=coefficients,
        columns=columns,
        remnant=remnant,
        loglik=fitted.loglik + jacobian,
        settled=fitted.model.converged and not moving,
    )


def fit_columns(
    rows: FadingRows, columns: Columns, low: FloatArray, high: FloatArray, start: Guess | None
) -> FittedBoundedMixed:
    """Return the mixed model at given effects."""
    return BoundedMixed(random_walk=True, asymptotes=ASYMPTOTES).fit(
        columns.design,
        low,
        high,
        rows.table["course_id"],
        random=columns.random,
        cluster=rows.table["client_id"].to_numpy(),
        clock=columns.clock,
        multiplicative=columns.stretch,
        names=tuple(rows.names[at] for at in columns.order),
        start=start,
    )


def relaxed(pull: float, before: FloatArray, far: FloatArray) -> float:
    """Return how much of the next step to take, from what the last one did to what is left.

    Steps that overshoot are shortened, steps that fall short lengthened (Aitken's relaxation; see
    Irons & Tuck 1969, Int J Numer Methods Eng 1:275).
    """
    if not len(before):
        return pull
    change = far - before
    found = -pull * float(before @ change) / max(float(change @ change), 1e-12)
    return float(np.clip(found, *PULLS))


def fit_with_remnant(rows: FadingRows) -> tuple[FadingFit, Mapping[float, float]]:
    """Return the model under the remnant that fits best, and log-likelihoods by remnant.

    A remnant is taken only where it fits clearly better than none; the search ends at the first
    that fits worse.
    """
    best, needed = fit_rows(rows), WORTHWHILE
    gains = {0.0: best.loglik}
    for remnant in REMNANTS:
        if remnant > LARGEST * (1 - rows.cleared_at / 100):
            break
        tried = fit_rows(rows, remnant=remnant, start=best)
        gains[remnant] = tried.loglik
        if tried.loglik <= best.loglik + needed:
            break
        best, needed = tried, 0.0
    return best, gains


ALL = "all"
LEAST_COURSES = 5  # with that many sessions, for a curve to go on
MIDDLE = 0.8  # share of the courses inside the outer band
LONGEST = 40
TOLD = 2.0  # standard errors from which a pace is told from none
HALVINGS = 50
TINY = 1e-12


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """The fitted model and the mix of courses over which it is averaged.

    Attributes
    ----------
    rows : FadingRows
    fit : FadingFit
    level : float
        Of intervals.
    """

    rows: FadingRows
    fit: FadingFit
    level: float

    @property
    def remnant(self) -> float:
        """Share of the ink taken never to go."""
        return self.fit.remnant

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

    def members(self, group: str) -> npt.NDArray[np.bool_]:
        """Return which courses belong to a group."""
        if group == ALL:
            return np.ones(len(self.rows.courses), dtype=bool)
        return np.asarray(self.rows.courses["ink_group"] == group)

    def slope(self, regime: str, group: str) -> tuple[float, FloatArray]:
        """Return the log ink per session under a regime, and its gradient in the coefficients.

        Averaged over the group's own courses: their attributes and their ink groups; at the
        typical interval and date.
        """
        by_course = self.log_ratios(regime)[self.members(group)]
        pace = self.fit.coefficients[1]
        times = np.exp(by_course @ self.fit.coefficients)
        gradient = pace * (times @ by_course) / len(times)
        gradient[1] = times.mean()
        return float(pace * times.mean()), gradient

    def log_ratios(self, regime: str) -> FloatArray:
        """Return the weights of the coefficients in the log of each course's pace over the usual.

        Shape (n_courses, p).
        """
        courses, names = self.rows.courses, self.rows.names
        kind = courses["ink_group"].to_numpy()
        found = np.zeros((len(courses), len(names)))
        for at, name in enumerate(names):
            of, _, group = name.partition(", ")
            if name in self.rows.adjusted:
                found[:, at] = self.rows.centred[:, self.rows.adjusted.index(name)]
            elif (of == "sessions" and group) or (of == "ps" and regime == "ps"):
                found[:, at] = (kind == group) if group else 1.0
        return found

    def value(self, weights: FloatArray) -> tuple[float, float]:
        """Return a weighted sum of coefficients and its standard error."""
        return float(weights @ self.fit.coefficients), self.error(weights)

    def error(self, gradient: FloatArray) -> float:
        """Return the standard error of a value with that gradient in the coefficients."""
        return sqrt(max(float(gradient @ self.fit.covariance @ gradient), 0.0))

    def had(self, regime: str, group: str) -> FloatArray:
        """Return each course's number of sessions under a regime."""
        courses = self.rows.courses[self.members(group)]
        column = regime if regime in self.rows.regimes else "sessions_given"
        return courses[column].to_numpy(dtype=np.float64)

    def shares(self) -> pd.DataFrame:
        """Return the share of the remaining ink that a session removes, by regime and group.

        Columns ``regime, ink_group, share, low, high, courses``.
        """
        import pandas as pd

        found = []
        for group in self.groups:
            for regime in self.regimes:
                had = int((self.had(regime, group) > 0).sum())
                if had < LEAST_COURSES or not self.tells(regime, group):
                    continue
                slope, gradient = self.slope(regime, group)
                shares = -np.expm1([slope, *self.ends(slope, self.error(gradient))])
                found.append((regime, group, *(float(one) for one in shares), had))
        columns = ["regime", "ink_group", "share", "low", "high", "courses"]
        return pd.DataFrame(found, columns=columns)

    def ends(self, slope: float, error: float) -> FloatArray:
        """Return the interval of a slope, the slower end first.

        Errors are of the log of the pace, unless no fading at all is as good as possible.
        """
        if -slope > TOLD * error:
            apart = self.reach * error / -slope
            return slope * np.exp([-apart, apart])
        return slope + self.reach * error * np.array([1.0, -1.0])

    def tells(self, regime: str, group: str) -> bool:
        """Return whether the model has a slope of its own for a regime in a group."""
        if regime != "ps" or group in (ALL, *self.rows.groups[:1]) or "ps" not in self.rows.names:
            return True
        return f"ps, {group}" in self.rows.names

    def differences(self) -> pd.DataFrame:
        """Return the share that a ps session removes less that of an ns session, by ink group.

        Columns ``ink_group, difference, low, high``; empty with one regime.
        """
        import pandas as pd

        found = []
        for group in self.groups if len(self.regimes) == 2 else ():
            if not self.tells("ps", group):
                continue
            (ns, by_ns), (ps, by_ps) = (self.slope(regime, group) for regime in ("ns", "ps"))
            gap = exp(ns) - exp(ps)
            error = self.error(exp(ns) * by_ns - exp(ps) * by_ps)
            found.append((group, gap, gap - self.reach * error, gap + self.reach * error))
        return pd.DataFrame(found, columns=["ink_group", "difference", "low", "high"])

    def curves(self) -> pd.DataFrame:
        """Return the percent faded of the middle course by session, with its bands.

        Columns ``regime, ink_group, session, faded, low, high`` (of the middle course),
        ``middle_low, middle_high`` (the middle 8 of 10 courses) and ``courses`` (that had so many
        sessions under the regime). A curve ends where fewer than 5 courses had.
        """
        import pandas as pd

        tables = []
        for group in self.groups:
            for regime in self.regimes:
                if self.tells(regime, group):
                    tables.append(self._curve(regime, group))
        return pd.concat(tables, ignore_index=True)

    def _curve(self, regime: str, group: str) -> pd.DataFrame:
        import pandas as pd

        had = self.had(regime, group)
        _, gradient = self.slope(regime, group)
        start = np.array([1.0 if name == "start" else 0.0 for name in self.rows.names])
        found = [(0, 0.0, 0.0, 0.0, 0.0, 0.0, len(had))]
        for session in range(1, LONGEST + 1):
            courses = int((had >= session).sum())
            if courses < LEAST_COURSES:
                break
            slow, middle, quick = self.spread_at(regime, group, session)
            far = self.reach * self.error(start + session * gradient)
            ends = np.array([middle, middle + far, middle - far, slow, quick])
            found.append((session, *self.faded(ends), courses))
        names = ["session", "faded", "low", "high", "middle_low", "middle_high", "courses"]
        table = pd.DataFrame(found, columns=names)
        table.insert(0, "ink_group", group)
        table.insert(0, "regime", regime)
        return table

    def spread_at(self, regime: str, group: str, session: int) -> FloatArray:
        """Return the log ink of the slower end, the middle and the quicker end of the courses.

        Between the ends lie the middle 8 of 10: a mixture over the group's courses, each as its
        attributes and inks say, and as far apart from that as the model finds courses alike to be.
        """
        from scipy.special import ndtr

        inside, coefficients = self.members(group), self.fit.coefficients
        times = np.exp(self.log_ratios(regime)[inside] @ coefficients)
        clock = session * np.exp(self.log_ratios(self.regimes[0])[inside] @ coefficients) ** 2
        mean = coefficients[0] + session * times * coefficients[1]
        z = np.column_stack([np.ones(len(times)), session * times])
        variance = np.einsum("np,pq,nq->n", z, self.fit.fitted.model.random_covariance, z)
        scale = np.sqrt(variance + self.fit.wander * clock + TINY)
        wanted = np.array([(1 + MIDDLE) / 2, 0.5, (1 - MIDDLE) / 2])
        low, high = np.full(3, (mean - 8 * scale).min()), np.full(3, (mean + 8 * scale).max())
        for _ in range(HALVINGS):
            half = (low + high) / 2
            below = ndtr((half[:, None] - mean) / scale).mean(axis=1) < wanted
            low, high = np.where(below, half, low), np.where(below, high, half)
        return np.asarray((low + high) / 2)

    def faded(self, log_left: FloatArray) -> FloatArray:
        """Return percent faded from the log of the removable ink left, at least 0."""
        left = self.remnant + (1 - self.remnant) * np.exp(np.minimum(log_left, 0.0))
        return np.asarray(100 * (1 - left), dtype=np.float64)


CAUTION = (
    "Intervals are chosen for reasons (slow healing, money, holidays), and no randomised trial of "
    "them was found: this is what goes with longer intervals in this log, not what they cause."
)
FEWEST_COURSES = 40


@dataclass(frozen=True, slots=True)
class Spacing:
    """Two intervals of the log compared, over a course from untreated to the log's threshold.

    Attributes
    ----------
    weeks : tuple of 2 float
        The shorter and the longer interval: about the quarter points of the log.
    sessions : tuple of 2 float
        Sessions to the threshold of a typical course at each.
    difference : float
        Sessions at the longer interval less those at the shorter.
    interval : tuple of 2 float
    weeks_difference : float
        Weeks from the first to the last session, likewise.
    weeks_interval : tuple of 2 float
    level : float
    caution : str
    """

    weeks: tuple[float, float]
    sessions: tuple[float, float]
    difference: float
    interval: tuple[float, float]
    weeks_difference: float
    weeks_interval: tuple[float, float]
    level: float
    caution: str = CAUTION

    @property
    def answer(self) -> str:
        """Whether longer intervals go with fewer sessions, in words."""
        short, long = self.weeks
        low, high = self.interval
        said = "fewer sessions" if high < 0 else "more sessions" if low > 0 else ""
        if not said:
            said = "no clear difference in sessions"
        weeks = self.weeks_interval
        then = "more weeks in all" if weeks[0] > 0 else "fewer weeks in all"
        if weeks[0] <= 0 <= weeks[1]:
            then = "no clear difference in weeks"
        return f"{long:g} weeks between sessions rather than {short:g}: {said}, {then}."

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "weeks": list(self.weeks),
            "sessions": list(self.sessions),
            "difference": {"estimate": self.difference, "interval": list(self.interval)},
            "weeks_difference": {
                "estimate": self.weeks_difference,
                "interval": list(self.weeks_interval),
            },
            "level": self.level,
            "answer": self.answer,
            "caution": self.caution,
        }


def spacing_of(slopes: Slopes, gaps_weeks: FloatArray) -> Spacing | None:
    """Return the comparison of a log's shorter and longer intervals, or None if all are alike.

    The fall of log ink per session goes with a power of the weeks since the session before (the
    fit has it to first order);
    sessions are the log of the ink at the threshold over that fall. Errors by the delta method.

    Parameters
    ----------
    gaps_weeks : ndarray
        The log's intervals.
    """
    rows = slopes.rows
    if "log_gap" not in rows.names or len(rows.courses) < FEWEST_COURSES:
        return None
    short, long = (float(np.round(q)) for q in np.quantile(gaps_weeks, [0.25, 0.75]))
    if not 1 <= short < long:
        return None
    slope, by_slope = typical_slope(slopes)
    by_gap = np.array([1.0 if name == "log_gap" else 0.0 for name in rows.names])
    ahead = -np.log((1 - rows.cleared_at / 100 - slopes.remnant) / (1 - slopes.remnant))
    away = np.log(np.array([short, long]) / rows.mean_gap_weeks)
    if slope >= 0:
        return None
    sessions = ahead / -slope * np.exp(-away * float(by_gap @ slopes.fit.coefficients))
    gradient = -sessions[:, None] * (by_slope / slope + away[:, None] * by_gap)
    lengths = np.array([short, long])
    weeks, by_weeks = (sessions - 1) * lengths, gradient * lengths[:, None]

    def apart(values: FloatArray, by: FloatArray) -> tuple[float, tuple[float, float]]:
        gap = float(values[1] - values[0])
        error = slopes.reach * slopes.error(by[1] - by[0])
        return gap, (gap - error, gap + error)

    difference, interval = apart(sessions, gradient)
    weeks_difference, weeks_interval = apart(weeks, by_weeks)
    return Spacing(
        weeks=(short, long),
        sessions=(float(sessions[0]), float(sessions[1])),
        difference=difference,
        interval=interval,
        weeks_difference=weeks_difference,
        weeks_interval=weeks_interval,
        level=slopes.level,
    )


def typical_slope(slopes: Slopes) -> tuple[float, FloatArray]:
    """Return the slope of all courses under the log's own mix of regimes, and its gradient."""
    had = np.array([slopes.had(regime, "all").sum() for regime in slopes.regimes])
    each = [slopes.slope(regime, "all") for regime in slopes.regimes]
    share = had / had.sum()
    value = float(share @ np.array([slope for slope, _ in each]))
    return value, np.asarray(share @ np.array([gradient for _, gradient in each]))
