"""Groups compared by their share of events: exact limits, over-dispersion, many comparisons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast._types import BoolArray, FloatArray
from forecast.errors import DataError

OVERDISPERSED_AT = 0.1


@dataclass(frozen=True, slots=True, eq=False)
class Funnel:
    """Groups against what is expected of them.

    Attributes
    ----------
    events, expected, trials : ndarray of shape (n_groups,)
        Events seen, events expected from the mix of rows, and trials.
    target : float
        Share of events over the groups that are not outside.
    low, high : ndarray of shape (n_groups,)
        Limits of each group's adjusted share: exact given the others, widened for
        over-dispersion and for the number of groups. NaN where there is nothing to compare.
    outside : tuple of str
        "above", "below" or "" per group.
    dispersion : float
        Variance of the groups that are not outside over what chance alone gives; at least 1,
        and 1 when it is not beyond chance.
    level : float
        Chance that no group is outside when all are alike.
    """

    events: FloatArray
    expected: FloatArray
    trials: FloatArray
    target: float
    low: FloatArray
    high: FloatArray
    outside: tuple[str, ...]
    dispersion: float
    level: float

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

        Parameters
        ----------
        events, expected, trials : array of shape (n_groups,)
            Events seen, events expected from the mix of rows (any multiple), and trials.
        level : float
            Chance that no group is outside when all are alike.

        Raises
        ------
        DataError
            If lengths differ, or an expected count is not positive.
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
            others = kept.copy()
            others[at] = False
            if others.sum() >= 2:
                limits[at] = _limits(seen, due, at, others, tail)
        target = float(seen[kept].sum() / n[kept].sum())
        fair = due * seen[kept].sum() / due[kept].sum()
        scale = target / fair
        return cls(
            seen,
            fair,
            n,
            target,
            limits[:, 0] * scale,
            limits[:, 1] * scale,
            tuple(outside),
            _dispersion(seen[kept], due[kept])[0],
            level,
        )

    @property
    def share(self) -> FloatArray:
        """Each group's share of events, adjusted for its mix: observed / expected x target."""
        share: FloatArray = self.target * self.events / self.expected
        return share


def funnel_limits(n: int, target: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the limits of a share of ``n`` when the true one is ``target``.

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
    for at in np.flatnonzero(kept):
        others = kept.copy()
        others[at] = False
        low, high = _limits(seen, due, int(at), others, tail)
        reach = max((high - low) / 2, 1e-9)
        if seen[at] > high:
            beyond.append(((seen[at] - high) / reach, int(at), "above"))
        elif seen[at] < low:
            beyond.append(((low - seen[at]) / reach, int(at), "below"))
    return max(beyond)[1:] if beyond else None


def _limits(
    seen: FloatArray, due: FloatArray, at: int, others: BoolArray, tail: float
) -> tuple[float, float]:
    """Return the limits of the count of group ``at`` given the total with the others."""
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
