"""The search of the bounded model: expectation and maximisation in turns.

Values behind bounds and the asymptote of a subject are the missing data; given their means,
covariances and chances, the maximum is the closed-form fit of the linear model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from forecast._types import FloatArray
from forecast.causal.mixed.linear import LinearMixed, Profile, SubjectSums
from forecast.causal.mixed.subjects import Copies, Filled, Tangent, blocks_of, fill, whitened

MOST_ROUNDS = 200
SETTLED = 1e-4  # change of any coefficient in a round, in its standard errors
SETTLED_LOOSELY = 2e-3  # the same where the path has to be found as well
WORTH_RESTART = 1e-3  # gain in minus twice the log-likelihood worth further rounds
FIRST_PROCESS = 0.1  # process variance over the residual variance
LEAST_PROCESS, MOST_PROCESS = 1e-4, 100.0
WIDE, NARROW, STILL = 1.0, 0.15, 0.1  # steps of the log of the process variance
FIRST_WEIGHT = 0.05  # mixture weight of all asymptotes together
PSEUDO = 0.5  # subjects added to those with an asymptote, and to those without


@dataclass(frozen=True, slots=True, eq=False)
class Guess:
    """Parameters of a round, and under them the most likely ``path``.

    ``coefficients``, the ``factor`` of the intercepts' and slopes' covariance, ``variance`` of an
    error, ``process`` variance of a step, ``mixture_weight`` of those that level off.
    """

    coefficients: FloatArray  # (p,)
    factor: FloatArray  # (q, q): L, of the covariance between subjects over the residual variance
    variance: float  # residual, v
    process: float  # process variance over the residual variance, w
    mixture_weight: float  # share of the subjects with an asymptote
    path: FloatArray  # (n,): most likely path of each row's copy

    @property
    def relative(self) -> FloatArray:
        """Covariance between subjects over the residual variance."""
        return self.factor @ self.factor.T


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The most likely parameters of a round."""

    value: float  # minus twice the expected log-likelihood
    profile: Profile
    factor: FloatArray  # (q, q)
    process: float  # over the residual variance
    settled: bool  # whether the search for the factor ended by itself


