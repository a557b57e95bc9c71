"""Scores of a predicted count distribution under censoring, and how often its intervals held.

Of log score, Brier and ranked probability score small is good, and the truth scores best; of
concordance and area under the curve, which judge the order alone, large is good.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, effective_number, shares
from forecast._checks import check_level, check_whole_number
from forecast.assess.outcomes import (
    Outcomes,
    by_subject,
    known_status,
    last_supported,
    still_watched,
    wilson_interval,
)
from forecast.errors import RequestError
from forecast.survival import CountDistribution

FLOOR = 1e-6
TIE = 1e-9  # difference of predictions that are as good as equal


def log_score_terms(distribution: CountDistribution, outcomes: Outcomes) -> FloatArray:
    """Return minus the log likelihood of each path, shape (n,), unweighted.

    Each watched step adds minus the log of the chance of what happened there, given no event
    before; chances count as at least 1e-6, so that one surprise does not decide everything.
    """
    outcomes.check_matches(distribution)
    seen = outcomes.up_to(distribution.horizon)
    hazard = np.clip(distribution.hazard(), FLOOR, 1 - FLOOR)
    steps = np.arange(1, distribution.horizon + 1)
    passed = (seen.entry[:, None] < steps) & (steps < (seen.step + ~seen.observed)[:, None])
    lost = -(np.log1p(-hazard) * passed).sum(axis=1)
    at_event = np.log(hazard[np.arange(len(seen)), seen.step - 1])
    return np.asarray(np.where(seen.observed, lost - at_event, lost))


def log_score(distribution: CountDistribution, outcomes: Outcomes) -> float:
    """Return the log score of ``outcomes`` per watched step, in nats.

    Steps beyond the distribution's horizon are not scored.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> round(log_score(half, Outcomes([2], [True])), 4)
    0.6931
    """
    seen = outcomes.up_to(distribution.horizon)
    terms = log_score_terms(distribution, outcomes)
    return float(seen.weight @ terms / (seen.weight @ (seen.step - seen.entry)))


def brier_terms(
    distribution: CountDistribution, outcomes: Outcomes, *, horizon: int | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return each path's weighted squared error at each step (n, horizon), and the path totals.

    Summing the first over paths and dividing by the second, (horizon,), gives `brier`.
    """
    horizon = check_horizon(distribution, horizon)
    status = known_status(outcomes, horizon)
    by_step = outcomes.conditioned(distribution).cdf()[:, :horizon]
    weight = np.column_stack([status.weight_at(step) for step in range(1, horizon + 1)])
    return weight * (by_step - status.happened) ** 2, status.paths


