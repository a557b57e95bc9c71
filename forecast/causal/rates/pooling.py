"""Estimates from several groups as one: a common mean, and how far groups truly differ.

Each group gives some of the effects with their covariance; groups need not give the same ones.
The estimates of group g are normal around its own effects, with the covariance it reports, and
its own effects are normal around the common ones, independently from effect to effect. The
spread between groups is estimated by restricted maximum likelihood (REML), by Fisher scoring
held at zero from below (Viechtbauer 2005, J Educ Behav Stat 30:261, for one effect).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._types import BoolArray, FloatArray, IntArray
from forecast.errors import DataError

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
    loglik : float
        Restricted log-likelihood, without its constant.
    converged : bool
    """

    mean: FloatArray
    covariance: FloatArray
    variance_between: FloatArray
    variance_error: FloatArray
    n_groups: IntArray
    loglik: float
    converged: bool


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

    def start(self) -> FloatArray:
        """Return the average reported variance of each effect, a start that is never zero."""
        total = self.effect.T @ np.diag(self.within)
        return np.where(self.free, total / np.maximum(self.n_groups, 1), 0.0)


def _check_group(group: int, values: FloatArray, block: FloatArray, p: int) -> None:
    """Raise DataError when a group's estimates and covariance cannot be used."""
    if values.shape != (p,) or block.shape != (p, p):
        raise DataError(
            f"Group {group} has estimates of shape {values.shape} and a covariance of shape "
            f"{block.shape}, the first has {p} effect(s).",
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
