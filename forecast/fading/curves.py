"""The fit of the fading model, in which everything multiplies a course's own pace, and its curves.

The log of the ink left is taken as start + pace x effective sessions: an attribute makes a session
of a course count as ``exp(effect)`` sessions, ps and a longer interval likewise. The pace varies by
course in proportion to what is usual for its attributes, and so does what chance adds in a session.
Given the effects that is a linear mixed model; their own scores, those of the likelihood with the
clock of chance held, tell where they are to go (Newton steps), until they stay. Added to all paces
alike, the effect of ps would be that of slow courses, which have the most sessions and are changed
to ps most often; with one spread of paces for quick and slow inks, ps looked too slow among the
slow ones.

Two things keep late gradings of a course from saying more of its pace than they know: what chance
does in a session stays (process variance), and some courses level off (an asymptote) with ink left
that no laser takes. Slow late sessions are where ps is used most, so that both would else be laid
at its door.
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

from forecast._notes import Note
from forecast._types import FloatArray
from forecast.causal.mixed import BoundedMixed, FittedBoundedMixed
from forecast.fading.rows import FEWEST_FOR_SPACING, FEWEST_ON_CURVE, FadingRows

if TYPE_CHECKING:
    import pandas as pd

ALL = "all"  # courses together, whatever their ink
MIDDLE = 0.8  # share of the courses inside the outer band
LONGEST = 40  # sessions of a curve
TOLD = 2.0  # standard errors from which a pace is told from none
HALVINGS = 50  # of the range in which a quantile is searched
TINY = 1e-12

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
    """The columns of the mixed model when the effects that multiply are given."""

    linear: npt.NDArray[np.int64]  # which of the rows' names the design holds
    multiplying: npt.NDArray[np.int64]  # and which multiply the sessions
    design: FloatArray  # (n, p): the start, effective sessions, graders
    random: FloatArray  # (n, 2): what varies by course, the start and the pace, in proportion
    multiplicative: FloatArray  # (n, m): change of the effective sessions with each effect
    clock: FloatArray  # (n,), by which chance adds up: a session of a quick course moves more ink

    @property
    def order(self) -> npt.NDArray[np.int64]:
        """Which of the rows' names each parameter of the model is."""
        return np.append(self.linear, self.multiplying)


@dataclass(frozen=True, eq=False)
class FadingFit:
    """A fitted fading model."""

    fitted: FittedBoundedMixed  # at the last effects, as the columns
    # Of the columns by name, (p,): the start, the usual pace, graders; all others are logs of
    # ratios of paces (operators, dates and the interval to first order: ratios less one).
    coefficients: FloatArray
    columns: Columns
    remnant: float  # share of the ink taken never to go
    loglik: float  # of the gradings, comparable between remnants
    settled: bool  # whether the effects stayed

    @cached_property
    def covariance(self) -> FloatArray:
        """Of the coefficients, (p, p), clients' scores being independent."""
        order = self.columns.order
        found = np.empty((len(order), len(order)))
        found[np.ix_(order, order)] = self.fitted.robust_covariance
        return found

    @property
    def asymptote_chance(self) -> Mapping[str, float]:
        """Chance that a course levels off with ink left, by ``course_id``."""
        found = self.fitted.asymptote_chance.tolist()
        return dict(zip(map(str, self.fitted.model.subjects), found, strict=True))


