"""Strategies, a difference between them, the verdict on it, and why a verdict is kept back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from math import hypot, inf, log
from statistics import NormalDist
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast._checks import check_kind
from forecast._notes import Note, Sentence, problem_and_remedy
from forecast.errors import RequestError

# What counts as too few, too large or worth a note in a comparison.
LEAST_AT_RISK = 5  # courses at risk at the last session used
LEAST_FOLLOWERS = 10
LEAST_PAIRS = 10  # of halves of split tattoos
WISHED_FOLLOWERS = 20
LEAST_EFFECTIVE = 30.0
LEAST_CLEARED = 5
LEAST_CLIENTS = 20  # resamples of fewer clients have no spread to go by
LEAST_CHANCE = 0.02  # of a change, fitted: less is next to none
MOST_WITHOUT_CHANCE = 0.5  # of those at risk at a change, or of all at the first session
# With less, like courses under both regimes are missing (invented clinics that choose by habit keep
# well above, those that choose by the tattoo alone fall below):
LEAST_ALIKE = 0.1  # of the share that began with a regime: its fitted chance at a first session
LEAST_CARRYING = 0.2  # of the courses that began with a regime: their worth after weighting
AUTO_AT_RISK = 10  # courses at risk at a horizon that nobody asked for
LARGEST_WEIGHT = 20.0
LEAST_EFFECTIVE_SHARE = 0.3
LARGEST_IMBALANCE = 0.1
MANY_UNCLEARED = 0.2
OFTEN = 0.84  # standard errors beyond half the interval, for a chance of 8 in 10
NO_ERROR = 1e-9  # sessions
NEAR_ZERO = 0.05  # sessions: nearer to it one decimal says 0
# The mixing variance of the boundary for looking again, at a margin of 1: its interval is narrowest
# where the standard error is a quarter of the margin, and 1.55 times the fixed one there.
LOOK_AGAIN = 1.95
FOLLOWERS = "too_few_followers"
# What a verdict needs under each strategy, by the code of falling short of it.
COUNTED = {
    "too_few_cleared": LEAST_CLEARED,
    "too_few_clients": LEAST_CLIENTS,
    "too_few_effective": LEAST_EFFECTIVE,
}
REGIMES = ("ns", "ps")
PATTERN = re.compile(r"(ns|ps)(?::([1-9][0-9]*)[>-](ns|ps))?")
Verdict = Literal["saves", "costs", "equivalent", "cannot say"]


@dataclass(frozen=True, slots=True)
class Strategy:
    """A rule for the whole course, named "ns", "ps" or as "ns:4>ps"."""

    name: str
    plan: tuple[int, ...]  # 0 for ns, 1 for ps at sessions 1, 2, ...; the last holds from there on

    @property
    def begins(self) -> int:
        """The session from which its last regime holds: 1, or that of the change."""
        return len(self.plan)

    @property
    def rule(self) -> Note:
        """Its name and what it does."""
        first, last = REGIMES[self.plan[0]], REGIMES[self.plan[-1]]
        values = {"name": self.name, "first": first, "last": last, "sessions": self.begins - 1}
        return Note("trial.always" if first == last else "trial.change", values=values)


def read_strategies(names: Sequence[str], *, horizon: int) -> tuple[Strategy, ...]:
    """Return the strategies of ``names``, or raise RequestError on one that cannot be used."""
    if isinstance(names, str):
        raise RequestError(*problem_and_remedy("refused.strategies_text", {"given": names}))
    given = check_kind(names, Iterable, name="strategies", give='a sequence, as ("ns", "ps")')
    wanted = [str(name).strip() for name in given]
    plans = tuple(read_strategy(name, horizon) for name in wanted)
    if len(wanted) < 2 or len({plan.name for plan in plans}) < len(wanted):
        values = {"strategies": wanted or "none"}
        raise RequestError(*problem_and_remedy("refused.one_strategy", values))
    return plans


def read_strategy(name: str, horizon: int) -> Strategy:
    """Return the strategy ``name``, whose change comes before session ``horizon``.

    "ns:4-ps" is "ns:4>ps", for shells in which ">" writes a file. Raises RequestError where it
    cannot be read, changes nothing or changes too late.

    Examples
    --------
    >>> read_strategy("ns:4-ps", horizon=15)
    Strategy(name='ns:4>ps', plan=(0, 0, 0, 0, 1))
    """
    check_kind(name, str, name="strategy", give='a text, as "ns" or "ns:4>ps"')
    found = PATTERN.fullmatch(name)
    if found is None or found[1] == found[3]:
        raise RequestError(*problem_and_remedy("refused.no_strategy", {"name": name}))
    first = REGIMES.index(found[1])
    if found[2] is None:
        return Strategy(name, (first,))
    sessions = int(found[2])
    if sessions >= horizon:
        values = {"name": name, "sessions": sessions, "horizon": horizon}
        raise RequestError(*problem_and_remedy("refused.late_change", values))
    return Strategy(f"{found[1]}:{sessions}>{found[3]}", (first,) * sessions + (1 - first,))


def short_of(held: Mapping[str, float]) -> tuple[str, ...]:
    """Return the codes in which what is ``held`` falls short of what a verdict needs.

    Examples
    --------
    >>> short_of({"too_few_clients": 19, "too_few_effective": 30.0})
    ('too_few_clients',)
    """
    return tuple(code for code, n in held.items() if n < COUNTED[code])


def half_width(error: npt.ArrayLike, level: float, again: float | None = None) -> FloatArray:
    """Return half the interval of estimates with such standard errors; ``again`` as in `Contrast`.

    Examples
    --------
    >>> half_width([0.5, 1.0], 0.95).round(2)
    array([0.98, 1.96])
    """
    errors = np.asarray(error, dtype=np.float64)
    if again is None:
        return errors * NormalDist().inv_cdf((1 + level) / 2)
    ratio = again * errors**2
    return np.asarray(errors * ((1 + ratio) * (np.log1p(1 / ratio) - 2 * log(1 - level))) ** 0.5)


@dataclass(frozen=True, slots=True)
class Contrast:
    """One difference, left strategy minus right, in sessions, weeks or as a share.

    Attributes
    ----------
    estimate : float or None
        None where there is none.
    interval : tuple
        Its ends at ``level``; None twice where resamples show no spread.
    level : float
    error : float or None
        Standard error: the standard deviation over resamples of clients.
    again : float or None
        Where given, intervals hold at every look at a growing log together, not at one: rho of
        the normal mixture boundary of Robbins 1970 (Ann Math Stat 41:1397), in the form of Howard
        et al. 2021 (Ann Stat 49:1055, equation 14), for the estimate over its variance.

    Examples
    --------
    >>> saved = Contrast.normal(-1.2, error=0.4, level=0.95)
    >>> print(saved.spoken("sessions"), saved.within(margin=1.0))
    -1.2 sessions (-2.0 to -0.4) False
    """

    estimate: float | None
    interval: tuple[float, float] | tuple[None, None]
    level: float
    error: float | None = None
    again: float | None = None

    @classmethod
    def missing(cls, level: float) -> Contrast:
        """Return the contrast that cannot be estimated."""
        return cls(None, (None, None), level)

    @classmethod
    def normal(
        cls, estimate: float, error: float, level: float, again: float | None = None
    ) -> Contrast:
        """Return the contrast with its normal interval, or the one that holds at every look."""
        if error < NO_ERROR:
            return cls(estimate, (None, None), level, error, again)
        half = float(half_width(error, level, again))
        return cls(estimate, (estimate - half, estimate + half), level, error, again)

    def at_level(self, level: float) -> tuple[float, float] | tuple[None, None]:
        """Return the interval at another level."""
        if self.estimate is None or self.error is None:
            return (None, None)
        return Contrast.normal(self.estimate, self.error, level, self.again).interval

    @property
    def detectable(self) -> float:
        """The difference that its error lets be shown, at 95 % with a chance of 8 in 10."""
        error = self.error or 0.0
        return float(half_width(error, 0.95, self.again)) + OFTEN * error

    @property
    def without_width(self) -> bool:
        """Whether the resamples gave one and the same number, but for rounding."""
        return self.error is not None and self.error < NO_ERROR

    def spoken(self, unit: str) -> Note:
        """Return it in ``sessions`` or ``weeks``, with its interval; in words where it has none."""
        ends = zip(("estimate", "low", "high"), (self.estimate, *self.interval), strict=True)
        values = {name: _signed(n) for name, n in ends if n is not None}
        return Note(f"regimes.said_{unit}" if len(values) == 3 else "regimes.unsaid", values=values)

    def disagrees(self, other: Contrast) -> bool:
        """Return whether two estimates of one difference lie apart beyond their errors."""
        if None in (self.estimate, self.error, other.estimate, other.error):
            return False
        apart = abs((self.estimate or 0.0) - (other.estimate or 0.0))
        return apart > 1.96 * hypot(self.error or 0.0, other.error or 0.0)

    def within(self, margin: float) -> bool:
        """Return whether the 90 % interval lies inside plus and minus the margin."""
        low, high = self.at_level(0.9)
        return low is not None and high is not None and -margin < low and high < margin

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {"estimate": self.estimate, "interval": list(self.interval), "level": self.level}


@dataclass(frozen=True, slots=True)
class Settings:
    """What was asked; with ``auto`` each pair has its own horizon, up to this one."""

    plans: tuple[Strategy, ...]
    horizon: int
    margin: float
    level: float
    replicates: int
    seed: int
    auto: bool = False
    looking_again: bool = False
    second: int = 200  # resamples from which the second route, which costs more, has its error
    own: Mapping[str, int] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the strategies."""
        return tuple(plan.name for plan in self.plans)

    @property
    def pairs(self) -> dict[str, tuple[int, int]]:
        """Places of left and right by key, ``"later - earlier"`` for every pair."""
        names = self.names
        return {
            f"{names[left]} - {names[right]}": (left, right)
            for left in range(len(names))
            for right in range(left)
        }

    def horizon_of(self, key: str) -> int:
        """Return the horizon of a pair."""
        return self.own.get(key, self.horizon)

    def reach_of(self, place: int) -> int:
        """Return the furthest horizon that a strategy is compared to."""
        return max(self.horizon_of(key) for key, pair in self.pairs.items() if place in pair)

    def again(self, session: float = 1.0) -> float | None:
        """Return what widens intervals for every look, in a unit of which a session is so many."""
        return LOOK_AGAIN / (self.margin * session) ** 2 if self.looking_again else None

    def contrast(self, estimate: float, error: float, *, session: float = 1.0) -> Contrast:
        """Return a difference, in a unit of which a session is worth so many, with its interval."""
        return Contrast.normal(estimate, error, self.level, self.again(session))

    def drawn(self, values: FloatArray, *, session: float = 1.0) -> Contrast:
        """Return the contrast of a value, the first, and of its resamples, NaN where none."""
        error = float(np.nanstd(values[1:], ddof=1))
        return self.contrast(float(values[0]), error, session=session)

    def shortest(self, left: int, right: int) -> int:
        """Return the first session at which both strategies are what their names say."""
        return max(2, self.plans[left].begins, self.plans[right].begins)


