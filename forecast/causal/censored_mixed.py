"""A linear mixed model of measurements some of which are known only within bounds.

Maximum likelihood by expectation and maximisation (as Vaida & Liu 2009, J Comput Graph Stat
18:797, do for left-censored values): the values behind the bounds are the missing data, and the
maximisation is the closed-form fit of `LinearMixed` with their means and covariances put in. So a
value at the edge of a scale counts as "at least this much", not as this much; and since the
likelihood keeps every earlier value of a subject, subjects may leave for what was measured so far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast.causal.censored_search import Guess, Search
from forecast.causal.linear_mixed import FittedLinearMixed, LinearMixed
from forecast.causal.plateaus import copies_of
from forecast.causal.subject_sums import Rows, read_rows
from forecast.errors import DataError
from forecast.survival.newton import check_rank

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CensoredMixed", "FittedCensoredMixed"]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CensoredMixed:
    """A linear mixed model for measured, and for bounded, responses.

    Attributes
    ----------
    correlated : bool
        Whether a subject's effects may be correlated.
    wanders : bool
        Whether a subject's path also gains errors as the clock goes on, which stay.
    plateaus : tuple of float
        The response is the log of what is left, and some subjects may level off at one of these
        shares; see `plateaus`. Empty when none may.
    """

    correlated: bool = True
    wanders: bool = False
    plateaus: tuple[float, ...] = ()

    def fit(
        self,
        design: npt.ArrayLike,
        lower: npt.ArrayLike,
        upper: npt.ArrayLike,
        subject: npt.ArrayLike | pd.Series[Any],
        *,
        random: npt.ArrayLike | None = None,
        cluster: npt.ArrayLike | None = None,
        clock: npt.ArrayLike | None = None,
        names: tuple[str, ...] = (),
        start: Guess | None = None,
    ) -> FittedCensoredMixed:
        """Return the model fitted to one row per measurement.

        Parameters
        ----------
        design : array of shape (n, p)
            Columns of the fixed part, with ones for the intercept.
        lower, upper : array of shape (n,)
            Bounds of each response: equal where it was measured, else what it lies between;
            ``-inf`` and ``inf`` are allowed.
        subject : array of shape (n,)
            Whose measurement it is.
        random : array of shape (n, q), optional
            Columns of the part that varies by subject; ones when not given.
        cluster : array of shape (n,), optional
            Subjects of one cluster are not independent; each its own cluster when not given.
        clock : array of shape (n,), optional
            When each response was measured, from 0 on; needed where paths wander.
        names : tuple of str
            Of the design's columns.
        start : Guess, optional
            Where to search from: of an earlier fit to much the same rows.

        Raises
        ------
        DataError
            If bounds cross, lengths differ, or fewer rows than columns are bounded on both sides.
        FitError
            If columns of the design cannot be told apart.
        """
        low, high, middle = read_bounds(lower, upper)
        rows = read_rows(design, middle, subject, random)
        low, high = low[rows.order], high[rows.order]
        p = rows.design.shape[1]
        named = names or tuple(f"column {at}" for at in range(p))
        telling = int((np.isfinite(low) & np.isfinite(high)).sum())
        if telling <= p + rows.random.shape[1]:
            raise DataError(
                f"{telling} row(s) bounded on both sides for {p} columns.",
                "Give more measurements or fewer columns.",
            )
        gram = rows.design.T @ rows.design
        scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
        check_rank(gram / np.outer(scale, scale), named)
        when = np.zeros(len(low)) if clock is None else np.asarray(clock, dtype=np.float64)
        copies = copies_of(rows, low, high, when[rows.order], self.plateaus)
        model = LinearMixed("ml", correlated=self.correlated)
        search = Search(copies, model, wanders=self.wanders, start=start)
        clients = rows.code if cluster is None else np.asarray(cluster)[rows.order]
        return summed_up(search, rows, clients[rows.starts], named)


@dataclass(frozen=True, slots=True, eq=False)
class FittedCensoredMixed:
    """A fitted model.

    Attributes
    ----------
    model : FittedLinearMixed
        Coefficients, variances and subjects' effects; its ``covariance`` is the inverse
        information, less what the bounds hide.
    robust_covariance : ndarray of shape (p, p)
        Of the coefficients, from the spread of the clusters' scores: right also where the
        errors of a subject are not independent.
    loglik : float
        Log-likelihood, bounded rows counting with the chance of their bounds.
    n_rows, n_bounded, n_clusters : int
    rounds : int
        Until it settled.
    wander_variance : float
        That a path gains per unit of the clock.
    levels_off : ndarray of shape (n_subjects,)
        Chance that each subject levels off, given its measurements; the subjects as in ``model``.
    guess : Guess
        Where a later search may start.
    """

    model: FittedLinearMixed
    robust_covariance: FloatArray
    loglik: float
    n_rows: int
    n_bounded: int
    n_clusters: int
    rounds: int
    wander_variance: float
    levels_off: FloatArray
    guess: Guess

    @property
    def coefficients(self) -> FloatArray:
        """Fixed effects."""
        return self.model.coefficients


def read_bounds(
    lower: npt.ArrayLike, upper: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the bounds and a value between them: the middle, the finite end, or 0."""
    low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    if low.shape != high.shape or not (low <= high).all():
        raise DataError(
            f"{int((~(low <= high)).sum()) if low.shape == high.shape else 'Some'} row(s) "
            "have a lower bound above the upper one.",
            "Give lower <= upper, both equal where the value was measured.",
        )
    ends = np.where(np.isfinite(low), low, high)
    ends = np.where(np.isfinite(low) & np.isfinite(high), (low + high) / 2, ends)
    return low, high, np.where(np.isfinite(ends), ends, 0.0)


def summed_up(
    search: Search, rows: Rows, cluster: npt.NDArray[Any], names: tuple[str, ...]
) -> FittedCensoredMixed:
    """Return what a search finds; ``cluster`` is that of each subject."""
    best, rounds = search.run()
    tangent, found, loglik = search.expect()
    bread, robust, n_clusters = search.scores(tangent, found, cluster)
    fitted = best.profile.fitted(best.factor, best.settled, names, search.copies.rows.subjects)
    n = len(rows.starts)
    fitted = replace(
        fitted,
        covariance=bread,
        subjects=rows.subjects,
        effects=fitted.effects[:n],
        effect_covariance=fitted.effect_covariance[:n],
    )
    measured = int(search.measured[: len(rows.response)].sum())
    return FittedCensoredMixed(
        model=fitted,
        robust_covariance=robust,
        loglik=loglik,
        n_rows=len(rows.response),
        n_bounded=len(rows.response) - measured,
        n_clusters=n_clusters,
        rounds=rounds,
        wander_variance=best.wander * fitted.residual_variance,
        levels_off=1 - search.often[:n],
        guess=search.guess,
    )
