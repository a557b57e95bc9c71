"""Shares of few events: intervals, differences and odds ratios that hold for small counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.errors import DataError

__all__ = [
    "OddsRatio",
    "exact_interval",
    "mantel_haenszel",
    "newcombe_difference",
    "normal_quantile",
    "paired_test",
    "poisson_interval",
    "upper_limit",
    "wilson_interval",
]

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class OddsRatio:
    """An odds ratio on the log scale.

    Attributes
    ----------
    log_ratio, standard_error : float
        Natural log of the odds ratio and its standard error.
    """

    log_ratio: float
    standard_error: float

    @property
    def ratio(self) -> float:
        """The odds ratio."""
        return float(np.exp(self.log_ratio))

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of the odds ratio, symmetric on the log scale."""
        reach = normal_quantile(0.5 + check_level(level) / 2) * self.standard_error
        return float(np.exp(self.log_ratio - reach)), float(np.exp(self.log_ratio + reach))


def wilson_interval(events: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the score interval of a share (Wilson 1927; Newcombe 1998, method 3).

    Examples
    --------
    >>> low, high = wilson_interval(81, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    >>> wilson_interval(0, 20)[0]
    0.0
    """
    events, n = _counts(events, n)
    z = normal_quantile(0.5 + check_level(level) / 2)
    share, square = events / n, z * z
    middle = share + square / (2 * n)
    reach = z * np.sqrt(share * (1 - share) / n + square / (4 * n * n))
    low = 0.0 if events == 0 else float((middle - reach) / (1 + square / n))
    high = 1.0 if events == n else float((middle + reach) / (1 + square / n))
    return low, high


def exact_interval(events: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper & Pearson 1934).

    Examples
    --------
    >>> low, high = exact_interval(0, 140)
    >>> low, round(high, 3)
    (0.0, 0.026)
    """
    from scipy.stats import beta

    events, n = _counts(events, n)
    tail = (1 - check_level(level)) / 2
    low = 0.0 if events == 0 else float(beta.ppf(tail, events, n - events + 1))
    high = 1.0 if events == n else float(beta.ppf(1 - tail, events + 1, n - events))
    return low, high


def upper_limit(events: int, n: int, *, level: float = 0.95) -> float:
    """Return the exact one-sided upper limit of a share.

    With no event it is close to 3 / n, the rule of three (Hanley & Lippman-Hand 1983).

    Examples
    --------
    >>> round(upper_limit(0, 20), 4)
    0.1391
    """
    from scipy.stats import beta

    events, n = _counts(events, n)
    return 1.0 if events == n else float(beta.ppf(check_level(level), events + 1, n - events))


def poisson_interval(events: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of an expected count (Garwood 1936).

    Examples
    --------
    >>> low, high = poisson_interval(0)
    >>> low, round(high, 3)
    (0.0, 3.689)
    """
    from scipy.stats import gamma

    events = check_whole_number(events, name="events")
    tail = (1 - check_level(level)) / 2
    low = 0.0 if events == 0 else float(gamma.ppf(tail, events))
    return low, float(gamma.ppf(1 - tail, events + 1))


def newcombe_difference(
    events_1: int, n_1: int, events_2: int, n_2: int, *, level: float = 0.95
) -> tuple[float, float]:
    """Return the interval of share 1 minus share 2 (Newcombe 1998, Stat Med 17:873, method 10).

    Examples
    --------
    >>> low, high = newcombe_difference(56, 70, 48, 80)
    >>> round(low, 4), round(high, 4)
    (0.0524, 0.3339)
    """
    low_1, high_1 = wilson_interval(events_1, n_1, level=level)
    low_2, high_2 = wilson_interval(events_2, n_2, level=level)
    share_1, share_2 = events_1 / n_1, events_2 / n_2
    difference = share_1 - share_2
    below = np.hypot(share_1 - low_1, high_2 - share_2)
    above = np.hypot(high_1 - share_1, share_2 - low_2)
    return float(difference - below), float(difference + above)


def paired_test(only_first: int, only_second: int) -> tuple[float, float]:
    """Return the p values of a paired yes/no comparison: corrected chi-square, and exact.

    Parameters
    ----------
    only_first, only_second : int
        Pairs in which only the first, only the second, member had the event (McNemar 1947;
        continuity correction of Edwards 1948; exact: the sign test).

    Examples
    --------
    >>> corrected, exact = paired_test(9, 0)
    >>> round(corrected, 4), round(exact, 4)
    (0.0077, 0.0039)
    """
    from scipy.stats import binomtest, chi2

    first = check_whole_number(only_first, name="only_first")
    second = check_whole_number(only_second, name="only_second")
    if first + second == 0:
        return 1.0, 1.0
    statistic = max(abs(first - second) - 1, 0) ** 2 / (first + second)
    return float(chi2.sf(statistic, 1)), float(binomtest(first, first + second, 0.5).pvalue)


def mantel_haenszel(tables: Sequence[Sequence[float]] | FloatArray) -> OddsRatio:
    """Return the odds ratio common to several 2 x 2 tables.

    Mantel & Haenszel (1959), variance of Robins, Breslow & Greenland (1986). It uses only
    comparisons within a table, and stays sound when every table is small.

    Parameters
    ----------
    tables : array of shape (n_tables, 4)
        Events and non-events of the first group, then of the second.

    Raises
    ------
    DataError
        If no table holds an event in one group beside a non-event in the other.
    """
    a, b, c, d = np.asarray(tables, dtype=np.float64).reshape(-1, 4).T
    total = np.maximum(a + b + c + d, 1.0)
    r, s = a * d / total, b * c / total
    if r.sum() == 0 or s.sum() == 0:
        raise DataError(
            "No table compares an event of one group with a non-event of the other, both ways.",
            "Use the exact interval of each group, or a penalised logistic model.",
        )
    p, q = (a + d) / total, (b + c) / total
    variance = (
        (p * r).sum() / (2 * r.sum() ** 2)
        + (p * s + q * r).sum() / (2 * r.sum() * s.sum())
        + (q * s).sum() / (2 * s.sum() ** 2)
    )
    return OddsRatio(float(np.log(r.sum() / s.sum())), float(np.sqrt(variance)))


def normal_quantile(p: float) -> float:
    """Return the quantile of the standard normal distribution."""
    from statistics import NormalDist

    return NormalDist().inv_cdf(p)


def _counts(events: int, n: int) -> tuple[int, int]:
    n = check_whole_number(n, name="n", low=1)
    return check_whole_number(events, name="events", high=n), n
