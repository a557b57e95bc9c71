"""Two treatments on the same subject."""

from dataclasses import dataclass
from math import erfc

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast.errors import DataError

__all__ = ["McNemar", "PairedDifference", "mcnemar", "paired_difference"]


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
    from math import comb

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
