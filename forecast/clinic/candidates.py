"""The models that compete to predict a clinic's session counts, from simple to complex.

A new model joins by one line here, if it follows ``survival.model.CountModel``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.clinic.evidence import duration_prior, hazard_prior
from forecast.survival.aft import AcceleratedTime
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.life_table import LifeTable

if TYPE_CHECKING:
    from forecast.survival.model import CountModel

__all__ = ["candidates", "evidence_model"]


def candidates(goal: str = "clear") -> tuple[CountModel, ...]:
    """Return the candidate specifications, the simplest first, with published evidence as prior."""
    durations = duration_prior(goal)
    return (
        LifeTable(),
        AcceleratedTime("lognormal", prior=durations),
        AcceleratedTime("loglogistic", prior=durations),
        AcceleratedTime("weibull", prior=durations),
        DiscreteHazard(link="cloglog", baseline="smooth", prior=hazard_prior()),
    )


def evidence_model(goal: str = "clear") -> AcceleratedTime:
    """Return the specification used when the log has too little to choose by."""
    return AcceleratedTime("lognormal", prior=duration_prior(goal))
