"""What a path seen so far says about the step at which it first passes a threshold.

Given the step T of the first passage, the path from the start is a bridge: it climbs to the
threshold, which it passes within step T, half-way on average, evenly or ever more slowly by a power
of the time, and wanders on the way. Levels are measured with error. Chances of T from elsewhere,
times the chance of the levels seen given T, are the chances of T given both (Bayes).

A path may also never pass: it climbs ever more slowly to a ceiling below the threshold. A level is
taken as minus the log of what is left, of which a part exp(-ceiling) never goes: where another path
would have reached u it has reached -log(exp(-ceiling) + (1 - exp(-ceiling)) exp(-u)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, IntArray
from forecast.errors import DataError
from forecast.survival.accelerated_likelihood import normal_above
from forecast.survival.model import climb

# Paths that have not passed by the last step may pass at so many times it, or later, or they
# never do and have one of these ceilings, in thresholds; what is not told apart is even.
BEYOND = (1.25, 1.6, 2.5)
SLOWER = (1.4, 2.0)  # also lengths of paths that never pass, in the longest of those that did
CEILINGS = (0.1, 0.25, 0.4, 0.5, 0.6, 0.7, 0.8)
START = (0.0, -2.5, 1.0, -4.0, 0.0)  # log pace, log wander, power, log error variance, log bend
# A path is not taken to climb ever faster: a slow beginning would say nothing then.
LIMITS = ((-0.3, 0.3), (-9.0, 1.0), (0.0, 2.0), (-9.0, 1.0), (-1.0, 0.0))
MOST_PATHS = 250  # behind five numbers
RATES = 5
SURPRISE = 0.1  # how much of what is known of a path may be wrong (a judgement)
LATE, SOON = 0.03, 2  # the same once the usual steps are over, and so many next ones that it is on
PARTS = 6
Law = tuple[FloatArray, FloatArray, FloatArray]
PATHS_TOGETHER = 128  # their densities stay in the second-level cache
SETTLED = 1e-6  # squared length of a step in standard errors
# Mean and standard deviation of the log odds of never passing, before paths are seen. Judged: what
# takes more than a horizon from here mostly never comes.
ODDS = (2.0, 0.3)
LARGEST_ODDS = 2.2  # log odds; where next to nothing is left for never, levels ask for any odds


@dataclass(frozen=True, slots=True)
class PassageBridge:
    """A bridge from zero to a ``threshold``, the level whose first passage is the event.

    Paths that never pass climb as fast at first as those of the ``lengths``.

    Attributes
    ----------
    threshold : float
        Of the level, minus the log of what is left.
    pace : float
        Mean level half a step before the passage is counted, in thresholds.
    wander, power : float
        The variance gained per step is ``wander`` times (mean gain per step) to the ``power``.
    error : float
        Variance of a measured level.
    lengths : tuple of float
        Steps that paths took to pass, evenly spread over all of them.
    bend : float
        Power of the time by which a path climbs, at most 1: evenly.
    odds : float
        Of never passing, over half of what the chances leave.

    Examples
    --------
    >>> bridge = PassageBridge(3.0, pace=1, wander=0.05, power=1, error=0.05, lengths=(6, 9))
    >>> bridge.posterior(np.full(9, 0.1), 2, [2], [1.0]).round(2)
    array([0.  , 0.01, 0.09, 0.21, 0.22, 0.18, 0.13, 0.08, 0.05])
    """

    threshold: float
    pace: float
    wander: float
    power: float
    error: float
    lengths: tuple[float, ...]
    bend: float = 1.0
    odds: float = 1.0

    def log_likelihood(
        self, steps: npt.ArrayLike, levels: npt.ArrayLike, passage: npt.ArrayLike
    ) -> FloatArray:
        """Return the log density of a path's levels for each step of the first passage, (t,).

        ``steps`` and ``levels``, (m,), are when the path was measured and what was found;
        ``passage``, (t,), has no step before a measured one.
        """
        at, seen = _in_order(steps, levels)
        law = self._bridge(at, np.asarray(passage, dtype=np.float64))
        return np.asarray(self._by_level(law, seen)[-1])

    def _by_level(self, law: Law, seen: FloatArray) -> FloatArray:
        """Return log densities of the first 1 to m levels ``seen``, (m, ..., t): Kalman's filter.

        They are of a Gaussian Markov process: ``rising[i] * falling[j]`` is the covariance of its
        i-th and a later j-th place. Each was measured with the variance ``error``.
        """
        expected, rising, falling = law
        off = seen - expected
        found, total = np.empty(off.shape), np.zeros(off.shape[1:])
        own = rising * falling
        mean, variance = np.zeros(off.shape[1:]), own[0]
        for place, each in enumerate(off):
            if place:
                keeps, before = np.zeros_like(own[0]), falling[place - 1]
                np.divide(falling[place], before, out=keeps, where=before > 0)
                mean = keeps * mean
                variance = keeps * keeps * (variance - own[place - 1]) + own[place]
            spread = variance + self.error
            gap = each - mean
            total = total - 0.5 * (gap * gap / spread + np.log(2 * np.pi * spread))
            found[place] = total
            mean = mean + variance / spread * gap
            variance = variance * (self.error / spread)
        return found

    # mean of paths at ``at`` given their passage, and what makes their covariance, see `_by_level`
    def _bridge(self, at: FloatArray, when: FloatArray) -> Law:
        length = when - 0.5
        share = np.minimum(at / length, 1.0) ** self.bend
        wander = self.wander * (self.threshold / length) ** self.power * length
        return self.threshold * self.pace * share, wander * share, 1 - share

    # log-likelihood of paths (n, m) padded with NaN, given their passage, with its gradient and
    # expected information in log pace, log wander, power, log error and log bend
    def _score(
        self, at: FloatArray, seen: FloatArray, when: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        known, every = ~np.isnan(at), np.arange(at.shape[1])
        at = np.where(known, at, 0.0)
        mean, rising, falling = self._bridge(at, when[:, None])
        mean = mean * known
        low = np.minimum(rising[:, :, None], rising[:, None, :])
        high = np.minimum(falling[:, :, None], falling[:, None, :])
        spread, none = low * high, np.zeros(low.shape)
        steep = np.log(self.threshold / (when - 0.5))[:, None, None]
        # how fast a share grows with the log of the bend, as a part of it
        grows = np.log(np.clip(at / (when[:, None] - 0.5), 1e-9, 1.0)) * self.bend
        least = np.minimum(grows[:, :, None], grows[:, None, :])
        most = np.maximum(grows[:, :, None], grows[:, None, :])
        error = none.copy()
        error[:, every, every] = known * self.error
        bent = spread * least - low * (1 - high) * most
        still = 0 * mean
        by_mean = np.stack([mean, still, still, still, mean * grows])
        by_spread = np.stack([none, spread, spread * steep, error, bent])
        spread = spread + error + np.eye(len(every)) * ~known[:, :, None]
        inverse = np.linalg.inv(spread)
        off = np.where(known, seen, 0.0) - mean
        pull = (inverse @ off[..., None])[..., 0]
        volume = np.linalg.slogdet(spread)[1] + np.log(2 * np.pi) * known.sum(axis=1)
        value = -0.5 * float((volume + (off * pull).sum(axis=1)).sum())
        moved, turned = inverse @ by_spread, inverse @ by_mean[..., None]
        quadratic = ((by_spread @ pull[..., None])[..., 0] * pull).sum(axis=(1, 2))
        trace = np.trace(moved, axis1=2, axis2=3).sum(axis=1)
        gradient = (by_mean * pull).sum(axis=(1, 2)) + 0.5 * (quadratic - trace)
        flat, flipped = moved.reshape(5, -1), moved.swapaxes(2, 3).reshape(5, -1)
        information = by_mean.reshape(5, -1) @ turned.reshape(5, -1).T + 0.5 * flat @ flipped.T
        return value, gradient, information

    def log_likelihood_never(self, steps: npt.ArrayLike, levels: npt.ArrayLike) -> FloatArray:
        """Return the log density of the levels of a path that never passes.

        One for each ceiling and each of the lengths, shape (c * r,).
        """
        at, seen = _in_order(steps, levels)
        return np.asarray(self._by_level(self._never(at), seen)[-1])

    # the same as `_bridge` of paths that never pass, (..., c * r) for ``at`` of shape (..., 1)
    def _never(self, at: FloatArray) -> Law:
        lengths = (*self.lengths, *(max(self.lengths) * times for times in SLOWER))
        ceilings = self.threshold * np.array(CEILINGS)
        stays = np.exp(-np.repeat(ceilings, len(lengths)))
        last = np.tile(np.array(lengths) - 0.5, len(ceilings))
        share, even = (at / last) ** self.bend, self.threshold / last
        goes = (1 - stays) * np.exp(-self.pace * self.threshold * share)
        # a step's wander shows as far as what is left can still go
        shows = goes / (stays + goes)
        return -np.log(stays + goes), self.wander * even**self.power * last * share * shows, shows

    def rank(self, chances: FloatArray, done: int, step: float, level: float) -> float:
        """Return which share of paths not passed by ``done`` have a lower level at ``step``.

        ``chances``, (h,), as for `posterior`, of one path.
        """
        at = np.array([float(step)])
        each = (self._bridge(at, self._when(done, len(chances))), self._never(at))
        mean, rising, falling = np.hstack(each)
        variance = rising * falling + self.error
        later = max(1 - float(chances.sum()), 0.0) / 2
        stays = len(mean) - len(chances) - len(BEYOND)
        late = np.full(len(BEYOND), later / len(BEYOND))
        weight = np.concatenate([chances, late, np.full(stays, self.odds * later / stays)])
        below = normal_above((mean - level) / np.sqrt(variance))
        return float(weight @ below / weight.sum())

    @staticmethod
    def _when(done: int | IntArray, horizon: int) -> FloatArray:
        """Return the steps at which a path may pass: up to the horizon, and some beyond it."""
        ahead = np.concatenate([np.arange(1.0, horizon + 1), horizon * np.array(BEYOND)])
        return np.asarray(np.asarray(done)[..., None] + ahead)

    # What is known without the levels may be wrong of this path: some of it is spread over the
    # steps that paths usually took, so that a quick one is not taken for one that never passes. Of
    # one that has outlasted them less is, over the next steps: late paths mostly stand still.
    def _surprised(self, chances: FloatArray, done: int | IntArray) -> FloatArray:
        ahead, at = np.arange(1, chances.shape[-1] + 1), np.asarray(done)[..., None]
        low, high = (np.ceil(end - at) for end in (min(self.lengths), max(self.lengths)))
        late = high <= 1
        usual = (ahead >= np.minimum(low, ahead[-1])) & (ahead <= high)
        among = np.where(late, ahead <= SOON, usual)
        part = np.where(late, LATE, SURPRISE)
        return np.asarray((1 - part) * chances + part * among / among.sum(axis=-1, keepdims=True))

    def posterior(
        self,
        chances: FloatArray,
        done: int,
        steps: npt.ArrayLike,
        levels: npt.ArrayLike,
        *,
        belief: float = 1.0,
    ) -> FloatArray:
        """Return the chances of the passage after a path's levels have been seen, (..., h).

        ``chances`` are of the first passage at steps ``done + 1`` to ``done + h`` without the
        levels; what is missing from one is "later or never", each as likely as the other. ``steps``
        and ``levels``, (m,), were measured up to ``done``; none leave the chances as they are. The
        likelihood of the levels is raised to the power ``belief``: below 1 a bridge that is not
        learnt from paths like these says less, yet still rules out what is far off.
        """
        if not len(np.asarray(steps)):
            return chances
        horizon = chances.shape[-1]
        found = self.log_likelihood(steps, levels, self._when(done, horizon))
        never = self.log_likelihood_never(steps, levels)
        known = self._surprised(chances, done)
        return _weighed(known, belief * found, belief * never, self.odds)[0]

    def posteriors(
        self,
        chances: FloatArray,
        done: IntArray,
        path: IntArray,
        upto: IntArray,
        levels: tuple[FloatArray, FloatArray],
    ) -> tuple[FloatArray, FloatArray]:
        """Return `posterior` of many rows, each a path at one of its steps, and those of never.

        Each row has its ``chances`` (n, h), steps ``done``, ``path`` among those of ``levels``, and
        ``upto``: how many of its levels were seen by then, at least 1. ``levels`` are steps, in
        order, and what was found, each (n_paths, m), padded with NaN.
        """
        horizon = chances.shape[1]
        known = self._surprised(chances, done)
        own, whens = self._when(done, horizon), np.unique(self._when(np.unique(done), horizon))
        alone = len(np.unique(path)) == len(path)  # else rows of a path share what they can
        found, stays = np.empty_like(chances), np.zeros(len(chances))
        for low in range(0, len(levels[0]), PATHS_TOGETHER):
            rows = np.flatnonzero((path >= low) & (path < low + PATHS_TOGETHER))
            last, which = upto[rows] - 1, path[rows] - low
            most, at = upto[rows].max(initial=1), np.searchsorted(whens, own[rows])
            here, when = low + np.arange(len(levels[0][low : low + PATHS_TOGETHER])), whens
            if alone:
                here, which = path[rows], np.arange(len(rows))
                when, at = own[rows], np.arange(own.shape[1])
            steps, seen = (each[here, :most].T[:, :, None] for each in levels)
            passing = self._by_level(self._bridge(steps, when), seen)
            never = self._by_level(self._never(steps), seen)[last, which]
            by_when = passing[last[:, None], which[:, None], at]
            found[rows], stays[rows] = _weighed(known[rows], by_when, never, self.odds)
        return found, stays

    def with_odds(self, before: FloatArray, after: FloatArray) -> PassageBridge:
        """Return the bridge with the odds of never passing that all its paths make most likely.

        A mixture's weight by maximum likelihood, pulled to one: paths that have not passed speak by
        how level their course has become. Chances of never passing, (n,), are those ``before`` the
        levels were seen, and ``after``, by even odds; 0 after of a path that passed.
        """

        def score(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            odds = float(np.exp(values[0]))
            raised = [1 + part * (odds - 1) for part in (after, before)]
            each = odds * (after / raised[0] - before / raised[1])
            off = (values[0] - ODDS[0]) / ODDS[1]
            value = float(np.log(raised[0] / raised[1]).sum()) - off**2 / 2
            slope = np.array([each.sum() - off / ODDS[1]])
            return value, slope, np.array([[each @ each + ODDS[1] ** -2]])

        limits = np.zeros(1), np.full(1, LARGEST_ODDS)
        found = climb(score, np.array(ODDS[:1]), settled=SETTLED, limits=limits)[0]
        return replace(self, odds=float(np.exp(found[0])))

    @classmethod
    def fit(
        cls,
        steps: FloatArray,
        levels: FloatArray,
        passage: npt.ArrayLike,
        *,
        threshold: float,
        prior: Sequence[tuple[float, float]] = (),
    ) -> PassageBridge:
        """Return the bridge that makes paths of known passage most likely.

        ``steps`` and ``levels``, (n, m), are measurements before the ``passage`` of the
        ``threshold``, (n,), padded with NaN; ``prior`` has mean and standard deviation of log pace,
        log wander, power, log error and log bend, where paths are too few to say alone. Raises
        DataError if no path was measured before it passed.
        """
        when = np.asarray(passage, dtype=np.float64)
        informative = np.flatnonzero((~np.isnan(steps)).any(axis=1))
        if not len(informative):
            raise DataError(
                "No path was measured before it passed.", "A bridge needs levels on the way."
            )
        lengths = tuple(np.quantile(when, (np.arange(RATES) + 0.5) / RATES).tolist())
        # an even part by passage and level, whatever the order and the names of the paths
        by_level = np.nansum(levels[informative], axis=1)
        informative = informative[np.lexsort((by_level, when[informative]))]
        informative = informative[:: max(len(informative) // MOST_PATHS, 1)]
        steps, levels, when = steps[informative], levels[informative], when[informative]
        # parts of like numbers of measurements, padding cut away
        blank = np.isnan(steps)
        count = (~blank).sum(axis=1)
        left = np.argsort(blank, axis=1, kind="stable")  # what was measured first, gaps last
        at, seen = np.take_along_axis(steps, left, axis=1), np.take_along_axis(levels, left, axis=1)
        parts = []
        for rows in np.array_split(np.argsort(count), min(PARTS, len(count))):
            most = int(count[rows].max())
            parts.append((at[rows, :most], seen[rows, :most], when[rows]))

        centre, spread = np.array(prior).T if prior else (np.zeros(5), np.full(5, np.inf))
        precision = spread**-2.0

        def score(values: FloatArray) -> tuple[float, FloatArray, FloatArray]:
            bridge = cls.of(values, threshold, lengths)
            each, firsts, seconds = zip(*(bridge._score(*part) for part in parts), strict=True)
            off = values - centre
            return (
                sum(each) - float(precision @ off**2) / 2,
                np.sum(firsts, axis=0) - precision * off,
                np.sum(seconds, axis=0) + np.diag(precision),
            )

        low, high = np.array(LIMITS).T
        found = climb(score, np.array(START), settled=SETTLED, limits=(low, high))[0]
        return cls.of(found, threshold, lengths)

    @classmethod
    def of(cls, values: FloatArray, threshold: float, lengths: tuple[float, ...]) -> PassageBridge:
        """Return the bridge of log pace, log wander, power, log error and log bend."""
        pace, wander, error, bend = (float(np.exp(values[place])) for place in (0, 1, 3, 4))
        return cls(threshold, pace, wander, float(values[2]), error, lengths, bend)


# columns, (m, 1), in the order of the steps
def _in_order(steps: npt.ArrayLike, levels: npt.ArrayLike) -> FloatArray:
    both = np.array([steps, levels], dtype=np.float64)
    return both[:, np.argsort(both[0]), None]


# chances (..., h) weighed by log-likelihoods of passing, (..., h + late), and of never; and the
# chance that is left for never
def _weighed(
    chances: FloatArray, found: FloatArray, never: FloatArray, odds: float
) -> tuple[FloatArray, FloatArray]:
    horizon = chances.shape[-1]
    most = np.maximum(found.max(axis=-1), never.max(axis=-1))[..., None]
    fits, fits_never = np.exp(found - most), np.exp(never - most)
    weights = chances * fits[..., :horizon]
    left = 0.5 * np.clip(1 - chances.sum(axis=-1), 0.0, 1.0)
    late, stays = left * fits[..., horizon:].mean(axis=-1), left * odds * fits_never.mean(axis=-1)
    total = weights.sum(axis=-1) + late + stays
    # chances that the levels rule out altogether are no better guide than none
    kept = np.where(total[..., None] > 0, weights, chances)
    scale = np.where(total > 0, total, 1.0)
    return np.asarray(kept / scale[..., None]), np.asarray(stays / scale)
