"""How many subjects settle a difference, and how wrong an assumption must be to undo one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from forecast._checks import check_level, check_whole_number
from forecast._types import FloatArray, IntArray
from forecast.errors import DataError, RequestError


@dataclass(frozen=True, slots=True, eq=False)
class Design:
    """A study of two groups over steps.

    Attributes
    ----------
    hazard : ndarray of shape (horizon,)
        Chance of the event at each step in group 0, for those who reach it.
    loss : ndarray of shape (horizon,)
        Chance of being lost after each step without the event, in both groups.
    ratio : float
        Hazard ratio of group 1: its survival is that of group 0 to this power.
    share : float
        Share of subjects in group 1.
    """

    hazard: FloatArray
    loss: FloatArray
    ratio: float
    share: float = 0.5


@dataclass(frozen=True, slots=True)
class Power:
    """Chance of settling the difference with ``n`` subjects, and the events seen on average."""

    n: int
    power: float
    events: float


def hazard_ratio_for(hazard: FloatArray, difference: float) -> float:
    """Return the hazard ratio that shifts the restricted mean by ``difference`` steps.

    The mean is restricted to the length of ``hazard``; negative differences need ratios above 1.

    Raises
    ------
    RequestError
        If no ratio from 1/50 to 50 does.
    """
    from scipy.optimize import brentq

    survival = np.concatenate([[1.0], np.cumprod(1 - hazard)])[:-1]

    def gap(log_ratio: float) -> float:
        return float((survival ** np.exp(log_ratio)).sum() - survival.sum() - difference)

    reach = np.log(50)
    if gap(-reach) * gap(reach) > 0:
        raise RequestError(
            f"A difference of {difference:g} steps cannot occur here: the mean up to step "
            f"{len(hazard)} is {survival.sum():.1f}.",
            "Ask for a smaller difference or a later horizon.",
        )
    return float(np.exp(brentq(gap, -reach, reach)))


def schoenfeld_events(
    hazard_ratio: float, *, power: float = 0.8, share: float = 0.5, level: float = 0.95
) -> float:
    """Return how many events detect a hazard ratio (Schoenfeld 1983, Biometrics 39:499).

    Parameters
    ----------
    hazard_ratio, power : float
        What is to be detected, and with which chance.
    share : float
        Share of subjects in one of the two groups.
    level : float
        One minus the two-sided size.

    Raises
    ------
    RequestError
        If the ratio is not above 0, or is 1.

    Examples
    --------
    >>> round(schoenfeld_events(0.5), 2)
    65.35
    """
    check_level(power, name="power")
    check_level(share, name="share")
    if not hazard_ratio > 0 or hazard_ratio == 1:
        raise RequestError(f"hazard_ratio is {hazard_ratio!r}.", "Give one above 0 that is not 1.")
    normal = NormalDist()
    reach = normal.inv_cdf((1 + check_level(level)) / 2) + normal.inv_cdf(power)
    return reach**2 / (share * (1 - share) * math.log(hazard_ratio) ** 2)


def simulate_power(
    design: Design,
    n: int,
    *,
    level: float = 0.95,
    simulations: int = 400,
    seed: int = 0,
) -> Power:
    """Return how often a study of ``n`` subjects finds the difference, in the right direction.

    Found by the difference of restricted means with its Greenwood-type error; ``level`` is one
    minus the two-sided size.
    """
    check_whole_number(n, name="n", low=4)
    rng = np.random.default_rng(seed)
    ones = max(2, min(n - 2, round(n * design.share)))
    other = 1 - (1 - design.hazard) ** design.ratio
    tables = [
        _life_tables(hazard, design.loss, count, simulations, rng)
        for hazard, count in ((design.hazard, n - ones), (other, ones))
    ]
    statistic = _mean_statistic(tables)
    limit = NormalDist().inv_cdf((1 + check_level(level)) / 2)
    expected = 1.0 if design.ratio > 1 else -1.0
    events = float(sum(table[1].sum() for table in tables) / simulations)
    return Power(n, float((expected * statistic > limit).mean()), events)


def subjects_needed(
    design: Design,
    *,
    powers: tuple[float, ...] = (0.8, 0.9),
    level: float = 0.95,
    simulations: int = 400,
    seed: int = 0,
    most: int = 100_000,
) -> tuple[Power, ...]:
    """Return the smallest studies by which a ``design`` settles the difference, for ``powers``.

    Intervals are at ``level``, and ``simulations`` studies of a size start from ``seed``. Normal
    theory brackets the answer; a line through the simulated probits of five sizes around it, on the
    root of the size, gives the answer itself.

    Raises
    ------
    RequestError
        If more than ``most`` subjects would be needed.
    """
    normal = NormalDist()
    pilot = simulate_power(design, 2000, level=level, simulations=200, seed=seed)
    reach = normal.inv_cdf((1 + level) / 2)
    drift = (normal.inv_cdf(min(max(pilot.power, 0.005), 0.995)) + reach) / 2000**0.5
    if drift <= 0 or pilot.power > 0.99:
        drift = _drift(design, level, seed)
    middle = ((reach + normal.inv_cdf(float(np.mean(powers)))) / drift) ** 2
    if middle > most:
        raise RequestError(
            f"More than {most} subjects would be needed.", "Ask for a larger difference."
        )
    sizes = sorted({max(8, round(middle * factor)) for factor in (0.6, 0.8, 1.0, 1.25, 1.5)})
    tried = [
        simulate_power(design, n, level=level, simulations=simulations, seed=seed + place + 1)
        for place, n in enumerate(sizes)
    ]
    root = np.sqrt([one.n for one in tried])
    probit = [normal.inv_cdf(min(max(one.power, 0.002), 0.998)) for one in tried]
    slope, start = np.polyfit(root, probit, 1)
    events = float(np.mean([one.events / one.n for one in tried]))
    found = []
    for power in powers:
        n = int(np.ceil(max((normal.inv_cdf(power) - start) / slope, 2.0) ** 2))
        found.append(Power(n, power, n * events))
    return tuple(found)


def _drift(design: Design, level: float, seed: int) -> float:
    """Return the mean of the statistic over the root of n, from a size where power is middling."""
    normal = NormalDist()
    reach = normal.inv_cdf((1 + level) / 2)
    for n in (60, 200, 600, 6000, 20000):
        power = simulate_power(design, n, level=level, simulations=200, seed=seed).power
        if 0.1 < power < 0.98:
            return (normal.inv_cdf(power) + reach) / float(n**0.5)
    raise RequestError(
        "The difference is too small or too large to plan for.", "Ask for another difference."
    )


def _life_tables(
    hazard: FloatArray, loss: FloatArray, n: int, simulations: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Return numbers at risk and with the event, shape (simulations, horizon) each."""
    size = len(hazard)
    event = _steps(hazard, n * simulations, rng)
    lost = _steps(loss, n * simulations, rng)
    last = np.minimum(np.minimum(event, lost), size)
    row = np.repeat(np.arange(simulations), n) * size
    happened = (event <= lost) & (event <= size)
    events = np.bincount(row[happened] + event[happened] - 1, minlength=simulations * size)
    ends = np.bincount(row + last - 1, minlength=simulations * size).reshape(simulations, size)
    at_risk = ends[:, ::-1].cumsum(axis=1)[:, ::-1]
    return at_risk.astype(np.float64), events.reshape(simulations, size).astype(np.float64)