def brier(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the Brier score of "event by step k" for k = 1 to ``horizon``, shape (..., horizon).

    ``distribution`` has a row for each path. Weighted for censoring (Graf et al. 1999, Stat Med
    18:2529) with the chance of being watched *just before* the event. The sum over steps is the
    continuous ranked probability score of the count, with all steps beyond ``horizon`` as one
    class. Take a horizon up to which some paths are watched:
    :func:`~forecast.assess.outcomes.last_supported`. ``weight``, (..., n), stands in for that of
    the outcomes.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> brier(half, Outcomes([1], [True])).tolist()
    [0.25, 0.0625]
    """
    horizon = check_horizon(distribution, horizon)
    status = known_status(outcomes, horizon, weight)
    missed = (outcomes.conditioned(distribution).cdf()[:, :horizon] - status.happened) ** 2
    sums = [status.weight_at(step + 1) @ missed[:, step] for step in range(horizon)]
    return shares(np.stack(sums, axis=-1), status.paths)


def uno_concordance(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the chance that of two paths the one predicted to be earlier has the event first.

    Uno et al. (2011, Stat Med 30:1105), over events up to ``horizon`` only: without that limit a
    few late events decide the number. Paths are ordered by their expected step, counting at most
    ``horizon``. A pair counts when one's event was seen at a step at which the other was at risk
    and which the other got through. ``nan`` when no pair can be compared. ``weight``, (..., n),
    stands in for that of the outcomes, and a chance is returned for each, (...,).
    """
    horizon = check_horizon(distribution, horizon)
    outcomes.check_matches(distribution)
    each = outcomes.weight if weight is None else weight
    step, observed = outcomes.step, outcomes.observed
    agreement = _pairs(distribution.mean_capped(horizon))
    watched = still_watched(outcomes, horizon=horizon, weight=each)
    agreed, total = np.zeros((2, *each.shape[:-1]))
    for now in np.unique(step[observed & (step <= horizon)]):
        case = observed & (step == now)
        other = ((step > now) | (step == now) & ~observed) & (outcomes.entry < now)
        found = agreement(each * case, each * other)
        worth = shares(1.0, watched[..., now - 1] ** 2)
        agreed, total = agreed + worth * found[0], total + worth * found[1]
    return _part(agreed, total)


def auc_at(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    weight: FloatArray | None = None,
) -> FloatArray:
    """Return the cumulative/dynamic area under the curve at each of ``steps``, (..., steps).

    The chance that a path with the event by step k was given a higher chance of it than a path
    without (Uno et al. 2007, JASA 102:527; Hung & Chiang 2010), weighted for censoring.
    ``nan`` at a step where one side is empty. ``weight``, (..., n), stands in for that of the
    outcomes.
    """
    horizon = max([check_horizon(distribution, step) for step in steps], default=1)
    status = known_status(outcomes, horizon, weight)
    by_step = outcomes.conditioned(distribution).cdf()
    areas = np.empty((*status.each.shape[:-1], len(steps)))
    for place, step in enumerate(steps):
        happened, worth = status.happened[:, step - 1], status.weight_at(step)
        agreement = _pairs(-by_step[:, step - 1])
        areas[..., place] = _part(*agreement(worth * happened, worth * ~happened))
    return areas


def _part(agreed: FloatArray, total: FloatArray) -> FloatArray:
    return np.where(total > 0, shares(agreed, total), np.nan)


def _pairs(placed: FloatArray) -> Callable[..., tuple[FloatArray, FloatArray]]:
    """Return what gives the weight of pairs whose first is ``placed`` below the other, and of all.

    Ties by half. It takes the weights of the first and of who may come then, (..., n) each.
    """
    # sorted once instead of compared pair by pair: 20,000 paths are no burden
    order = np.argsort(placed, kind="stable")
    before = np.searchsorted(placed[order], placed - TIE, side="left")
    until = np.searchsorted(placed[order], placed + TIE, side="right")

    def agreement(first: FloatArray, then: FloatArray) -> tuple[FloatArray, FloatArray]:
        below = np.zeros((*then.shape[:-1], then.shape[-1] + 1))
        np.cumsum(then[..., order], axis=-1, out=below[..., 1:])
        above = below[..., -1:] - (below[..., before] + below[..., until]) / 2
        return (first * above).sum(axis=-1), first.sum(axis=-1) * below[..., -1]

    return agreement


def check_horizon(distribution: CountDistribution, horizon: int | None) -> int:
    """Return the horizon to score up to, or raise RequestError if it is not predicted."""
    if horizon is None:
        return distribution.horizon
    horizon = check_whole_number(horizon, name="horizon", low=1)
    if horizon > distribution.horizon:
        raise RequestError(
            f"horizon is {horizon}, the distribution ends at {distribution.horizon}.",
            "Predict further or score a shorter horizon.",
        )
    return horizon


@dataclass(frozen=True, slots=True)
class Coverage:
    """Coverage of the equal-tailed interval at one level, in every form that can be measured.

    ``tie_split`` is the one to judge by: coverage with randomised ends, which a perfect
    distribution has exactly at ``level`` wherever watching ends.
    """

    level: float  # what the interval promises
    n_paths: int
    n_events: int  # seen to reach the event
    # share known to lie inside: the truth is at least this, whoever dropped out
    known_covered: float
    known_missed: float  # share known to lie outside: it is at most one less this
    # From the paths whose status is known, weighted for dropping out. An end beyond
    # ``supported_to`` counts as open here, which reads a few points high.
    plain: float
    plain_low: float  # its 95 % Wilson interval, with the effective size
    plain_high: float
    tie_split: float
    tie_split_error: float  # standard error by subject
    n_effective: float  # Kish's effective number of paths behind both
    # Chance of an outcome before the interval and after it, each by Kaplan-Meier on the rank: needs
    # no model of dropping out, but that it does not depend on the rank.
    below: float
    above: float
    width: float  # mean steps from end to end, an open end counting as one beyond the horizon
    open_share: float  # of intervals whose later end is beyond the horizon
    supported_to: int  # the last step judged: beyond it every outcome counts as "later"


def interval_coverage(
    distribution: CountDistribution, outcomes: Outcomes, *, level: float = 0.8
) -> Coverage:
    """Return the coverage of the equal-tailed ``level`` interval under censoring.

    ``distribution`` was predicted without the path of ``outcomes`` it is judged on. A path's status
    is settled by its event, or by passing the end of the interval without it; it is weighted by one
    over the chance of being watched until then. Outcomes beyond the last step with five paths
    watched are one class, "later", for prediction and outcome alike. Raises RequestError if the
    level is no probability.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> found = interval_coverage(even, seen)
    >>> round(found.tie_split, 2), found.supported_to
    (0.65, 4)
    """
    check_level(level)
    top = min(distribution.horizon, last_supported(outcomes))
    keep = outcomes.entry < top
    seen = outcomes.take(keep).up_to(top)
    given = seen.conditioned(CountDistribution(distribution.pmf[keep, :top]))
    watched = still_watched(outcomes, horizon=top)
    plain, known, weight = _plain(given.interval(level), seen, watched, top)
    n_effective = effective_number(weight[known])
    point = float(np.average(plain[known], weights=weight[known])) if n_effective else np.nan
    low, high = wilson_interval(float(np.nan_to_num(point)), n_effective)
    ranks = pit_ranges(given, seen)
    held, worth = _split(given, seen, ranks, watched, level)
    split, total = float(worth @ held), float(worth.sum())
    split = split / total if total else np.nan
    off = by_subject(worth * (held - split), seen.subject)
    error = float(np.sqrt((off**2).sum())) / total if total else np.nan
    # the chances of an outcome before and after the interval, by Kaplan-Meier on rank
    tail, (first, last) = (1 - level) / 2, ranks
    reached = np.where(seen.observed, last, first)
    share = seen.weight / seen.weight.sum()
    ends = outcomes.take(keep).conditioned(distribution[keep]).interval(level)
    ends = np.minimum(ends, distribution.horizon + 1)
    return Coverage(
        level=level,
        n_paths=len(seen),
        n_events=seen.n_events,
        known_covered=float(share @ (known & plain)),
        known_missed=float(share @ (known & ~plain)),
        plain=point,
        plain_low=low,
        plain_high=high,
        tie_split=split,
        tie_split_error=error,
        n_effective=n_effective,
        below=1 - score_curve(reached, seen.observed, tail, seen.weight),
        above=score_curve(first, seen.observed, 1 - tail, seen.weight),
        width=float(share @ (ends[:, 1] - ends[:, 0])),
        open_share=float(share @ (ends[:, 1] > distribution.horizon)),
        supported_to=top,
    )


def _plain(
    ends: FloatArray, seen: Outcomes, watched: FloatArray, top: int
) -> tuple[BoolArray, BoolArray, FloatArray]:
    """Return covered, settled and the weight of each path."""
    low, high = ends.T
    # Passing `settled_at` without the event settles it: beyond the interval, or inside for good.
    settled_at = np.where(np.isinf(high), np.minimum(low - 1, top), high)
    settled_at = np.maximum(settled_at, seen.entry)
    by_event = seen.observed & (seen.step <= np.maximum(settled_at, 1))
    by_passing = ~by_event & (seen.step >= settled_at)
    covered = np.where(by_event, (seen.step >= low) & (seen.step <= high), np.isinf(high))
    until = np.where(by_event, seen.step, settled_at)
    weight = _since_entry(watched, seen, np.maximum(until - 1, 0))
    return covered.astype(bool), by_event | by_passing, weight


def _since_entry(watched: FloatArray, seen: Outcomes, until: FloatArray) -> FloatArray:
    until = np.maximum(until, seen.entry).astype(np.int64)
    chance = watched[until] / np.maximum(watched[seen.entry], 1e-12)
    return shares(1.0, chance) * seen.weight


def _split(
    given: CountDistribution,
    seen: Outcomes,
    ranks: tuple[FloatArray, FloatArray],
    watched: FloatArray,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    """Return each path's covered share and its weight, 0 where it is not settled."""
    upper, (low, high) = (1 + level) / 2, ranks
    beyond = ~seen.observed & (seen.step == given.horizon)
    covered = tie_split_share(low, np.where(beyond, 1.0, high), level=level)
    # Once the upper end is passed nothing is covered any more, with or without a later event.
    passed = low >= upper
    settled_at = np.where(passed, np.minimum(given.quantile(upper), given.horizon), seen.step)
    weight = _since_entry(watched, seen, np.maximum(settled_at - 1, 0))
    settled = seen.observed | beyond | passed
    return np.where(settled & ~passed, covered, 0.0), np.where(settled, weight, 0.0)


def score_curve(
    score: npt.ArrayLike, observed: npt.ArrayLike, at: float, weight: FloatArray
) -> float:
    """Return the Kaplan-Meier chance of a score of at least ``at``.

    ``observed`` is False where the score is only known to be at least what is given; at equal
    scores an observed one comes first.
    """
    values, place = np.unique(np.asarray(score).round(12), return_inverse=True)
    happened = np.bincount(place, weights=weight * np.asarray(observed), minlength=len(values))
    present = np.bincount(place, weights=weight, minlength=len(values))[::-1].cumsum()[::-1]
    before = values < at - 1e-9
    return float(np.prod(1 - happened[before] / np.maximum(present[before], 1e-12)))


def pit_ranges(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[FloatArray, FloatArray]:
    """Return the ends of the stretch of [0, 1] in which each path's rank lies, two arrays (n,).

    For an event at T that is [F(T - 1), F(T)]; for a path censored at C it is [F(C), 1]; F is
    the distribution given no event by the path's entry.
    """
    seen = outcomes.up_to(distribution.horizon)
    return seen.stretch(seen.conditioned(distribution))


FEWEST_EXPECTED = 5.0  # events in the last stretch: Pearson's chi-square wants some


@dataclass(frozen=True, slots=True, eq=False)
class RankTest:
    """How evenly the outcomes spread over the predicted distributions."""

    counts: FloatArray  # (bins,): paths, or events, in each equal stretch of F
    expected: FloatArray  # (bins,): of them if the prediction is true
    statistic: float  # Pearson's chi-square
    p_value: float  # its tail chance


def d_calibration(
    distribution: CountDistribution, outcomes: Outcomes, *, bins: int = 10, seed: int = 0
) -> RankTest:
    """Return the D-calibration test of Haider et al. (2020, JMLR 21:85) for counts.

    ``outcomes`` of the paths of ``distribution`` are sorted into ``bins`` by where they fall in it.

    Because counts are tied, an event at T is placed at F(T - 1) + V (F(T) - F(T - 1)) with V
    uniform, by ``seed``: placing it at F(T), or half-way, rejects even the true distribution. With
    much censoring the test is cautious, as the censored paths are spread as predicted.
    """
    from scipy.special import chdtrc

    seen, rank, edges = _ranks(distribution, outcomes, bins, seed)
    overlap = np.clip(edges[1:] - np.maximum(edges[:-1], rank[:, None]), 0, None)
    spread = overlap / np.maximum(1 - rank, 1e-12)[:, None]
    at = np.minimum((rank * bins).astype(np.int64), bins - 1)
    whole = seen.observed | (rank >= 1)
    spread[whole] = np.eye(bins)[at[whole]]
    counts: FloatArray = seen.weight @ spread
    expected = np.full(bins, counts.sum() / bins)
    statistic = float(((counts - expected) ** 2 / expected).sum())
    return RankTest(counts, expected, statistic, float(chdtrc(bins - 1, statistic)))


def a_calibration(
    distribution: CountDistribution, outcomes: Outcomes, *, bins: int = 10, seed: int = 0
) -> RankTest:
    """Return the A-calibration test (Simonsen & Waagepetersen 2025, BMC Med Res Methodol 25:236).

    Akritas's (1988, J Am Stat Assoc 83:222) test, the formula from memory: events against those
    expected of all at risk, so that censored paths are not spread as predicted and cost less
    power. Events are placed as by :func:`d_calibration`; stretches at the end are joined until
    five events are expected there.
    """
    from scipy.special import chdtrc

    seen, rank, edges = _ranks(distribution, outcomes, bins, seed)
    until = np.minimum(edges, rank[:, None])
    hazard = -np.log(np.maximum(1 - until, 1e-12))
    at = np.minimum((rank * bins).astype(np.int64), bins - 1)
    counts: FloatArray = np.bincount(at, seen.weight * seen.observed, bins).astype(np.float64)
    expected: FloatArray = seen.weight @ np.diff(hazard, axis=1)
    while len(expected) > 1 and expected[-1] < FEWEST_EXPECTED:
        counts, expected = (np.append(one[:-2], one[-2:].sum()) for one in (counts, expected))
    statistic = float(((counts - expected) ** 2 / np.maximum(expected, 1e-12)).sum())
    return RankTest(counts, expected, statistic, float(chdtrc(len(expected), statistic)))


# What is scored, where each path's event or censoring lies in F, and the ends of the stretches.
def _ranks(
    distribution: CountDistribution, outcomes: Outcomes, bins: int, seed: int
) -> tuple[Outcomes, FloatArray, FloatArray]:
    bins = check_whole_number(bins, name="bins", low=2)
    low, high = pit_ranges(distribution, outcomes)
    seen = outcomes.up_to(distribution.horizon)
    drawn = low + np.random.default_rng(seed).random(len(low)) * (high - low)
    return seen, np.where(seen.observed, drawn, low), np.linspace(0, 1, bins + 1)


def tie_split_share(low: FloatArray, high: FloatArray, *, level: float) -> FloatArray:
    """Return how much of each stretch [low, high] of ranks lies in the middle ``level``, (n,).

    A stretch without length counts whole or not at all.
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

    A whole-number interval of a perfect distribution covers more than its level, by an amount that
    depends on the steps' chances. Let each end take in its own step with just the chance that makes
    both tails exact: then a perfect distribution covers exactly ``level`` on average, and any other
    answer is the model's doing. This returns the expected value over that randomisation: the part
    of [F(T - 1), F(T)] inside the middle ``level``, over its length. ``distribution`` has one row
    per subject, ``step`` (n,) the known counts; ``inf``, or anything beyond the horizon, is one
    class "later or never".

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 3)
    >>> tie_split_coverage(even, [1, 2, 4], level=0.8).round(9).tolist()
    [0.8, 1.0, 0.4]
    """
    counts = np.asarray(step, dtype=np.float64)
    horizon = distribution.horizon
    n = len(distribution)
    edges = np.hstack([np.zeros((n, 1)), distribution.cdf(), np.ones((n, 1))])
    last = np.minimum(counts, horizon + 1).astype(np.int64)
    rows = np.arange(n)
    return tie_split_share(edges[rows, last - 1], edges[rows, last], level=level)
