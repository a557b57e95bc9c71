"""Inverse-probability weights: made, stabilised, truncated, and what they cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast.causal.logistic import logistic_coefficients, logistic_probability
from forecast.errors import DataError, RequestError

__all__ = [
    "MeanDifference",
    "WeightSummary",
    "cumulative_product",
    "effective_number",
    "point_weights",
    "summarise_weights",
    "truncate_weights",
    "weighted_difference",
]

FloatArray = npt.NDArray[np.float64]


def effective_number(weight: npt.ArrayLike) -> float:
    """Return Kish's effective number: as many equal weights would be as precise.

    Examples
    --------
    >>> effective_number([2.0, 2.0, 2.0])
    3.0
    >>> effective_number([1.0, 0.0, 0.0])
    1.0
    """
    w = np.asarray(weight, dtype=np.float64)
    square = float(w @ w)
    return 0.0 if square == 0 else float(w.sum() ** 2 / square)


def truncate_weights(
    weight: npt.ArrayLike, *, quantile: float = 0.99, rows: npt.ArrayLike | None = None
) -> tuple[FloatArray, float]:
    """Return the weights cut off above their ``quantile``, and the limit used.

    Weights of 0 take no part in the quantile; ``rows`` counts how often each row occurs, so
    that a resample finds the limit that repeated rows would give. ``quantile=1`` cuts nothing.
    """
    w = np.asarray(weight, dtype=np.float64)
    if not 0 < quantile <= 1:
        raise RequestError(f"quantile is {quantile!r}.", "Give a fraction above 0 and up to 1.")
    count = np.ones(len(w)) if rows is None else np.asarray(rows, dtype=np.float64)
    used = np.flatnonzero((w > 0) & (count > 0))
    if not used.size or quantile == 1:
        return w.copy(), float(w.max(initial=0.0))
    order = used[np.argsort(w[used], kind="stable")]
    position = np.searchsorted(count[order].cumsum(), quantile * count[order].sum())
    limit = float(w[order[min(int(position), len(order) - 1)]])
    return np.minimum(w, limit), limit


def cumulative_product(factor: FloatArray, first: npt.NDArray[np.bool_]) -> FloatArray:
    """Return running products that start again wherever ``first`` is true.

    Parameters
    ----------
    factor : ndarray of shape (n,)
        Above 0; rows of one subject together, in the order of their steps.
    first : ndarray of shape (n,), bool
        Whether the row is its subject's first.

    Examples
    --------
    >>> import numpy as np
    >>> first = np.array([True, False, True])
    >>> cumulative_product(np.array([2.0, 3.0, 5.0]), first).round(6)
    array([2., 6., 5.])
    """
    total = np.log(factor).cumsum()
    begin = np.flatnonzero(first)
    before = np.concatenate([[0.0], total])[begin]
    sizes = np.diff(np.append(begin, len(factor)))
    product: FloatArray = np.exp(total - np.repeat(before, sizes))
    return product


def point_weights(
    group: npt.ArrayLike, design: FloatArray, *, stabilise: bool = True, ridge: float = 0.0
) -> FloatArray:
    """Return inverse-probability weights for one choice between two groups.

    Parameters
    ----------
    group : array-like of shape (n,)
        0 or 1.
    design : ndarray of shape (n, p)
        Confounders with a leading column of ones.
    stabilise : bool
        Multiply by the share of the own group (Hernán & Robins, *What If*, section 12.3).

    Raises
    ------
    DataError
        If everyone is in one group.
    """
    chosen = np.asarray(group, dtype=np.float64)
    share = chosen.mean()
    if share in (0, 1):
        raise DataError("All rows are in one group.", "Give rows of both groups.")
    fitted = logistic_probability(design, logistic_coefficients(design, chosen, ridge=ridge))
    received = np.where(chosen == 1, fitted, 1 - fitted)
    numerator = np.where(chosen == 1, share, 1 - share) if stabilise else 1.0
    weight: FloatArray = numerator / received
    return weight


@dataclass(frozen=True, slots=True)
class MeanDifference:
    """A difference of two weighted means and its robust standard error."""

    estimate: float
    error: float
    means: tuple[float, float]

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the normal interval at ``level``."""
        from statistics import NormalDist

        reach = NormalDist().inv_cdf((1 + check_level(level)) / 2) * self.error
        return self.estimate - reach, self.estimate + reach


def weighted_difference(
    outcome: npt.ArrayLike, group: npt.ArrayLike, weight: npt.ArrayLike
) -> MeanDifference:
    """Return the weighted mean of group 1 minus that of group 0.

    The error is the sandwich of a weighted regression on the group (HC0), which takes the
    weights as known and therefore errs on the wide side.

    Examples
    --------
    >>> weighted_difference([1, 3, 5, 9], [0, 0, 1, 1], [1, 1, 1, 1]).estimate
    5.0
    """
    y = np.asarray(outcome, dtype=np.float64)
    w = np.asarray(weight, dtype=np.float64)
    member = np.asarray(group) == 1
    means, variance = [], 0.0
    for rows in (~member, member):
        total = w[rows].sum()
        if total <= 0:
            raise DataError("One group has no weight.", "Give rows of both groups.")
        mean = float(w[rows] @ y[rows] / total)
        variance += float((w[rows] ** 2) @ (y[rows] - mean) ** 2 / total**2)
        means.append(mean)
    return MeanDifference(means[1] - means[0], variance**0.5, (means[0], means[1]))


@dataclass(frozen=True, slots=True)
class WeightSummary:
    """How the weights of one strategy are spread.

    Attributes
    ----------
    n : int
        Rows with a weight.
    mean, median, p99, largest : float
        Of the weights as used.
    largest_before : float
        Before truncation.
    limit : float
        Where they were cut off.
    share_truncated : float
        Share of rows above the limit.
    effective : float
        Kish's effective number of rows.
    """

    n: int
    mean: float
    median: float
    p99: float
    largest: float
    largest_before: float
    limit: float
    share_truncated: float
    effective: float


def summarise_weights(raw: FloatArray, used: FloatArray, limit: float) -> WeightSummary:
    """Return the summary of weights before (``raw``) and after truncation (``used``)."""
    rows = raw > 0
    if not rows.any():
        return WeightSummary(0, *(float("nan"),) * 4, 0.0, limit, 0.0, 0.0)
    kept = used[rows]
    return WeightSummary(
        n=int(rows.sum()),
        mean=float(kept.mean()),
        median=float(np.median(kept)),
        p99=float(np.quantile(kept, 0.99)),
        largest=float(kept.max()),
        largest_before=float(raw.max()),
        limit=limit,
        share_truncated=float((raw[rows] > limit).mean()),
        effective=effective_number(kept),
    )
