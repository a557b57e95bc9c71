"""How far raters agree, and how far the effects that several groups found differ."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, counted
from forecast._types import BoolArray, FloatArray, IntArray
from forecast.errors import DataError


@dataclass(frozen=True, slots=True)
class Intraclass:
    """ICC(2,1) of Shrout & Fleiss 1979: the same raters throughout, taken as a sample of many.

    Attributes
    ----------
    two_way : float
    two_way_interval : tuple of 2 float
    """

    two_way: float
    two_way_interval: tuple[float, float]


def intraclass(ratings: npt.ArrayLike, *, level: float = 0.95) -> Intraclass:
    """Return the intraclass correlation of n targets rated by the same k raters.

    Shrout & Fleiss 1979, Psychol Bull 86:420.

    Parameters
    ----------
    ratings : array of shape (n, k)
        No gaps; at least two of each.
    level : float
        Of the interval.

    Raises
    ------
    DataError
        If there is a gap, fewer than two of each, or no difference at all.
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
    return Intraclass(float(two_way), (float(low), float(high)))


def one_way_intraclass(values: npt.ArrayLike, target: npt.ArrayLike) -> float:
    """Return ICC(1,1) of ``values`` by ``target``, whose raters and their numbers may differ.

    By analysis of variance; targets rated once are left out.

    Raises
    ------
    DataError
        If no two targets were rated twice.

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


def weighted_kappa(first: npt.ArrayLike, second: npt.ArrayLike) -> float:
    """Return kappa of two raters' ordered grades with squared distances as weights.

    Cohen 1968, Psychol Bull 70:213. Not a number when neither rater ever differs from one grade.

    Parameters
    ----------
    first, second : array of shape (n,)
        Whole-number grades.

    Raises
    ------
    DataError
        If the grades differ in number.

    Examples
    --------
    >>> weighted_kappa([0, 1, 2, 3], [0, 1, 2, 3])
    1.0
    """
    one = np.asarray(first, dtype=np.float64)
    other = np.asarray(second, dtype=np.float64)
    if one.shape != other.shape or one.ndim != 1 or not len(one):
        raise DataError("The raters' grades differ in number.", "Give one grade each per target.")
    seen = ((one - other) ** 2).mean()
    by_chance = ((one[:, None] - other[None, :]) ** 2).mean()
    return float(1 - seen / by_chance) if by_chance > 0 else float("nan")


MOST_STEPS = 500
SETTLED = 1e-12  # gain in the restricted log-likelihood


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffects:
    """Common effects and the spread between groups.

    Attributes
    ----------
    mean : ndarray of shape (p,)
        The effects in the middle of the groups; NaN where no group gave one.
    covariance : ndarray of shape (p, p)
        Of ``mean``; it does not hold the spread itself.
    variance_between : ndarray of shape (p,)
        Variance of true effects from group to group; NaN with fewer than two groups.
    variance_error : ndarray of shape (p,)
        Its standard error, by expected information; NaN likewise.
    n_groups : ndarray of shape (p,), int
        Groups that gave each effect.
    stretch : ndarray of shape (p,)
        How far groups lie from the mean, as a multiple of what their errors and the spread say:
        the factor of Hartung & Knapp 2001 (Stat Med 20:3875), for each effect alone.
    loglik : float
        Restricted log-likelihood, without its constant.
    converged : bool
    """

    mean: FloatArray
    covariance: FloatArray
    variance_between: FloatArray
    variance_error: FloatArray
    n_groups: IntArray
    stretch: FloatArray
    loglik: float
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
        errors = np.maximum(t.ppf(upper, freedom) * self.stretch, norm.ppf(upper))
        half = errors * np.sqrt(np.diag(self.covariance))
        return np.column_stack([self.mean - half, self.mean + half])


def random_effects(
    estimates: Sequence[npt.ArrayLike], covariances: Sequence[npt.ArrayLike]
) -> RandomEffects:
    """Return the common effects of groups and the spread between them, by REML.

    Parameters
    ----------
    estimates : sequence of array of shape (p,)
        One per group; NaN where a group does not give an effect.
    covariances : sequence of array of shape (p, p)
        Of the estimates; rows and columns of absent effects are not looked at.

    Raises
    ------
    DataError
        If there is no group, shapes differ, or a covariance is not positive definite.

    Examples
    --------
    >>> found = random_effects([[0.1], [0.5], [0.9]], [[[0.01]], [[0.01]], [[0.01]]])
    >>> round(float(found.mean[0]), 3), round(float(found.variance_between[0]), 3)
    (0.5, 0.15)
    """
    stacked = _Stacked.of(estimates, covariances)
    variances, state, converged = _maximise(stacked)
    error = np.full(len(variances), np.nan)
    if stacked.free.any():
        information = state.information[np.ix_(stacked.free, stacked.free)]
        error[stacked.free] = np.sqrt(np.diag(np.linalg.pinv(information)))
    p = len(stacked.n_groups)
    mean, covariance = np.full(p, np.nan), np.full((p, p), np.nan)
    mean[stacked.seen] = state.mean
    covariance[np.ix_(stacked.seen, stacked.seen)] = state.covariance
    return RandomEffects(
        mean=mean,
        covariance=covariance,
        variance_between=np.where(stacked.free, variances, np.nan),
        variance_error=error,
        n_groups=stacked.n_groups,
        stretch=stacked.stretch(mean, variances),
        loglik=state.loglik,
        converged=converged,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The restricted likelihood at some spread, and what it says of spread and mean."""

    loglik: float
    score: FloatArray
    information: FloatArray
    mean: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Stacked:
    """All estimates in one column, with the effect that each is of."""

    values: FloatArray
    within: FloatArray
    effect: FloatArray
    seen: BoolArray
    free: BoolArray
    n_groups: IntArray

    @classmethod
    def of(
        cls, estimates: Sequence[npt.ArrayLike], covariances: Sequence[npt.ArrayLike]
    ) -> _Stacked:
        """Return the stacked estimates, checked."""
        if not len(estimates) or len(estimates) != len(covariances):
            raise DataError(
                f"There are {len(estimates)} estimates and {len(covariances)} covariances.",
                "Give one of each for every group.",
            )
        table = [np.asarray(each, dtype=np.float64) for each in estimates]
        blocks = [np.asarray(each, dtype=np.float64) for each in covariances]
        p = table[0].size
        for group, (values, block) in enumerate(zip(table, blocks, strict=True)):
            _check_group(group, values, block, p)
        given = np.isfinite(np.array(table))
        sizes = given.sum(axis=1)
        within = np.zeros((sizes.sum(), sizes.sum()))
        ends = np.cumsum(sizes)
        for block, mask, end, size in zip(blocks, given, ends, sizes, strict=True):
            within[end - size : end, end - size : end] = block[np.ix_(mask, mask)]
        n_groups = given.sum(axis=0)
        rows = np.concatenate([np.flatnonzero(mask) for mask in given])
        effect = (rows[:, None] == np.arange(p)).astype(np.float64)
        values = np.concatenate([row[mask] for row, mask in zip(table, given, strict=True)])
        return cls(values, within, effect, n_groups > 0, n_groups > 1, n_groups)

    def at(self, variances: FloatArray) -> _State:
        """Return the restricted likelihood with these variances between groups."""
        total = self.within + np.diag(self.effect @ variances)
        inverse = np.linalg.inv(total)
        design = self.effect[:, self.seen]
        precision = design.T @ inverse @ design
        covariance: FloatArray = np.linalg.inv(precision).astype(np.float64)
        projector = inverse - inverse @ design @ covariance @ design.T @ inverse
        residual = projector @ self.values
        loglik = -0.5 * (
            np.linalg.slogdet(total)[1]
            + np.linalg.slogdet(precision)[1]
            + float(self.values @ residual)
        )
        score = 0.5 * self.effect.T @ (residual**2 - np.diag(projector))
        information = 0.5 * self.effect.T @ projector**2 @ self.effect
        mean: FloatArray = covariance @ design.T @ inverse @ self.values
        return _State(float(loglik), score, information, mean, covariance)

    def stretch(self, mean: FloatArray, variances: FloatArray) -> FloatArray:
        """Return how much farther groups lie from the mean than expected."""
        total = np.diag(self.within) + self.effect @ variances
        off = (self.values - self.effect @ np.nan_to_num(mean)) ** 2 / total
        ratio = (self.effect.T @ off) / np.maximum(self.n_groups - 1, 1)
        return np.sqrt(ratio)

    def start(self) -> FloatArray:
        """Return the average reported variance of each effect, a start that is never zero."""
        total = self.effect.T @ np.diag(self.within)
        return np.where(self.free, total / np.maximum(self.n_groups, 1), 0.0)


