"""A linear mixed model of measurements some of which are known only within bounds.

Maximum likelihood by expectation and maximisation (as Vaida & Liu 2009, J Comput Graph Stat
18:797, do for left-censored values): the values behind the bounds are the missing data, and the
maximisation is the closed-form fit of `LinearMixed` with their means and covariances put in. So a
value at the end of a scale counts as "at least this much", not as this much; and since the
likelihood keeps every earlier value of a subject, subjects may leave for what was measured so far.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import counted
from forecast._types import AnyArray, FloatArray
from forecast.causal.mixed.linear import FittedLinearMixed, LinearMixed, Rows, read_rows
from forecast.causal.mixed.scores import Errors, errors_of, newton_step
from forecast.causal.mixed.search import Guess, Search
from forecast.causal.mixed.subjects import copies_of
from forecast.errors import DataError
from forecast.survival import check_rank

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True)
class BoundedMixed:
    """A linear mixed model for measured, and for bounded, responses.

    Attributes
    ----------
    correlated : bool
        Whether a subject's effects may be correlated.
    random_walk : bool
        Whether a subject's path also gains errors as the clock goes on, which stay: the process
        variance.
    asymptotes : tuple of float
        Shares at one of which what is left may stay, the response being the log of what is left;
        see `subjects`. Empty for none.
    """

    correlated: bool = True
    random_walk: bool = False
    asymptotes: tuple[float, ...] = ()

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
        multiplicative: npt.ArrayLike | None = None,
        names: tuple[str, ...] = (),
        start: Guess | None = None,
    ) -> FittedBoundedMixed:
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
            When each response was measured, from 0 on; needed for a random walk.
        multiplicative : array of shape (n, m), optional
            Derivatives of the last random column, which must be a column of the design, too, in
            each of m multiplicative effects: parameters that the model is not linear in. They
            are not moved; the fit says which step leads to better ones.
        names : tuple of str
            Of the design's columns, then of the multiplicative effects.
        start : Guess, optional
            Where to search from: of an earlier fit to much the same rows.

        Raises
        ------
        DataError
            If bounds cross, lengths differ, fewer rows than columns are bounded on both sides, or
            the column to multiply is not in the design.
        FitError
            If columns of the design cannot be told apart.
        """
        low, high, middle = _read_bounds(lower, upper)
        rows = read_rows(design, middle, subject, random)
        low, high = low[rows.order], high[rows.order]
        moved = np.empty((len(low), 0))
        if multiplicative is not None:
            moved = np.asarray(multiplicative)[rows.order]
        both = np.hstack([rows.design, moved])
        p = both.shape[1]
        named = names or tuple(f"column {at}" for at in range(p))
        known = int((np.isfinite(low) & np.isfinite(high)).sum())
        if known <= p + rows.random.shape[1]:
            raise DataError(
                f"{counted(known, 'row')} bounded on both sides for {p} columns.",
                "Give more measurements or fewer columns.",
            )
        gram = both.T @ both
        scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
        check_rank(gram / np.outer(scale, scale), named)
        when = np.zeros(len(low)) if clock is None else np.asarray(clock, dtype=np.float64)
        along = _slope_column(rows) if moved.size else 0
        copies = copies_of(
            rows,
            low,
            high,
            when[rows.order],
            self.asymptotes,
            multiplicative=moved,
            slope_column=along,
        )
        model = LinearMixed("ml", correlated=self.correlated)
        search = Search(copies, model, random_walk=self.random_walk, start=start)
        clients = rows.code if cluster is None else np.asarray(cluster)[rows.order]
        return _summed_up(search, rows, clients[rows.starts], named)


@dataclass(frozen=True, eq=False)
class FittedBoundedMixed:
    """A fitted model.

    Attributes
    ----------
    model : FittedLinearMixed
        Coefficients, variances and subjects' effects; its ``covariance`` takes the bounded values
        as known.
    step, step_errors : ndarray of shape (m,)
        From the multiplicative effects to better ones, by one Newton step, and their rough
        standard errors.
    loglik : float
        Log-likelihood, bounded rows counting with the chance of their bounds.
    n_rows, n_bounded, n_clusters : int
    rounds : int
        Until it settled.
    process_variance : float
        What a path gains per unit of the clock.
    asymptote_chance : ndarray of shape (n_subjects,)
        Chance that each subject has an asymptote, given its measurements; the subjects as in
        ``model``.
    search : Search
        The search that found it: `errors` are worked out from it, once, when asked for.
    cluster : ndarray of shape (n_subjects,)
    """

    model: FittedLinearMixed
    step: FloatArray
    step_errors: FloatArray
    loglik: float
    n_rows: int
    n_bounded: int
    n_clusters: int
    rounds: int
    process_variance: float
    asymptote_chance: FloatArray
    search: Search
    cluster: AnyArray

    @property
    def coefficients(self) -> FloatArray:
        """Fixed effects."""
        return self.model.coefficients

    @property
    def guess(self) -> Guess:
        """Where a later search may start."""
        return self.search.guess

    @cached_property
    def errors(self) -> Errors:
        """Errors of the coefficients and of the multiplicative effects."""
        return errors_of(self.search, self.cluster)

    @property
    def robust_covariance(self) -> FloatArray:
        """Covariance of the coefficients and of the multiplicative effects, (p + m, p + m).

        From the spread of the clusters' scores: right also where the errors of a subject are not
        independent.
        """
        return self.errors.robust


def _read_bounds(
    lower: npt.ArrayLike, upper: npt.ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the bounds and a value between them: the middle, the finite end, or 0."""
    low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    if low.shape != high.shape or not (low <= high).all():
        raise DataError(
            "Lower bounds are above the upper ones, or not as many.",
            "Give lower <= upper, both equal where the value was measured.",
        )
    ends = np.where(np.isfinite(low), low, high)
    ends = np.where(np.isfinite(low) & np.isfinite(high), (low + high) / 2, ends)
    return low, high, np.where(np.isfinite(ends), ends, 0.0)


def _slope_column(rows: Rows) -> int:
    """Return which column of the design is the last random one."""
    same = np.flatnonzero((rows.design == rows.random[:, -1:]).all(axis=0))
    if not len(same):
        raise DataError(
            "The last random column is no column of the design.",
            "Give it in the design, too, where it has multiplicative effects.",
        )
    return int(same[0])


def _summed_up(
    search: Search, rows: Rows, cluster: AnyArray, names: tuple[str, ...]
) -> FittedBoundedMixed:
    """Return what a search finds; ``cluster`` is that of each subject."""
    best, rounds = search.run()
    tangent, found, loglik = search.expect()
    step, step_errors = newton_step(search, tangent, found)
    fitted = best.profile.fitted(
        best.factor, best.settled, names[: rows.design.shape[1]], search.copies.rows.subjects
    )
    n = len(rows.starts)
    fitted = replace(
        fitted,
        subjects=rows.subjects,
        effects=fitted.effects[:n],
        effect_covariance=fitted.effect_covariance[:n],
    )
    measured = int(search.measured[: len(rows.response)].sum())
    return FittedBoundedMixed(
        model=fitted,
        step=step,
        step_errors=step_errors,
        loglik=loglik,
        n_rows=len(rows.response),
        n_bounded=len(rows.response) - measured,
        n_clusters=len(np.unique(cluster.astype(str))),
        rounds=rounds,
        process_variance=best.process * fitted.residual_variance,
        asymptote_chance=1 - search.copy_weight[:n],
        search=search,
        cluster=cluster,
    )
