"""Do predictions keep what they say: chances by each step, intervals, and ranks of the outcomes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._arrays import BoolArray, FloatArray, effective_number, shares
from forecast._checks import LEVEL, check_level, check_whole_number
from forecast.assess.outcomes import (
    Outcomes,
    error_by_subject,
    known_status,
    last_supported,
    still_watched,
    wilson_interval,
)
from forecast.assess.scores import check_horizon
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

EDGE = 1e-6
MOST_ITERATIONS = 50
PATIENCE = 8  # full steps before each is checked
SETTLED = 1e-5  # of any coefficient; the step after is its square


# How the observed chance rises with the predicted one on the logit scale: the slope is 1 where the
# spread of predictions is right, below 1 where they are too extreme; the intercept is the observed
# logit less the predicted one at slope 1, above 0 where events come earlier. And mean, median and
# 90th percentile of the distance of predicted from smoothed chances (Austin et al. 2020, Stat Med
# 39:2714).
MEASURES = ("calibration_slope", "calibration_intercept", "ici", "e50", "e90")


def calibration_error(
    predicted: FloatArray, observed: FloatArray, weight: FloatArray
) -> tuple[float, float, float]:
    """Return mean, median and 90th percentile of the distance between two sets of chances, (n,)."""
    error = np.abs(predicted - observed)
    order = np.argsort(error, kind="stable")
    reached = np.cumsum(weight[order]) / weight.sum()
    e50, e90 = error[order][np.searchsorted(reached, np.array([0.5, 0.9]) - 1e-12)]
    return float(np.average(error, weights=weight)), float(e50), float(e90)


def _logistic(
    design: FloatArray,
    happened: FloatArray,
    weight: FloatArray,
    offset: FloatArray | float = 0.0,
    ridge: FloatArray | float = 1e-6,
) -> FloatArray:
    """Return the coefficients of weighted logistic regressions, (sets, k), all at a time.

    The ``design`` is (sets, n, k), or (1, n, k) for all of them.
    """
    count = (weight > 0).sum(axis=1, keepdims=True)
    each = weight / (weight.sum(axis=1, keepdims=True) / count)
    found = np.zeros((len(weight), design.shape[2]))
    found[:, 1:2] = 1.0  # the logit of a prediction that is right has slope 1
    if len(weight) > 1:  # sets are alike, and the first is a good start for all
        found[:] = _logistic(design[:1], happened, weight[:1], offset, ridge)
    penalty, turned = np.broadcast_to(ridge, found.shape[1:]), design.swapaxes(1, 2)

    def lost(place: FloatArray) -> FloatArray:
        log_odds = offset + (design @ place[..., None])[..., 0]
        missed = np.logaddexp(0, log_odds) - happened * log_odds
        return np.asarray((each * missed).sum(axis=1) + place**2 @ penalty / 2)

    moving = np.ones(len(found), dtype=np.bool_)
    for taken in range(MOST_ITERATIONS):
        log_odds = offset + (design @ found[..., None])[..., 0]
        chance = 1 / (1 + np.exp(-np.clip(log_odds, -30, 30)))
        bread = (turned * (each * chance * (1 - chance))[:, None]) @ design + np.diag(penalty)
        pull = (turned @ (each * (happened - chance))[..., None])[..., 0] - penalty * found
        move = np.linalg.solve(bread, pull[..., None])[..., 0] * moving[:, None]
        largest = np.abs(move).max(axis=1)
        # A whole Newton step can overshoot where events are few: halve it until it helps.
        worse = (largest > 0.5) | ((largest >= SETTLED) & (taken > PATIENCE))
        until = lost(found) + 1e-9 if worse.any() else 0.0
        while worse.any():
            worse &= (lost(found + move) > until) & (np.abs(move).max(axis=1) >= SETTLED)
            move[worse] /= 2
        found, moving = found + move, largest >= SETTLED
        if not moving.any():
            break
    return found


def _curve_basis(logit: FloatArray, inside: BoolArray) -> FloatArray:
    """Return restricted cubic splines, knots at the 10th, 50th and 90th percentiles of each set.

    A line, its third column zero, where predictions ``inside`` it are too much alike.
    """
    ordered = np.sort(np.where(inside, logit, np.inf), axis=1)
    place = (inside.sum(axis=1, keepdims=True) - 1) * np.array([0.1, 0.5, 0.9])
    under = place.astype(np.int64)
    below = np.take_along_axis(ordered, under, axis=1)
    above = np.take_along_axis(ordered, np.ceil(place).astype(np.int64), axis=1)
    knots = below + (above - below) * (place - under)
    rises = ((ordered[:, 1:] > ordered[:, :-1]) & np.isfinite(ordered[:, 1:])).sum(axis=1)
    apart = (np.diff(knots, axis=1).min(axis=1) >= 1e-6) & (rises >= 4)
    low, middle, high = np.where(apart[:, None], knots, [0.0, 1.0, 2.0]).T[..., None]
    cubes = [np.clip(logit - knot, 0, None) ** 3 for knot in (low, middle, high)]
    bend = cubes[0] - cubes[1] * (high - low) / (high - middle)
    bend += cubes[2] * (middle - low) / (high - middle)
    bend *= apart[:, None] / (high - low) ** 2
    return np.stack([np.ones_like(bend), np.broadcast_to(logit, bend.shape), bend], axis=2)


def calibrations(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    weights: FloatArray | None = None,
) -> dict[str, FloatArray]:
    """Return `MEASURES` of "event by the step" at each of ``steps``, shape (steps, sets) each.

    ``weights``, (sets, n), stand in for those of the outcomes. The slope is Cox's (1958). The error
    is against a smooth observed curve: a logistic regression on a restricted cubic spline of the
    predicted logit, its bend lightly pulled to a line. Both are weighted for censoring, and ``nan``
    where all outcomes, or for the slope all predictions, are alike.
    """
    each = outcomes.weight[None] if weights is None else weights
    found = np.full((len(MEASURES), len(steps), len(each)), np.nan)
    last = max([check_horizon(distribution, step) for step in steps], default=1)
    status = known_status(outcomes, last, each)
    chances = np.clip(outcomes.conditioned(distribution).cdf(), EDGE, 1 - EDGE)
    for place, step in enumerate(steps):
        chance, happened = chances[:, step - 1], status.happened[:, step - 1].astype(np.float64)
        logit, weight = np.log(chance / (1 - chance)), status.weight_at(step)
        mixed = ((weight > 0) @ happened > 0) & ((weight > 0) @ (1 - happened) > 0)
        if not mixed.any():
            continue
        # from here on the sets in which some had the event and some had not
        weight = weight[mixed]
        inside, values = weight > 0, np.full((len(MEASURES), len(weight)), np.nan)
        known = np.where(inside, logit, np.nan)
        unlike = np.nanmax(known, axis=1) - np.nanmin(known, axis=1) >= 1e-9
        line = np.column_stack([np.ones_like(logit), logit])[None]
        values[0, unlike] = _logistic(line, happened, weight[unlike])[:, 1]
        values[1, unlike] = _logistic(line[..., :1], happened, weight[unlike], logit)[:, 0]
        basis = _curve_basis(logit, inside)
        fitted = _logistic(basis, happened, weight, ridge=np.array([1e-6, 1e-6, 0.1]))
        log_odds = (basis @ fitted[..., None])[..., 0]
        chance, curve = (1 / (1 + np.exp(-np.clip(one, -30, 30))) for one in (logit, log_odds))
        for row, some in enumerate(inside):
            errors = calibration_error(chance[some], curve[row, some], weight[row, some])
            values[2:, row] = errors
        found[:, place, mixed] = values
    return dict(zip(MEASURES, found, strict=True))


def observed_to_expected(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[float, float]:
    """Return events seen over events predicted for the steps watched, and its standard error.

    Each watched step adds its hazard to the expected number, so censoring needs no weights.
    """
    seen, each = expected_events(distribution, outcomes)
    expected = float(seen.weight @ each)
    if not expected > 0:
        return float("nan"), float("nan")
    ratio = float(seen.weight @ seen.observed) / expected
    error = error_by_subject(seen.weight * (seen.observed - each), seen.subject)
    return ratio, max(error, 1.0) / expected  # no less than of one event


def expected_events(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[Outcomes, FloatArray]:
    """Return what was seen up to the horizon, and the events predicted for each path's steps."""
    seen = outcomes.up_to(distribution.horizon)
    seen.check_matches(distribution)
    at_risk = seen.at_risk(np.arange(1, distribution.horizon + 1))
    return seen, np.asarray((distribution.hazard() * at_risk).sum(axis=1))


