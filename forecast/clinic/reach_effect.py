"""What being out of reach does, by the fitted models: to the count, and to never clearing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_level
from forecast.causal.rates import normal_quantile
from forecast.clinic.attributes import COVARIATES
from forecast.clinic.evidence import duration_prior
from forecast.clinic.reach import reach_spells

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog
    from forecast.survival.aft import FittedAcceleratedTime
    from forecast.survival.durations import Durations

__all__ = ["ReachEffect", "fit_reach", "reach_effect", "reach_evidence"]

# The published prior of an unreached ink is a guess of common practice; here it is wide, on the
# log number of sessions, so that the own log can speak.
OWN_PRIOR = (0.5, 0.8)
CURE_HAZARD = ("ink_other", "ink_density", "layering", "origin_amateur", "smoker")


@dataclass(frozen=True, slots=True)
class ReachEffect:
    """What an unreached ink does to clearing.

    Attributes
    ----------
    sessions_ratio : float
        Sessions needed with some ink unreached, over those with every ink reached, other
        attributes held.
    sessions_interval : tuple of float
        Its interval, Gaussian on the log scale.
    never_reached, never_unreached : tuple of float
        Share that never clears: estimate, low, high, by a cure mixture.
    level : float
        Of the intervals.
    notes : tuple of str
        Doubts.
    """

    sessions_ratio: float
    sessions_interval: tuple[float, float]
    never_reached: tuple[float, float, float]
    never_unreached: tuple[float, float, float]
    level: float
    notes: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {
            "sessions_ratio": self.sessions_ratio,
            "sessions_interval": list(self.sessions_interval),
            "never_reached": list(self.never_reached),
            "never_unreached": list(self.never_unreached),
            "level": self.level,
            "notes": list(self.notes),
        }

    def to_text(self) -> str:
        """Return the effect in words."""
        low, high = self.sessions_interval
        lines = [
            f"With an unreached ink a course needs {self.sessions_ratio:.1f} times"
            f" ({low:.1f} to {high:.1f}) the sessions it needs with every ink reached."
        ]
        for name, never in (
            ("every ink reached", self.never_reached),
            ("some ink unreached", self.never_unreached),
        ):
            share, low, high = (100 * one for one in never)
            lines.append(f"Never clears, {name}: {share:.0f} % ({low:.0f} to {high:.0f} %).")
        return "\n".join([*lines, *self.notes])


def reach_effect(log: OutcomeLog, *, level: float = 0.95) -> ReachEffect:
    """Return what an unreached ink does to the sessions needed and to never clearing.

    Parameters
    ----------
    log : OutcomeLog
        A log with a lasers table in which somebody cleared.
    level : float
        Of the intervals.

    Raises
    ------
    DataError
        If the log names no lasers.
    FitError
        If nobody cleared.

    Notes
    -----
    The log-normal model of the sessions needed, unreached courses watched until their inks come
    within reach; published effects are the prior of the other attributes. In the cure mixture
    reach acts on the share alone.
    """
    from forecast.survival.cure import CureMixture

    z = normal_quantile(0.5 + check_level(level) / 2)
    spells = reach_spells(log)
    fitted = fit_reach(spells)
    centre = float(fitted.coefficients["ink_unreached"])
    error = float(fitted.standard_errors["ink_unreached"])
    first = spells.drop_duplicates("course_id")
    mixture = CureMixture(penalty=1.0, share=("ink_unreached",), hazard=CURE_HAZARD)
    cured = mixture.fit(reach_durations(first, ("ink_unreached", *CURE_HAZARD)))
    share, wide = cured.parameters[:2], cured.covariance_matrix[:2, :2]
    never = [_never(share, wide, unreached, z) for unreached in (0, 1)]
    return ReachEffect(
        sessions_ratio=float(np.exp(centre)),
        sessions_interval=(float(np.exp(centre - z * error)), float(np.exp(centre + z * error))),
        never_reached=never[0],
        never_unreached=never[1],
        level=level,
        notes=(reach_evidence(log, spells), *cured.notes.messages),
    )


def fit_reach(spells: pd.DataFrame) -> FittedAcceleratedTime:
    """Return the model of the sessions needed given all attributes and reach.

    ``spells`` are those of `reach_spells`; the late ones are left out.
    """
    from forecast.survival.aft import AcceleratedTime

    prior = duration_prior() | {"ink_unreached": OWN_PRIOR}
    model = AcceleratedTime("lognormal", prior=prior)
    return model.fit(reach_durations(spells[~spells["late"]], tuple(COVARIATES)))


def reach_durations(spells: pd.DataFrame, covariates: tuple[str, ...]) -> Durations:
    """Return the rows of a count model, missing covariates at their mean."""
    from forecast.survival.durations import Durations

    filled = spells.assign(
        **{name: spells[name].fillna(spells[name].mean()).fillna(0.0) for name in covariates}
    )
    return Durations.from_frame(
        filled,
        step="step",
        observed="observed",
        entry="entry",
        subject="client_id",
        covariates=list(covariates),
    )


def reach_evidence(log: OutcomeLog, spells: pd.DataFrame) -> str:
    """Return on what the effect of reach rests: change within one ink pattern, or none."""
    joined = spells.merge(log.courses[["course_id", "inks"]], on="course_id")
    by_pattern = joined.groupby("inks")["unreached"]
    varies = int((by_pattern.min() != by_pattern.max()).sum())
    if varies:
        return (
            f"{varies} ink pattern(s) were treated both before and after coming within reach; the"
            " effect of reach is learnt from them."
        )
    return (
        "No ink pattern was treated both within and out of reach: the effect of reach cannot be"
        " told from that of the colours and rests on common practice."
    )


def _never(
    parameters: np.ndarray[Any, Any], covariance: np.ndarray[Any, Any], unreached: int, z: float
) -> tuple[float, float, float]:
    """Return the share that never clears, and its interval on the logit scale."""
    row = np.array([1.0, float(unreached)])
    logit, error = float(row @ parameters), float(row @ covariance @ row) ** 0.5
    shares = [1 / (1 + np.exp(value)) for value in (logit, logit + z * error, logit - z * error)]
    return float(shares[0]), float(shares[1]), float(shares[2])
