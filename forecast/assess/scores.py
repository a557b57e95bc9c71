"""Scores of a predicted count distribution; small is good, and the truth scores best."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.assess.dropout import known_status, watched_until
from forecast.assess.outcomes import Outcomes
from forecast.errors import RequestError
from forecast.survival import CountDistribution

__all__ = ["brier", "brier_terms", "crps_complete", "log_score", "log_score_terms"]

FloatArray = npt.NDArray[np.float64]
FLOOR = 1e-6


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
    :func:`~forecast.assess.dropout.still_watched` unless given.
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
    paths are watched: :func:`~forecast.assess.dropout.last_supported`.

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


def crps_complete(
    distribution: CountDistribution, step: npt.ArrayLike, *, horizon: int | None = None
) -> FloatArray:
    """Return each row's ranked probability score when its count is known, shape (n,).

    The sum over k = 1 to ``horizon`` of (F(k) - 1{step <= k})^2, in steps; ``step`` may be
    ``inf`` for never.

    Examples
    --------
    >>> half = CountDistribution.from_hazard([[0.5, 0.5]])
    >>> crps_complete(half, [1]).tolist()
    [0.3125]
    """
    horizon = check_horizon(distribution, horizon)
    counts = np.asarray(step, dtype=np.float64)
    happened = counts[:, None] <= np.arange(1, horizon + 1)
    score: FloatArray = ((distribution.cdf()[:, :horizon] - happened) ** 2).sum(axis=1)
    return score


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
