"""How wrong the assumptions of a regime comparison must be before its verdict changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.causal import WeightModel, e_value, tipping_survival
from forecast.regimes.strategies import Settings
from forecast.regimes.trial import Trial
from forecast.regimes.verdict import Contrast, verdict_of
from forecast.regimes.weighted_curves import RIDGE, TRUNCATE, Engine, Result

if TYPE_CHECKING:
    import pandas as pd

PHI = (0.0, 0.5, 1.0, 2.0, 4.0, float("inf"))
MOST_OPERATORS = 20
Tipped = tuple[float, float, float, float | None, float | None, str]


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """The nearest assumption about those who stopped at which the verdict is another.

    Attributes
    ----------
    left, right : float or None
        Their hazard of clearing after stopping, as a multiple of that of like courses who went
        on, in the left and the right strategy. None when no value tried changes the verdict.
    verdict : str
        What it would become.
    words : str
    """

    left: float | None
    right: float | None
    verdict: str
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Sensitivity analyses, by pair of strategies.

    Attributes
    ----------
    tipping : DataFrame
        ``comparison, phi_left, phi_right, estimate, low, high, verdict``.
    tipping_point : dict of str to TippingPoint
    e_value : dict of str to (float, float)
        For the ratio of the shares cleared by the horizon: of the estimate, and of the end of
        its interval nearer to 1 (1 if it holds 1).
    weeks : dict of str to Contrast
        Difference in mean weeks until cleared instead of sessions, up to ``last_week``.
    operator : dict of str to Contrast
        ``difference`` with the operator among the covariates, shrunk.
    last_week : int
    """

    tipping: pd.DataFrame
    tipping_point: Mapping[str, TippingPoint]
    e_value: Mapping[str, tuple[float, float]]
    weeks: Mapping[str, Contrast]
    operator: Mapping[str, Contrast]
    last_week: int

    @property
    def words(self) -> tuple[str, ...]:
        """What each analysis says, in sentences."""
        said = []
        for key, point in self.tipping_point.items():
            estimate, limit = self.e_value[key]
            said.append(point.words)
            if np.isfinite(estimate):
                rest = f"{limit:.1f} times would let its interval hold zero"
                rest = "its interval holds zero already" if limit == 1 else rest
                said.append(
                    f"{key}: something unrecorded could explain the difference in the share "
                    "cleared away if it made both the choice of the regime and clearing at least "
                    f"{estimate:.1f} times as likely; {rest}."
                )
            said.append(
                f"{key} on the calendar: {_spoken(self.weeks[key], 'weeks')} until "
                f"cleared, up to week {self.last_week}."
            )
            if self.operator[key].estimate is not None:
                said.append(
                    f"{key} with the operator among the covariates: "
                    f"{_spoken(self.operator[key], 'sessions')}."
                )
        return tuple(said)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "tipping_point": {key: point.words for key, point in self.tipping_point.items()},
            "e_value": {key: list(pair) for key, pair in self.e_value.items()},
            "weeks": {key: contrast.to_dict() for key, contrast in self.weeks.items()},
            "operator": {key: contrast.to_dict() for key, contrast in self.operator.items()},
        }


def examine(
    trial: Trial,
    engine: Engine,
    point: Result,
    draws: Result,
    difference: Mapping[str, Contrast],
    settings: Settings,
) -> Sensitivity:
    """Return the sensitivity analyses; pairs that could not be estimated stay empty."""
    import pandas as pd

    rows, points, e_values = [], {}, {}
    weeks = {key: Contrast.missing(settings.level) for key in settings.pairs}
    for key, (left, right) in settings.pairs.items():
        if difference[key].estimate is None:
            continue
        table = _tipping(engine, (left, right), difference[key], settings.margin)
        rows += [(key, *row) for row in table]
        points[key] = _nearest_change(key, table, verdict_of(difference[key], settings.margin))
        e_values[key] = _e_values(point, draws, [left, right])
        gap = float(point.weeks[left] - point.weeks[right])
        error = float((draws.weeks[:, left] - draws.weeks[:, right]).std(ddof=1))
        weeks[key] = Contrast.normal(gap, error, settings.level)
    names = ["comparison", "phi_left", "phi_right", "estimate", "low", "high", "verdict"]
    return Sensitivity(
        tipping=pd.DataFrame(rows, columns=names),
        tipping_point=points,
        e_value=e_values,
        weeks=weeks,
        operator=_with_operator(trial, engine, difference, settings),
        last_week=engine.last_week,
    )


def _spoken(contrast: Contrast, unit: str) -> str:
    low, high = contrast.interval
    if contrast.estimate is None or low is None or high is None:
        return "cannot say"
    return f"{contrast.estimate:+.1f} {unit} ({low:+.1f} to {high:+.1f})"