# The columns of the model at given log ratios of paces of the multiplying columns, (m,).
def _columns_at(rows: FadingRows, effects: FloatArray) -> Columns:
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
    multiplicative = times[:, None] * rows.sums[:, rows.multiplying]
    for place, at in enumerate(rows.multiplying):
        if rows.of_course(rows.names[at]):
            multiplicative[:, place] = effective * rows.sums[:, at] / sessions
        elif rows.names[at].startswith("ps"):
            multiplicative[:, place] *= np.exp(regime)
    linear = np.setdiff1d(np.arange(len(rows.names)), rows.multiplying)
    design = rows.sums[:, linear]
    design[:, 1] = effective
    random = np.column_stack([np.ones(len(design)), effective])
    return Columns(
        linear, rows.multiplying, design, random, multiplicative, clock=sessions * times**2
    )


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
        columns = _columns_at(rows, effects)
        fitted = BoundedMixed(random_walk=True, asymptotes=ASYMPTOTES).fit(
            columns.design,
            low,
            high,
            rows.table["course_id"],
            random=columns.random,
            cluster=rows.table["client_id"].to_numpy(),
            clock=columns.clock,
            multiplicative=columns.multiplicative,
            names=tuple(rows.names[at] for at in columns.order),
            start=guess,
        )
        guess = fitted.guess
        far = fitted.step / fitted.step_errors
        moving = not (np.abs(far) <= SETTLED).all()
        if moving:
            pull = _relaxed(pull, before, far)
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


# How much of the next step to take: those that overshoot are shortened, those that fall short
# lengthened (Aitken's relaxation; see Irons & Tuck 1969, Int J Numer Methods Eng 1:275).
def _relaxed(pull: float, before: FloatArray, far: FloatArray) -> float:
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


