"""Do predicted chances come true: reliability tables, calibration slope and calibration error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast._types import FloatArray
from forecast.assess.outcomes import (
    Outcomes,
    by_subject,
    known_status,
    still_watched,
    watched_until,
)
from forecast.assess.scores import check_horizon
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

EDGE = 1e-6
MOST_ITERATIONS = 50
PATIENCE = 8  # full steps before each is checked
SETTLED = 1e-7  # of any coefficient; the step after is its square


@dataclass(frozen=True, slots=True)
class CalibrationError:
    """Distance of predicted from smoothed chances (Austin et al. 2020, Stat Med 39:2714)."""

    ici: float  # mean of |predicted - observed|, the observed chance read off a smooth curve
    e50: float  # its median
    e90: float  # its 90th percentile


def calibration_error(
    predicted: npt.ArrayLike, observed: npt.ArrayLike, *, weight: npt.ArrayLike | None = None
) -> CalibrationError:
    """Return the calibration error between predicted chances and smoothed observed ones."""
    error = np.abs(np.asarray(predicted, dtype=np.float64) - np.asarray(observed, np.float64))
    each = np.ones(len(error)) if weight is None else np.asarray(weight, dtype=np.float64)
    order = np.argsort(error, kind="stable")
    reached = np.cumsum(each[order]) / each.sum()

    def quantile(level: float) -> float:
        return float(error[order][np.searchsorted(reached, level - 1e-12)])

    return CalibrationError(float(np.average(error, weights=each)), quantile(0.5), quantile(0.9))


@dataclass(frozen=True, slots=True)
class CalibrationSlope:
    """How the observed chance rises with the predicted one, on the logit scale, at one step."""

    slope: float  # 1 when the spread of predictions is right, below 1 when they are too extreme
    intercept: float  # observed minus predicted logit at slope 1: above 0 when events come earlier


Known = tuple[FloatArray, FloatArray, FloatArray]


def _status_at(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    watched: FloatArray | None,
) -> list[Known]:
    """Return chance, outcome and weight of the paths whose status at each step is known."""
    last = max(check_horizon(distribution, step) for step in steps)
    status = known_status(outcomes, watched_until(outcomes, last, watched))
    by_step = outcomes.conditioned(distribution).cdf()
    found = []
    for step in steps:
        known = status.weight[:, step - 1] > 0
        chance = np.clip(by_step[known, step - 1], EDGE, 1 - EDGE)
        happened = status.happened[known, step - 1].astype(np.float64)
        found.append((chance, happened, status.weight[known, step - 1]))
    return found


def _slope(chance: FloatArray, happened: FloatArray, weight: FloatArray) -> CalibrationSlope:
    logit = np.log(chance / (1 - chance))
    if not 0 < happened.sum() < len(happened) or np.ptp(logit) < 1e-9:
        return CalibrationSlope(float("nan"), float("nan"))
    design = np.column_stack([np.ones(len(logit)), logit])
    fitted = _logistic(design, happened, weight)
    level = _logistic(design[:, :1], happened, weight, logit)
    return CalibrationSlope(float(fitted[1]), float(level[0]))


def _logistic(
    design: FloatArray,
    happened: FloatArray,
    weight: FloatArray,
    offset: FloatArray | float = 0.0,
    ridge: FloatArray | None = None,
) -> FloatArray:
    """Return the coefficients of a weighted logistic regression."""
    each = weight / weight.mean()
    penalty = np.diag(np.full(design.shape[1], 1e-6) if ridge is None else ridge)
    found = np.zeros(design.shape[1])
    found[1:2] = 1.0  # the logit of a prediction that is right has slope 1

    def lost(place: FloatArray) -> float:
        log_odds = offset + design @ place
        missed = np.logaddexp(0, log_odds) - happened * log_odds
        return float(each @ missed + place @ penalty @ place / 2)

    for taken in range(MOST_ITERATIONS):
        chance = 1 / (1 + np.exp(-np.clip(offset + design @ found, -30, 30)))
        bread = (design.T * (each * chance * (1 - chance))) @ design + penalty
        move = np.linalg.solve(bread, design.T @ (each * (happened - chance)) - penalty @ found)
        if (largest := np.abs(move).max()) < SETTLED:
            break
        # A whole Newton step can overshoot where events are few: halve it until it helps.
        if largest > 0.5 or taken > PATIENCE:
            until = lost(found) + 1e-9
            while lost(found + move) > until and np.abs(move).max() >= SETTLED:
                move = move / 2
        found = found + move
    return found + move


def _curve_basis(logit: FloatArray) -> FloatArray:
    """Return a restricted cubic spline with knots at the 10th, 50th and 90th percentiles."""
    line = np.column_stack([np.ones(len(logit)), logit])
    knots = np.quantile(logit, [0.1, 0.5, 0.9])
    if np.diff(knots).min() < 1e-6 or len(np.unique(logit)) < 5:
        return line
    low, middle, high = knots
    cubes = np.clip(logit[:, None] - knots, 0, None) ** 3 / (high - low) ** 2
    bend = (
        cubes[:, 0]
        - cubes[:, 1] * (high - low) / (high - middle)
        + cubes[:, 2] * (middle - low) / (high - middle)
    )
    return np.column_stack([line, bend])


def _error(chance: FloatArray, happened: FloatArray, weight: FloatArray) -> CalibrationError:
    if not 0 < happened.sum() < len(happened):
        return CalibrationError(float("nan"), float("nan"), float("nan"))
    basis = _curve_basis(np.log(chance / (1 - chance)))
    ridge = np.array([1e-6, 1e-6, 0.1])[: basis.shape[1]]
    fitted = _logistic(basis, happened, weight, ridge=ridge)
    curve = 1 / (1 + np.exp(-np.clip(basis @ fitted, -30, 30)))
    return calibration_error(chance, curve, weight=weight)


def calibration_at(
    distribution: CountDistribution,
    outcomes: Outcomes,
    steps: Sequence[int],
    *,
    watched: FloatArray | None = None,
) -> list[tuple[CalibrationSlope, CalibrationError]]:
    """Return calibration slope and calibration error of "event by the step" at each of ``steps``.

    The slope is Cox's (1958). The error is against a smooth observed curve: a logistic regression
    on a restricted cubic spline of the predicted logit, its bend lightly pulled to a line. Both
    are weighted for censoring, and ``nan`` where all outcomes, or for the slope all predictions,
    are alike.
    """
    known = _status_at(distribution, outcomes, steps, watched) if len(steps) else []
    return [(_slope(*each), _error(*each)) for each in known]


def observed_to_expected(
    distribution: CountDistribution, outcomes: Outcomes
) -> tuple[float, float]:
    """Return events seen over events predicted for the steps watched, and its standard error.

    Each watched step adds its hazard to the expected number, so censoring needs no weights. The
    error adds up events less predicted ones by subject, whose paths may be alike.
    """
    seen = outcomes.up_to(distribution.horizon)
    seen.check_matches(distribution)
    steps = np.arange(1, distribution.horizon + 1)
    at_risk = (seen.entry[:, None] < steps) & (steps <= seen.step[:, None])
    each = (distribution.hazard() * at_risk).sum(axis=1)
    expected = float(seen.weight @ each)
    if not expected > 0:
        return float("nan"), float("nan")
    ratio = float(seen.weight @ seen.observed) / expected
    off = by_subject(seen.weight * (seen.observed - each), seen.subject)
    return ratio, float(np.sqrt(max((off**2).sum(), 1.0))) / expected  # no less than of one event


def reliability_table(
    distribution: CountDistribution,
    outcomes: Outcomes,
    *,
    steps: Sequence[int],
    bins: int = 5,
) -> pd.DataFrame:
    """Return predicted and observed chance of the event by each step, in bins of the prediction.

    ``distribution`` and ``outcomes`` are of the same paths, ``steps`` up to the horizon; ``bins``
    have equal numbers of paths, and ties in the prediction make them fewer. Columns ``step``,
    ``bin``, ``n_paths``, ``n_events`` (seen by the step), ``predicted`` (mean), ``observed``
    (share, weighted for dropping out inside the bin: Kaplan-Meier where nobody entered late),
    ``standard_error`` (by subject; Greenwood's where each has one path).
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
    status = known_status(seen, still_watched(seen, horizon=step))
    weight, happened = status.weight[:, step - 1], status.happened[:, step - 1]
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
    rate = np.divide(seen.weight @ left, several, out=np.zeros(step - 1), where=several > 0)
    until = np.where(happened, seen.step, step)
    leaning = moves @ ((seen.entry[:, None] < steps) & (steps < until[:, None]))
    pull = np.divide(leaning, stayed, out=np.zeros(step - 1), where=stayed > 0)
    moves = moves + seen.weight * ((left - rate * could) @ pull)
    return share, float(np.sqrt((by_subject(moves, seen.subject) ** 2).sum())) / total