def _check_group(group: int, values: FloatArray, block: FloatArray, p: int) -> None:
    """Raise DataError when a group's estimates and covariance cannot be used."""
    if values.shape != (p,) or block.shape != (p, p):
        raise DataError(
            f"Group {group} has estimates of shape {values.shape} and a covariance of shape "
            f"{block.shape}, the first has {counted(p, 'effect')}.",
            "Give the same effects in the same order, NaN where a group has none.",
        )
    mask = np.isfinite(values)
    part = block[np.ix_(mask, mask)]
    near = 1e-10 * float(np.abs(part).max(initial=0.0))
    if not np.isfinite(part).all() or not np.allclose(part, part.T, rtol=1e-8, atol=near):
        raise DataError(f"The covariance of group {group} is not symmetric.", "Correct it.")
    if len(part) and float(np.linalg.eigvalsh(part)[0]) <= 0:
        raise DataError(
            f"The covariance of group {group} is not positive definite.",
            "Give each effect a variance above zero.",
        )


def _maximise(stacked: _Stacked) -> tuple[FloatArray, _State, bool]:
    """Return the variances that maximise the restricted likelihood, the state there, if settled."""
    variances = stacked.start()
    state = stacked.at(variances)
    for _ in range(MOST_STEPS):
        # at the border and pulled below it: the variance stays at zero
        move = stacked.free & ~((variances == 0) & (state.score <= 0))
        if not move.any():
            return variances, state, True
        block = state.information[np.ix_(move, move)]
        step = np.zeros_like(variances)
        step[move] = np.linalg.lstsq(block, state.score[move], rcond=None)[0]
        ahead, trial = _shortened(stacked, variances, step, state)
        gain = trial.loglik - state.loglik
        if gain < SETTLED:
            return variances, state, True
        variances, state = ahead, trial
    return variances, state, False


def _shortened(
    stacked: _Stacked, variances: FloatArray, step: FloatArray, state: _State
) -> tuple[FloatArray, _State]:
    """Return the first of ever shorter steps that does not lower the likelihood."""
    for _ in range(40):
        ahead = np.maximum(variances + step, 0.0)
        trial = stacked.at(ahead)
        if trial.loglik >= state.loglik:
            return ahead, trial
        step = step / 2
    return variances, state
