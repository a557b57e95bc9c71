"""The likelihood of accelerated time: a step is a latent duration cut up.

The event falls at step k when the latent duration lies in (k - 1, k]: with location ``m`` and
scale ``s`` the chance of that is ``G((log k - m) / s) - G((log(k - 1) - m) / s)``.

Without one subject the maximum lies about a Newton step away, with that subject's own curvature
taken out (approximate leave-one-out: Rad and Maleki 2020, J R Stat Soc B 82:965). No subject is
predicted by a fit that knew it, no folds are drawn, and nothing depends on chance.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast.survival.durations import Durations, first_seen
from forecast.survival.model import climb, mirrored

BLOCK = 5120  # rows worked on together: their parts stay in the second-level cache
SETTLED = 1e-9  # squared length of a step in standard errors; the step after is its square
LEAST_SPREAD = 1e-7
LOG_ROOT = 0.5 * math.log(2 * math.pi)
CELLS = 384  # cells per standard unit in the table of the normal tail
NEAR_ONE = -9.0  # standard units from where the chance above is 1
FAR = 30.0  # standard units beyond which every distribution here is 0 or 1
FARTHEST = 700.0  # standard units; the exponential of more overflows


class Standard(NamedTuple):
    """A standard distribution of a latent log duration.

    Chances of steps are logs that hold however far out they lie, so that value and slope of a
    likelihood agree everywhere.
    """

    above: Callable[[FloatArray], FloatArray]  # chance above z
    # log of the chance between two places, the lower first
    log_between: Callable[[FloatArray, FloatArray], FloatArray]
    log_density: Callable[[FloatArray], FloatArray]  # log of the density
    score: Callable[[FloatArray], FloatArray]  # slope of the log density


@lru_cache(maxsize=1)
def _log_tail_cubics() -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return cubics that follow the log of the normal tail, exact in value and slope at their ends.

    The log bends gently all the way, so that a short table keeps twelve digits of the tail.
    """
    nodes = np.arange(int(NEAR_ONE) * CELLS, int(FAR) * CELLS + 2) / CELLS
    above = (nodes[nodes >= 0] / math.sqrt(2)).tolist()  # those below mirror the first of them
    tail = 0.5 * np.array([*map(math.erfc, above)])
    tail = np.append(tail[len(nodes) - len(tail) : 0 : -1], tail)
    value = np.where(nodes > 0, np.log(tail), np.log1p(-tail))
    slope = -np.exp(_normal_log_density(nodes) - value) / CELLS
    rise = value[1:] - value[:-1]
    second = 3 * rise - 2 * slope[:-1] - slope[1:]
    third = slope[:-1] + slope[1:] - 2 * rise
    return value[:-1], slope[:-1], second, third


def _log_tail(z: FloatArray) -> FloatArray:
    """Return the log of the normal chance above z, or that of ``FAR`` where it lies beyond."""
    value, slope, second, third = _log_tail_cubics()
    at = np.clip(z, NEAR_ONE, FAR)
    at -= NEAR_ONE
    at *= CELLS
    part = np.floor(at)  # and what each part of the sum comes to, in the same place
    at -= part
    with np.errstate(invalid="ignore"):  # NaN takes a place in the table, and stays NaN
        cell = part.astype(np.intp)
    log = third.take(cell, mode="clip")
    for coefficient in (second, slope, value):
        log *= at
        log += coefficient.take(cell, mode="clip", out=part)
    return log


def normal_above(z: FloatArray) -> FloatArray:
    """Return the normal chance above z to twelve digits, from -30 to 30; numpy has none."""
    log = _log_tail(z)
    return np.exp(log, out=log)


def _normal_log_density(z: FloatArray) -> FloatArray:
    log = -0.5 * z
    log *= z
    log -= LOG_ROOT
    return log


def _normal_log_above(z: FloatArray) -> FloatArray:
    log, far = _log_tail(z), z > FAR
    if far.any():
        out = z[far]
        square = out**-2
        series = 1 - square * (1 - 3 * square * (1 - 5 * square * (1 - 7 * square)))
        log[far] = np.log(series / out) + _normal_log_density(out)
    return log


def _normal_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    # the tail in which differences keep their digits: mirrored where the lower one is it
    tails = np.empty((2, *lower.shape))
    np.negative(upper, out=tails[1])
    np.maximum(lower, tails[1], out=tails[0])
    np.negative(np.minimum(lower, tails[1], out=tails[1]), out=tails[1])
    # to a place well within the table what lies beyond it adds nothing
    within = tails[0].max(initial=0.0) < FAR - 2
    near, far = _log_tail(tails) if within else _normal_log_above(tails)
    far -= near
    np.log(np.negative(np.expm1(far, out=far), out=far), out=far)
    near += far
    return np.asarray(near)


