"""Do predicted chances come true: reliability tables, calibration slope and calibration error."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from forecast._arrays import BoolArray, FloatArray, shares
from forecast._checks import check_whole_number
from forecast.assess.outcomes import Outcomes, by_subject, known_status
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


# Below, ``logit`` (n,) is that of the chance given to the event, ``happened`` (n,) whether it came,
# and ``weight`` (sets, n) 0 where that is not known; in each set some had it and some had not.


def _slopes(logit: FloatArray, happened: FloatArray, weight: FloatArray) -> FloatArray:
    inside = weight > 0
    lowest = np.where(inside, logit, np.inf).min(axis=1)
    good = np.where(inside, logit, -np.inf).max(axis=1) - lowest >= 1e-9
    found = np.full((2, len(good)), np.nan)
    line = np.column_stack([np.ones_like(logit), logit])[None]
    found[0, good] = _logistic(line, happened, weight[good])[:, 1]
    found[1, good] = _logistic(line[..., :1], happened, weight[good], logit)[:, 0]
    return found


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
    """Return restricted cubic splines with knots at the 10th, 50th and 90th percentiles.

    They are of those ``inside`` each set. A line, its third column zero, where predictions are too
    much alike.
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


def _errors(logit: FloatArray, happened: FloatArray, weight: FloatArray) -> FloatArray:
    inside = weight > 0
    basis = _curve_basis(logit, inside)
    fitted = _logistic(basis, happened, weight, ridge=np.array([1e-6, 1e-6, 0.1]))
    log_odds = (basis @ fitted[..., None])[..., 0]
    chance, curve = (1 / (1 + np.exp(-np.clip(one, -30, 30))) for one in (logit, log_odds))
    each = zip(curve, weight, inside, strict=True)
    return np.array(
        [calibration_error(chance[some], to[some], by[some]) for to, by, some in each]
    ).T


def calibrations(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    weights: FloatArray | None = None,
) -> dict[str, FloatArray]:
    """Return `MEASURES` of "event by the step" at each of ``steps``, shape (steps, sets) each.

    ``weights``, (sets, n), stand in for those of the outcomes, and the sets are worked out side by
    side; without them there is one set. The slope is Cox's (1958). The error is against a smooth
    observed curve: a logistic regression on a restricted cubic spline of the predicted logit, its
    bend lightly pulled to a line. Both are weighted for censoring, and ``nan`` where all outcomes,
    or for the slope all predictions, are alike.
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
        if mixed.any():
            known = logit, happened, weight[mixed]
            found[:, place, mixed] = np.vstack([_slopes(*known), _errors(*known)])
    return dict(zip(MEASURES, found, strict=True))


def observed_to_expected(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[float, float]:
    """Return events seen over events predicted for the steps watched, and its standard error.

    Each watched step adds its hazard to the expected number, so censoring needs no weights. The
    error adds up events less predicted ones by subject, whose paths may be alike.
    """
    seen, each = expected_events(distribution, outcomes)
    expected = float(seen.weight @ each)
    if not expected > 0:
        return float("nan"), float("nan")
    ratio = float(seen.weight @ seen.observed) / expected
    off = by_subject(seen.weight * (seen.observed - each), seen.subject)
    return ratio, float(np.sqrt(max((off**2).sum(), 1.0))) / expected  # no less than of one event


def expected_events(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[Outcomes, FloatArray]:
    """Return what was seen up to the horizon, and the events predicted for each path's steps."""
    seen = outcomes.up_to(distribution.horizon)
    seen.check_matches(distribution)
    steps = np.arange(1, distribution.horizon + 1)
    at_risk = (seen.entry[:, None] < steps) & (steps <= seen.step[:, None])
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
            observed, error = _seen_share(part, step)
            rows.append(
                {
                    "step": step,
                    "bin": number + 1,
                    "n_paths": int(inside.sum()),
                    "n_events": part.n_events,
                    "predicted": float(np.average(chance[inside], weights=part.weight)),
                    "observed": observed,
                    "standard_error": error,
                }
            )
    return pd.DataFrame(rows)


def _seen_share(seen: Outcomes, step: int) -> tuple[float, float]:
    """Return the share with the event by ``step``, given none by the entry, and its error.

    Weighted for dropping out inside ``seen``, a late path from its entry on; without late paths
    that is Kaplan-Meier, and the error Greenwood's. The error adds up what each path moves, the
    weights it has a part in included, by subject.
    """
    status = known_status(seen, step)
    weight, happened = status.weight_at(step), status.happened[:, step - 1]
    total = float(weight.sum())
    if not total:
        return float("nan"), float("nan")
    share = float(weight @ happened / total)
    moves = weight * (happened - share)
    steps = np.arange(1, step)
    at_risk = (seen.entry[:, None] < steps) & (seen.step[:, None] >= steps)
    here = seen.step[:, None] == steps
    could, left = at_risk & ~(here & seen.observed[:, None]), here & ~seen.observed[:, None]
    stayed = seen.weight @ (could & ~left)
    several = seen.weight @ could
    rate = shares(seen.weight @ left, several)
    until = np.where(happened, seen.step, step)
    leaning = moves @ ((seen.entry[:, None] < steps) & (steps < until[:, None]))
    pull = shares(leaning, stayed)
    moves = moves + seen.weight * ((left - rate * could) @ pull)
    return share, float(np.sqrt((by_subject(moves, seen.subject) ** 2).sum())) / total
