"""The baseline: what the hazard does from step to step, the same for everyone.

``free`` has one parameter per step with an event, named ``baseline[7]`` for step 7. ``smooth``
has three, a quadratic in x = log(step / 8): ``baseline[level]`` is the linear predictor at step
8, ``baseline[slope]`` what one unit of x adds there, ``baseline[curve]`` what x² adds. The pivot
is fixed, so that the three mean the same whatever the data, and a prior can speak of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from forecast.errors import FitError

__all__ = ["PIVOT", "SHAPE_PRIOR", "SMOOTH_NAMES", "Baseline", "free_baseline", "smooth_baseline"]

FloatArray: TypeAlias = npt.NDArray[np.float64]

PIVOT = 8
START_STEPS = 12
SMOOTH_NAMES = ("baseline[level]", "baseline[slope]", "baseline[curve]")
# Used with a ridge penalty or a prior only: wide enough to leave the shape to some tens of
# events (a slope of 2 is a hazard that grows with the square of the step), narrow enough that
# a single event still has an answer.
SHAPE_PRIOR = {"baseline[slope]": (0.0, 2.0), "baseline[curve]": (0.0, 1.0)}


@dataclass(frozen=True, slots=True)
class Baseline:
    """Which parameters the baseline has and what they say of each step.

    Attributes
    ----------
    kind : str
        ``free`` or ``smooth``.
    steps : tuple of int
        Free: the steps that have a parameter. Smooth: empty.
    certain : tuple of int
        Free: the steps at which everyone at risk had the event.
    """

    kind: str
    steps: tuple[int, ...] = ()
    certain: tuple[int, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the parameters."""
        if self.kind == "smooth":
            return SMOOTH_NAMES
        return tuple(f"baseline[{step}]" for step in self.steps)

    @property
    def level(self) -> FloatArray:
        """How much each parameter moves when the whole baseline moves by one."""
        if self.kind == "smooth":
            return np.array([1.0, 0.0, 0.0])
        return np.ones(len(self.steps))

    def basis(self, horizon: int) -> FloatArray:
        """Return the matrix from parameters to steps 1 to ``horizon``."""
        if self.kind == "smooth":
            x = np.log(np.arange(1, horizon + 1) / PIVOT)
            return np.column_stack([np.ones(horizon), x, x * x])
        basis = np.zeros((horizon, len(self.steps)))
        for column, step in enumerate(self.steps):
            if step <= horizon:
                basis[step - 1, column] = 1.0
        return basis

    def linear(self, parameters: FloatArray, horizon: int) -> FloatArray:
        """Return the linear predictor at steps 1 to ``horizon``, shape (..., horizon).

        ``parameters`` has shape (..., n). Where no event can happen it is -inf, where nothing
        else can, +inf.
        """
        if self.kind == "smooth":
            smooth: FloatArray = parameters @ self.basis(horizon).T
            return smooth
        values = np.full((*parameters.shape[:-1], horizon), -np.inf)
        for column, step in enumerate(self.steps):
            if step <= horizon:
                values[..., step - 1] = parameters[..., column]
        for step in self.certain:
            if step <= horizon:
                values[..., step - 1] = np.inf
        return values


def smooth_baseline() -> Baseline:
    """Return the smooth baseline."""
    return Baseline("smooth")


def free_baseline(
    at_risk: FloatArray, events: FloatArray, prior_names: Iterable[str] = ()
) -> Baseline:
    """Return the free baseline for these counts per step.

    A step without events has hazard 0 and a step where everyone at risk has the event hazard 1:
    both are the limit of the likelihood and take no parameter, unless a prior names the step.
    """
    named = {f"baseline[{step}]": step for step in range(1, len(at_risk) + 1)}
    asked = {named[name] for name in prior_names if name in named}
    sure = [
        step
        for step in range(1, len(at_risk) + 1)
        if events[step - 1] > 0 and at_risk[step - 1] <= events[step - 1] and step not in asked
    ]
    steps = [
        step
        for step in range(1, len(at_risk) + 1)
        if (events[step - 1] > 0 or step in asked) and step not in sure
    ]
    return Baseline("free", tuple(steps), tuple(sure))


def start_values(
    baseline: Baseline, at_risk: FloatArray, events: FloatArray, link: str
) -> FloatArray:
    """Return parameters that give the life table (free) or the overall hazard (smooth)."""
    if not at_risk.sum() > 0:
        raise FitError("Nobody is at risk in any step.", "Give rows with a positive weight.")
    if baseline.kind == "smooth":
        return smooth_start(baseline.basis(len(at_risk)), at_risk, events, link)
    where = np.array(baseline.steps, dtype=np.int64) - 1
    hazard = (events[where] + 1e-3) / (at_risk[where] + 2e-3)
    return on_link_scale(hazard, link)


def smooth_start(
    basis: FloatArray, at_risk: FloatArray, events: FloatArray, link: str
) -> FloatArray:
    """Return the smooth baseline of the life table alone, by a few steps of Fisher scoring.

    Only a place to start from: held a little by the shape's prior, steps cut at 1.
    """
    overall = np.array([(events.sum() + 0.5) / (at_risk.sum() + 1)])
    values = np.append(on_link_scale(overall, link), [0.0, 0.0])
    hold = np.array([0.0, *(spread**-2 for _, spread in SHAPE_PRIOR.values())])
    for _ in range(START_STEPS):
        eta = np.clip(basis @ values, -30.0, 3.0)
        if link == "logit":
            hazard = 1 / (1 + np.exp(-eta))
            slope = hazard * (1 - hazard)
        else:
            hazard = -np.expm1(-np.exp(eta))
            slope = np.exp(eta - np.exp(eta))
        weight = slope / (hazard * (1 - hazard))
        score = basis.T @ (weight * (events - at_risk * hazard)) - hold * values
        information = basis.T @ (basis * (at_risk * weight * slope)[:, None]) + np.diag(hold)
        information[0, 0] += 1e-9
        values = values + np.clip(np.linalg.solve(information, score), -1.0, 1.0)
    return values


def on_link_scale(hazard: FloatArray, link: str) -> FloatArray:
    """Return log(-log(1 - h)) or log(h / (1 - h))."""
    if link == "logit":
        return np.asarray(np.log(hazard) - np.log1p(-hazard))
    return np.asarray(np.log(-np.log1p(-hazard)))
