"""Does the prediction order the paths as the events came: concordance and areas under curves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from forecast.assess.dropout import known_status, watched_until
from forecast.assess.outcomes import Outcomes
from forecast.assess.scores import check_horizon
from forecast.survival import CountDistribution

__all__ = ["auc_at", "uno_concordance"]

FloatArray = npt.NDArray[np.float64]
TIE = 1e-9


def _agreement(
    first: FloatArray, first_weight: FloatArray, then: FloatArray, then_weight: FloatArray
) -> float:
    """Return the weight of pairs with ``first`` below ``then``, ties by half.

    Sorted once instead of compared pair by pair, so that a log of 20,000 paths is no burden.
    """
    order = np.argsort(then, kind="stable")
    below = np.append(0.0, np.cumsum(then_weight[order]))
    start = below[np.searchsorted(then[order], first - TIE, side="left")]
    end = below[np.searchsorted(then[order], first + TIE, side="right")]
    return float(first_weight @ (below[-1] - (start + end) / 2))


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
