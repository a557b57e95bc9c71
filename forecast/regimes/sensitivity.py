"""How wrong the assumptions of a regime comparison must be before its verdict changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._types import FloatArray
from forecast.causal import WeightModel, e_value, tipping_survival
from forecast.regimes.trial import Settings, Trial
from forecast.regimes.verdict import Contrast, verdict_of
from forecast.regimes.weighted_curves import RIDGE, TRUNCATE, Engine, Result

if TYPE_CHECKING:
    import pandas as pd

PHI = (0.0, 0.5, 1.0, 2.0, 4.0, float("inf"))
MOST_OPERATORS = 20


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
                rest = (
                    "its interval holds zero already"
                    if limit == 1
                    else f"{limit:.1f} times would let its interval hold zero"
                )
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

    pairs, level, margin = settings.pairs, settings.level, settings.margin
    known = {key: pair for key, pair in pairs.items() if difference[key].estimate is not None}
    rows, points = [], {}
    for key, pair in known.items():
        table = _tipping(engine, pair, difference[key], margin)
        rows += [(key, *row) for row in table]
        points[key] = _nearest_change(key, table, verdict_of(difference[key], margin))
    names = ["comparison", "phi_left", "phi_right", "estimate", "low", "high", "verdict"]
    weeks = {key: Contrast.missing(level) for key in pairs}
    for key, (left, right) in known.items():
        error = float((draws.weeks[:, left] - draws.weeks[:, right]).std(ddof=1))
        gap = float(point.weeks[left] - point.weeks[right])
        weeks[key] = Contrast.normal(gap, error, level)
    return Sensitivity(
        tipping=pd.DataFrame(rows, columns=names),
        tipping_point=points,
        e_value={key: _e_values(engine, point, draws, pair) for key, pair in known.items()},
        weeks=weeks,
        operator=_with_operator(trial, engine, difference, pairs),
        last_week=engine.last_week,
    )


def _spoken(contrast: Contrast, unit: str) -> str:
    low, high = contrast.interval
    if contrast.estimate is None or low is None or high is None:
        return "cannot say"
    return f"{contrast.estimate:+.1f} {unit} ({low:+.1f} to {high:+.1f})"


def _tipping(
    engine: Engine, pair: tuple[int, int], contrast: Contrast, margin: float
) -> list[tuple[float, float, float, float, float, str]]:
    """Return the difference for every pair of multiples, its error kept as it was."""
    means = {}
    for place in pair:
        for phi in PHI:
            means[place, phi] = float(_after_stopping(engine, place, phi)[: engine.horizon].sum())
    assert contrast.estimate is not None
    assert contrast.error is not None
    left, right = pair
    rows: list[tuple[float, float, float, float, float, str]] = []
    for phi_left in PHI:
        for phi_right in PHI:
            shift = means[left, phi_left] - means[right, phi_right]
            gap = contrast.estimate + shift - (means[left, 1.0] - means[right, 1.0])
            moved = Contrast.normal(gap, contrast.error, contrast.level)
            low, high = moved.at_level(0.95)
            assert low is not None
            assert high is not None
            rows.append((phi_left, phi_right, gap, low, high, verdict_of(moved, margin)))
    return rows


def _after_stopping(engine: Engine, place: int, phi: float) -> FloatArray:
    """Return survival when those who stopped go on with a multiple of the like courses' hazard."""
    panel, weights, mask = engine.panel, engine.weights, engine.masks[place]
    used, _ = weights.used(mask, quantile=TRUNCATE)
    # weights for stopping are taken out again: here the stopped stand for themselves
    choice = used / (weights.staying * weights.stabiliser)
    step = panel.step[mask] - 1

    def total(values: FloatArray) -> FloatArray:
        sums = np.bincount(step, weights=values[mask], minlength=engine.horizon)
        return sums.astype(np.float64)

    risk_all, events_all = total(used), total(used * panel.event)
    hazard = np.divide(events_all, risk_all, out=np.zeros_like(risk_all), where=risk_all > 0)
    return tipping_survival(
        total(choice),
        total(choice * panel.event),
        total(choice * panel.lost),
        phi=phi,
        hazard=hazard,
    )


def _nearest_change(
    key: str, table: Sequence[tuple[float, float, float, float, float, str]], verdict: str
) -> TippingPoint:
    """Find the least departure from "as like courses who went on" that changes the verdict."""

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


def _e_values(
    engine: Engine, point: Result, draws: Result, pair: tuple[int, int]
) -> tuple[float, float]:
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


def _with_operator(
    trial: Trial,
    engine: Engine,
    difference: Mapping[str, Contrast],
    pairs: Mapping[str, tuple[int, int]],
) -> dict[str, Contrast]:
    """Return the difference with the first session's operator among the covariates.

    One column per operator with the ridge of the other covariates: few sessions, little say.
    The error is that of the primary estimate.
    """
    panel, level = trial.panel, next(iter(difference.values())).level
    first = trial.operator[panel.first]
    names = sorted({name for name in first if isinstance(name, str)})
    if not 1 < len(names) <= MOST_OPERATORS:
        return {key: Contrast.missing(level) for key in pairs}
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
    found = {}
    for key, (left, right) in pairs.items():
        error = difference[key].error
        found[key] = (
            Contrast.missing(level)
            if error is None
            else Contrast.normal(means[left] - means[right], error, level)
        )
    return found
