"""How many ns sessions one of ps is worth, and how many sessions that saves.

Given what was seen before a step, a course of ps is behind one of ns that looks like it: it came
as far with the help of ps. So the model of the steps counts sessions as a course of ns would have
had to have them, a ps session as so many as it is worth, and the worth is that beyond which ps adds
nothing (a structural nested model; Robins 1992, Biometrika 79:321). Sessions are counted along the
clinic's own curve of fading, which bends: twice as many do not remove twice the log of the ink.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from forecast._arrays import FloatArray
from forecast._notes import problem_and_remedy
from forecast.errors import FitError
from forecast.fading.curves import FadingFit, fit_rows
from forecast.fading.rows import FEWEST_GRADINGS, FEWEST_IN_GROUP, LEAST_LEFT, FadingRows, history

# All in ns sessions.
SETTLED = 1e-3  # a hundredth of the error of a large log
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
    (1.1, 0.2)
    """
    bends = _bends(rows.table)

    # with what ps adds to a session beyond that worth, as the log of the ink left, first
    def beyond(worth: float, *, errors: bool = False) -> FadingFit:
        now = _counted(rows, worth, bends)
        up, down = (_steps(rows.table, worth + way * NUDGE, bends) for way in (1, -1))
        more = np.column_stack([(up - down) / (2 * NUDGE), now.counts])
        return fit_rows(replace(now, counts=more, names=("worth", *now.names)), errors=errors)

    @cache  # the search asks for its ends again
    def gain(worth: float) -> float:
        return float(beyond(worth).coefficients[0])

    if gain(WORTH[0]) < 0 < gain(WORTH[1]):
        worth = float(brentq(gain, *WORTH, xtol=SETTLED))
        slope = (gain(worth + NUDGE) - gain(worth - NUDGE)) / (2 * NUDGE)
        if slope > 0:
            error = float(beyond(worth, errors=True).covariance[0, 0]) ** 0.5
            return Worth(rows, worth, error / slope, bends)
    raise FitError(*problem_and_remedy("refused.no_worth"))


# The rows as those of a clinic of ns only, whose sessions are counted along its curve of fading.
def _counted(rows: FadingRows, worth: float, bends: tuple[float, float]) -> FadingRows:
    table = rows.table
    begins, ends = (_along(at, bends) for at in _times(table, worth))
    scale = (ends - begins) / (table["session"] - table["since"]).to_numpy()
    own = np.array([name.startswith(("log_gap", "years", "operator ")) for name in rows.names])
    kept = [at for at, name in enumerate(rows.names) if name.partition(",")[0] != "ps"]
    counts = rows.counts * np.where(own, 1.0, scale[:, None])
    return replace(
        rows,
        counts=counts[:, kept],
        names=tuple(rows.names[at] for at in kept),
        history=history(table, begins, ends),
    )


def _steps(table: pd.DataFrame, worth: float, bends: tuple[float, float]) -> FloatArray:
    begins, ends = (_along(at, bends) for at in _times(table, worth))
    return ends - begins


# ns sessions that the sessions of a course were worth when each step began and when it ended.
def _times(table: pd.DataFrame, worth: float) -> tuple[FloatArray, FloatArray]:
    had = table.groupby("course_id")["ps"].shift(fill_value=0.0)
    both = table["since"] + (worth - 1) * had, table["session"] + (worth - 1) * table["ps"]
    begins, ends = (one.to_numpy(dtype=np.float64) for one in both)
    return begins, ends


def _along(sessions: FloatArray, bends: tuple[float, float]) -> FloatArray:
    early, late = bends
    later = EARLY**early * (np.maximum(sessions, EARLY) / EARLY) ** late
    return np.where(sessions <= EARLY, sessions**early, later)


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
