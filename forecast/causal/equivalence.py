"""When a difference may be called none worth having, and how many events settle one."""

from dataclasses import dataclass
from statistics import NormalDist

from forecast._checks import check_level
from forecast.errors import RequestError

__all__ = ["TwoTests", "schoenfeld_events", "two_one_sided", "welch"]


@dataclass(frozen=True, slots=True)
class TwoTests:
    """Two one-sided tests of a difference against plus and minus a margin.

    Attributes
    ----------
    lower_statistic, upper_statistic : float
        ``(difference + margin) / error`` and ``(difference - margin) / error``.
    p_value : float
        The larger of the two one-sided p-values.
    interval : tuple of float
        At level ``1 - 2 (1 - level)``: inside the margins exactly when both tests reject.
    equivalent : bool
    """

    lower_statistic: float
    upper_statistic: float
    p_value: float
    interval: tuple[float, float]
    equivalent: bool


def two_one_sided(
    difference: float,
    error: float,
    *,
    margin: float,
    freedom: float | None = None,
    level: float = 0.95,
) -> TwoTests:
    """Return Schuirmann's two one-sided tests (1987, J Pharmacokinet Biopharm 15:657).

    Parameters
    ----------
    freedom : float, optional
        Degrees of freedom of a t distribution; normal when not given.
    level : float
        One minus the size of each test.

    Examples
    --------
    >>> two_one_sided(-0.137, 0.409, margin=1.0).equivalent
    True
    >>> two_one_sided(-0.137, 0.409, margin=0.5).equivalent
    False
    """
    if not margin > 0:
        raise RequestError(f"margin is {margin!r}.", "Give a margin above 0.")
    check_level(level)
    lower, upper = (difference + margin) / error, (difference - margin) / error
    if freedom is None:
        normal = NormalDist()
        p_value = max(1 - normal.cdf(lower), normal.cdf(upper))
        reach = normal.inv_cdf(level) * error
    else:
        from scipy.stats import t

        p_value = float(max(t.sf(lower, freedom), t.cdf(upper, freedom)))
        reach = float(t.ppf(level, freedom)) * error
    interval = (difference - reach, difference + reach)
    return TwoTests(lower, upper, p_value, interval, p_value < 1 - level)


def welch(
    means: tuple[float, float], spreads: tuple[float, float], sizes: tuple[int, int]
) -> tuple[float, float, float]:
    """Return the difference of two means, its error and Welch's degrees of freedom.

    Examples
    --------
    >>> [round(value, 3) for value in welch((5.25, 5.22), (0.95, 0.83), (95, 89))]
    [0.03, 0.131, 181.134]
    """
    parts = [spread**2 / size for spread, size in zip(spreads, sizes, strict=True)]
    total = sum(parts)
    below = sum(part**2 / (size - 1) for part, size in zip(parts, sizes, strict=True))
    return means[0] - means[1], total**0.5, total**2 / below


def schoenfeld_events(
    hazard_ratio: float, *, power: float = 0.8, share: float = 0.5, level: float = 0.95
) -> float:
    """Return how many events detect a hazard ratio (Schoenfeld 1983, Biometrics 39:499).

    Parameters
    ----------
    share : float
        Share of subjects in one of the two groups.
    level : float
        One minus the two-sided size.

    Examples
    --------
    >>> round(schoenfeld_events(0.5), 2)
    65.35
    """
    from math import log

    check_level(power, name="power")
    check_level(share, name="share")
    if not hazard_ratio > 0 or hazard_ratio == 1:
        raise RequestError(f"hazard_ratio is {hazard_ratio!r}.", "Give one above 0 that is not 1.")
    normal = NormalDist()
    reach = normal.inv_cdf((1 + check_level(level)) / 2) + normal.inv_cdf(power)
    return reach**2 / (share * (1 - share) * log(hazard_ratio) ** 2)
