"""The models that compete to predict a clinic's session counts, from simple to complex.

A new model joins by one line here, if it follows ``survival.model.CountModel``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from forecast.clinic.evidence import NEVER_COVARIATES, Evidence, duration_prior, hazard_prior
from forecast.survival.aft import AcceleratedTime
from forecast.survival.boosted import BoostedHazard
from forecast.survival.candidates import RIDGE
from forecast.survival.cure import CureMixture
from forecast.survival.hazard import DiscreteHazard
from forecast.survival.life_table import LifeTable

if TYPE_CHECKING:
    from forecast.survival.model import CountModel

__all__ = ["candidates", "evidence_model", "for_use"]


# The cure mixture and the trees have no prior to lean on: below this many events they only cost.
ENOUGH_FOR_DATA_ALONE = 200
REFITS = 50  # of trees to clients drawn anew; as many different draws carry the model risk


def candidates(
    goal: str = "clear", *, n_events: int, evidence: Evidence | None = None
) -> tuple[CountModel, ...]:
    """Return the candidate specifications for a log with ``n_events`` events, the simplest first.

    All but the life table, the cure mixture and the trees have published evidence as their
    prior, or ``evidence`` in its place; the accelerated-time models allow for a share of tattoos
    that never clears.
    """
    durations = evidence.duration_prior() if evidence else duration_prior(goal)
    hazards = evidence.hazard_prior() if evidence else hazard_prior()
    with_evidence: tuple[CountModel, ...] = (
        LifeTable(),
        evidence_model(goal, evidence),
        AcceleratedTime("loglogistic", prior=durations, never=NEVER_COVARIATES),
        AcceleratedTime("weibull", prior=durations, never=NEVER_COVARIATES),
        DiscreteHazard(link="cloglog", baseline="smooth", prior=hazards),
    )
    if n_events < ENOUGH_FOR_DATA_ALONE:
        return with_evidence
    return (
        *with_evidence,
        CureMixture(penalty=RIDGE, share=NEVER_COVARIATES),
        BoostedHazard(refits=0),
    )


def evidence_model(goal: str = "clear", evidence: Evidence | None = None) -> AcceleratedTime:
    """Return the specification used when the log has too little to choose by."""
    prior = evidence.duration_prior() if evidence else duration_prior(goal)
    return AcceleratedTime("lognormal", prior=prior, never=NEVER_COVARIATES)


def for_use(model: CountModel, *, refits: int = REFITS) -> CountModel:
    """Return the specification to fit once it is chosen: its draws carry the model risk.

    Trees have no covariance to draw from. In the folds, where only their prediction counts, they
    are fitted once; for use they are fitted again to clients drawn with replacement.
    """
    return replace(model, refits=refits) if isinstance(model, BoostedHazard) else model
