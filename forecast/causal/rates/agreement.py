"""How far raters agree: intraclass correlations, and kappa that counts near misses for less."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
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
    """Return ICC(1,1) where targets have different raters and different numbers of them.

    By analysis of variance; targets rated once are left out.

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
            f"{n} target(s) were rated more than once.", "Agreement needs at least two."
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