def _logistic_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    inside = np.log(-np.expm1(lower - upper))
    return np.asarray(inside - np.logaddexp(0, lower) - np.logaddexp(0, -upper))


def _extreme_log_between(lower: FloatArray, upper: FloatArray) -> FloatArray:
    rate = np.exp(lower)
    return np.asarray(np.log(-np.expm1(rate - np.exp(upper))) - rate, dtype=np.float64)


STANDARDS: dict[str, Standard] = {
    "weibull": Standard(
        lambda z: np.exp(-np.exp(np.minimum(z, FAR))),
        _extreme_log_between,
        lambda z: z - np.exp(z),
        lambda z: 1 - np.exp(z),
    ),
    "lognormal": Standard(normal_above, _normal_log_between, _normal_log_density, np.negative),
    "loglogistic": Standard(
        lambda z: 1 / (1 + np.exp(np.minimum(z, FAR))),
        _logistic_log_between,
        lambda z: z - 2 * np.logaddexp(0, z),
        lambda z: -np.tanh(z / 2),
    ),
}


def log_ends(step: IntArray, observed: BoolArray) -> FloatArray:
    """Return the logs between which each latent duration lies, shape (2, n).

    An observed row has the event at ``step``, another none by ``step`` (0: nothing is known).
    """
    with np.errstate(divide="ignore"):  # the log of step 0
        return np.stack([np.log(step - observed), np.where(observed, np.log(step), np.inf)])