@dataclass(frozen=True, slots=True)
class NaiveReading:
    """What a plain reading of the log says, by pair, and in one sentence ``why`` it differs."""

    name: Sentence
    difference: Mapping[str, Contrast]
    why: Sentence


@dataclass(frozen=True, slots=True)
class Supported:
    """The answer up to the last session that the log supports, when the one asked is beyond."""

    horizon: int
    contrast: Contrast
    verdict: Verdict
    reasons: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        said = {"verdict": self.verdict, "reasons": list(self.reasons)}
        return {"horizon": self.horizon} | said | self.contrast.to_dict()


def verdict_of(contrast: Contrast, margin: float, reasons: Sequence[str] = ()) -> Verdict:
    """Return the verdict code of a difference in sessions, whatever level it is shown at.

    By the 95 % interval, ``equivalent`` by that of 90 %; no verdict where there is a reason.
    """
    low, high = contrast.at_level(0.95)
    if reasons or low is None or high is None or contrast.without_width:
        return "cannot say"
    if high < 0:
        return "saves"
    if low > 0:
        return "costs"
    return "equivalent" if contrast.within(margin) else "cannot say"


def reasons_for(
    contrast: Contrast, margin: float, lacking: Sequence[str] = (), *, few: str = FOLLOWERS
) -> tuple[str, ...]:
    """Return the codes of what keeps a verdict back; empty where nothing does.

    ``none_eligible``: no course was begun while both regimes were in use.
    ``too_few_followers``: too few courses follow a strategy up to the horizon (``few`` is the
    code for it: ``too_few_pairs`` of halves of split tattoos). ``too_few_cleared``,
    ``too_few_clients``, ``too_few_effective``: under one of the strategies. ``hardly_a_chance``:
    most courses at risk at a change had next to no chance of it. ``routes_disagree``: on a change,
    weights and g-formula do, beyond their errors. ``operators_apart``: hands and
    regimes cannot be told apart. ``no_overlap``: what is known before all but decides the
    regime that a course begins with. ``zero_width``: resamples show no spread.
    ``interval_covers_margin``: the interval reaches past zero and past the margin. What the courses
    rather than the difference fall short of is given as ``lacking``.
    """
    if contrast.estimate is None:
        return (few, *lacking)
    if contrast.without_width:
        return (*lacking, "zero_width")
    unclear = verdict_of(contrast, margin) == "cannot say"
    return (*lacking, *(["interval_covers_margin"] if unclear else []))


