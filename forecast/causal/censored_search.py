"""The search behind `censored_mixed`: expectation and maximisation in turns."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.causal.linear_mixed import LinearMixed, Profile
from forecast.causal.plateaus import Copies, Tangent
from forecast.causal.subject_blocks import Filled, blocks_of, fill, whitened
from forecast.causal.subject_sums import SubjectSums

__all__ = ["Best", "Guess", "Search"]

FloatArray = npt.NDArray[np.float64]
MOST_ROUNDS = 200
SETTLED = 1e-4  # change of any coefficient in a round, in its standard errors
SETTLED_LOOSELY = 2e-3  # the same where the path has to be found as well
FREED = 1e-3  # gain in minus twice the log-likelihood worth further rounds
FIRST_WANDER = 0.1  # over the residual variance
LEAST_WANDER, MOST_WANDER = 1e-4, 100.0
WIDE, NARROW, STILL = 1.0, 0.15, 0.1  # steps of the log of the wander
FIRST_OFTEN = 0.05  # subjects that level off
PSEUDO = 0.5  # subjects added to those that do, and to those that do not


@dataclass(frozen=True, slots=True, eq=False)
class Guess:
    """Parameters of a round, and the most likely paths under them.

    Attributes
    ----------
    coefficients : ndarray of shape (p,)
    factor : ndarray of shape (q, q)
        Of the covariance between subjects over the residual variance.
    variance : float
        Residual.
    wander : float
        Variance that a path gains per unit of the clock, over the residual variance.
    often : float
        Share of the subjects that level off.
    path : ndarray of shape (n,)
        Most likely path of each row's copy.
    """

    coefficients: FloatArray
    factor: FloatArray
    variance: float
    wander: float
    often: float
    path: FloatArray

    @property
    def relative(self) -> FloatArray:
        """Covariance between subjects over the residual variance."""
        return self.factor @ self.factor.T


@dataclass(frozen=True, slots=True, eq=False)
class Best:
    """The most likely parameters of a round.

    Attributes
    ----------
    value : float
        Minus twice the expected log-likelihood.
    profile : Profile
    factor : ndarray of shape (q, q)
    wander : float
    settled : bool
        Whether the search for the factor ended by itself.
    """

    value: float
    profile: Profile
    factor: FloatArray
    wander: float
    settled: bool


class Search:
    """Rounds from one guess to the next, until the coefficients stay."""

    def __init__(
        self, copies: Copies, model: LinearMixed, *, wanders: bool, start: Guess | None
    ) -> None:
        self.copies, self.model, self.wanders = copies, model, wanders
        self.measured = copies.low == copies.high
        self.blocks = blocks_of(copies.rows.starts, self.measured)
        self.plain = not (wanders or copies.n_shares)
        q = copies.rows.random.shape[1]
        self.free = np.tril_indices(q) if model.correlated else np.diag_indices(q)
        self.often = np.ones(len(copies.owner))  # how much each copy counts
        self.guess = self.first() if start is None else self.refreshed(start)

    @property
    def weight(self) -> FloatArray | None:
        """How much each copy counts; None where every subject is its own only copy."""
        return self.often if self.copies.n_shares else None

    def refreshed(self, start: Guess) -> Guess:
        """Return an earlier guess, its paths kept where they are of the same rows."""
        if len(start.path) == len(self.copies.low):
            return start
        return replace(start, path=self.copies.rows.design @ start.coefficients)

    def first(self) -> Guess:
        """Return the guess in which bounds are values and nothing is held back or wanders."""
        copies = self.copies
        profile = Profile(SubjectSums.of(copies.originals), self.model)
        factor, _ = profile.minimise()
        at = profile.evaluate(factor)
        return Guess(
            coefficients=at.solution,
            factor=factor,
            variance=at.variance,
            wander=FIRST_WANDER if self.wanders else 0.0,
            often=FIRST_OFTEN if copies.n_shares else 0.0,
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
                guess.wander,
                guess.variance,
            )
            found.append(filled)
            loglik[block.who] = filled.loglik
        if copies.n_shares:
            self.often, each = copies.chances(loglik + copies.log_prior(guess.often))
            return tangent, found, float(each.sum())
        return tangent, found, float(loglik.sum())

    def paths(self, tangent: Tangent, found: list[Filled]) -> FloatArray:
        """Return the most likely paths given the measurements, (n,)."""
        guess, rows, clock = self.guess, self.copies.rows, self.copies.clock
        path = rows.design @ guess.coefficients
        for block, filled in zip(self.blocks, found, strict=True):
            Z, by, when = rows.random[block.rows], tangent.slope[block.rows], clock[block.rows]
            shared = Z @ guess.relative @ Z.transpose(0, 2, 1)
            shared += guess.wander * np.minimum(when[:, :, None], when[:, None, :])
            pulled = by * np.einsum("kmn,kn->km", filled.precision, filled.left)
            path[block.rows] += np.einsum("kmn,kn->km", shared, pulled)
        return path

    def sums(
        self, tangent: Tangent, found: list[Filled], wander: float
    ) -> tuple[SubjectSums, float]:
        """Return the sums of all rows made independent, and the log volume that takes."""
        values = tangent.rows.design @ self.guess.coefficients
        for block, filled in zip(self.blocks, found, strict=True):
            values[block.rows] += filled.left
        rows, volume = replace(tangent.rows, response=values), 0.0
        spread = [filled.hidden for filled in found]
        at = [block.bounded for block in self.blocks]
        if wander:
            both = np.column_stack([rows.design, values, rows.random])
            moved, p = np.empty_like(both), rows.design.shape[1]
            for place, block in enumerate(self.blocks):
                inverse, each = whitened(block, self.copies.clock, tangent.slope, wander)
                moved[block.rows] = inverse @ both[block.rows]
                volume += float(self.often[block.who] @ each)
                left = inverse[:, :, inverse.shape[2] - block.n_bounded :]
                spread[place] = left @ spread[place] @ left.transpose(0, 2, 1)
                at[place] = block.rows
            rows = replace(
                rows, design=moved[:, :p], response=moved[:, p], random=moved[:, p + 1 :]
            )
        sums = SubjectSums.of(rows, self.weight)
        extra, total = np.zeros_like(sums.inner), sums.total.copy()
        for block, covariance, places in zip(self.blocks, spread, at, strict=True):
            if block.n_bounded:  # the bounded values are not their means: add how they spread
                Z, often = rows.random[places], self.often[block.who]
                part = Z.transpose(0, 2, 1) @ covariance @ Z * often[:, None, None]
                np.add.at(extra, sums.pattern[block.who], part)
                total[-1, -1] += often @ np.trace(covariance, axis1=1, axis2=2)
        return replace(sums, total=total, extra=extra), volume

    def maximise(self, tangent: Tangent, found: list[Filled], step: float) -> Best:
        """Return the best parameters near the guess; the log of the wander moves by ``step``."""
        if not self.wanders:
            return self.best_at(tangent, found, 0.0)
        middle = float(np.log(self.guess.wander))
        ends = np.log(LEAST_WANDER), np.log(MOST_WANDER)
        points = [float(np.clip(middle + by, *ends)) for by in (-step, 0.0, step)]
        tried = [self.best_at(tangent, found, float(np.exp(point))) for point in points]
        ahead = float(np.clip(vertex(points, [one.value for one in tried], step), *ends))
        tried.append(self.best_at(tangent, found, float(np.exp(ahead))))
        return min(tried, key=lambda one: one.value)

    def best_at(
        self, tangent: Tangent, found: list[Filled], wander: float, *, anew: bool = False
    ) -> Best:
        """Return the best of the other parameters at a wander.

        The search starts at the guess; ``anew``, from where every effect varies.
        """
        sums, volume = self.sums(tangent, found, wander)
        profile = Profile(sums, self.model)
        start = profile.lifted(self.guess.factor) if anew else self.guess.factor
        factor, settled = profile.search(start, roughly=self.wanders)
        return Best(profile.evaluate(factor).value + volume, profile, factor, wander, settled)

    def run(self) -> tuple[Best, int]:
        """Return the best parameters and the rounds they took; ``guess`` holds them too."""
        rounds, moving, step, freed = 0, True, WIDE, False
        limit = SETTLED if self.plain else SETTLED_LOOSELY
        at_once = self.plain and bool(self.measured.all())
        while moving and rounds < MOST_ROUNDS:
            rounds += 1
            before = self.guess
            tangent, found, _ = self.expect()
            path = self.paths(tangent, found)
            best = self.maximise(tangent, found, step)
            self.turn_to(best, path)
            turned = abs(np.log(best.wander / before.wander)) if self.wanders else 0.0
            step = float(np.clip(turned, NARROW, WIDE))
            moving = not at_once and (self.moved(before, best) > limit or turned > STILL)
            if not moving and not freed and best.profile.caught(best.factor):
                freed = True
                other = self.best_at(tangent, found, best.wander, anew=True)
                if other.value < best.value - FREED:
                    best, moving = other, True
                    self.turn_to(best, path)
        return replace(best, settled=best.settled and not moving), rounds

    def turn_to(self, best: Best, path: FloatArray) -> None:
        """Make the best parameters the guess."""
        at = best.profile.evaluate(best.factor)
        self.guess = Guess(
            at.solution, best.factor, at.variance, best.wander, self.level_off(), path
        )

    def moved(self, before: Guess, best: Best) -> float:
        """Return how far the coefficients moved from a guess, in standard errors."""
        at = best.profile.evaluate(best.factor)
        far = np.abs(at.solution - before.coefficients)
        return float((far / np.sqrt(np.diag(at.inverse) * at.variance)).max())

    def level_off(self) -> float:
        """Return the share of the subjects that level off."""
        copies = self.copies
        if not copies.n_shares:
            return 0.0
        levels = float(self.often[~copies.plain].sum())
        return (levels + PSEUDO) / (copies.n_subjects + 2 * PSEUDO)


def vertex(points: list[float], values: list[float], step: float) -> float:
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