def step_likelihood(
    standard: Standard, ends: FloatArray, location: FloatArray, scale: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return log-likelihood, gradient and Hessian of each row in (location, log scale).

    ``ends`` are those of :func:`log_ends`; the shapes are (n,), (2, n) and (2, 2, n).
    """
    z = ends - location
    z /= scale
    np.clip(z, -FARTHEST, FARTHEST, out=z)
    with np.errstate(divide="ignore"):  # the log of a chance that is none
        value = standard.log_between(z[0], z[1])
    density = standard.log_density(z)
    density -= value
    np.exp(density, out=density)
    np.negative(density[0], out=density[0])  # what the lower end adds is taken away
    bent = density * standard.score(z)
    by_z, bend = density[0] + density[1], bent[0] + bent[1]
    density *= z
    bent *= z
    by_scale, lean = density[0] + density[1], bent[0] + bent[1]
    bent *= z
    twist = bent[0] + bent[1]
    first, second = np.empty((2, *value.shape)), np.empty((2, 2, *value.shape))
    first[0], first[1] = by_z / -scale, -by_scale
    second[0, 0] = bend / scale**2 - first[0] ** 2
    second[0, 1] = second[1, 0] = (lean + by_z) / scale - first[0] * first[1]
    second[1, 1] = twist + by_scale - first[1] ** 2
    return value, first, second


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """The penalised log-likelihood of a design, and its maximum."""

    standard: Standard  # of the log duration
    design: FloatArray  # (n, p + 1): a column of ones, then the covariates
    never: FloatArray  # (n, q): design of the logit of the share that never has the event
    durations: Durations
    ends: FloatArray  # (2, n): the logs between which each latent duration lies
    mean: FloatArray  # (p + 2 + q,): location, coefficients, log scale, never share
    precision: FloatArray  # of the prior
    slopes: FloatArray | None  # (3, n): each row's, where they were last evaluated, if rows pair

    def every(self, stride: int) -> Likelihood:
        """Return the likelihood of each ``stride``-th row, the prior weaker by as much.

        Its maximum is then near that of all rows, where prior and data pull apart too.
        """
        rows = slice(None, None, stride)
        return replace(
            self,
            design=self.design[rows],
            never=self.never[rows],
            durations=self.durations.take(np.arange(len(self.design))[rows]),
            ends=self.ends[:, rows],
            precision=self.precision / stride,
            slopes=None,
        )

    def evaluate(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return the penalised log-likelihood at ``theta``, its gradient and its information."""
        size, last = len(theta), self.design.shape[1]
        total, gradient, hessian = 0.0, np.zeros(size), np.zeros((size, size))
        for low in range(0, len(self.design), BLOCK):
            rows = slice(low, low + BLOCK)
            design, never, weight = self.design[rows], self.never[rows], self.durations.weight[rows]
            value, slope, bend = self._since_entry(theta, rows)
            slope *= weight
            bend *= weight
            if self.slopes is not None:
                self.slopes[: len(slope), rows] = slope
            # each of the three linear predictors has its own columns: location, log scale, share;
            # all that is multiplied by the columns of the location, in one product
            parts = np.empty((size + 1, len(design)))
            np.multiply(design.T, bend[0, 0], out=parts[:last])
            parts[last] = bend[0, 1]
            parts[size] = slope[0]
            if size > last + 1:
                np.multiply(never.T, bend[0, 2], out=parts[last + 1 : size])
            products = parts @ design
            total += float(weight @ value)
            gradient += np.concatenate([products[size], [slope[1].sum()], *(slope[2:] @ never)])
            hessian[:, :last] += products[:size]
            hessian[:last, last:] += products[last:size].T
            hessian[last, last] += bend[1, 1].sum()
            for each in bend[2:]:  # of the share, where it is not all
                hessian[last, last + 1 :] += each[1] @ never
                hessian[last + 1 :, last + 1 :] += (never.T * each[2]) @ never
        hessian[last + 1 :, last] = hessian[last, last + 1 :]
        off = theta - self.mean
        penalised = total - 0.5 * float(off @ (self.precision * off))
        return penalised, gradient - self.precision * off, np.diag(self.precision) - hessian

    def _since_entry(
        self, theta: FloatArray, rows: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slopes (k, n) and bends (k, k, n) of rows in the predictors, as `_rows`.

        They are of each row given that it got as far as its entry.
        """
        entry, design, never = self.durations.entry[rows], self.design[rows], self.never[rows]
        n, last = len(design), design.shape[1]
        ends, location, odds = self.ends[:, rows], design @ theta[:last], never @ theta[last + 1 :]
        late = np.flatnonzero(entry)
        if len(late):  # such a row counts twice: as it was seen, less what it is to get so far
            ends = np.hstack([ends, log_ends(entry[late], entry[late] < 0)])
            location, odds = (np.concatenate([each, each[late]]) for each in (location, odds))
        found = self._rows(ends, location, float(theta[last]), odds)
        for part in found if len(late) else ():
            part[..., late] -= part[..., n:]
        return found[0][:n], found[1][:, :n], found[2][:, :, :n]

    def between_rows(self) -> FloatArray:
        """Return the sum of score times score' over pairs of different rows of one subject.

        It is what their being alike adds to the middle of the sandwich (Liang and Zeger 1986,
        Biometrika 73:13), at the scores where the likelihood was last evaluated.
        """
        size = len(self.mean)
        if self.slopes is None:
            return np.zeros((size, size))
        owner = first_seen(self.durations.subject)
        groups = int(owner.max()) + 1
        has_several = np.bincount(owner) > 1
        several = np.flatnonzero(has_several[owner])
        which = (np.cumsum(has_several) - 1)[owner[several]]
        several, which = several[np.argsort(which, kind="stable")], np.sort(which)
        total, own = np.zeros((int(has_several.sum()), size)), np.zeros((size, size))
        for low in range(0, len(several), BLOCK):
            rows = several[low : low + BLOCK]
            first = self.slopes[:, rows, None]
            score = np.hstack([first[0] * self.design[rows], first[1], first[2] * self.never[rows]])
            own += score.T @ score
            owners, begin = np.unique(which[low : low + BLOCK], return_index=True)
            total[owners] += np.add.reduceat(score, begin)
        return np.asarray((total.T @ total - own) * (groups / max(groups - 1, 1)))

    def _rows(
        self, ends: FloatArray, location: FloatArray, log_scale: float, odds: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, slopes (k, n) and bends (k, k, n) in location, log scale and log odds.

        The odds are left out where all have the event.
        """
        scale = float(np.exp(log_scale))
        plain, slope, bend = step_likelihood(self.standard, ends, location, scale)
        if not self.never.shape[1]:
            return plain, slope, bend
        observed = ends[1] < np.inf
        first, second = np.zeros((3, len(plain))), np.zeros((3, 3, len(plain)))
        log_share = -np.logaddexp(0, odds)  # of the share that has the event
        share = np.exp(log_share)
        survived = np.logaddexp(odds + log_share, log_share + plain)
        value = np.where(observed, log_share + plain, survived)
        # chance that a row without the event still is one of those who will have it
        still = np.where(observed, 1.0, np.exp(log_share + plain - survived))
        mixed = still * (1 - still)
        first[:2] = still * slope
        first[2] = share - still
        second[:2, :2] = still * bend + mixed * (slope[:, None] * slope)
        second[2, :2] = second[:2, 2] = -mixed * slope
        second[2, 2] = mixed - share * (1 - share)
        return value, first, second

    def maximise(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, bool]:
        """Return the maximum, a root of the inverse information there, and whether it settled."""
        with np.errstate(over="ignore", invalid="ignore"):  # far steps, which are then halved
            found, information, converged = climb(self.evaluate, theta, settled=SETTLED)
        # a root of the inverse; directions the data leave open come out very wide
        values, vectors = np.linalg.eigh(information)
        return found, vectors / np.sqrt(np.maximum(values, LEAST_SPREAD)), converged

    def left_out(self, theta: FloatArray, covariance: FloatArray, *, n_draws: int) -> FloatArray:
        """Return draws of each row's linear predictors without its subject, (n_draws, n, q).

        ``theta`` is the maximum, and ``covariance`` that of draws of the fit. No draws give the
        maximum alone, as one.
        """
        _, slope, bend = self._since_entry(theta, slice(None))
        slope, bend = self.durations.weight * slope, self.durations.weight * bend
        n, q, width, last = len(self.design), len(slope), len(theta), self.design.shape[1]
        rows = np.zeros((n, q, width))
        rows[:, 0, :last], rows[:, 1, last] = self.design, 1.0
        rows[:, 2:, last + 1 :] = self.never[:, None]
        information = self.evaluate(theta)[2]
        inverse = np.linalg.inv(information)
        mean = rows @ theta
        # of a subject's alike rows
        spread = rows @ (covariance - inverse) @ rows.transpose(0, 2, 1)
        owner = first_seen(self.durations.subject)
        order, several = np.argsort(owner, kind="stable"), np.bincount(owner)
        for size in np.unique(several):
            own = order[several[owner[order]] == size].reshape(-1, size)  # (subjects, size)
            mine = rows[own].reshape(len(own), -1, width)
            if size * q > width:  # more rows than parameters: a system of the parameters is smaller
                bent = np.einsum("qrsa,sarm->saqm", bend[:, :, own], rows[own]).reshape(mine.shape)
                rest = information + mine.transpose(0, 2, 1) @ bent
                known = np.linalg.solve(rest, mine.transpose(0, 2, 1))
                pulls = slope[:, own].transpose(1, 2, 0).reshape(len(own), -1, 1)
                mean[own] -= (mine @ (known @ pulls)).reshape(len(own), size, q)
                each_row = known.reshape(len(own), width, size, q).transpose(0, 2, 1, 3)
                spread[own] += rows[own] @ each_row
                continue
            bends = np.zeros((len(own), size, q, size, q))
            each = np.arange(size)
            bends[:, each, :, each] = bend[:, :, own].transpose(3, 2, 0, 1)
            # with H the information, F a subject's rows and D their bends, what is asked for is
            # F (H + F'DF)^-1 F' = (1 + GD)^-1 G, where G = F H^-1 F'
            known = mine @ inverse @ mine.transpose(0, 2, 1)
            lacking = np.eye(size * q) + known @ bends.reshape(known.shape)
            across = np.linalg.solve(lacking, known).reshape(bends.shape)
            mean[own] -= np.einsum("saqbr,rsb->saq", across, slope[:, own])
            spread[own] += across[:, each, :, each].transpose(1, 0, 2, 3)
        if not n_draws:
            return mean[None]
        values, vectors = np.linalg.eigh((spread + spread.transpose(0, 2, 1)) / 2)
        root = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]) @ vectors.transpose(0, 2, 1)
        return np.asarray(mean + np.einsum("dq,nqr->dnr", mirrored(n_draws, q, seed=0), root))


def widened(root: FloatArray, between: FloatArray) -> FloatArray:
    """Return the covariance of estimates from rows that are alike within subjects.

    With inverse = ``root @ root.T``, the sandwich inverse + inverse between inverse, in no
    direction less than the inverse: a few pairs of rows that happen to differ are no reason to be
    surer. The directions are those in which the inverse is a ball, so that units do not matter.
    """
    added, along = np.linalg.eigh(root.T @ between @ root)
    wider = (root @ along) * np.sqrt(1 + np.maximum(added, 0))
    return np.asarray(wider @ wider.T, dtype=np.float64)
