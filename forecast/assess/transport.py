"""Move parameter draws along when the distribution they surround is corrected."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast.errors import RequestError
from forecast.survival import CountDistribution

__all__ = ["carry_draws", "carry_remaining"]

FloatArray = npt.NDArray[np.float64]
NOBODY = 1e-9  # a chance of no event so far below which nothing can be said of what follows


def carry_draws(draws: npt.ArrayLike, target: CountDistribution) -> FloatArray:
    """Return draws of a distribution moved so that their mean is exactly ``target``.

    Recalibration maps one distribution; parameter draws around it must follow. Probability is
    carried from the draws' mean to the target in order of the steps (the monotone transport),
    by the same amounts in every draw, so that draws stay distributions and differ as before.

    Parameters
    ----------
    draws : array of shape (n_draws, horizon)
        One subject's probabilities under each draw.
    target : CountDistribution
        One row, same horizon.

    Examples
    --------
    >>> target = CountDistribution([[0.25, 0.5]])
    >>> carry_draws([[0.5, 0.5], [0.5, 0.0]], target).tolist()
    [[0.25, 0.75], [0.25, 0.25]]
    """
    given = np.atleast_2d(np.asarray(draws, dtype=np.float64))
    if len(target) != 1 or given.shape[1] != target.horizon:
        raise RequestError(
            f"The draws have shape {given.shape}, the target {target.pmf.shape}.",
            "Give the draws of one subject over the target's horizon.",
        )
    whole = np.column_stack([given, np.clip(1 - given.sum(axis=1), 0, None)])
    source = np.append(0.0, np.cumsum(whole.mean(axis=0)))
    goal = np.append(np.append(0.0, target.cdf()[0]), 1.0)
    overlap = np.minimum(source[1:, None], goal[1:]) - np.maximum(source[:-1, None], goal[:-1])
    share = np.clip(overlap, 0, None)
    total = share.sum(axis=1, keepdims=True)
    kernel = np.divide(share, total, out=np.eye(len(share)), where=total > 0)
    moved: FloatArray = (whole @ kernel)[:, :-1]
    return moved


def carry_remaining(
    draws: FloatArray, target: CountDistribution, done: int, steps: int
) -> FloatArray:
    """Return draws of the ``steps`` after ``done``, given no event by then, moved to ``target``.

    Zeros where ``target`` has the event by ``done`` for certain: of such a subject nothing is
    known.

    Parameters
    ----------
    draws : ndarray of shape (n_draws, done + steps or more)
        One subject's probabilities from step 1 on, under each draw.
    target : CountDistribution
        One row, from step 1 on, same horizon.
    """
    if done and target.survival()[0, done - 1] < NOBODY:
        return np.zeros((len(draws), steps))
    remaining = CountDistribution(target.given_not_by(done).pmf[:, :steps])
    left = 1 - draws[:, :done].sum(axis=1, keepdims=True)
    return carry_draws(draws[:, done : done + steps] / np.maximum(left, NOBODY), remaining)