class Search:
    """Rounds from one guess to the next, until the coefficients stay."""

    def __init__(
        self, copies: Copies, model: LinearMixed, *, random_walk: bool, start: Guess | None
    ) -> None:
        self.copies, self.model, self.random_walk = copies, model, random_walk
        self.measured = copies.low == copies.high
        self.blocks = blocks_of(copies.rows.starts, self.measured)
        self.plain = not (random_walk or copies.n_shares)
        q = copies.rows.random.shape[1]
        self.free = np.tril_indices(q) if model.correlated else np.diag_indices(q)
        self.copy_weight = np.ones(len(copies.owner))  # chance of each copy, its subject given
        self.guess = self.first() if start is None else self.refreshed(start)

    def refreshed(self, start: Guess) -> Guess:
        """Return an earlier guess, its paths kept where they are of the same rows."""
        if len(start.path) == len(self.copies.low):
            return start
        return replace(start, path=self.copies.rows.design @ start.coefficients)

    def first(self) -> Guess:
        """Return the guess in which bounds are values, without asymptotes or process."""
        copies = self.copies
        profile = Profile(SubjectSums.of(copies.originals), self.model)
        factor, _ = profile.minimise()
        at = profile.evaluate(factor)
        return Guess(
            coefficients=at.solution,
            factor=factor,
            variance=at.variance,
            process=FIRST_PROCESS if self.random_walk else 0.0,
            mixture_weight=FIRST_WEIGHT if copies.n_shares else 0.0,
            path=copies.rows.design @ at.solution,
        )

    def expect(self) -> tuple[Tangent, list[Filled], float]:
        """Return the tangents at the guess, what it says of every block, and its log-likelihood."""
        guess, copies = self.guess, self.copies
        tangent = copies.tangent(guess.path)
        loglik = np.empty(len(copies.owner))
        found = []
        for block in self.blocks:
            filled = fill(
                block,
                tangent,
                copies.clock,
                guess.coefficients,
                guess.relative,
                guess.process,
                guess.variance,
            )
            found.append(filled)
            loglik[block.who] = filled.loglik
        if copies.n_shares:
            prior = copies.log_prior(guess.mixture_weight)
            self.copy_weight, each = copies.chances(loglik + prior)
            return tangent, found, float(each.sum())
        return tangent, found, float(loglik.sum())

    def paths(self, tangent: Tangent, found: list[Filled]) -> FloatArray:
        """Return the most likely paths given the measurements, (n,)."""
        guess, rows, clock = self.guess, self.copies.rows, self.copies.clock
        path = rows.design @ guess.coefficients
        for block, filled in zip(self.blocks, found, strict=True):
            Z, by, when = rows.random[block.rows], tangent.slope[block.rows], clock[block.rows]
            shared = Z @ guess.relative @ Z.transpose(0, 2, 1)
            shared += guess.process * np.minimum(when[:, :, None], when[:, None, :])
            pulled = by * np.einsum("kmn,kn->km", filled.precision, filled.left)
            path[block.rows] += np.einsum("kmn,kn->km", shared, pulled)
        return path

    def sums(
        self, tangent: Tangent, found: list[Filled], process: float
    ) -> tuple[SubjectSums, float]:
        """Return the sums of all rows made independent, and the log volume that takes."""
        values = tangent.rows.design @ self.guess.coefficients
        for block, filled in zip(self.blocks, found, strict=True):
            values[block.rows] += filled.left
        rows, volume = replace(tangent.rows, response=values), 0.0
        spread = [filled.hidden for filled in found]
        at = [block.bounded for block in self.blocks]
        if process:
            both = np.column_stack([rows.design, values, rows.random])
            moved, p = np.empty_like(both), rows.design.shape[1]
            for place, block in enumerate(self.blocks):
                inverse, each = whitened(block, self.copies.clock, tangent.slope, process)
                moved[block.rows] = inverse @ both[block.rows]
                volume += float(self.copy_weight[block.who] @ each)
                left = inverse[:, :, inverse.shape[2] - block.n_bounded :]
                spread[place] = left @ spread[place] @ left.transpose(0, 2, 1)
                at[place] = block.rows
            rows = replace(
                rows, design=moved[:, :p], response=moved[:, p], random=moved[:, p + 1 :]
            )
        sums = SubjectSums.of(rows, self.copy_weight if self.copies.n_shares else None)
        extra, total = np.zeros_like(sums.inner), sums.total.copy()
        for block, covariance, places in zip(self.blocks, spread, at, strict=True):
            if block.n_bounded:  # the bounded values are not their means: add how they spread
                Z, weight = rows.random[places], self.copy_weight[block.who]
                part = Z.transpose(0, 2, 1) @ covariance @ Z * weight[:, None, None]
                np.add.at(extra, sums.pattern[block.who], part)
                total[-1, -1] += weight @ np.trace(covariance, axis1=1, axis2=2)
        return replace(sums, total=total, extra=extra), volume

    def maximise(self, tangent: Tangent, found: list[Filled], step: float) -> Best:
        """Return the best parameters near the guess.

        The log of the process variance is moved by ``step``, to and fro, and to where a parabola
        through the three values is least.
        """
        if not self.random_walk:
            return self.best_at(tangent, found, 0.0)
        middle = float(np.log(self.guess.process))
        ends = np.log(LEAST_PROCESS), np.log(MOST_PROCESS)
        points = [float(np.clip(middle + by, *ends)) for by in (-step, 0.0, step)]
        tried = [self.best_at(tangent, found, float(np.exp(point))) for point in points]
        ahead = float(np.clip(_vertex(points, [one.value for one in tried], step), *ends))
        tried.append(self.best_at(tangent, found, float(np.exp(ahead))))
        return min(tried, key=lambda one: one.value)

    def best_at(
        self, tangent: Tangent, found: list[Filled], process: float, *, restart: bool = False
    ) -> Best:
        """Return the best of the other parameters at a process variance.

        The search starts at the guess, or off the boundary, where every effect varies.
        """
        sums, volume = self.sums(tangent, found, process)
        profile = Profile(sums, self.model)
        start = profile.off_boundary(self.guess.factor) if restart else self.guess.factor
        factor, settled = profile.search(start, roughly=self.random_walk)
        return Best(profile.evaluate(factor).value + volume, profile, factor, process, settled)

    def run(self) -> tuple[Best, int]:
        """Return the best parameters and the rounds they took; ``guess`` holds them too."""
        rounds, moving, step, restarted = 0, True, WIDE, False
        limit = SETTLED if self.plain else SETTLED_LOOSELY
        at_once = self.plain and bool(self.measured.all())
        while moving and rounds < MOST_ROUNDS:
            rounds += 1
            before = self.guess
            tangent, found, _ = self.expect()
            path = self.paths(tangent, found)
            best = self.maximise(tangent, found, step)
            self.turn_to(best, path)
            turned = abs(np.log(best.process / before.process)) if self.random_walk else 0.0
            step = float(np.clip(turned, NARROW, WIDE))
            moving = not at_once and (self.moved(before, best) > limit or turned > STILL)
            if not moving and not restarted and best.profile.at_boundary(best.factor):
                restarted = True
                other = self.best_at(tangent, found, best.process, restart=True)
                if other.value < best.value - WORTH_RESTART:
                    best, moving = other, True
                    self.turn_to(best, path)
        return replace(best, settled=best.settled and not moving), rounds

    def turn_to(self, best: Best, path: FloatArray) -> None:
        """Make the best parameters the guess."""
        at = best.profile.evaluate(best.factor)
        self.guess = Guess(
            at.solution, best.factor, at.variance, best.process, self.mixture_weight(), path
        )

    def moved(self, before: Guess, best: Best) -> float:
        """Return how far the coefficients moved from a guess, in standard errors."""
        at = best.profile.evaluate(best.factor)
        far = np.abs(at.solution - before.coefficients)
        return float((far / np.sqrt(np.diag(at.inverse) * at.variance)).max())

    def mixture_weight(self) -> float:
        """Return the share of the subjects with an asymptote."""
        copies = self.copies
        if not copies.n_shares:
            return 0.0
        with_one = float(self.copy_weight[~copies.plain].sum())
        return (with_one + PSEUDO) / (copies.n_subjects + 2 * PSEUDO)


def _vertex(points: list[float], values: list[float], step: float) -> float:
    """Return where a parabola through three points is least, at most two steps from the middle."""
    (a, b, c), (fa, fb, fc) = points, values
    below, above = (b - a) * (fb - fc), (b - c) * (fb - fa)
    bend = below - above
    if bend == 0 or a == b or b == c:
        return points[int(np.argmin(values))]
    best = b - 0.5 * ((b - a) * below - (b - c) * above) / bend
    curved = (fa - fb) / (b - a) + (fc - fb) / (c - b) > 0
    if not curved:
        best = b + 2 * step if fc < fa else b - 2 * step
    return float(np.clip(best, b - 2 * step, b + 2 * step))