def reliability_table(
    distribution: CountDistribution, outcomes: Outcomes, *, steps: Sequence[int], bins: int = 5
) -> pd.DataFrame:
    """Return predicted and observed chance of the event by each step, in bins of the prediction.

    ``distribution`` and ``outcomes`` are of the same paths, ``steps`` up to the horizon; ``bins``
    have equal numbers of paths, and ties in the prediction make them fewer. Columns ``step``,
    ``bin``, ``n_paths``, ``n_events`` (seen by the step), ``predicted`` (mean), ``observed``
    (share, weighted for dropping out inside the bin: Kaplan-Meier where nobody entered late),
    ``standard_error`` (by subject; Greenwood's where each has one path). Raises RequestError if a
    step is not predicted.

    Examples
    --------
    >>> even = CountDistribution.from_hazard([[0.5] * 4] * 40)
    >>> seen = Outcomes([1, 2, 3, 4] * 10, [True, True, False, True] * 10)
    >>> reliability_table(even, seen, steps=[1, 2])[["predicted", "observed"]].to_numpy().tolist()
    [[0.5, 0.25], [0.75, 0.5]]
    """
    import pandas as pd

    bins = check_whole_number(bins, name="bins", low=1)
    rows = []
    for step in steps:
        check_horizon(distribution, step)
        usable = outcomes.entry < step
        seen = outcomes.take(usable).up_to(step)
        chance = outcomes.conditioned(distribution).cdf()[usable, step - 1]
        cuts = np.unique(np.quantile(chance, np.linspace(0, 1, bins + 1)[1:-1]).round(12))
        place = np.searchsorted(cuts, chance.round(12), side="right")
        for number, members in enumerate(np.unique(place)):
            inside = place == members
            part = seen.take(inside)
            predicted = float(np.average(chance[inside], weights=part.weight))
            counts = step, number + 1, len(part), part.n_events
            rows.append((*counts, predicted, *_seen_share(part, step)))
    columns = ["step", "bin", "n_paths", "n_events", "predicted", "observed", "standard_error"]
    return pd.DataFrame(rows, columns=columns)