# The difference for every pair of multiples, its error kept as it was.
def _tipping(
    engine: Engine, pair: tuple[int, int], contrast: Contrast, margin: float
) -> list[Tipped]:
    assert contrast.estimate is not None
    assert contrast.error is not None
    left, right = (
        {phi: float(_after_stopping(engine, place, phi)[: engine.horizon].sum()) for phi in PHI}
        for place in pair
    )
    rows: list[Tipped] = []
    for phi_left, phi_right in product(PHI, PHI):
        shift = left[phi_left] - right[phi_right]
        gap = contrast.estimate + shift - (left[1.0] - right[1.0])
        moved = Contrast.normal(gap, contrast.error, contrast.level)
        low, high = Contrast.normal(gap, contrast.error, 0.95).interval
        rows.append((phi_left, phi_right, gap, low, high, verdict_of(moved, margin)))
    return rows


# Survival when those who stopped go on with a multiple of the like courses' hazard.
def _after_stopping(engine: Engine, place: int, phi: float) -> FloatArray:
    panel, weights, mask = engine.panel, engine.weights, engine.masks[place]
    used, _ = weights.used(mask, quantile=TRUNCATE)
    # weights for stopping are taken out again: here the stopped stand for themselves
    choice = used / (weights.staying * weights.stabiliser)
    step = panel.step[mask] - 1

    def total(values: FloatArray) -> FloatArray:
        sums = np.bincount(step, weights=values[mask], minlength=engine.horizon)
        return sums.astype(np.float64)

    risk, events = total(used), total(used * panel.event)
    return tipping_survival(
        total(choice),
        total(choice * panel.event),
        total(choice * panel.lost),
        phi=phi,
        hazard=np.divide(events, risk, out=np.zeros_like(risk), where=risk > 0),
    )


# The least departure from "as like courses who went on" that changes the verdict.
def _nearest_change(key: str, table: Sequence[Tipped], verdict: str) -> TippingPoint:
    def distance(phi: float) -> float:
        return abs(float(np.log2(min(max(phi, 1 / 8), 8))))

    changed = [row for row in table if row[5] != verdict]
    left, right = key.split(" - ")
    if not changed:
        words = (
            f"{key}: whatever those who stopped would have done, from never clearing to clearing "
            "at their next session, the verdict stays."
        )
        return TippingPoint(None, None, verdict, words)
    row = min(changed, key=lambda r: distance(r[0]) + distance(r[1]))
    words = (
        f"{key}: the verdict becomes '{row[5]}' if those who stopped would have "
        f"{_pace(row[0])} under {left}, and {_pace(row[1])} under {right}."
    )
    return TippingPoint(row[0], row[1], row[5], words)


def _pace(phi: float) -> str:
    told = {0.0: "never cleared", 1.0: "cleared as like courses do"}
    if np.isinf(phi):
        return "all cleared at their next session"
    return told.get(phi, f"cleared at {phi:g} times the rate of like courses")


def _e_values(point: Result, draws: Result, pair: list[int]) -> tuple[float, float]:
    left, right = (1 - point.survival[place, 0, -1] for place in pair)
    if left <= 0 or right <= 0:
        return float("nan"), float("nan")
    resampled = 1 - draws.survival[:, pair, 0, -1]
    resampled = resampled[(resampled > 0).all(axis=1)]
    ratio = float(left / right)
    error = float(np.log(resampled[:, 0] / resampled[:, 1]).std(ddof=1))
    nearer = np.log(ratio) - np.sign(np.log(ratio)) * 1.959964 * error
    holds_one = np.sign(nearer) != np.sign(np.log(ratio))
    return e_value(ratio), 1.0 if holds_one else e_value(float(np.exp(nearer)))


# The difference with the first session's operator among the covariates: one column per operator
# with the ridge of the other covariates (few sessions, little say). The error is that of the
# primary estimate.
def _with_operator(
    trial: Trial, engine: Engine, difference: Mapping[str, Contrast], settings: Settings
) -> dict[str, Contrast]:
    panel, found = trial.panel, {key: Contrast.missing(settings.level) for key in settings.pairs}
    first = trial.operator[panel.first]
    names = sorted({name for name in first if isinstance(name, str)})
    if not 1 < len(names) <= MOST_OPERATORS:
        return found
    columns = (first[:, None] == np.array(names, dtype=object)[None, :]).astype(np.float64)
    each = columns[panel.subject]
    wider = replace(
        panel,
        before=np.hstack([panel.before, each]),
        after=np.hstack([panel.after, each]),
        names=(*panel.names, *names),
        after_names=(*panel.after_names, *names),
    )
    weights = WeightModel(wider, ridge=RIDGE).fit()
    means = []
    for mask in engine.masks:
        used, _ = weights.used(mask, quantile=TRUNCATE)
        means.append(float(engine.curves(used, mask)[0, : engine.horizon].sum()))
    for key, (left, right) in settings.pairs.items():
        error = difference[key].error
        if error is not None:
            found[key] = Contrast.normal(means[left] - means[right], error, settings.level)
    return found