@dataclass(frozen=True, slots=True, eq=False)
class Slopes:
    """The fitted model and the mix of courses over which it is averaged; the level of intervals."""

    rows: FadingRows
    fit: FadingFit
    level: float

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

    def _members(self, group: str) -> npt.NDArray[np.bool_]:
        if group == ALL:
            return np.ones(len(self.rows.courses), dtype=bool)
        return np.asarray(self.rows.courses["ink_group"] == group)

    def slope(self, regime: str, group: str) -> tuple[float, FloatArray]:
        """Return the log ink per session under a regime, and its gradient in the coefficients.

        Averaged over the group's own courses: their attributes and their ink groups; at the
        typical interval and date.
        """
        by_course = self._log_ratios(regime)[self._members(group)]
        pace = self.fit.coefficients[1]
        times = np.exp(by_course @ self.fit.coefficients)
        gradient = pace * (times @ by_course) / len(times)
        gradient[1] = times.mean()
        return float(pace * times.mean()), gradient

    def typical_slope(self) -> tuple[float, FloatArray]:
        """Return the slope of all courses under the log's own mix of regimes, and its gradient."""
        had = np.array([self._had(regime, ALL).sum() for regime in self.regimes])
        values, gradients = zip(*(self.slope(regime, ALL) for regime in self.regimes), strict=True)
        share = had / had.sum()
        return float(share @ np.array(values)), np.asarray(share @ np.array(gradients))

    # Weights of the coefficients in the log of each course's pace over the usual, (n_courses, p).
    def _log_ratios(self, regime: str) -> FloatArray:
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

    def error(self, gradient: FloatArray) -> float:
        """Return the standard error of a value with that gradient in the coefficients."""
        return sqrt(max(float(gradient @ self.fit.covariance @ gradient), 0.0))

    # Each course's number of sessions under a regime.
    def _had(self, regime: str, group: str) -> FloatArray:
        courses = self.rows.courses[self._members(group)]
        column = regime if regime in self.rows.regimes else "sessions_given"
        return courses[column].to_numpy(dtype=np.float64)

    def shares(self) -> pd.DataFrame:
        """Return the share of the remaining ink that a session removes, by regime and group."""
        import pandas as pd

        found = []
        for group in self.groups:
            for regime in self.regimes:
                had = int((self._had(regime, group) > 0).sum())
                if had < FEWEST_ON_CURVE or not self._tells(regime, group):
                    continue
                slope, gradient = self.slope(regime, group)
                shares = -np.expm1([slope, *self._ends(slope, self.error(gradient))])
                found.append((regime, group, *(float(one) for one in shares), had))
        columns = ["regime", "ink_group", "share", "low", "high", "courses"]
        return pd.DataFrame(found, columns=columns)

    # The slower end first. Errors are of the log of the pace, unless no fading at all is as good as
    # possible.
    def _ends(self, slope: float, error: float) -> FloatArray:
        if -slope > TOLD * error:
            apart = self.reach * error / -slope
            return slope * np.exp([-apart, apart])
        return slope + self.reach * error * np.array([1.0, -1.0])

    # Whether the model has a slope of its own for a regime in a group.
    def _tells(self, regime: str, group: str) -> bool:
        if regime != "ps" or group in (ALL, *self.rows.groups[:1]) or "ps" not in self.rows.names:
            return True
        return f"ps, {group}" in self.rows.names

    def differences(self) -> pd.DataFrame:
        """Return the share that a ps session removes less that of an ns session, by ink group."""
        import pandas as pd

        found = []
        for group in self.groups if len(self.regimes) == 2 else ():
            if not self._tells("ps", group):
                continue
            (ns, by_ns), (ps, by_ps) = (self.slope(regime, group) for regime in ("ns", "ps"))
            gap = exp(ns) - exp(ps)
            error = self.error(exp(ns) * by_ns - exp(ps) * by_ps)
            found.append((group, gap, gap - self.reach * error, gap + self.reach * error))
        return pd.DataFrame(found, columns=["ink_group", "difference", "low", "high"])

    def curves(self) -> pd.DataFrame:
        """Return the percent faded of the middle course by session, with its bands.

        A curve ends where fewer than 5 courses had so many sessions under the regime.
        """
        import pandas as pd

        pairs = [(regime, group) for group in self.groups for regime in self.regimes]
        found = [row for pair in pairs if self._tells(*pair) for row in self._curve(*pair)]
        bands = ["faded", "low", "high", "middle_low", "middle_high"]
        columns = ["regime", "ink_group", "session", *bands, "courses"]
        return pd.DataFrame(found, columns=columns)

    def _curve(self, regime: str, group: str) -> list[tuple[Any, ...]]:
        had = self._had(regime, group)
        _, gradient = self.slope(regime, group)
        start = np.array([1.0 if name == "start" else 0.0 for name in self.rows.names])
        found: list[tuple[Any, ...]] = [(regime, group, 0, 0.0, 0.0, 0.0, 0.0, 0.0, len(had))]
        for session in range(1, LONGEST + 1):
            courses = int((had >= session).sum())
            if courses < FEWEST_ON_CURVE:
                break
            slow, middle, quick = self._spread_at(regime, group, session)
            far = self.reach * self.error(start + session * gradient)
            ends = np.array([middle, middle + far, middle - far, slow, quick])
            found.append((regime, group, session, *self.faded(ends), courses))
        return found

    # The log ink of the slower end, the middle and the quicker end of the middle 8 of 10: a mixture
    # over the group's courses, each as its attributes and inks say, and as far apart from that as
    # the model finds courses alike to be.
    def _spread_at(self, regime: str, group: str, session: int) -> FloatArray:
        from scipy.special import ndtr

        inside, coefficients = self._members(group), self.fit.coefficients
        times = np.exp(self._log_ratios(regime)[inside] @ coefficients)
        clock = session * np.exp(self._log_ratios(self.regimes[0])[inside] @ coefficients) ** 2
        mean = coefficients[0] + session * times * coefficients[1]
        z = np.column_stack([np.ones(len(times)), session * times])
        variance = np.einsum("np,pq,nq->n", z, self.fit.fitted.model.random_covariance, z)
        scale = np.sqrt(variance + self.fit.fitted.process_variance * clock + TINY)
        wanted = np.array([(1 + MIDDLE) / 2, 0.5, (1 - MIDDLE) / 2])
        low, high = np.full(3, (mean - 8 * scale).min()), np.full(3, (mean + 8 * scale).max())
        for _ in range(HALVINGS):
            half = (low + high) / 2
            below = ndtr((half[:, None] - mean) / scale).mean(axis=1) < wanted
            low, high = np.where(below, half, low), np.where(below, high, half)
        return np.asarray((low + high) / 2)

    def faded(self, log_left: FloatArray) -> FloatArray:
        """Return percent faded from the log of the removable ink left, at least 0."""
        left = self.fit.remnant + (1 - self.fit.remnant) * np.exp(np.minimum(log_left, 0.0))
        return np.asarray(100 * (1 - left), dtype=np.float64)


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
    """

    weeks: tuple[float, float]
    sessions: tuple[float, float]
    difference: float
    interval: tuple[float, float]
    weeks_difference: float
    weeks_interval: tuple[float, float]
    level: float

    @property
    def answer(self) -> Note:
        """Whether longer intervals go with fewer sessions, in words."""
        short, long = self.weeks
        sessions = _clear(self.interval, "sessions") or "no clear difference in sessions"
        weeks = _clear(self.weeks_interval, "weeks in all") or "no clear difference in weeks"
        said = {"long": long, "short": short, "sessions": sessions, "weeks": weeks}
        return Note("fading.spacing", "info", said)

    @property
    def caution(self) -> Note:
        """Why that need not be what longer intervals do."""
        return Note("fading.spacing_chosen", "caution")

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values, the answer and the caution as sentences."""
        notes = self.answer, self.caution
        return {
            "weeks": list(self.weeks),
            "sessions": list(self.sessions),
            "difference": {"estimate": self.difference, "interval": list(self.interval)},
            "weeks_difference": {
                "estimate": self.weeks_difference,
                "interval": list(self.weeks_interval),
            },
            "level": self.level,
            **{name: str(note) for name, note in zip(("answer", "caution"), notes, strict=True)},
            "note_codes": [note.to_dict() for note in notes],
        }


