"""Fit a forecaster to a clinic's own log: rows, model, recalibration, what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from forecast._checks import check_whole_number
from forecast.assess.calibration import Recalibration, fit_recalibration
from forecast.assess.folds import grouped_folds
from forecast.assess.outcomes import Outcomes
from forecast.clinic.attributes import COVARIATES
from forecast.clinic.evidence import duration_prior
from forecast.clinic.forecaster import Forecaster, load_forecaster
from forecast.clinic.groups import groups
from forecast.clinic.reference import Reference
from forecast.clinic.rows import check_goal, course_rows
from forecast.errors import RequestError
from forecast.survival.aft import AcceleratedTime
from forecast.survival.distribution import CountDistribution
from forecast.survival.durations import Durations
from forecast.survival.hazard import DiscreteHazard

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog
    from forecast.survival.model import CountModel, FittedCountModel

__all__ = ["Forecaster", "fit_forecaster", "load_forecaster"]

FEWEST_TO_CHECK = 10  # events below which folds say nothing

# Mean and standard deviation of the log hazard of stopping after a session: about one in 16, as
# 37 % of 57 (Taylor et al. 1990) and 29 % of 98 (cosmetic eyebrows) did not finish; wide.
STOPPING_EVIDENCE = {
    "baseline[level]": (-2.8, 1.0),
    "baseline[slope]": (0.0, 0.5),
    "baseline[curve]": (0.0, 0.25),
}


def fit_forecaster(
    log: OutcomeLog, *, goal: str = "clear", horizon: int = 25, seed: int = 0
) -> Forecaster:
    """Return a forecaster fitted to all courses of a log, finished and unfinished.

    Parameters
    ----------
    log : OutcomeLog
        As ``read_log`` returns it.
    goal : str
        ``clear``, or ``lighten`` (enough for a cover-up).
    horizon : int
        The last session an estimate speaks of.
    seed : int
        Of folds and parameter draws.

    Raises
    ------
    RequestError
        If the goal is unknown, or most finished courses needed more sessions than the horizon.
    """
    horizon = check_whole_number(horizon, name="horizon", low=2, high=100)
    rows = course_rows(log, goal=check_goal(goal))
    check_horizon(rows, horizon)
    reference = Reference.of(log, rows)
    durations = durations_of(rows, reference)
    spec = AcceleratedTime("lognormal", prior=duration_prior(goal))
    model = spec.fit(durations)
    recalibration = None
    if reference.n_reached >= FEWEST_TO_CHECK:
        predicted = out_of_fold(spec, durations, horizon, seed)
        recalibration = recalibrated(predicted, durations, log)
    return Forecaster(
        model=model,
        evidence=spec.from_prior(tuple(COVARIATES)),
        stopping=fit_stopping(rows),
        recalibration=recalibration,
        reference=reference,
        goal=goal,
        horizon=horizon,
        seed=seed,
        notes=fit_notes(reference),
    )


def check_horizon(rows: pd.DataFrame, horizon: int) -> None:
    """Raise RequestError when the horizon lies under the bulk of the log's own counts."""
    needed = (rows["step"] - rows["entry"])[rows["observed"]]
    if len(needed) and needed.median() > horizon:
        raise RequestError(
            f"The horizon is {horizon}, but half of the finished courses needed more than "
            f"{int(needed.median())} sessions.",
            f"Give a horizon of at least {int(needed.quantile(0.9))}.",
        )


def durations_of(rows: pd.DataFrame, reference: Reference) -> Durations:
    """Return the rows of the count model, missing covariates at the log's mean."""
    means = reference.means
    filled = rows.assign(**{name: rows[name].fillna(means[name]) for name in COVARIATES})
    return Durations.from_frame(
        filled,
        step="step",
        observed="observed",
        entry="entry",
        subject="client_id",
        covariates=list(COVARIATES),
    )


def out_of_fold(
    spec: CountModel, durations: Durations, horizon: int, seed: int
) -> list[CountDistribution]:
    """Return predictions for every row by models not fitted to its client, one per repeat."""
    steps = max(horizon, int(durations.step.max()))
    repeats = grouped_folds(durations.subject, events=durations.observed, seed=seed)
    found = []
    for folds in repeats:
        pmf = np.empty((len(durations), steps))
        for fold in np.unique(folds):
            fitted = spec.fit(durations.take(folds != fold))
            left_out = durations.covariates[folds == fold]
            draws = fitted.predict_draws(left_out, steps, n_draws=50, seed=seed)
            pmf[folds == fold] = draws.mean(axis=0)
        found.append(CountDistribution(pmf))
    return found


def recalibrated(
    predicted: list[CountDistribution], durations: Durations, log: OutcomeLog
) -> Recalibration:
    """Return the correction learnt from out-of-fold predictions, by group where it differs."""
    outcomes = Outcomes(
        durations.step, durations.observed, entry=durations.entry, subject=durations.subject
    )
    by = groups(log.courses.itertuples())
    return fit_recalibration(predicted, outcomes, groups=by)


def fit_stopping(rows: pd.DataFrame) -> FittedCountModel:
    """Return the hazard of stopping after a session that has not reached the goal.

    A course that reaches its goal at a session is no longer at risk of stopping after it.
    """
    at_risk = rows.assign(until=rows["step"] - rows["entry"] - rows["observed"].astype(int))
    spells = Durations.from_frame(
        at_risk[at_risk["until"] > 0],
        step="until",
        observed="stopped",
        covariates=[],
        subject="client_id",
    )
    return DiscreteHazard(baseline="smooth", prior=STOPPING_EVIDENCE).fit(spells)


def fit_notes(reference: Reference) -> tuple[str, ...]:
    """Return what every estimate of this log has to say about the log."""
    found = [
        f"From {reference.n_courses} courses of {reference.n_clients} clients: "
        f"{reference.n_reached} reached the goal, {reference.n_stopped} stopped, "
        f"{reference.n_ongoing} are still running."
    ]
    if not reference.n_reached:
        found.append("No course has reached the goal yet: published evidence only, and wide.")
    return tuple(found)
