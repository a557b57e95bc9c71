"""Weights for what was not seen: the chance of still being watched, and what it is worth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level
from forecast._types import BoolArray, FloatArray
from forecast.assess.outcomes import Outcomes
from forecast.errors import RequestError

SUPPORT = 5


def still_watched(
    outcomes: Outcomes, *, horizon: int, group: npt.ArrayLike | None = None
) -> FloatArray:
    """Return each path's chance of not having dropped out by steps 0 to ``horizon``.

    Kaplan-Meier for dropping out, shape (n, horizon + 1), column 0 being 1. At a step the event
    comes first, so a path with its event there cannot drop out there. Paths that entered late
    count from their entry on.

    Parameters
    ----------
    outcomes : Outcomes
        What was seen.
    horizon : int
        The last step.
    group : array of shape (n,), optional
        A separate curve for each value: use it where dropping out differs between groups.
    """
    if group is None:
        return np.repeat(_one_curve(outcomes, horizon)[None, :], len(outcomes), axis=0)
    labels = np.asarray(group)
    curves = np.empty((len(outcomes), horizon + 1))
    for label in np.unique(labels):
        members = labels == label
        curves[members] = _one_curve(outcomes.take(members), horizon)
    return curves


def watched_until(
    outcomes: Outcomes, horizon: int, watched: FloatArray | None = None
) -> FloatArray:
    """Return ``watched`` for steps 0 to ``horizon``, or :func:`still_watched` where it is None.

    Raises
    ------
    RequestError
        If ``watched`` has not one row per path and a column for each step from 0.
    """
    if watched is None:
        return still_watched(outcomes, horizon=horizon)
    rows, columns = watched.shape
    if rows != len(outcomes) or columns <= horizon:
        raise RequestError(
            f"watched has shape {watched.shape} for {len(outcomes)} path(s) up to step {horizon}.",
            "Give one row per path and one column for each step from 0.",
        )
    return watched[:, : horizon + 1]


def _one_curve(outcomes: Outcomes, horizon: int) -> FloatArray:
    steps = np.arange(1, horizon + 1)
    here = outcomes.step[:, None] == steps
    at_risk = (outcomes.entry[:, None] < steps) & (outcomes.step[:, None] >= steps)
    event = here & outcomes.observed[:, None]
    could = outcomes.weight @ (at_risk & ~event)
    left = outcomes.weight @ (here & ~outcomes.observed[:, None])
    hazard = np.divide(left, could, out=np.zeros(horizon), where=could > 0)
    return np.append(1.0, np.cumprod(1 - hazard))


def last_supported(outcomes: Outcomes, *, at_least: int = SUPPORT) -> int:
    """Return the last step at which at least ``at_least`` paths are still watched (1 if none).

    Examples
    --------
    >>> last_supported(Outcomes([3, 3, 2, 5], [True] * 4), at_least=2)
    3
    """
    steps = np.arange(1, int(outcomes.step.max()) + 1)
    counted = (outcomes.weight > 0)[:, None]
    watched = (outcomes.entry[:, None] < steps) & (outcomes.step[:, None] >= steps) & counted
    enough = np.flatnonzero(watched.sum(axis=0) >= at_least)
    return int(steps[enough[-1]]) if len(enough) else 1


@dataclass(frozen=True, slots=True, eq=False)
class KnownStatus:
    """Who is known to have had the event by each step, and what each known path stands for."""

    happened: BoolArray  # (n, horizon): whether the event was seen by step k
    # (n, horizon): the path's own over the chance of the status being known; 0 where it is not
    weight: FloatArray
    paths: FloatArray  # (horizon,): the weight of all paths that had entered, known or not


def known_status(outcomes: Outcomes, watched: FloatArray) -> KnownStatus:
    """Return the status at each step with inverse probability of censoring weights.

    An event at step t is weighted by the chance of being watched just before t, after Graf et
    al. (1999, Stat Med 18:2529); a path without the event after step k by the chance just before
    k, because the event comes before dropping out. The left limit matters: with the chance
    *after* t, tied steps bias the Brier score upwards.

    Parameters
    ----------
    outcomes : Outcomes
        What was seen.
    watched : ndarray of shape (n, horizon + 1)
        From :func:`still_watched`, or from a model of dropping out.
    """
    horizon = watched.shape[1] - 1
    steps = np.arange(1, horizon + 1)
    rows = np.arange(len(outcomes))
    entered = outcomes.entry[:, None] < steps
    happened = (outcomes.step[:, None] <= steps) & outcomes.observed[:, None]
    free = (outcomes.step[:, None] >= steps) & ~happened & entered
    # A path that entered late is scored on what was left, so only dropping out since then counts.
    since = watched / np.maximum(watched[rows, np.minimum(outcomes.entry, horizon)], 1e-12)[:, None]
    at_event = since[rows, np.minimum(outcomes.step, horizon + 1) - 1]
    chance = np.where(happened, at_event[:, None], since[:, :-1])
    known = (happened | free) & (chance > 0)
    weight = np.divide(outcomes.weight[:, None], chance, out=np.zeros_like(chance), where=known)
    return KnownStatus(happened, weight, outcomes.weight @ entered)


def effective_size(weight: npt.ArrayLike) -> float:
    """Return how many equally weighted rows the weighted ones are worth (Kish 1965).

    Examples
    --------
    >>> effective_size([1, 1, 1, 1]), round(effective_size([3, 1]), 9)
    (4.0, 1.6)
    """
    weights = np.asarray(weight, dtype=np.float64)
    squares = float((weights**2).sum())
    return float(weights.sum() ** 2 / squares) if squares else 0.0


def wilson_interval(share: float, n: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the score interval of a proportion from ``n`` rows, which need not be whole.

    Wilson (1927, JASA 22:209); with weights, ``n`` is the effective size.

    Examples
    --------
    >>> low, high = wilson_interval(81 / 263, 263)
    >>> round(low, 4), round(high, 4)
    (0.2553, 0.3662)
    >>> wilson_interval(0.5, 0)
    (0.0, 1.0)
    """
    from statsmodels.stats.proportion import proportion_confint

    if not 0 <= share <= 1:
        raise RequestError(f"share is {share!r}.", "Give a proportion from 0 to 1.")
    alpha = 1 - check_level(level)
    if n <= 0:
        return 0.0, 1.0
    low, high = proportion_confint(share * n, n, alpha=alpha, method="wilson")
    return float(low), float(high)
