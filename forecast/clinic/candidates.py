"""The models that compete to predict a clinic's session counts, from simple to complex.

A new model joins by one line here, if it follows ``survival.model.CountModel``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from forecast.clinic.evidence import SHAPE, Evidence, duration_prior, hazard_prior, never_covariates
from forecast.survival import (
    AcceleratedTime,
    BoostedHazard,
    DiscreteHazard,
    LifeTable,
)

if TYPE_CHECKING:
    from forecast.survival import CountModel

__all__ = ["candidates", "evidence_model", "for_use"]


# The cure mixture and the trees have no prior to lean on: below this many events they only cost.
ENOUGH_FOR_DATA_ALONE = 200
# Of the cure mixture: a standard deviation of 0.5 on each log hazard ratio (most published ones
# are smaller), brought to the log duration by the Weibull shape; of what each covariate adds to the
# logit of the never share; and, for that share itself, two thirds between 0.02 and 0.5.
RIDGE = 4.0
SHARE_EFFECT = (0.0, RIDGE**-0.5)
SHARE_PRIOR = {"never": (-2.0, 2.0), "log_scale": (0.0, 1.0)}
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
        cure_mixture(never),
        BoostedHazard(refits=0),
    )


def evidence_model(goal: str = "clear", evidence: Evidence | None = None) -> AcceleratedTime:
    """Return the specification used when the log has too little to choose by."""
    prior = evidence.duration_prior() if evidence else duration_prior(goal)
    return AcceleratedTime("lognormal", prior=prior, never=never_covariates(goal))


def cure_mixture(never: tuple[str, ...]) -> AcceleratedTime:
    """Return the candidate that lets the log alone say who never clears, by ``never``."""
    effects = {f"never[{name}]": SHARE_EFFECT for name in never}
    return AcceleratedTime(
        "weibull",
        penalty=RIDGE * SHAPE**2,
        prior={**SHARE_PRIOR, **effects},
        never=never,
        label="cure mixture",
    )


def for_use(model: CountModel, *, refits: int = REFITS) -> CountModel:
    """Return the specification to fit once it is chosen: its draws carry the model risk.

    Trees have no covariance to draw from. In the folds, where only their prediction counts, they
    are fitted once; for use they are fitted again to clients drawn with replacement.
    """
    return replace(model, refits=refits) if isinstance(model, BoostedHazard) else model
