"""How wrong an assumption must be before the answer changes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast._types import FloatArray
from forecast.errors import DataError, RequestError


def e_value(risk_ratio: float) -> float:
    """Return how strongly an unmeasured confounder must act to explain a risk ratio away.

    It must be tied to both the choice and the outcome by a risk ratio of at least this much
    (VanderWeele & Ding 2017, Ann Intern Med 167:268).

    Examples
    --------
    >>> round(e_value(2.0), 3)
    3.414
    >>> e_value(0.5) == e_value(2.0)
    True
    """
    if not risk_ratio > 0:
        raise RequestError(f"risk_ratio is {risk_ratio!r}.", "Give a ratio above 0.")
    ratio = max(risk_ratio, 1 / risk_ratio)
    return float(ratio + (ratio * (ratio - 1)) ** 0.5)


def tipping_survival(
    at_risk: npt.ArrayLike,
    events: npt.ArrayLike,
    lost: npt.ArrayLike,
    *,
    phi: float,
    hazard: npt.ArrayLike | None = None,
) -> FloatArray:
    """Return the survival if the lost had gone on with their hazard times ``phi``.

    With unit weights this is the mean over subjects of 1 while watched and event-free, 0 after
    the event, and the product of ``1 - phi h(v)`` over the steps since the loss.

    Parameters
    ----------
    at_risk, events, lost : array-like of shape (horizon,)
        Weights at risk and with the event at each step, and lost after it.
    phi : float
        0: the lost never have the event; 1: the loss tells nothing more; inf: they have it at
        their next step.
    hazard : array-like of shape (horizon,), optional
        The hazard of everyone, lost or not, when the loss depends on nothing that was not
        weighted for; that of those at risk when not given.

    Returns
    -------
    ndarray of shape (horizon + 1,)
        After steps 0 to the horizon.

    Examples
    --------
    >>> tipping_survival([4, 2], [1, 1], [1, 0], phi=1).round(3)
    array([1.   , 0.75 , 0.375])
    """
    risk = np.asarray(at_risk, dtype=np.float64)
    happened = np.asarray(events, dtype=np.float64)
    gone = np.asarray(lost, dtype=np.float64)
    if phi < 0:
        raise RequestError(f"phi is {phi!r}.", "Give 0 or more.")
    if not (risk.shape == happened.shape == gone.shape):
        raise DataError("The three columns differ in length.", "Give one value per step.")
    seen = np.divide(happened, risk, out=np.zeros_like(risk), where=risk > 0)
    everyone = seen if hazard is None else np.asarray(hazard, dtype=np.float64)
    survival, outside = np.ones(len(risk) + 1), 0.0
    for place in range(len(risk)):
        theirs = 0.0
        if outside > 0:
            theirs = everyone[place] * (risk[place] + outside) - happened[place]
            theirs = float(np.clip(theirs / outside, 0, 1))
            # inf * 0 has no value: with phi infinite the event is certain
            theirs = 1.0 if np.isinf(phi) else min(1.0, phi * theirs)
        mass = risk[place] + outside
        rate = (happened[place] + theirs * outside) / mass if mass > 0 else 0.0
        survival[place + 1] = survival[place] * (1 - rate)
        outside = outside * (1 - theirs) + gone[place]
    return survival
