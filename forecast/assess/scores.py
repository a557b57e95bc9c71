"""Scores of a predicted count distribution under censoring.

Of log score, Brier and ranked probability score small is good, and the truth scores best; of
concordance and area under the curve, which judge the order alone, large is good.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from forecast._checks import check_whole_number
from forecast._types import FloatArray
from forecast.assess.outcomes import Outcomes, known_status, watched_until
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
    terms: FloatArray = np.where(seen.observed, lost - at_event, lost)
    return terms


def log_score(distribution: CountDistribution, outcomes: Outcomes) -> float:
    """Return the log score per watched step, in nats.

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
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    watched: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return each path's weighted squared error at each step (n, horizon), and the path totals.

    Summing the first over paths and dividing by the second, shape (horizon,), gives
    :func:`brier`. ``watched`` is the chance of still being watched, from
    :func:`~forecast.assess.outcomes.still_watched` unless given.
    """
    horizon = check_horizon(distribution, horizon)
    status = known_status(outcomes, watched_until(outcomes, horizon, watched))
    by_step = outcomes.conditioned(distribution).cdf()[:, :horizon]
    return status.weight * (by_step - status.happened) ** 2, status.paths


def brier(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    watched: FloatArray | None = None,
) -> FloatArray:
    """Return the Brier score of "event by step k" for k = 1 to ``horizon``, shape (horizon,).

    Weighted for censoring (Graf et al. 1999, Stat Med 18:2529) with the chance of being watched
    *just before* the event. The sum over steps is the continuous ranked probability score of
    the count, with all steps beyond ``horizon`` as one class. Take a horizon up to which some
    paths are watched: :func:`~forecast.assess.outcomes.last_supported`.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> brier(half, Outcomes([1], [True])).tolist()
    [0.25, 0.0625]
    """
    terms, paths = brier_terms(distribution, outcomes, horizon=horizon, watched=watched)
    score: FloatArray = np.divide(
        terms.sum(axis=0), paths, out=np.zeros_like(paths), where=paths > 0
    )
    return score


def uno_concordance(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    watched: FloatArray | None = None,
) -> float:
    """Return the chance that of two paths the one predicted to be earlier has the event first.

    Uno et al. (2011, Stat Med 30:1105), over events up to ``horizon`` only: without that limit
    a few late events decide the number. Paths are ordered by their expected step, counting at
    most ``horizon``. A pair counts when one's event was seen at a step at which the other was at
    risk and which the other got through. ``nan`` when no pair can be compared.

    Examples
    --------
    >>> quick_and_slow = CountDistribution.from_hazard([[0.9, 0.9], [0.1, 0.1]])
    >>> uno_concordance(quick_and_slow, Outcomes(np.array([1, 2]), np.array([True, True])))
    1.0
    """
    horizon = check_horizon(distribution, horizon)
    outcomes.check_matches(distribution)
    watched = watched_until(outcomes, horizon, watched)
    expected = distribution.mean_capped(horizon)
    step, weight = outcomes.step, outcomes.weight
    agreed = total = 0.0
    for now in np.unique(step[outcomes.observed & (step <= horizon)]):
        chance = watched[:, now - 1]
        case = outcomes.observed & (step == now) & (chance > 0)
        other = (outcomes.entry < now) & ((step > now) | ((step == now) & ~outcomes.observed))
        worth = weight[case] / chance[case] ** 2
        agreed += _agreement(expected[case], worth, expected[other], weight[other])
        total += float(worth.sum() * weight[other].sum())
    return agreed / total if total > 0 else float("nan")


def auc_at(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    watched: FloatArray | None = None,
) -> FloatArray:
    """Return the cumulative/dynamic area under the curve at each of ``steps``.

    The chance that a path with the event by step k was given a higher chance of it than a path
    without (Uno et al. 2007, JASA 102:527; Hung & Chiang 2010), weighted for censoring.
    ``nan`` at a step where one side is empty.
    """
    horizon = max([check_horizon(distribution, step) for step in steps], default=1)
    status = known_status(outcomes, watched_until(outcomes, horizon, watched))
    by_step = outcomes.conditioned(distribution).cdf()
    areas = np.full(len(steps), np.nan)
    for place, step in enumerate(steps):
        happened = status.happened[:, step - 1]
        weight = status.weight[:, step - 1]
        case, control = happened & (weight > 0), ~happened & (weight > 0)
        if case.any() and control.any():
            late = -by_step[:, step - 1]
            agreed = _agreement(late[case], weight[case], late[control], weight[control])
            areas[place] = agreed / (weight[case].sum() * weight[control].sum())
    return areas


def _agreement(
    first: FloatArray, first_weight: FloatArray, then: FloatArray, then_weight: FloatArray
) -> float:
    """Return the weight of pairs with ``first`` below ``then``, ties by half."""
    # sorted once instead of compared pair by pair: 20,000 paths are no burden
    order = np.argsort(then, kind="stable")
    below = np.append(0.0, np.cumsum(then_weight[order]))
    start = below[np.searchsorted(then[order], first - TIE, side="left")]
    end = below[np.searchsorted(then[order], first + TIE, side="right")]
    return float(first_weight @ (below[-1] - (start + end) / 2))


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