def words_for(
    key: str, contrast: Contrast, reasons: Sequence[str], horizon: int, margin: float
) -> Note:
    """Return the sentence for a person.

    The interval in it is the one that its verdict rests on: of 90 % for ``equivalent``, of 95 %
    for every other. Numbers have the one decimal that errors of resamples carry, or as many as it
    takes to agree with the verdict.
    """
    left, right = key.split(" - ")
    values: dict[str, Any] = {"left": left, "right": right, "horizon": horizon, "margin": margin}
    verdict = verdict_of(contrast, margin, reasons)
    held_back = [Note(f"regimes.because_{reason}") for reason in reasons]
    level = 0.9 if verdict == "equivalent" else 0.95
    low, high = contrast.at_level(level)
    if contrast.estimate is None or low is None or high is None:
        values["reasons"] = held_back or [Note("regimes.because_zero_width")]
        return Note("regimes.no_answer", values=values)
    size = {"sessions": abs(contrast.estimate), "digits": _digits(abs(contrast.estimate))}
    named = "regimes.sessions_" + ("fewer" if contrast.estimate < 0 else "more")
    values |= {"size": Note(named, values=size), "level": level, "reasons": held_back}
    span, ends = "from_fewer", (-low, high)
    if low > 0 or high < 0:
        span, ends = ("all_more", (low, high)) if low > 0 else ("all_fewer", (-high, -low))
    digits = [_digits(abs(end), margin if verdict == "equivalent" else inf) for end in ends]
    names = ("low", "high", "low_digits", "high_digits")
    said = dict(zip(names, (*ends, *digits), strict=True))
    values["span"] = Note(f"regimes.{span}", values=said)
    unclear = "unclear" if set(reasons) == {"interval_covers_margin"} else "held_back"
    code = unclear if verdict == "cannot say" else verdict
    return Note(f"regimes.{code}", values=values)


# One decimal, or as many more, up to three, as keep a number from looking like the margin.
def _digits(number: float, below: float = inf) -> int:
    if number <= NO_ERROR:
        return 0
    return next((n for n in (1, 2) if (round(number, n) or 10**-n) < below), 3)


# One decimal, or on which side of 0 it is where that does not show it.
def _signed(number: float) -> Note:
    some = abs(number) > NO_ERROR
    values = {"n": round(number, 3) + 0.0, "digits": int(some)}  # a zero has no minus
    if some and abs(number) < NEAR_ZERO:
        return Note(f"regimes.just_{'above' if number > 0 else 'below'}", values=values)
    return Note("regimes.signed", values=values)
