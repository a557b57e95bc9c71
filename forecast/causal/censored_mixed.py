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

from forecast.causal.linear_mixed import FittedLinearMixed, LinearMixed, Profile
from forecast.causal.subject_sums import Rows, SubjectSums, read_rows
from forecast.causal.truncated_normal import truncated_moments
from forecast.errors import DataError
from forecast.survival.newton import check_rank

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CensoredMixed", "FittedCensoredMixed"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
MOST_ROUNDS = 200
SETTLED = 1e-4  # change of any coefficient in a round, in its standard errors


@dataclass(frozen=True, slots=True)
class CensoredMixed:
    """A linear mixed model for measured, and for bounded, responses.

    Attributes
    ----------
    correlated : bool
        Whether a subject's effects may be correlated.
    """

    correlated: bool = True

    def fit(
        self,
        design: npt.ArrayLike,
        lower: npt.ArrayLike,
        upper: npt.ArrayLike,
        subject: npt.ArrayLike | pd.Series[Any],
        *,
        random: npt.ArrayLike | None = None,
        cluster: npt.ArrayLike | None = None,
        names: tuple[str, ...] = (),
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
        names : tuple of str
            Of the design's columns.

        Raises
        ------
        DataError
            If bounds cross, lengths differ, or fewer rows than columns are bounded on both sides.
        FitError
            If columns of the design cannot be told apart.
        """
        low, high = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
        if low.shape != high.shape or not (low <= high).all():
            raise DataError(
                f"{int((~(low <= high)).sum()) if low.shape == high.shape else 'Some'} row(s) "
                "have a lower bound above the upper one.",
                "Give lower <= upper, both equal where the value was measured.",
            )
        measured = low == high
        ends = np.where(np.isfinite(low), low, high)
        ends = np.where(np.isfinite(low) & np.isfinite(high), (low + high) / 2, ends)
        rows = read_rows(design, np.where(np.isfinite(ends), ends, 0.0), subject, random)
        low, high, measured = low[rows.order], high[rows.order], measured[rows.order]
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
        search = _Search(rows, low, high, measured, LinearMixed("ml", correlated=self.correlated))
        codes = rows.code if cluster is None else np.asarray(cluster)[rows.order]
        return search.run(named, codes)


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
    """

    model: FittedLinearMixed
    robust_covariance: FloatArray
    loglik: float
    n_rows: int
    n_bounded: int
    n_clusters: int
    rounds: int

    @property
    def coefficients(self) -> FloatArray:
        """Fixed effects."""
        return self.model.coefficients


@dataclass(frozen=True, slots=True, eq=False)
class _Guess:
    """Parameters of a round."""

    coefficients: FloatArray
    relative: FloatArray  # covariance between subjects over the residual variance
    variance: float


@dataclass(frozen=True, slots=True, eq=False)
class _Filled:
    """What a guess says of the bounded values.

    ``values`` are all responses; ``groups`` the bounded rows by how many a subject has, with
    their covariances given everything; ``log_chance`` that of the bounds.
    """

    values: FloatArray
    groups: tuple[tuple[IntArray, FloatArray], ...]
    log_chance: float


class _Search:
    def __init__(
        self,
        rows: Rows,
        low: FloatArray,
        high: FloatArray,
        measured: npt.NDArray[np.bool_],
        model: LinearMixed,
    ) -> None:
        self.rows, self.low, self.high, self.model = rows, low, high, model
        self.measured = measured
        self.code = rows.code
        n_subjects = len(rows.starts)
        bounded = np.flatnonzero(~measured)
        count = np.bincount(self.code[bounded], minlength=n_subjects)
        # bounded rows of the subjects that have one, two, ... of them; shape (subjects, c)
        self.groups = tuple(
            bounded[count[self.code[bounded]] == c].reshape(-1, c)
            for c in np.unique(count[count > 0])
        )
        self.factors = [np.zeros((2, *at.shape)) for at in self.groups]
        blank = replace_rows(rows, measured)
        self.seen = SubjectSums.of(blank)
        self.all = SubjectSums.of(rows)
        self.n_measured = int(measured.sum())

    def run(self, names: tuple[str, ...], cluster: npt.NDArray[Any]) -> FittedCensoredMixed:
        profile = Profile(self.all, self.model)  # bounds taken as values, to start from
        factor, settled = profile.minimise()
        rounds, moving = 0, True
        while moving and rounds < MOST_ROUNDS:
            rounds += 1
            guess = guess_of(profile, factor)
            filled = self.fill(guess)
            profile = Profile(self.sums(filled), self.model)
            factor, settled = profile.minimise(factor)
            moved = np.abs(guess_of(profile, factor).coefficients - guess.coefficients)
            errors = np.sqrt(np.diag(profile.evaluate(factor).inverse) * guess.variance)
            moving = bool(self.groups) and (moved / errors).max() > SETTLED
        guess = guess_of(profile, factor)
        filled = self.fill(guess)
        fitted = profile.fitted(factor, settled and not moving, names, self.rows.subjects)
        bread, robust, n_clusters = self.scores(guess, filled, cluster)
        return FittedCensoredMixed(
            model=replace(fitted, covariance=bread),
            robust_covariance=robust,
            loglik=self.loglik(guess) + filled.log_chance,
            n_rows=len(self.low),
            n_bounded=len(self.low) - self.n_measured,
            n_clusters=n_clusters,
            rounds=rounds,
        )

    def fill(self, guess: _Guess) -> _Filled:
        """Return the moments of the bounded values given all that is known."""
        values = self.rows.response.copy()
        X, Z = self.rows.design, self.rows.random
        weight = weights(guess, self.seen)[self.seen.pattern]
        along = np.append(-guess.coefficients, 1.0)
        effect = np.einsum("nab,nbp,p->na", weight, self.seen.cross, along)
        groups, log_chance = [], 0.0
        for at, factors in zip(self.groups, self.factors, strict=True):
            who = self.code[at[:, 0]]
            mean = X[at] @ guess.coefficients + np.einsum("ncq,nq->nc", Z[at], effect[who])
            spread = Z[at] @ weight[who] @ Z[at].transpose(0, 2, 1) + np.eye(at.shape[1])
            bounds = self.low[at], self.high[at]
            found, covariance, chance = truncated_moments(
                mean, guess.variance * spread, *bounds, factors=factors
            )
            values[at] = found
            groups.append((at, covariance))
            log_chance += float(chance.sum())
        return _Filled(values, tuple(groups), log_chance)

    def sums(self, filled: _Filled) -> SubjectSums:
        """Return the sums of all rows, the bounded values with their second moments."""
        sums = SubjectSums.of(replace(self.rows, response=filled.values))
        extra = np.zeros_like(sums.inner)
        total = sums.total.copy()
        for at, covariance in filled.groups:
            Z = self.rows.random[at]
            part = Z.transpose(0, 2, 1) @ covariance @ Z
            np.add.at(extra, sums.pattern[self.code[at[:, 0]]], part)
            total[-1, -1] += np.trace(covariance, axis1=1, axis2=2).sum()
        return replace(sums, total=total, extra=extra)

    def loglik(self, guess: _Guess) -> float:
        """Return the log-likelihood of the measured rows."""
        sums, n = self.seen, self.n_measured
        grown = np.eye(len(guess.relative)) + guess.relative @ sums.inner
        along = np.append(-guess.coefficients, 1.0)
        rest = along @ (sums.total - sums.quadratic(weights(guess, sums))) @ along
        volume = sums.size @ np.linalg.slogdet(grown)[1] + n * np.log(2 * np.pi * guess.variance)
        return float(-0.5 * (volume + rest / guess.variance))

    def scores(
        self, guess: _Guess, filled: _Filled, cluster: npt.NDArray[Any]
    ) -> tuple[FloatArray, FloatArray, int]:
        """Return the inverse information of the coefficients, and their robust covariance.

        The information is the complete one less the covariance of the complete scores given what
        is known (Louis 1982, J R Stat Soc B 44:226); the scores are conditional means. Robust is
        the jackknife by cluster in one step: fitted scores alone spread too little.
        """
        X, Z = self.rows.design, self.rows.random
        p = X.shape[1]
        weight = weights(guess, self.all)[self.all.pattern]
        ZX = self.all.cross[:, :, :p]
        left = filled.values - X @ guess.coefficients
        ZR = np.add.reduceat(Z * left[:, None], self.rows.starts, axis=0)
        XR = np.add.reduceat(X * left[:, None], self.rows.starts, axis=0)
        score = XR - np.einsum("nap,nab,nb->np", ZX, weight, ZR)
        information = X.T @ X - np.einsum("nap,nab,nbr->pr", ZX, weight, ZX, optimize=True)
        for at, covariance in filled.groups:
            who = self.code[at[:, 0]]
            held = np.einsum("nap,nab,ncb->ncp", ZX[who], weight[who], Z[at], optimize=True)
            hidden = X[at] - held
            lost = np.einsum("ncp,ncd,ndr->pr", hidden, covariance, hidden, optimize=True)
            information -= lost / guess.variance
        _, code = np.unique(np.asarray(cluster).astype(str), return_inverse=True)
        owner = code[self.rows.starts]
        n_clusters = int(code.max()) + 1
        by_cluster = np.zeros((n_clusters, p))
        np.add.at(by_cluster, owner, score)
        moved = np.empty((n_clusters, p))
        for one in range(n_clusters):
            mine, own = X[code == one], owner == one
            held = np.einsum("nap,nab,nbr->pr", ZX[own], weight[own], ZX[own], optimize=True)
            moved[one] = np.linalg.lstsq(information - mine.T @ mine + held, by_cluster[one])[0]
        bread = np.asarray(np.linalg.inv(information) * guess.variance, dtype=np.float64)
        return bread, moved.T @ moved * ((n_clusters - 1) / n_clusters), n_clusters


def guess_of(profile: Profile, factor: FloatArray) -> _Guess:
    """Return the parameters at a relative factor."""
    at = profile.evaluate(factor)
    return _Guess(at.solution, factor @ factor.T, at.variance)


def weights(guess: _Guess, sums: SubjectSums) -> FloatArray:
    """Return the weight of each pattern, (G, q, q)."""
    grown = np.eye(len(guess.relative)) + guess.relative @ sums.inner
    return np.asarray(np.linalg.solve(grown, guess.relative), dtype=np.float64)


def replace_rows(rows: Rows, keep: npt.NDArray[np.bool_]) -> Rows:
    """Return the rows with those not kept counting nothing, so that every subject stays."""
    on = keep.astype(np.float64)
    return replace(
        rows,
        design=rows.design * on[:, None],
        response=rows.response * on,
        random=rows.random * on[:, None],
    )
