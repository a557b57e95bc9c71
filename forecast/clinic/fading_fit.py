"""The fit of the fading model, in which ps and the interval multiply a course's own pace.

The log of the ink left is taken as start + pace x effective sessions, where a ps session counts as
``exp(effect)`` ns sessions and one after a longer interval as more. That is not linear in the
effects: they are found by linearising around the last ones, with each course at the pace that its
attributes say (the first-order method of Sheiner & Beal 1980, J Pharmacokinet Biopharm 8:553),
until they stay. A ps effect added to all paces alike would be that of slow courses, which have the
most sessions and are changed to ps most often.

Two things keep late gradings of a course from saying more of its pace than they know: what chance
does in a session stays (the path wanders), and some courses level off with ink left that no laser
takes. Slow late sessions are where ps is used most, so that both would else be laid at its door.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast.causal.censored_mixed import CensoredMixed, FittedCensoredMixed

if TYPE_CHECKING:
    from forecast.clinic.fading_rows import FadingRows

__all__ = ["FadingFit", "fit_rows", "fit_with_remnant"]

FloatArray = npt.NDArray[np.float64]

REMNANTS = (0.005, 0.01, 0.02, 0.03)  # shares of ink that never go, tried in turn
LARGEST = 0.6  # of the ink at the threshold: a remnant beyond that would let nothing clear
WORTHWHILE = 1.92  # rise of the log-likelihood: half the 95 % point of chi-squared on one degree
FIRST_PACE = -0.3
SLOWEST_PACE = -0.02
MOST_ROUNDS = 10
PLATEAUS = (0.1, 0.2, 0.35, 0.6, 0.9)  # shares of its ink at which a course may level off
SETTLED = 0.05  # change of an effect, in its standard errors
LARGEST_STEP = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class FadingFit:
    """A fitted fading model.

    Attributes
    ----------
    fitted : FittedCensoredMixed
        The last linearised model.
    coefficients : ndarray of shape (p,)
        Of the columns by name; those of ps, operators and the interval are logs of ratios of paces.
    design, random : ndarray
        The columns at the last effects.
    remnant : float
        Share of the ink taken never to go.
    loglik : float
        Of the gradings, comparable between remnants.
    settled : bool
        Whether the effects stayed.
    """

    fitted: FittedCensoredMixed
    coefficients: FloatArray
    design: FloatArray
    random: FloatArray
    remnant: float
    loglik: float
    settled: bool

    @property
    def covariance(self) -> FloatArray:
        """Of the coefficients, clients' scores being independent."""
        return self.fitted.robust_covariance

    @property
    def wander(self) -> float:
        """Variance per session of what chance adds to the log of the ink left, for good."""
        return self.fitted.wander_variance

    @property
    def levelled(self) -> Mapping[str, float]:
        """Chance that a course levels off with ink left, by ``course_id``."""
        found = self.fitted.levels_off.tolist()
        return dict(zip(map(str, self.fitted.model.subjects), found, strict=True))


def fit_rows(
    rows: FadingRows, *, remnant: float = 0.0, start: FadingFit | None = None
) -> FadingFit:
    """Return the model when a share of the ink never goes, searched from another fit if given."""
    low, high, jacobian = rows.bounds(remnant)
    effects, pace = np.zeros(len(rows.multiplying)), np.full(len(low), FIRST_PACE)
    if start is not None:
        effects = start.coefficients[rows.multiplying]
        pace = np.minimum(rows.pace(start.coefficients), SLOWEST_PACE)
    rounds, moving = 0, True
    guess = None if start is None else start.fitted.guess
    while moving and rounds < MOST_ROUNDS:
        rounds += 1
        design, random = rows.columns_at(effects, pace)
        fitted = CensoredMixed(wanders=True, plateaus=PLATEAUS).fit(
            design,
            low,
            high,
            rows.table["course_id"],
            random=random,
            cluster=rows.table["client_id"].to_numpy(),
            names=rows.names,
            clock=rows.table["session"].to_numpy(),
            start=guess,
        )
        guess = fitted.guess
        step = fitted.coefficients[rows.multiplying]
        errors = np.sqrt(np.diag(fitted.robust_covariance)[rows.multiplying])
        first = rounds == 1 and start is None  # at a pace that is only a guess
        moving = len(step) > 0 and (first or bool((np.abs(step) > SETTLED * errors).any()))
        effects = effects + np.clip(step, -LARGEST_STEP, LARGEST_STEP)
        pace = np.minimum(rows.pace(fitted.coefficients), SLOWEST_PACE)
    coefficients = fitted.coefficients.copy()
    coefficients[rows.multiplying] = effects
    loglik = fitted.loglik + jacobian
    settled = fitted.model.converged and not moving
    return FadingFit(fitted, coefficients, design, random, remnant, loglik, settled)


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
