"""Shares of few events, pairs, and groups compared: the unusual one, raters, effects pooled."""

from __future__ import annotations

from dataclasses import dataclass
from math import log
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, IntArray, shares
from forecast._checks import check_level, check_whole_number, counted
from forecast.errors import DataError


def wilson_interval(events: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the score interval at ``level`` of ``events`` of ``n`` (Wilson 1927).

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
    """Return the exact interval, at ``level``, of ``events`` of ``n`` (Clopper & Pearson 1934).

    Examples
    --------
    >>> low, high = exact_interval(0, 140)
    >>> low, round(high, 3)
    (0.0, 0.026)
    """
    return _interval(events, n, 1 - check_level(level), "beta")


def _interval(events: int, n: int, alpha: float, method: str) -> tuple[float, float]:
    from statsmodels.stats.proportion import proportion_confint

    n = check_whole_number(n, name="n", low=1)
    events = check_whole_number(events, name="events", high=n)
    low, high = proportion_confint(events, n, alpha=alpha, method=method)
    # without rounding at the ends
    return float(low) if events else 0.0, float(high) if events < n else 1.0


VERDICT = 0.95  # level at which something is called a difference, whatever level is shown


def verdict_interval(low: float, high: float, level: float) -> tuple[float, float]:
    """Return the Gaussian interval of ends ``low`` and ``high`` at ``level`` as verdicts take it.

    Examples
    --------
    >>> verdict_interval(1.0, 3.0, 0.95)
    (1.0, 3.0)
    """
    at = NormalDist().inv_cdf
    half = (high - low) / 2 * at((1 + VERDICT) / 2) / at((1 + level) / 2)
    return (low + high) / 2 - half, (low + high) / 2 + half


def poisson_interval(events: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return the exact interval, at ``level``, of a count of ``events`` (Garwood 1936).

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


def share_at_every_look(count: int, n: int, *, level: float = 0.95) -> tuple[float, float]:
    """Return an exact interval for ``count`` of ``n`` that holds at every ``n`` together.

    A confidence sequence: the shares whose likelihood ratio to a uniform mixture stays below
    ``1 / (1 - level)`` (Robbins 1970, Ann Math Stat 41:1397).

    Examples
    --------
    >>> share_at_every_look(0, 0)
    (0.0, 1.0)
    >>> low, high = share_at_every_look(40, 50)
    >>> round(low, 2), round(high, 2)
    (0.59, 0.93)
    """
    from scipy.optimize import brentq
    from scipy.special import betaln, xlog1py, xlogy

    check_whole_number(count, name="count")
    check_whole_number(n, name="n", low=count)
    mixed = betaln(count + 1, n - count + 1) - log(1 / (1 - check_level(level)))

    def excess(share: float) -> float:
        return float(mixed - xlogy(count, share) - xlog1py(n - count, -share))

    best = count / n if n else 0.5
    low = 0.0 if excess(0.0) < 0 else float(brentq(excess, 1e-12, best))
    high = 1.0 if excess(1.0) < 0 else float(brentq(excess, best, 1 - 1e-12))
    return low, high


@dataclass(frozen=True, slots=True)
class PairedDifference:
    """The mean difference within ``n_pairs``: ``estimate``, its ``error`` and t ``interval``.

    Examples
    --------
    >>> found = paired_difference([3, 5, 7], [2, 3, 4])
    >>> found.n_pairs, round(found.error, 2)
    (3, 0.58)
    """

    n_pairs: int
    estimate: float
    error: float
    interval: tuple[float, float]


def paired_difference(
    first: npt.ArrayLike, second: npt.ArrayLike, *, level: float = 0.95
) -> PairedDifference:
    """Return the mean of ``first - second`` over pairs where both are known, at ``level``.

    Raises DataError with fewer than two pairs.

    Examples
    --------
    >>> paired_difference([3, 5, 7], [2, 3, 4]).estimate
    2.0
    """
    from scipy.stats import t

    gap = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    gap = gap[~np.isnan(gap)]
    if len(gap) < 2:
        raise DataError(f"{counted(len(gap), 'complete pair')}.", "Give at least two pairs.")
    error = float(gap.std(ddof=1) / len(gap) ** 0.5)
    reach = float(t.ppf((1 + check_level(level)) / 2, len(gap) - 1)) * error
    mean = float(gap.mean())
    return PairedDifference(len(gap), mean, error, (mean - reach, mean + reach))


OVERDISPERSED_AT = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Funnel:
    """Groups against what is expected of them (Spiegelhalter 2005, Stat Med 24:1185).

    Attributes
    ----------
    expected : ndarray of shape (n_groups,)
        Events from the mix of rows, were each group like those that are not outside.
    share : ndarray of shape (n_groups,)
        Of events, adjusted for the mix: observed / expected x ``target``.
    target : float
        Share of events over the groups that are not outside.
    low, high : ndarray of shape (n_groups,)
        Limits of ``share``, exact given the others, widened for ``dispersion`` and the number of
        groups; NaN where there is nothing to compare.
    outside : tuple of str
        "above", "below" or "" per group.
    dispersion : float
        Variance of the groups that are not outside over that of chance, 1 when not beyond it.

    Examples
    --------
    >>> found = Funnel.of(events=[2, 3, 4, 20], expected=[4, 4, 4, 4], trials=[100] * 4)
    >>> found.outside, found.target
    (('', '', '', 'above'), 0.03)
    """

    expected: FloatArray
    share: FloatArray
    target: float
    low: FloatArray
    high: FloatArray
    outside: tuple[str, ...]
    dispersion: float

    @classmethod
    def of(
        cls,
        events: npt.ArrayLike,
        expected: npt.ArrayLike,
        trials: npt.ArrayLike,
        *,
        level: float = 0.95,
    ) -> Funnel:
        """Return groups against their expected events, the unusual ones taken out one by one.

        The most extreme group is compared with the rest: given the total, its count is binomial
        with its share of the expected events, so that nothing is taken as known. If it lies beyond
        the limits at ``1 - (1 - level) / n_groups`` it is set aside and the next is looked at, so
        that one unusual group does not make the others look unusual. Over-dispersion is the
        variance of the rest among themselves; the limits widen by it when it is beyond chance.

        ``events`` were seen, ``expected`` from the mix of rows (any multiple), in so many
        ``trials``, (n_groups,) each; ``level`` is the chance that no group is outside when all are
        alike. Raises DataError if lengths differ, or an expected count is not positive.
        """
        seen, due = np.array(events, dtype=np.float64), np.array(expected, dtype=np.float64)
        n = np.array(trials, dtype=np.float64)
        if not seen.shape == due.shape == n.shape or not (due > 0).all() or seen.sum() == 0:
            raise DataError(
                "A funnel needs events, positive expected counts and trials, one each per group.",
                "Leave out groups without trials.",
            )
        tail = (1 - check_level(level)) / 2 / len(seen)
        outside = [""] * len(seen)
        while (found := _most_extreme(seen, due, outside, tail)) is not None:
            outside[found[0]] = found[1]
        kept = np.array([not word for word in outside])
        limits = np.full((len(seen), 2), np.nan)
        for at in range(len(seen)):
            if kept.sum() - kept[at] >= 2:
                limits[at] = _limits(seen, due, at, kept, tail)
        base = kept if seen[kept].any() else np.ones_like(kept)  # else nothing would be expected
        target = float(seen[base].sum() / n[base].sum())
        fair = due * seen[base].sum() / due[base].sum()
        low, high = limits.T * (target / fair)
        dispersion = _dispersion(seen[kept], due[kept])[0]
        return cls(fair, target * seen / fair, target, low, high, tuple(outside), dispersion)


def funnel_limits(n: int, target: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the limits at ``level`` of a share of ``n`` when the true one is ``target``.

    Exact binomial, interpolated between counts (Spiegelhalter 2005, Stat Med 24:1185,
    appendix A.1.1).

    Examples
    --------
    >>> low, high = funnel_limits(100, 0.05)
    >>> round(low, 4), round(high, 4)
    (0.0061, 0.0919)
    """
    tail = (1 - check_level(level)) / 2
    low, high = _count_limits(n, target, tail)
    return low / n, high / n


def _most_extreme(
    seen: FloatArray, due: FloatArray, outside: list[str], tail: float
) -> tuple[int, str] | None:
    kept = np.array([not word for word in outside])
    if kept.sum() < 3 or kept.sum() <= len(seen) / 2:
        return None
    beyond: list[tuple[float, int, str]] = []
    for at in map(int, np.flatnonzero(kept)):
        low, high = _limits(seen, due, at, kept, tail)
        reach = max((high - low) / 2, 1e-9)
        if seen[at] > high:
            beyond.append(((seen[at] - high) / reach, at, "above"))
        elif seen[at] < low:
            beyond.append(((low - seen[at]) / reach, at, "below"))
    return max(beyond)[1:] if beyond else None


def _limits(
    seen: FloatArray, due: FloatArray, at: int, kept: BoolArray, tail: float
) -> tuple[float, float]:
    """Return the limits of the count of group ``at`` given the total with the others ``kept``."""
    others = kept & (np.arange(len(seen)) != at)
    total = seen[at] + seen[others].sum()
    share = float(due[at] / (due[at] + due[others].sum()))
    dispersion, spare = _dispersion(seen[others], due[others])
    if dispersion > 1:
        from scipy.stats import norm, t

        tail = float(norm.sf(t.isf(tail, spare) * np.sqrt(dispersion)))
    low, high = _count_limits(int(total), share, max(tail, 1e-12))
    # Half a count further out: beyond it, the mid-p value is below the tail. Interpolated
    # limits alone would call a count outside that has more than the tail's chance.
    return max(low - 0.5, 0.0), min(high + 0.5, float(total))


def _dispersion(seen: FloatArray, due: FloatArray) -> tuple[float, int]:
    """Return variance over that of chance, 1 when not beyond chance, and its spare number."""
    from scipy.stats import chi2

    spare = len(seen) - 1
    if spare < 1 or seen.sum() == 0:
        return 1.0, max(spare, 1)
    due = due * seen.sum() / due.sum()
    squares = float(((seen - due) ** 2 / due).sum())
    if chi2.sf(squares, spare) > OVERDISPERSED_AT:
        return 1.0, spare
    return max(squares / spare, 1.0), spare


def _count_limits(n: int, share: float, tail: float) -> tuple[float, float]:
    from scipy.stats import binom

    limits = []
    for chance in (tail, 1 - tail):
        count = float(binom.ppf(chance, n, share))
        here, before = binom.cdf(count, n, share), binom.cdf(count - 1, n, share)
        part = (here - chance) / (here - before) if here > before else 0.0
        limits.append(min(max(count - float(part), 0.0), float(n)))
    return limits[0], limits[1]


def intraclass(ratings: npt.ArrayLike, *, level: float = 0.95) -> tuple[float, tuple[float, float]]:
    """Return the intraclass correlation of n targets rated by the same k raters, and its interval.

    ICC(2,1) of Shrout & Fleiss 1979, Psychol Bull 86:420: the raters are a sample of many. The
    ``ratings``, (n, k), have no gaps; the interval is at ``level``. Raises DataError if there is a
    gap, fewer than two of each, or no difference at all.

    Examples
    --------
    >>> agreement, (low, high) = intraclass([[1, 2], [8, 8], [5, 7]])
    >>> round(agreement, 2), round(low, 2), round(high, 2)
    (0.93, 0.17, 1.0)
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
    return float(two_way), (float(low), float(high))


def one_way_intraclass(values: npt.ArrayLike, target: npt.ArrayLike) -> float:
    """Return ICC(1,1) of ``values`` by ``target``, whose raters and their numbers may differ.

    By analysis of variance; targets rated once are left out.

    Raises DataError if no two targets were rated twice.

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


MOST_STEPS = 500
SETTLED = 1e-12  # gain in the restricted log-likelihood


@dataclass(frozen=True, slots=True, eq=False)
class RandomEffects:
    """Common effects (p,) and the spread between groups, each effect alone."""

    mean: FloatArray  # in the middle of the groups; NaN where no group gave one
    error: FloatArray  # standard error of ``mean``; it does not hold the spread itself
    variance_between: FloatArray  # of true effects between groups; NaN with fewer than two
    n_groups: IntArray  # that gave each effect
    # How far groups lie from the mean, as a multiple of what their errors and the spread say: the
    # factor of Hartung & Knapp 2001 (Stat Med 20:3875).
    stretch: FloatArray
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
        half = np.maximum(t.ppf(upper, freedom) * self.stretch, norm.ppf(upper)) * self.error
        return np.column_stack([self.mean - half, self.mean + half])


def random_effects(estimates: npt.ArrayLike, errors: npt.ArrayLike) -> RandomEffects:
    """Return the common effects of groups and the spread between them, by REML.

    ``estimates`` and ``errors``, (n_groups, p), are each group's effects and their standard errors,
    NaN where a group does not give an effect. Raises DataError if there is no group, shapes differ,
    or an error is not above zero.

    Examples
    --------
    >>> found = random_effects([[0.1], [0.5], [0.9]], [[0.1], [0.1], [0.1]])
    >>> round(float(found.mean[0]), 3), round(float(found.variance_between[0]), 3)
    (0.5, 0.15)
    """
    values, within = np.asarray(estimates, np.float64), np.asarray(errors, np.float64) ** 2
    if values.ndim != 2 or not values.size or values.shape != within.shape:
        raise DataError(
            f"The estimates have shape {values.shape}, their errors {within.shape}.",
            "Give one row for every group and the same effects in each, NaN where it has none.",
        )
    given = np.isfinite(values)
    if not (within[given] > 0).all():
        raise DataError("An error is not above zero.", "Give each estimate its standard error.")
    n_groups = given.sum(axis=0)
    several = n_groups > 1
    values, within, seen = np.where(given, values, 0.0), np.where(given, within, 1.0), n_groups > 0

    # The restricted likelihood of all effects at some spread. Of each effect, the score of the
    # variance and its expected information; mean, precision, and weighted squares about the mean.
    def at(variance: FloatArray) -> tuple[float, FloatArray, FloatArray, list[FloatArray]]:
        weight = 1.0 * given / (within + variance)  # 0 where absent
        precision, square = weight.sum(axis=0), (weight**2).sum(axis=0)
        mean = np.where(seen, shares((weight * values).sum(axis=0), precision), np.nan)
        off = weight * np.where(given, values - mean, 0.0) ** 2
        loglik = np.log(weight[given]).sum() - np.log(precision[seen]).sum() - off.sum()
        taken = shares(square, precision)  # of the weights, by the mean
        score = ((weight * off).sum(axis=0) - precision + taken) / 2
        cubes = shares((weight**3).sum(axis=0), precision)
        information = (square - 2 * cubes + taken**2) / 2
        return float(loglik / 2), score, information, [mean, precision, off.sum(axis=0)]

    # the average reported variance: a start that is never zero
    variance = np.where(several, (within * given).sum(axis=0) / np.maximum(n_groups, 1), 0.0)
    (loglik, score, information, found), converged = at(variance), False
    for _ in range(MOST_STEPS):
        # at the border and pulled below it the variance stays at zero
        moves = several & ((variance > 0) | (score > 0))
        step = np.where(moves, shares(score, information), 0.0)
        for _ in range(40):  # ever shorter ones, until the likelihood does not fall
            ahead = np.maximum(variance + step, 0.0)
            there = at(ahead)
            if there[0] >= loglik:
                break
            step = step / 2
        converged = there[0] - loglik < SETTLED
        if converged:
            break
        variance, (loglik, score, information, found) = ahead, there
    mean, precision, apart = found
    return RandomEffects(
        mean=mean,
        error=np.where(seen, precision, np.nan) ** -0.5,
        variance_between=np.where(several, variance, np.nan),
        n_groups=n_groups,
        stretch=np.sqrt(apart / np.maximum(n_groups - 1, 1)),
        converged=converged,
    )
