"""Does the prediction order the paths as the events came: concordance and areas under curves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from forecast.assess.dropout import known_status, still_watched
from forecast.assess.outcomes import Outcomes
from forecast.assess.scores import check_horizon
from forecast.survival.distribution import CountDistribution

__all__ = ["auc_at", "concordance_pairs", "uno_concordance"]

FloatArray = npt.NDArray[np.float64]


def concordance_pairs(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    horizon: int | None = None,
    watched: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the agreement and the weight of each ordered pair, two matrices of shape (n, n).

    Pair (i, j) counts when i's event was seen at a step up to ``horizon`` at which j was at risk
    and which j got through. Agreement is 1 where i was predicted to be earlier, 1/2 where equal.
    """
    horizon = check_horizon(distribution, horizon)
    watched = still_watched(outcomes, horizon=horizon) if watched is None else watched
    expected = distribution.mean_capped(horizon)
    used = outcomes.observed & (outcomes.step <= horizon)
    chance = watched[np.arange(len(outcomes)), np.minimum(outcomes.step, horizon) - 1]
    each = np.divide(1.0, chance**2, out=np.zeros(len(outcomes)), where=used & (chance > 0))
    later = (outcomes.step[None, :] > outcomes.step[:, None]) | (
        (outcomes.step[None, :] == outcomes.step[:, None]) & ~outcomes.observed[None, :]
    )
    present = outcomes.entry[None, :] < outcomes.step[:, None]
    weight = np.where(later & present, each[:, None], 0)
    weight = weight * outcomes.weight[:, None] * outcomes.weight[None, :]
    return (_sooner(expected) * weight), weight


def _sooner(expected: FloatArray) -> FloatArray:
    difference = expected[None, :] - expected[:, None]
    close = np.abs(difference) < 1e-9
    return np.where(close, 0.5, difference > 0)


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
    most ``horizon``. ``nan`` when no pair can be compared.

    Examples
    --------
    >>> quick_and_slow = CountDistribution.from_hazard([[0.9, 0.9], [0.1, 0.1]])
    >>> uno_concordance(quick_and_slow, Outcomes([1, 2], [True, True]))
    1.0
    """
    agree, weight = concordance_pairs(distribution, outcomes, horizon=horizon, watched=watched)
    total = float(weight.sum())
    return float(agree.sum() / total) if total > 0 else float("nan")


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
    horizon = check_horizon(distribution, max(steps))
    watched = still_watched(outcomes, horizon=horizon) if watched is None else watched
    status = known_status(outcomes, watched[:, : horizon + 1])
    by_step = outcomes.conditioned(distribution).cdf()
    areas = np.full(len(steps), np.nan)
    for place, step in enumerate(steps):
        happened = status.happened[:, step - 1]
        weight = status.weight[:, step - 1]
        case, control = happened & (weight > 0), ~happened & (weight > 0)
        if case.any() and control.any():
            chance = by_step[:, step - 1]
            agree = _sooner(-chance)[np.ix_(case, control)]
            areas[place] = weight[case] @ agree @ weight[control]
            areas[place] /= weight[case].sum() * weight[control].sum()
    return areas
