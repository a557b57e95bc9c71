"""Where each outcome fell in its own predicted distribution, with ties broken at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.assess.outcomes import Outcomes
from forecast.survival import CountDistribution

__all__ = ["DCalibration", "d_calibration", "pit_ranges", "tie_split_coverage", "tie_split_share"]

FloatArray = npt.NDArray[np.float64]


def pit_ranges(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the stretch of [0, 1] in which each path's rank lies, two arrays (n,).

    For an event at T that is [F(T - 1), F(T)]; for a path censored at C it is [F(C), 1]; F is
    the distribution given no event by the path's entry.
    """
    seen = outcomes.up_to(distribution.horizon)
    by_step = seen.conditioned(distribution).cdf()
    padded = np.hstack([np.zeros((len(seen), 1)), by_step])
    rows = np.arange(len(seen))
    low = padded[rows, seen.step - seen.observed]
    high = np.where(seen.observed, padded[rows, seen.step], 1.0)
    return low, high


@dataclass(frozen=True, slots=True, eq=False)
class DCalibration:
    """How evenly the outcomes spread over the predicted distributions.

    Attributes
    ----------
    counts : ndarray of shape (bins,)
        Paths in each equal stretch of F, the censored ones spread over where they may still fall.
    statistic, p_value : float
        Pearson's chi-square against equal counts, and its tail chance with bins - 1 degrees.
    """

    counts: FloatArray
    statistic: float
    p_value: float


def d_calibration(
    distribution: CountDistribution, outcomes: Outcomes, *, bins: int = 10, seed: int = 0
) -> DCalibration:
    """Return the D-calibration test of Haider et al. (2020, JMLR 21:85) for counts.

    Because counts are tied, an event at T is placed at F(T - 1) + V (F(T) - F(T - 1)) with V
    uniform: placing it at F(T), or half-way, rejects even the true distribution. With much
    censoring the test is cautious, as the censored paths are spread as predicted.
    """
    from scipy.stats import chi2

    bins = check_whole_number(bins, name="bins", low=2)
    low, high = pit_ranges(distribution, outcomes)
    seen = outcomes.up_to(distribution.horizon)
    drawn = low + np.random.default_rng(seed).random(len(low)) * (high - low)
    place = np.minimum((drawn * bins).astype(np.int64), bins - 1)
    exact = np.zeros((len(low), bins))
    exact[np.arange(len(low)), place] = 1
    edges = np.linspace(0, 1, bins + 1)
    overlap = np.clip(edges[1:] - np.maximum(edges[:-1], low[:, None]), 0, None)
    spread = overlap / np.maximum(1 - low, 1e-12)[:, None]
    spread[low >= 1] = np.eye(bins)[-1]
    counts: FloatArray = seen.weight @ np.where(seen.observed[:, None], exact, spread)
    expected = counts.sum() / bins
    statistic = float(((counts - expected) ** 2 / expected).sum())
    return DCalibration(counts, statistic, float(chi2.sf(statistic, bins - 1)))


def tie_split_share(low: FloatArray, high: FloatArray, *, level: float) -> FloatArray:
    """Return how much of each stretch [low, high] of ranks lies in the middle ``level``, (n,).

    A stretch without length counts whole or not at all.

    Examples
    --------
    >>> tie_split_share(np.array([0.0, 0.2]), np.array([0.2, 0.2]), level=0.8).round(9).tolist()
    [0.5, 1.0]
    """
    tail = (1 - check_level(level)) / 2
    inside = np.clip(np.minimum(high, 1 - tail) - np.maximum(low, tail), 0, None)
    length = high - low
    point = (low >= tail) & (low <= 1 - tail)
    share: FloatArray = np.divide(
        inside, length, out=point.astype(np.float64), where=length > 1e-12
    )
    return share


def tie_split_coverage(
    distribution: CountDistribution, step: npt.ArrayLike, *, level: float
) -> FloatArray:
    """Return each row's chance of lying in its interval when the ends are randomised, shape (n,).

    A whole-number interval of a perfect distribution covers more than its level, by an amount
    that depends on the steps' chances. Let each end take in its own step with just the chance
    that makes both tails exact: then a perfect distribution covers exactly ``level`` on average,
    and any other answer is the model's doing. This returns the expected value over that
    randomisation: the part of [F(T - 1), F(T)] inside the middle ``level``, over its length.

    Parameters
    ----------
    distribution : CountDistribution
        One row per subject.
    step : array of shape (n,)
        The known count; ``inf``, or anything beyond the horizon, is one class "later or never".
    level : float
        The interval's level, in (0, 1).

    Examples
    --------
    >>> even = CountDistribution(np.full((4, 4), 0.25))
    >>> float(tie_split_coverage(even, [1, 2, 3, 4], level=0.8).mean().round(9))
    0.8
    """
    counts = np.asarray(step, dtype=np.float64)
    horizon = distribution.horizon
    n = len(distribution)
    edges = np.hstack([np.zeros((n, 1)), distribution.cdf(), np.ones((n, 1))])
    last = np.minimum(counts, horizon + 1).astype(np.int64)
    rows = np.arange(n)
    return tie_split_share(edges[rows, last - 1], edges[rows, last], level=level)