def _seen_share(seen: Outcomes, step: int) -> tuple[float, float]:
    """Return the share with the event by ``step``, given none by the entry, and its error.

    The error adds up what each path moves, the weights it has a part in included, by subject.
    """
    status = known_status(seen, step)
    weight, happened = status.weight_at(step), status.happened[:, step - 1]
    total = float(weight.sum())
    if not total:
        return float("nan"), float("nan")
    share = float(weight @ happened / total)
    moves = weight * (happened - share)
    steps, (could, left) = np.arange(1, step), seen.leaving(step - 1)
    rate = shares(seen.weight @ left, seen.weight @ could)
    until = np.where(happened, seen.step, step)
    leaning = moves @ ((seen.entry[:, None] < steps) & (steps < until[:, None]))
    pull = shares(leaning, seen.weight @ (could & ~left))
    moves = moves + seen.weight * ((left - rate * could) @ pull)
    return share, error_by_subject(moves, seen.subject) / total


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
    distribution: CountDistribution, outcomes: Outcomes, *, level: float = LEVEL
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

    low, high = given.interval(level).T
    # Passing `settled_at` without the event settles it: beyond the interval, or inside for good.
    settled_at = np.where(np.isinf(high), np.minimum(low - 1, top), high)
    settled_at = np.maximum(settled_at, seen.entry)
    by_event = seen.observed & (seen.step <= np.maximum(settled_at, 1))
    known = by_event | (seen.step >= settled_at)
    plain = np.where(by_event, (seen.step >= low) & (seen.step <= high), np.isinf(high))
    until = np.where(by_event, seen.step, settled_at)
    weight = _since_entry(watched, seen, until - 1)
    n_effective = effective_number(weight[known])
    point = float(np.average(plain[known], weights=weight[known])) if n_effective else np.nan
    plain_low, plain_high = wilson_interval(float(np.nan_to_num(point)), n_effective)

    first, last = pit_ranges(given, seen)
    upper = (1 + level) / 2
    beyond = ~seen.observed & (seen.step == top)
    held = tie_split_share(first, np.where(beyond, 1.0, last), level=level)
    # Once the upper end is passed nothing is covered any more, with or without a later event.
    passed = first >= upper
    settled_at = np.where(passed, np.minimum(given.quantile(upper), top), seen.step)
    worth = _since_entry(watched, seen, settled_at - 1)
    worth = np.where(seen.observed | beyond | passed, worth, 0.0)
    held = np.where(passed, 0.0, held)
    total = float(worth.sum())
    split = float(worth @ held) / total if total else np.nan
    error = error_by_subject(worth * (held - split), seen.subject) / total if total else np.nan

    # the chances of an outcome before and after the interval, by Kaplan-Meier on rank
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
        plain_low=plain_low,
        plain_high=plain_high,
        tie_split=split,
        tie_split_error=error,
        n_effective=n_effective,
        below=1 - score_curve(reached, seen.observed, (1 - level) / 2, seen.weight),
        above=score_curve(first, seen.observed, 1 - (1 - level) / 2, seen.weight),
        width=float(share @ (ends[:, 1] - ends[:, 0])),
        open_share=float(share @ (ends[:, 1] > distribution.horizon)),
        supported_to=top,
    )


