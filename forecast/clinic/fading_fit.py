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
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.causal.mixed import BoundedMixed, FittedBoundedMixed

if TYPE_CHECKING:
    from forecast.causal.mixed import Guess
    from forecast.clinic.fading_rows import FadingRows

__all__ = ["FadingFit", "fit_rows", "fit_with_remnant"]

FloatArray = npt.NDArray[np.float64]

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
