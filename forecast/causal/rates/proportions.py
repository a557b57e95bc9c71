"""Shares of few events, and two treatments on the same subject: intervals for small counts."""

from __future__ import annotations

from dataclasses import dataclass
from math import comb, erfc
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.errors import DataError


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
    return _interval(events, n, 1 - check_level(level), "wilson")


def exact_interval(events: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of a share (Clopper & Pearson 1934).

    Examples
    --------
    >>> low, high = exact_interval(0, 140)
    >>> low, round(high, 3)
    (0.0, 0.026)
    """
    return _interval(events, n, 1 - check_level(level), "beta")


def upper_limit(events: int, n: int, *, level: float = 0.95) -> float:
    """Return the exact one-sided upper limit of a share.

    With no event it is close to 3 / n, the rule of three (Hanley & Lippman-Hand 1983).

    Examples
    --------
    >>> round(upper_limit(0, 20), 4)
    0.1391
    """
    return _interval(events, n, 2 * (1 - check_level(level)), "beta")[1]


def _interval(events: int, n: int, alpha: float, method: str) -> tuple[float, float]:
    from statsmodels.stats.proportion import proportion_confint

    n = check_whole_number(n, name="n", low=1)
    events = check_whole_number(events, name="events", high=n)
    low, high = proportion_confint(events, n, alpha=alpha, method=method)
    # without rounding at the ends
    return float(low) if events else 0.0, float(high) if events < n else 1.0


def poisson_interval(events: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval of an expected count (Garwood 1936).

    Examples
    --------
    >>> low, high = poisson_interval(0)
    >>> low, round(high, 3)
    (0.0, 3.689)
    """
    from statsmodels.stats.rates import confint_poisson

    events = check_whole_number(events, name="events")
    low, high = confint_poisson(events, 1, method="exact-c", alpha=1 - check_level(level))
    return float(low) if events else 0.0, float(high)


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
    from statsmodels.stats.proportion import confint_proportions_2indep

    low, high = confint_proportions_2indep(
        events_1, n_1, events_2, n_2, method="newcomb", alpha=1 - check_level(level)
    )
    return float(low), float(high)


def normal_quantile(p: float) -> float:
    """Return the quantile of the standard normal distribution."""
    return NormalDist().inv_cdf(p)


@dataclass(frozen=True, slots=True)
class McNemar:
    """McNemar's test of pairs that disagree.

    Attributes
    ----------
    first_only, second_only : int
        Pairs in which only the first, or only the second, had the outcome.
    statistic, p_value : float
        Chi-square on one degree of freedom with continuity correction.
    exact_p_value : float
        Two-sided binomial.
    """

    first_only: int
    second_only: int
    statistic: float
    p_value: float
    exact_p_value: float


def mcnemar(first_only: int, second_only: int) -> McNemar:
    """Return the test for so many disagreeing pairs each way (McNemar 1947, 12:153).

    Examples
    --------
    >>> round(mcnemar(9, 0).p_value, 4)
    0.0077
    >>> mcnemar(0, 0).exact_p_value
    1.0
    """
    # by hand: statsmodels' correction turns a gap of nothing into one, and no pair into nan
    check_whole_number(first_only, name="first_only")
    check_whole_number(second_only, name="second_only")
    total, gap = first_only + second_only, abs(first_only - second_only)
    if total == 0:
        return McNemar(0, 0, 0.0, 1.0, 1.0)
    statistic = max(gap - 1, 0) ** 2 / total
    fewer = min(first_only, second_only)
    tail = sum(comb(total, k) for k in range(fewer + 1)) / 2**total
    p_value = erfc((statistic / 2) ** 0.5)
    return McNemar(first_only, second_only, statistic, p_value, min(1.0, 2 * tail))


@dataclass(frozen=True, slots=True)
class PairedDifference:
    """The mean difference within pairs, with a t interval."""

    n_pairs: int
    estimate: float
    error: float
    interval: tuple[float, float]


def paired_difference(
    first: npt.ArrayLike, second: npt.ArrayLike, *, level: float = 0.95
) -> PairedDifference:
    """Return the mean of ``first - second`` over pairs where both are known.

    Examples
    --------
    >>> paired_difference([3, 5, 7], [2, 3, 4]).estimate
    2.0
    """
    from scipy.stats import t

    gap = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    gap = gap[~np.isnan(gap)]
    if len(gap) < 2:
        raise DataError(f"{len(gap)} complete pair(s).", "Give at least two pairs.")
    error = float(gap.std(ddof=1) / len(gap) ** 0.5)
    reach = float(t.ppf((1 + check_level(level)) / 2, len(gap) - 1)) * error
    mean = float(gap.mean())
    return PairedDifference(len(gap), mean, error, (mean - reach, mean + reach))
