"""Has the world moved since the predictions were made: earlier or later, wider or narrower."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from forecast._types import FloatArray
from forecast.assess.calibration import Ranges, path_loss, predicted_ranges
from forecast.assess.outcomes import Outcomes, by_subject
from forecast.errors import DataError
from forecast.survival import CountDistribution

FEWEST_EVENTS = 5


@dataclass(frozen=True, slots=True)
class Drift:
    """How outcomes differ from predictions, without any pull towards no difference.

    Attributes
    ----------
    shift, shift_error : float
        Log ratio of cumulative hazards, observed to predicted: above 0 events come earlier.
    power, power_error : float
        The calibration slope in time: below 1 outcomes vary more than predicted, above 1 less.
    statistic, p_value : float
        Joint Wald test of "shift 0 and power 1", two degrees of freedom, robust to several paths
        of one subject.
    n_events : int
        Events behind it.
    """

    shift: float
    shift_error: float
    power: float
    power_error: float
    statistic: float
    p_value: float
    n_events: int

    @classmethod
    def of(cls, distribution: CountDistribution, outcomes: Outcomes) -> Drift:
        """Return the drift of later outcomes against the predictions made for them.

        The unpenalised maximum likelihood of the recalibration map (one shift, one power), censored
        paths as they are.

        Raises
        ------
        DataError
            If there are fewer than five events.
        """
        if outcomes.n_events < FEWEST_EVENTS:
            raise DataError(
                f"{outcomes.n_events} event(s) were seen.",
                f"Wait for at least {FEWEST_EVENTS} before asking for drift.",
            )
        ranges = predicted_ranges([distribution], outcomes)[0]
        found = _solve(ranges, outcomes.weight)
        bread = np.linalg.inv(_information(ranges, outcomes.weight, found))
        each = _slopes(ranges, found) * outcomes.weight[:, None]
        moved = np.column_stack([by_subject(column, outcomes.subject) for column in each.T])
        covariance = bread @ (moved.T @ moved) @ bread
        statistic = float(found @ np.linalg.solve(covariance, found))
        error = np.sqrt(np.diag(covariance))
        power = float(np.exp(found[1]))
        return cls(
            shift=float(found[0]),
            shift_error=float(error[0]),
            power=power,
            power_error=power * float(error[1]),
            statistic=statistic,
            p_value=float(np.exp(-statistic / 2)),  # chi-square tail with two degrees of freedom
            n_events=outcomes.n_events,
        )


def _slopes(ranges: Ranges, at: FloatArray) -> FloatArray:
    _, by_shift, by_power = path_loss(ranges, float(at[0]), float(np.exp(at[1])))
    return np.column_stack([by_shift, by_power])


def _information(ranges: Ranges, weight: FloatArray, at: FloatArray) -> FloatArray:
    step = 1e-4 * np.eye(2)
    columns = [
        weight @ (_slopes(ranges, at + move) - _slopes(ranges, at - move)) / 2e-4 for move in step
    ]
    information: FloatArray = np.array(columns)
    return (information + information.T) / 2


def _solve(ranges: Ranges, weight: FloatArray) -> FloatArray:
    from scipy.optimize import minimize

    def loss(at: FloatArray) -> tuple[float, FloatArray]:
        value, _, _ = path_loss(ranges, float(at[0]), float(np.exp(at[1])))
        return float(weight @ value), weight @ _slopes(ranges, at)

    bounds = [(-10.0, 10.0), (-4.0, 4.0)]
    found: FloatArray = minimize(loss, np.zeros(2), jac=True, method="L-BFGS-B", bounds=bounds).x
    return found