def _since_entry(watched: FloatArray, seen: Outcomes, until: FloatArray) -> FloatArray:
    until = np.maximum(until, seen.entry).astype(np.int64)
    chance = watched[until] / np.maximum(watched[seen.entry], 1e-12)
    return shares(1.0, chance) * seen.weight


def score_curve(
    score: npt.ArrayLike, observed: npt.ArrayLike, at: float, weight: FloatArray
) -> float:
    """Return the Kaplan-Meier chance of a score of at least ``at``; one not observed is higher."""
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
    expected = np.full(bins, counts.mean())
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
    low, high = pit_ranges(distribution, outcomes)
    seen = outcomes.up_to(distribution.horizon)
    drawn = low + np.random.default_rng(seed).random(len(low)) * (high - low)
    return seen, np.where(seen.observed, drawn, low), np.linspace(0, 1, bins + 1)


def tie_split_share(low: FloatArray, high: FloatArray, *, level: float) -> FloatArray:
    """Return how much of each stretch [low, high] of ranks lies in the middle ``level``, (n,)."""
    tail = (1 - check_level(level)) / 2
    inside = np.clip(np.minimum(high, 1 - tail) - np.maximum(low, tail), 0, None)
    # a stretch without length counts whole or not at all
    share: FloatArray = ((low >= tail) & (low <= 1 - tail)).astype(np.float64)
    np.divide(inside, high - low, out=share, where=high - low > 1e-12)
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
    edges = np.pad(distribution.cdf(), ((0, 0), (1, 1)), constant_values=(0, 1))
    counts = np.asarray(step, dtype=np.float64)
    last = np.minimum(counts, distribution.horizon + 1).astype(np.int64)
    rows = np.arange(len(distribution))
    return tie_split_share(edges[rows, last - 1], edges[rows, last], level=level)
