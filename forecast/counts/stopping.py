"""How clients stop, and how a course ends by it: at its goal, given up, or going on.

The hazard is the chance of giving up after a session that has not reached the goal.

Those who need many sessions are also readier to give up after any of them, so the hazard depends on
how many sessions an enquiry is expected to need. A hazard that is the same for everybody stops the
quick tattoos too often and the slow ones not often enough. What counts is how slowly the ink goes:
also who wants lightening only goes by the sessions to clearing. It may drift over the years, as
the count does; what is said holds for the last two years of the log.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.counts.attributes import LIGHTEN
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.survival import FittedCountModel

LENGTH = "length"  # the covariate: log of the expected sessions, over ten
DRIFT = "four_years_on"
TYPICAL = 10.0

# Mean and standard deviation of the log hazard of stopping after a session: about one in 16, as
# 37 % of 57 (Taylor et al. 1990) and 29 % of 98 (cosmetic eyebrows) did not finish; wide. Nothing
# is published about the length, nor about clinics' habits, which may drift as their counts do.
EVIDENCE = {
    "baseline[level]": (-2.8, 1.0),
    "baseline[slope]": (0.0, 0.5),
    "baseline[curve]": (0.0, 0.25),
    LENGTH: (0.0, 1.0),
    DRIFT: (0.0, 0.4),
}


def competing_ends(pmf: FloatArray, stop: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the chances that a course ends after each session, at its goal and given up.

    Reaching the goal at a session comes before stopping after it; what is missing to one is the
    chance that neither has happened by the horizon.

    Parameters
    ----------
    pmf : ndarray of shape (..., horizon)
        Chance that the goal is reached at each session if treatment goes on.
    stop : ndarray of shape (..., horizon)
        Chance of stopping after each session that has not reached it.

    Examples
    --------
    >>> reached, given_up = competing_ends(np.array([0.5, 0.25]), np.array([0.2, 0.2]))
    >>> reached.tolist(), given_up.round(9).tolist()
    ([0.5, 0.2], [0.1, 0.04])
    """
    coming = np.cumprod(1 - stop, axis=-1)
    coming = np.concatenate([np.ones((*coming.shape[:-1], 1)), coming[..., :-1]], axis=-1)
    left = np.maximum(1 - np.cumsum(pmf, axis=-1), 0)
    return pmf * coming, left * coming * stop


def to_clearing(covariates: pd.DataFrame | Mapping[str, Any]) -> pd.DataFrame | Mapping[str, Any]:
    """Return the covariates with clearing as the goal of every row."""
    if LIGHTEN not in covariates:
        return covariates
    if isinstance(covariates, Mapping):
        return {**covariates, LIGHTEN: [0.0] * len(covariates[LIGHTEN])}
    return covariates.assign(**{LIGHTEN: 0.0})


def length_of(distribution: CountDistribution) -> FloatArray:
    """Return the log of the expected sessions, over ten, shape (n,).

    Sessions beyond the horizon count as the horizon.
    """
    expected = 1 + distribution.survival()[:, :-1].sum(axis=1)
    return np.asarray(np.log(expected / TYPICAL), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Stopping:
    """The fitted hazard of stopping, for courses whose length is known.

    Attributes
    ----------
    model : FittedCountModel
        With the length and the drift as covariates.
    """

    model: FittedCountModel

    def hazard(self, length: FloatArray, done: int, steps: int) -> FloatArray:
        """Return the chance of stopping after each of ``steps`` sessions that follow ``done``.

        Shape (n, steps), one row per length.
        """
        return self.model.predict(now(length), done + steps).hazard()[:, done:]

    def draws(
        self, length: FloatArray, done: int, steps: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return the same under draws of the parameters, shape (n_draws, n, steps)."""
        pmfs = self.model.predict_draws(now(length), done + steps, n_draws=n_draws, seed=seed)
        hazard = CountDistribution(pmfs.reshape(-1, done + steps)).hazard()
        return hazard.reshape(pmfs.shape)[..., done:]


def fit_stopping(rows: pd.DataFrame, length: FloatArray) -> Stopping:
    """Return the hazard of stopping after a session, by the length of the course to be expected.

    A course that reaches its goal at a session is not at risk of stopping after it; of one that
    is still running nobody knows yet whether the client comes back after the last session.

    Parameters
    ----------
    rows : DataFrame
        As ``course_rows`` returns it.
    length : ndarray of shape (n,)
        Of each row, as ``length_of`` of its predicted distribution.
    """
    from forecast.survival import DiscreteHazard, Durations

    until = rows["given"] - (~rows["stopped"]).astype(int)
    at_risk = rows.assign(until=until, **{LENGTH: length})
    spec = DiscreteHazard(baseline="smooth", prior=EVIDENCE)
    if not (until > 0).any():
        return Stopping(spec.from_prior((LENGTH, DRIFT), horizon=1))
    spells = Durations.from_frame(
        at_risk[until > 0],
        step="until",
        observed="stopped",
        covariates=[LENGTH, DRIFT],
        subject="client_id",
    )
    return Stopping(spec.fit(spells))


def now(length: FloatArray) -> dict[str, FloatArray]:
    """Return the covariates of courses of the last two years."""
    return {LENGTH: length, DRIFT: np.zeros_like(length)}
