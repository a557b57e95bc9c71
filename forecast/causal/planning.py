"""How many subjects settle a difference, and how wrong an assumption must be to undo one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from scipy.optimize import brentq

from forecast._arrays import FloatArray
from forecast._checks import check_level
from forecast._notes import problem_and_remedy
from forecast.causal.curves import restricted_mean
from forecast.errors import RequestError

REACH = NormalDist().inv_cdf(0.975)  # standard errors to the end of a 95 % interval
MOST_SUBJECTS = 100_000


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """A study of two groups over steps.

    Attributes
    ----------
    hazard : ndarray of shape (horizon,)
        Of the event at each step in group 0, for those who reach it.
    loss : ndarray of shape (horizon,)
        Chance after each step without the event, in both groups.
    ratio : float
        Hazard ratio of group 1: its survival is that of group 0 to this power.
    share : float
        Of subjects in group 1.
    half_width : callable
        From standard errors to the halves of the intervals that are to settle it: by default of
        95 % at one look.
    enough : callable
        From a number of subjects to the chance that they have what else an answer needs.

    Examples
    --------
    >>> Design(np.full(10, 0.1), np.full(10, 0.05), ratio=1.5).share
    0.5
    """

    hazard: FloatArray
    loss: FloatArray
    ratio: float
    share: float = 0.5
    half_width: Callable[[FloatArray], FloatArray] = lambda error: REACH * error
    enough: Callable[[float], float] = lambda n: 1.0


@dataclass(frozen=True, slots=True)
class Power:
    """Chance of settling the difference with ``n`` subjects; events, and error, on average."""

    n: int
    power: float
    events: float
    error: float


def hazard_ratio_for(hazard: FloatArray, difference: float) -> float:
    """Return the hazard ratio that shifts the restricted mean by ``difference`` steps.

    The mean is restricted to the length of ``hazard``; negative differences need ratios above 1.

    Raises RequestError if no ratio from 1/50 to 50 does.

    Examples
    --------
    >>> round(hazard_ratio_for(np.full(10, 0.1), -1.0), 2)
    1.46
    """
    survival = np.concatenate([[1.0], np.cumprod(1 - hazard)])[:-1]

    def gap(log_ratio: float) -> float:
        return float((survival ** np.exp(log_ratio)).sum() - survival.sum() - difference)

    reach = np.log(50)
    if gap(-reach) * gap(reach) > 0:
        values = {"given": abs(difference), "steps": len(hazard), "mean": float(survival.sum())}
        raise RequestError(*problem_and_remedy("refused.no_such_difference", values))
    return float(np.exp(brentq(gap, -reach, reach)))


def schoenfeld_events(hazard_ratio: float, *, power: float = 0.8, share: float = 0.5) -> float:
    """Return how many events detect a ``hazard_ratio`` (Schoenfeld 1983, Biometrics 39:499).

    With a chance of ``power``, at a two-sided size of 0.05, with a ``share`` of the subjects in one
    of the two groups.

    Raises RequestError if the ratio is not above 0, or is 1.

    Examples
    --------
    >>> round(schoenfeld_events(0.5), 2)
    65.35
    """
    check_level(power, name="power")
    check_level(share, name="share")
    if not hazard_ratio > 0 or hazard_ratio == 1:
        raise RequestError(f"hazard_ratio is {hazard_ratio!r}.", "Give one above 0 that is not 1.")
    reach = REACH + NormalDist().inv_cdf(power)
    return reach**2 / (share * (1 - share) * math.log(hazard_ratio) ** 2)


def simulate_power(design: Design, n: int, *, simulations: int = 400, seed: int = 0) -> Power:
    """Return how often the interval of ``n`` subjects lies on the right side of zero."""
    rng = np.random.default_rng(seed)
    ones = max(2, min(n - 2, round(n * design.share)))
    other = 1 - (1 - design.hazard) ** design.ratio
    means, variances, events, size = [], [], 0.0, len(other)
    for hazard, count in ((design.hazard, n - ones), (other, ones)):
        event, lost = (
            np.searchsorted(1 - np.cumprod(1 - chance), rng.random(count * simulations)) + 1
            for chance in (hazard, design.loss)
        )
        row = np.repeat(np.arange(simulations), count) * size - 1
        seen = (event <= lost) & (event <= size)
        last = row + np.minimum(np.minimum(event, lost), size)
        ends, happened = (
            np.bincount(at, minlength=simulations * size).reshape(simulations, size)
            for at in (last, (row + event)[seen])
        )
        at_risk = ends[:, ::-1].cumsum(axis=1)[:, ::-1].astype(np.float64)
        mean, variance = restricted_mean(at_risk, happened.astype(np.float64))
        means.append(mean)
        variances.append(variance)
        events += float(happened.sum())
    gap = (means[0] - means[1]) * (1 if design.ratio > 1 else -1)
    error = np.sqrt(np.maximum(sum(variances), 1e-12))
    power = float((gap > design.half_width(error)).mean())
    return Power(n, power, events / simulations, float(error.mean()))


def subjects_needed(
    design: Design, *, powers: tuple[float, ...] = (0.8, 0.9), simulations: int = 400, seed: int = 0
) -> tuple[Power, ...]:
    """Return the smallest studies by which a ``design`` settles the difference, for ``powers``.

    ``simulations`` studies of a size start from ``seed``. Normal theory brackets the answer; a
    line through the simulated probits of five sizes around it, on the root of the size, gives the
    answer itself, together with the chance of having ``enough``.

    Raises RequestError if more than 100,000 subjects would be needed, or power is never middling.

    Examples
    --------
    >>> design = Design(np.full(10, 0.1), np.full(10, 0.05), ratio=1.5)
    >>> [one.n for one in subjects_needed(design, simulations=100)]  # for 8 and 9 in 10
    [371, 489]
    """
    normal, pilot = NormalDist(), _pilot(design, seed)

    def error(n: float) -> float:
        return pilot.error * math.sqrt(pilot.n / n)

    def reach(n: float) -> float:  # of an interval, in standard errors
        return float(design.half_width(np.array(error(n)))) / error(n)

    by_root = (normal.inv_cdf(pilot.power) + reach(pilot.n)) / pilot.n**0.5
    middle = float(pilot.n)
    for _ in range(20):
        middle = ((reach(middle) + normal.inv_cdf(float(np.mean(powers)))) / by_root) ** 2
    if middle > MOST_SUBJECTS:
        raise RequestError(*problem_and_remedy("refused.plan_too_large", {"most": MOST_SUBJECTS}))
    sizes = sorted({max(8, round(middle * factor)) for factor in (0.6, 0.8, 1.0, 1.25, 1.5)})
    tried = [
        simulate_power(design, n, simulations=simulations, seed=seed + place + 1)
        for place, n in enumerate(sizes)
    ]
    away = [normal.inv_cdf(min(max(one.power, 0.002), 0.998)) + reach(one.n) for one in tried]
    slope, start = np.polyfit(np.sqrt(sizes), away, 1)
    events = float(np.mean([one.events / one.n for one in tried]))

    def chance(n: float) -> float:
        return float(normal.cdf(start + slope * n**0.5 - reach(n)) * design.enough(n))

    sizes = [_smallest(chance, power) for power in powers]
    return tuple(Power(n, p, n * events, error(n)) for n, p in zip(sizes, powers, strict=True))


def _smallest(chance: Callable[[float], float], power: float) -> int:
    least, most = 4.0, float(MOST_SUBJECTS)
    if chance(most) < power:
        raise RequestError(*problem_and_remedy("refused.plan_too_large", {"most": most}))
    return math.ceil(
        least if chance(least) >= power else brentq(lambda n: chance(n) - power, least, most)
    )


# A study of a size where power is middling.
def _pilot(design: Design, seed: int) -> Power:
    for size in (2000, 60, 20, 200, 600, 6000, 20000):
        pilot = simulate_power(design, size, simulations=200, seed=seed)
        if 0.1 < pilot.power < 0.98:
            return pilot
    raise RequestError(*problem_and_remedy("refused.no_plan"))


def e_value(risk_ratio: float) -> float:
    """Return how strongly an unmeasured confounder must act to explain a risk ratio away.

    It must be tied to both the choice and the outcome by a risk ratio of at least this much
    (VanderWeele & Ding 2017, Ann Intern Med 167:268).

    Raises RequestError if the ratio is not above 0.

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
    at_risk: FloatArray, events: FloatArray, lost: FloatArray, hazard: FloatArray, *, phi: float
) -> FloatArray:
    """Return the survival after steps 0 to the horizon, had the lost gone on at another pace.

    With unit weights this is the mean over subjects of 1 while watched and event-free, 0 after
    the event, and the product of ``1 - phi h(v)`` over the steps since the loss. ``at_risk``,
    ``events`` and ``lost`` are weights at each step, and after it, ``hazard`` is that of everyone,
    lost or not, when the loss depends on nothing that was not weighted for, (horizon,) each.
    ``phi`` is its multiple at which the lost go on: 0, they never have the event; 1, the loss tells
    nothing more; inf, they have it at their next step.

    Examples
    --------
    >>> at_risk, events = np.array([4.0, 2.0]), np.array([1.0, 1.0])
    >>> tipping_survival(at_risk, events, np.array([1.0, 0.0]), events / at_risk, phi=1).round(3)
    array([1.   , 0.75 , 0.375])
    """
    survival, outside = np.ones(len(at_risk) + 1), 0.0
    for place, (risk, happened) in enumerate(zip(at_risk, events, strict=True)):
        mass, theirs = risk + outside, 0.0
        if outside > 0:
            theirs = float(np.clip((hazard[place] * mass - happened) / outside, 0, 1))
            # inf * 0 has no value: with phi infinite the event is certain
            theirs = 1.0 if np.isinf(phi) else min(1.0, phi * theirs)
        rate = (happened + theirs * outside) / mass if mass > 0 else 0.0
        survival[place + 1] = survival[place] * (1 - rate)
        outside = outside * (1 - theirs) + lost[place]
    return survival