def _clear(interval: tuple[float, float], what: str) -> str:
    low, high = interval
    return f"fewer {what}" if high < 0 else f"more {what}" if low > 0 else ""


def spacing_of(slopes: Slopes, gaps_weeks: FloatArray) -> Spacing | None:
    """Return the comparison of a log's shorter and longer intervals, or None if all are alike.

    The fall of log ink per session goes with a power of the weeks since the session before (the
    fit has it to first order); sessions are the log of the ink at the threshold over that
    fall. Errors by the delta method.
    """
    rows = slopes.rows
    if "log_gap" not in rows.names or len(rows.courses) < FEWEST_FOR_SPACING:
        return None
    short, long = (float(np.round(q)) for q in np.quantile(gaps_weeks, [0.25, 0.75]))
    if not 1 <= short < long:
        return None
    slope, by_slope = slopes.typical_slope()
    by_gap = np.array([1.0 if name == "log_gap" else 0.0 for name in rows.names])
    ahead = -np.log((1 - rows.cleared_at / 100 - slopes.fit.remnant) / (1 - slopes.fit.remnant))
    away = np.log(np.array([short, long]) / rows.mean_gap_weeks)
    if slope >= 0:
        return None
    sessions = ahead / -slope * np.exp(-away * float(by_gap @ slopes.fit.coefficients))
    gradient = -sessions[:, None] * (by_slope / slope + away[:, None] * by_gap)
    lengths = np.array([short, long])
    weeks, by_weeks = (sessions - 1) * lengths, gradient * lengths[:, None]

    difference, interval = _gap(slopes, sessions, gradient)
    weeks_difference, weeks_interval = _gap(slopes, weeks, by_weeks)
    return Spacing(
        weeks=(short, long),
        sessions=(float(sessions[0]), float(sessions[1])),
        difference=difference,
        interval=interval,
        weeks_difference=weeks_difference,
        weeks_interval=weeks_interval,
        level=slopes.level,
    )


# The second value less the first, and its interval.
def _gap(slopes: Slopes, values: FloatArray, by: FloatArray) -> tuple[float, tuple[float, float]]:
    gap, error = float(values[1] - values[0]), slopes.reach * slopes.error(by[1] - by[0])
    return gap, (gap - error, gap + error)