def _steps(hazard: FloatArray, n: int, rng: np.random.Generator) -> IntArray:
    reached = 1 - np.cumprod(1 - hazard)
    return np.searchsorted(reached, rng.random(n), side="left") + 1


def _mean_statistic(tables: list[tuple[FloatArray, FloatArray]]) -> FloatArray:
    """Return (mean of group 0 - mean of group 1) / error: positive when group 1 is quicker."""
    means, variances = [], []
    for at_risk, events in tables:
        hazard = np.divide(events, at_risk, out=np.zeros_like(events), where=at_risk > 0)
        survival = np.cumprod(1 - hazard, axis=1)
        means.append(1 + survival[:, :-1].sum(axis=1))
        inner = np.concatenate([survival[:, :-1], np.zeros((len(survival), 1))], axis=1)
        area = inner[:, ::-1].cumsum(axis=1)[:, ::-1]
        scale = at_risk * (at_risk - events)
        terms = np.divide(area**2 * events, scale, out=np.zeros_like(scale), where=scale > 0)
        variances.append(terms.sum(axis=1))
    error = np.sqrt(np.maximum(variances[0] + variances[1], 1e-12))
    statistic: FloatArray = (means[0] - means[1]) / error
    return statistic


def e_value(risk_ratio: float) -> float:
    """Return how strongly an unmeasured confounder must act to explain a risk ratio away.

    It must be tied to both the choice and the outcome by a risk ratio of at least this much
    (VanderWeele & Ding 2017, Ann Intern Med 167:268).

    Raises
    ------
    RequestError
        If the ratio is not above 0.

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

    Raises
    ------
    RequestError, DataError
        If ``phi`` is below 0; if the columns differ in length.

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
