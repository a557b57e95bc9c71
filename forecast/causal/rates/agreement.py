"""How far raters agree, and how far the effects that several groups found differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray, shares
from forecast._checks import check_level, counted
from forecast.errors import DataError


def intraclass(ratings: npt.ArrayLike, *, level: float = 0.95) -> tuple[float, tuple[float, float]]:
    """Return the intraclass correlation of n targets rated by the same k raters, and its interval.

    ICC(2,1) of Shrout & Fleiss 1979, Psychol Bull 86:420: the raters are a sample of many. The
    ``ratings``, (n, k), have no gaps; the interval is at ``level``. Raises DataError if there is a
    gap, fewer than two of each, or no difference at all.

    Examples
    --------
    >>> agreement, (low, high) = intraclass([[1, 2], [8, 8], [5, 7]])
    >>> round(agreement, 2), round(low, 2), round(high, 2)
    (0.93, 0.17, 1.0)
    """
    from scipy.stats import f

    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise DataError(
            f"The ratings have shape {table.shape} or gaps.",
            "Give at least two targets, each rated by the same two or more raters.",
        )
    n, k = table.shape
    centre = table.mean()
    targets = k * ((table.mean(axis=1) - centre) ** 2).sum() / (n - 1)
    raters = n * ((table.mean(axis=0) - centre) ** 2).sum() / (k - 1)
    within = ((table - table.mean(axis=1, keepdims=True)) ** 2).sum()
    rest = (within - (k - 1) * raters) / ((n - 1) * (k - 1))
    if targets + raters + rest <= 0:
        raise DataError("All ratings are the same.", "Agreement needs targets that differ.")
    two_way = (targets - rest) / (targets + (k - 1) * rest + k * (raters - rest) / n)
    tail = (1 - check_level(level)) / 2
    low = high = two_way
    if rest > 0:
        ratio, a = raters / rest, k * two_way
        b = n * (1 + (k - 1) * two_way) - a
        freedom = (k - 1) * (n - 1) * (a * ratio + b) ** 2
        freedom /= (n - 1) * (a * ratio) ** 2 + b**2
        below = f.ppf(1 - tail, n - 1, freedom)
        above = f.ppf(1 - tail, freedom, n - 1)
        spread = k * raters + (k * n - k - n) * rest
        low = n * (targets - below * rest) / (below * spread + n * targets)
        high = n * (above * targets - rest) / (spread + n * above * targets)
    return float(two_way), (float(low), float(high))


def one_way_intraclass(values: npt.ArrayLike, target: npt.ArrayLike) -> float:
    """Return ICC(1,1) of ``values`` by ``target``, whose raters and their numbers may differ.

    By analysis of variance; targets rated once are left out.

    Raises DataError if no two targets were rated twice.

    Examples
    --------
    >>> round(one_way_intraclass([1, 2, 8, 9, 5, 5], [1, 1, 2, 2, 3, 3]), 3)
    0.973
    """
    ratings = np.asarray(values, dtype=np.float64)
    _, code, size = np.unique(np.asarray(target), return_inverse=True, return_counts=True)
    repeated = size[code] > 1
    _, code, size = np.unique(code[repeated], return_inverse=True, return_counts=True)
    ratings, n, total = ratings[repeated], len(size), int(size.sum())
    if n < 2:
        raise DataError(
            f"{counted(n, 'target')} rated more than once.", "Agreement needs at least two."
        )
    mean = np.bincount(code, ratings) / size
    between = (size * (mean - ratings.mean()) ** 2).sum() / (n - 1)
    within = ((ratings - mean[code]) ** 2).sum() / (total - n)
    typical = (total - (size**2).sum() / total) / (n - 1)
    scale = between + (typical - 1) * within
    return float((between - within) / scale) if scale > 0 else float("nan")


MOST_STEPS = 500
SETTLED = 1e-12  # gain in the restricted log-likelihood


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffects:
    """Common effects (p,) and the spread between groups, each effect alone."""

    mean: FloatArray  # in the middle of the groups; NaN where no group gave one
    error: FloatArray  # standard error of ``mean``; it does not hold the spread itself
    variance_between: FloatArray  # of true effects between groups; NaN with fewer than two
    n_groups: IntArray  # that gave each effect
    # How far groups lie from the mean, as a multiple of what their errors and the spread say: the
    # factor of Hartung & Knapp 2001 (Stat Med 20:3875).
    stretch: FloatArray
    converged: bool

    def interval(self, level: float = 0.95) -> FloatArray:
        """Return the ends of each effect's interval, (p, 2), NaN with fewer than two groups.

        Hartung & Knapp's, by t with one degree less than groups, since the spread found among few
        is itself uncertain; but never narrower than the normal one. A floor of one under the
        factor instead would cover always with two groups.
        """
        from scipy.stats import norm, t

        upper = (1 + check_level(level)) / 2
        freedom = np.where(self.n_groups > 1, self.n_groups - 1.0, np.nan)
        half = np.maximum(t.ppf(upper, freedom) * self.stretch, norm.ppf(upper)) * self.error
        return np.column_stack([self.mean - half, self.mean + half])


def random_effects(estimates: npt.ArrayLike, errors: npt.ArrayLike) -> RandomEffects:
    """Return the common effects of groups and the spread between them, by REML.

    ``estimates`` and ``errors``, (n_groups, p), are each group's effects and their standard errors,
    NaN where a group does not give an effect. Raises DataError if there is no group, shapes differ,
    or an error is not above zero.

    Examples
    --------
    >>> found = random_effects([[0.1], [0.5], [0.9]], [[0.1], [0.1], [0.1]])
    >>> round(float(found.mean[0]), 3), round(float(found.variance_between[0]), 3)
    (0.5, 0.15)
    """
    values, within = np.asarray(estimates, np.float64), np.asarray(errors, np.float64) ** 2
    if values.ndim != 2 or not values.size or values.shape != within.shape:
        raise DataError(
            f"The estimates have shape {values.shape}, their errors {within.shape}.",
            "Give one row for every group and the same effects in each, NaN where it has none.",
        )
    given = np.isfinite(values)
    if not (within[given] > 0).all():
        raise DataError("An error is not above zero.", "Give each estimate its standard error.")
    n_groups = given.sum(axis=0)
    several = n_groups > 1
    values, within = np.where(given, values, 0.0), np.where(given, within, 1.0)

    def at(variance: FloatArray) -> _State:
        return _State.of(values, 1.0 * given / (within + variance))

    # the average reported variance: a start that is never zero
    variance = np.where(several, (within * given).sum(axis=0) / np.maximum(n_groups, 1), 0.0)
    state, converged = at(variance), False
    for _ in range(MOST_STEPS):
        # at the border and pulled below it the variance stays at zero
        moves = several & ((variance > 0) | (state.score > 0))
        step = np.where(moves, shares(state.score, state.information), 0.0)
        for _ in range(40):  # ever shorter ones, until the likelihood does not fall
            ahead = np.maximum(variance + step, 0.0)
            there = at(ahead)
            if there.loglik >= state.loglik:
                break
            step = step / 2
        converged = there.loglik - state.loglik < SETTLED
        if converged:
            break
        variance, state = ahead, there
    error = np.full(len(variance), np.nan)
    error[n_groups > 0] = state.precision[n_groups > 0] ** -0.5
    return RandomEffects(
        mean=state.mean,
        error=error,
        variance_between=np.where(several, variance, np.nan),
        n_groups=n_groups,
        stretch=np.sqrt(state.apart / np.maximum(n_groups - 1, 1)),
        converged=converged,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The restricted likelihood of all effects at some spread, and what it says of each."""

    loglik: float
    score: FloatArray  # of the variance between groups, and its expected information
    information: FloatArray
    mean: FloatArray
    precision: FloatArray
    apart: FloatArray  # weighted squares about the mean

    @classmethod
    def of(cls, values: FloatArray, weight: FloatArray) -> _State:
        """Return the state where estimates have these weights, 0 for those that are absent."""
        precision, square = weight.sum(axis=0), (weight**2).sum(axis=0)
        mean = np.where(precision > 0, shares((weight * values).sum(axis=0), precision), np.nan)
        off = weight * np.where(weight > 0, values - mean, 0.0) ** 2
        seen = precision > 0
        loglik = np.log(weight[weight > 0]).sum() - np.log(precision[seen]).sum() - off.sum()
        taken = shares(square, precision)  # of the weights, by the mean
        score = ((weight * off).sum(axis=0) - precision + taken) / 2
        cubes = shares((weight**3).sum(axis=0), precision)
        information = (square - 2 * cubes + taken**2) / 2
        return cls(float(loglik / 2), score, information, mean, precision, off.sum(axis=0))
