"""What was seen of each path, and weights for those that were lost to sight."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from forecast._arrays import AnyArray, BoolArray, FloatArray, IntArray, shares
from forecast._checks import counted
from forecast.errors import DataError, RequestError
from forecast.survival import CountDistribution, supported_to

if TYPE_CHECKING:
    from forecast.survival import Durations


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """One row per path: watched in steps ``entry + 1`` to ``step``, event at ``step`` or not.

    The event at a step comes before dropping out at that step: a path censored at step 4 is
    known to be without the event after four steps.

    Raises DataError if lengths differ, a step is below 1 or an entry is not before its step.

    Attributes
    ----------
    step : ndarray of shape (n,)
        The last step watched, from 1.
    observed : ndarray of shape (n,)
        Whether the event happened there.
    entry : ndarray of shape (n,)
        Steps taken before, event-free; none if not given.
    weight : ndarray of shape (n,)
        How many paths this one stands for; one if not given.
    subject : ndarray of shape (n,)
        Paths of one subject are not independent; each is its own if not given.

    Examples
    --------
    >>> seen = Outcomes([2, 3], [True, False])
    >>> seen.n_events, seen.up_to(1).n_events
    (1, 0)
    """

    step: IntArray
    observed: BoolArray
    entry: IntArray = None  # type: ignore[assignment]
    weight: FloatArray = None  # type: ignore[assignment]
    subject: AnyArray = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        n = len(self.step)
        usual = {"entry": np.zeros(n), "weight": np.ones(n), "subject": np.arange(n)}
        kinds = (np.int64, np.bool_, np.int64, np.float64, object)
        for name, kind in zip(Outcomes.__slots__, kinds, strict=True):
            given = getattr(self, name)
            array: AnyArray = np.array(usual[name] if given is None else given, dtype=kind)
            if array.shape != (n,):
                raise DataError(
                    f"{name} has shape {array.shape}, step has {counted(n, 'row')}.",
                    "Give one value per path.",
                )
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        bad = (self.step < 1) | (self.entry >= self.step) | (self.entry < 0)
        if bad.any():
            raise DataError(
                f"{counted(bad.sum(), 'path')} never watched, first row {bad.argmax()}.",
                "Give steps from 1, each after its entry.",
            )

    @classmethod
    def from_durations(cls, durations: Durations) -> Outcomes:
        """Return what was seen of paths, one row each."""
        return cls(*(getattr(durations, name) for name in cls.__slots__))

    def __len__(self) -> int:
        return len(self.step)

    @property
    def n_events(self) -> int:
        """How many paths were seen to reach the event."""
        return int((self.observed & (self.weight > 0)).sum())

    def at_risk(self, steps: IntArray) -> BoolArray:
        """Return whether each path is watched in each of ``steps``, (n, steps)."""
        return np.asarray((self.entry[:, None] < steps) & (self.step[:, None] >= steps))

    def leaving(self, last: int) -> tuple[BoolArray, BoolArray]:
        """Return who could drop out at steps 1 to ``last``, and who did, (n, last) each.

        At a step the event comes first, so a path with its event there cannot drop out there.
        """
        steps = np.arange(1, last + 1)
        here = self.step[:, None] == steps
        could = self.at_risk(steps) & ~(here & self.observed[:, None])
        return could, here & ~self.observed[:, None]

    def take(self, rows: IntArray | BoolArray) -> Outcomes:
        """Return the paths asked for, by position or by a mask."""
        return Outcomes(*(getattr(self, name)[rows] for name in Outcomes.__slots__))

    def up_to(self, horizon: int) -> Outcomes:
        """Return the same paths with watching ended at ``horizon``.

        Raises RequestError if a path is watched only beyond it.
        """
        late = self.entry >= horizon
        if late.any():
            raise RequestError(
                f"{counted(late.sum(), 'path')} entered at step {horizon} or later, "
                f"first {late.argmax()}.",
                "Leave them out or take a longer horizon.",
            )
        inside = self.observed & (self.step <= horizon)
        return replace(self, step=np.minimum(self.step, horizon), observed=inside)

    def conditioned(self, distribution: CountDistribution) -> CountDistribution:
        """Return each row's distribution given no event by that path's entry; steps unchanged."""
        self.check_matches(distribution)
        if not self.entry.any():
            return distribution
        before = np.arange(1, distribution.horizon + 1) <= self.entry[:, None]
        left = 1 - (distribution.pmf * before).sum(axis=1)
        pmf = np.where(before, 0, distribution.pmf) / np.maximum(left, 1e-12)[:, None]
        return CountDistribution(pmf / np.maximum(pmf.sum(axis=1), 1)[:, None])

    def stretch(self, distribution: CountDistribution) -> tuple[FloatArray, FloatArray]:
        """Return the predicted chance by the step before what was seen, and by it; 1 if censored.

        The distribution must reach as far as the last path.
        """
        by_step = np.hstack([np.zeros((len(self), 1)), distribution.cdf()])
        rows = np.arange(len(self))
        high = np.where(self.observed, by_step[rows, self.step], 1.0)
        return by_step[rows, self.step - self.observed], high

    def check_matches(self, distribution: CountDistribution) -> None:
        """Raise RequestError unless ``distribution`` has one row per path."""
        if len(distribution) != len(self):
            raise RequestError(
                f"Predicted distributions: {len(distribution)}, paths: {len(self)}.",
                "Give one distribution per path, in the same order.",
            )


def by_subject(values: FloatArray, subject: AnyArray) -> FloatArray:
    """Return the sum of ``values`` for each subject."""
    from pandas import factorize

    owner = factorize(subject, use_na_sentinel=False)[0]
    return np.asarray(np.bincount(owner, weights=values), dtype=np.float64)


def error_by_subject(moves: FloatArray, subject: AnyArray) -> float:
    """Return the standard error of a sum that each path ``moves``, paths of a subject together."""
    return float(np.sqrt((by_subject(moves, subject) ** 2).sum()))


def still_watched(
    outcomes: Outcomes, *, horizon: int, weight: FloatArray | None = None
) -> FloatArray:
    """Return the chance of being watched still after steps 0 to ``horizon``, (..., horizon + 1).

    Kaplan-Meier for dropping out; ``weight``, (..., n), stands in for that of the outcomes.
    """
    each = outcomes.weight if weight is None else weight
    could, left = outcomes.leaving(horizon)
    stayed = np.cumprod(1 - shares(each @ left, each @ could), axis=-1)
    return np.concatenate([np.ones((*stayed.shape[:-1], 1)), stayed], axis=-1)


def last_supported(outcomes: Outcomes) -> int:
    """Return the last step at which five paths of ``outcomes`` are watched (1 if none).

    Examples
    --------
    >>> last_supported(Outcomes([2] * 5 + [9] * 4, [True] * 9))
    2
    """
    steps = np.arange(1, int(outcomes.step.max()) + 1)
    watched = outcomes.at_risk(steps)[outcomes.weight > 0].sum(axis=0)
    return max(supported_to(watched), 1)


@dataclass(frozen=True, slots=True, eq=False)
class KnownStatus:
    """Who is known to have had the event by each step, and what each known path stands for."""

    happened: BoolArray  # (n, horizon): whether the event was seen by step k
    known: BoolArray  # (n, horizon): whether it is known if it was
    settled: IntArray  # (n, horizon): the step after which the path had to be watched still
    watched: FloatArray  # (..., horizon + 1): the chance of that
    each: FloatArray  # (..., n): the path's weight, by the chance of being watched at its entry
    paths: FloatArray  # (..., horizon): the weight of all paths that had entered, known or not

    def weight_at(self, step: int) -> FloatArray:
        """Return weights over the chance that the status is known, 0 where it is not, (..., n)."""
        chance = self.watched[..., self.settled[:, step - 1]]
        return shares(self.each * self.known[:, step - 1], chance)


def known_status(outcomes: Outcomes, horizon: int, weight: FloatArray | None = None) -> KnownStatus:
    """Return the status at steps 1 to ``horizon``; ``weight``, (..., n), stands in for their own.

    An event at step t is weighted by the chance of being watched just before t, after Graf et al.
    (1999, Stat Med 18:2529); a path without the event after step k by the chance just before k,
    because the event comes before dropping out. The left limit matters: with the chance *after* t,
    tied steps bias the Brier score upwards.
    """
    own = outcomes.weight if weight is None else weight
    steps, watched = np.arange(1, horizon + 1), still_watched(outcomes, horizon=horizon, weight=own)
    entered = outcomes.entry[:, None] < steps
    happened = (outcomes.step[:, None] <= steps) & outcomes.observed[:, None]
    known = happened | outcomes.at_risk(steps)
    # A path that entered late is scored on what was left, so only dropping out since then counts.
    each = own * np.maximum(watched[..., np.minimum(outcomes.entry, horizon)], 1e-12)
    settled = np.minimum(outcomes.step[:, None], steps) - 1
    return KnownStatus(happened, known, settled, watched, each, own @ entered)


def wilson_interval(share: float, n: float) -> tuple[float, float]:
    """Return Wilson's 95 % interval (1927, JASA 22:209) of a share of ``n`` rows, if effective."""
    wide = NormalDist().inv_cdf(0.975)
    if n <= 0:
        return 0.0, 1.0
    shrunk = 1 + wide**2 / n
    middle = (share + wide**2 / (2 * n)) / shrunk
    half = wide * math.sqrt(share * (1 - share) / n + wide**2 / (4 * n**2)) / shrunk
    return max(middle - half, 0.0), min(middle + half, 1.0)
