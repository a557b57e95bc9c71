"""The likelihood of an accelerated-time model with a share that never has the event, maximised.

With G the distribution of the latent duration, p the share that never has the event and S = 1 - G,
an event in (k - 1, k] has probability (1 - p)(G(k) - G(k - 1)), none by k has p + (1 - p) S(k),
and a delayed entry divides by the latter at the entry (Farewell 1982, Biometrics 38:1041).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.survival.durations import Durations
from forecast.survival.latent import Standard, step_likelihood
from forecast.survival.notes import first_seen

__all__ = ["Likelihood", "widened"]

FloatArray = npt.NDArray[np.float64]
BLOCK = 4096  # rows worked on together: their parts stay in the second-level cache
MOST_ITERATIONS = 200
SETTLED = 1e-9  # squared length of a step in standard errors; the step after is its square
SMALLEST_CURVATURE = 1e-6
LONGEST_MOVE = 2.0  # of any parameter in one iteration
LEAST_SPREAD = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Likelihood:
    """The penalised log-likelihood of a design, and its maximum.

    Attributes
    ----------
    standard : Standard
        Distribution of the log duration.
    design : ndarray of shape (n, p + 1)
        A column of ones, then the covariates.
    never : ndarray of shape (n, q)
        Design of the logit of the share that never has the event; no column, no such share.
    durations : Durations
        What was seen.
    mean, precision : ndarray of shape (p + 2 + q,)
        Gaussian prior of location, coefficients, log scale and the never share's coefficients.
    """

    standard: Standard
    design: FloatArray
    never: FloatArray
    durations: Durations
    mean: FloatArray
    precision: FloatArray

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
            precision=self.precision / stride,
        )

    def evaluate(self, theta: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        """Return the penalised log-likelihood at ``theta``, its gradient and its Hessian."""
        size = len(theta)
        total, gradient, hessian = 0.0, np.zeros(size), np.zeros((size, size))
        for low in range(0, len(self.design), BLOCK):
            value, first, second = self._block(theta, slice(low, low + BLOCK))
            total += value
            gradient += first
            hessian += second
        off = theta - self.mean
        penalised = total - 0.5 * float(off @ (self.precision * off))
        return penalised, gradient - self.precision * off, hessian - np.diag(self.precision)

    def _block(self, theta: FloatArray, rows: slice) -> tuple[float, FloatArray, FloatArray]:
        """Return the log-likelihood of some rows, its gradient and its Hessian."""
        design, never, weight = self.design[rows], self.never[rows], self.durations.weight[rows]
        value, first, second = self._since_entry(theta, rows)
        size, last = len(theta), design.shape[1]
        # each of the three linear predictors has its own block of columns
        blocks = [
            (0, slice(0, last), design),
            (1, slice(last, last + 1), np.ones((len(value), 1))),
            (2, slice(last + 1, size), never),
        ]
        gradient, hessian = np.empty(size), np.empty((size, size))
        for i, here, X in blocks:
            gradient[here] = (weight * first[:, i]) @ X
            for j, there, Z in blocks[i:]:
                hessian[here, there] = (X * (weight * second[:, i, j])[:, None]).T @ Z
                hessian[there, here] = hessian[here, there].T
        return float(weight @ value), gradient, hessian

    def _since_entry(
        self, theta: FloatArray, rows: slice | npt.NDArray[np.int64]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return what :meth:`_rows` does, given that each row got as far as its entry."""
        data, design, never = self.durations, self.design[rows], self.never[rows]
        entry, observed = data.entry[rows], data.observed[rows]
        found = self._rows(theta, data.step[rows], observed, design, never)
        late = entry > 0
        if late.any():
            none = np.zeros(int(late.sum()), dtype=np.bool_)
            gone = self._rows(theta, entry[late], none, design[late], never[late])
            for total, part in zip(found, gone, strict=True):
                total[late] -= part
        return found

    def between_rows(self, theta: FloatArray) -> FloatArray:
        """Return the sum of score times score' over pairs of different rows of one subject.

        Nought where every subject has one row. It is what rows of one subject being alike adds
        to the middle of the sandwich (Liang and Zeger 1986, Biometrika 73:13).
        """
        size = len(theta)
        owner = first_seen(self.durations.subject)
        groups = int(owner.max()) + 1
        has_several = np.bincount(owner) > 1
        several = np.flatnonzero(has_several[owner])
        place = (np.cumsum(has_several) - 1)[owner[several]]
        total, own = np.zeros((int(has_several.sum()), size)), np.zeros((size, size))
        for low in range(0, len(several), BLOCK):
            rows = several[low : low + BLOCK]
            first = self._since_entry(theta, rows)[1] * self.durations.weight[rows, None]
            score = np.hstack(
                [first[:, :1] * self.design[rows], first[:, 1:2], first[:, 2:] * self.never[rows]]
            )
            own += score.T @ score
            np.add.at(total, place[low : low + BLOCK], score)
        return np.asarray((total.T @ total - own) * (groups / max(groups - 1, 1)))

    def _rows(
        self,
        theta: FloatArray,
        step: npt.NDArray[np.int64],
        observed: npt.NDArray[np.bool_],
        design: FloatArray,
        never: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return value, gradient (n, 3) and Hessian (n, 3, 3) in the three linear predictors."""
        last = design.shape[1]
        location, scale = design @ theta[:last], float(np.exp(theta[last]))
        plain, slope, bend = step_likelihood(
            self.standard, step.astype(np.float64), observed, location, scale
        )
        # entry by entry, each in one piece of memory
        first, second = np.zeros((3, len(plain))), np.zeros((3, 3, len(plain)))
        gradient, hessian = first.T, np.moveaxis(second, 2, 0)
        if not never.shape[1]:
            gradient[:, :2], hessian[:, :2, :2] = slope, bend
            return plain, gradient, hessian
        odds = never @ theta[last + 1 :]
        log_share = -np.logaddexp(0, odds)  # of the share that has the event
        share = np.exp(log_share)
        survived = np.logaddexp(odds + log_share, log_share + plain)
        value = np.where(observed, log_share + plain, survived)
        # chance that a row without the event still is one of those who will have it
        still = np.where(observed, 1.0, np.exp(log_share + plain - survived))
        mixed = still * (1 - still)
        for i in (0, 1):
            first[i] = still * slope[:, i]
            for j in (0, 1):
                second[i, j] = still * bend[:, i, j] + mixed * (slope[:, i] * slope[:, j])
            second[2, i] = second[i, 2] = -mixed * slope[:, i]
        first[2] = share - still
        second[2, 2] = mixed - share * (1 - share)
        return value, gradient, hessian

    def maximise(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, bool]:
        """Return the maximum, the inverse observed information there, and whether it settled."""
        with np.errstate(over="ignore", invalid="ignore"):  # far steps, which are then halved
            value, gradient, hessian = self.evaluate(theta)
            for _ in range(MOST_ITERATIONS):
                lowest = float(np.linalg.eigvalsh(-hessian)[0])
                lift = max(0.0, SMALLEST_CURVATURE - lowest) * (1.0 + (lowest < 0))
                move = np.linalg.solve(lift * np.eye(len(theta)) - hessian, gradient)
                if not lift and gradient @ move < SETTLED:
                    return theta + move, inverse(-hessian), True
                move /= max(1.0, np.abs(move).max() / LONGEST_MOVE)
                while True:
                    trial = self.evaluate(theta + move)
                    if trial[0] >= value - 1e-10 or np.abs(move).max() < 1e-12:
                        break
                    move = move / 2
                theta, (value, gradient, hessian) = theta + move, trial
        return theta, inverse(-hessian), False


def inverse(matrix: FloatArray) -> FloatArray:
    """Return the inverse; directions the data leave open come out very wide."""
    values, vectors = np.linalg.eigh(matrix)
    spread = 1 / np.maximum(values, LEAST_SPREAD)
    return np.asarray((vectors * spread) @ vectors.T, dtype=np.float64)


def widened(inverse: FloatArray, between: FloatArray) -> FloatArray:
    """Return the covariance of estimates from rows that are alike within subjects.

    The sandwich inverse + inverse between inverse, in no direction less than ``inverse``: a few
    pairs of rows that happen to differ are no reason to be surer. The directions are those in
    which the inverse is a ball, so that units do not matter.
    """
    values, vectors = np.linalg.eigh(inverse)
    root = vectors * np.sqrt(np.maximum(values, 0))
    added, along = np.linalg.eigh(root.T @ between @ root)
    more = (root @ along) * np.sqrt(np.maximum(added, 0))
    return np.asarray(inverse + more @ more.T, dtype=np.float64)
