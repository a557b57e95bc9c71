"""The models that compete to predict a clinic's session counts, from simple to complex.

A new model joins by one line here, if it follows ``survival.model.CountModel``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from forecast.clinic.evidence import Evidence, duration_prior, hazard_prior, never_covariates
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
    that never clears. Those three take no part for the goal ``lighten``: few courses want it, and
    what tells their count from that of all others needs its prior.
    """
    durations = evidence.duration_prior() if evidence else duration_prior(goal)
    hazards = evidence.hazard_prior() if evidence else hazard_prior(goal)
    never = never_covariates(goal)
    with_evidence: tuple[CountModel, ...] = (
        evidence_model(goal, evidence),
        AcceleratedTime("loglogistic", prior=durations, never=never),
        AcceleratedTime("weibull", prior=durations, never=never),
        DiscreteHazard(link="cloglog", baseline="smooth", prior=hazards),
    )
    if goal == "lighten":
        return with_evidence
    if n_events < ENOUGH_FOR_DATA_ALONE:
        return (LifeTable(), *with_evidence)
    return (
        LifeTable(),
        *with_evidence,
        CureMixture(penalty=RIDGE, share=never),
        BoostedHazard(refits=0),
    )


def evidence_model(goal: str = "clear", evidence: Evidence | None = None) -> AcceleratedTime:
    """Return the specification used when the log has too little to choose by."""
    prior = evidence.duration_prior() if evidence else duration_prior(goal)
    return AcceleratedTime("lognormal", prior=prior, never=never_covariates(goal))


def for_use(model: CountModel, *, refits: int = REFITS) -> CountModel:
    """Return the specification to fit once it is chosen: its draws carry the model risk.

    Trees have no covariance to draw from. In the folds, where only their prediction counts, they
    are fitted once; for use they are fitted again to clients drawn with replacement.
    """
    return replace(model, refits=refits) if isinstance(model, BoostedHazard) else model
