"""Many courses at once: what each can earn under each parameter draw, moments and simulation.

The parameters are drawn once per replicate and shared by all courses, so that an error of the
model does not average out over them. Money is in whole cents.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast._checks import check_whole_number
from forecast._jobs import seeds
from forecast.prices.money import round_cents
from forecast.prices.payoff import Terms, outcome_chances, price_rows
from forecast.prices.tariff import Package, Tariff

DRAWS_AT_ONCE, YEARS_AT_ONCE = 8, 64  # what is worked on at a time fits into memory
EACH_AT_ONCE = 16  # years of single courses: they stay in the processor's cache
UNITS = 16  # parts with a seed each


@dataclass(frozen=True, slots=True, eq=False)
class Courses:
    """The courses of a book: n rows, each with the packages it may be sold; money in cents."""

    pmf: FloatArray  # sessions needed under shared parameter draws, (n_draws, n, horizon)
    stop: FloatArray  # chance of stopping under the same draws, (n_draws or 1, n or 1, horizon)
    cost: FloatArray  # of a session, (n,)
    terms: tuple[Terms, ...]  # of each package
    prices: FloatArray  # of each package for each row, (n, n_packages)
    weights: FloatArray  # chance that a row is sold each package; rows sum to one
    drawn: float | None = None  # so many courses are expected, drawn from the rows; None: each once
    unsure: float = 0.0  # of their number, beyond chance: the relative spread of its mean
    pull: FloatArray | None = None  # who stops, as in ``competing_ends``

    @property
    def n(self) -> float:
        """How many courses the book holds, on average."""
        return self.pmf.shape[1] if self.drawn is None else self.drawn

    def margins(self) -> FloatArray:
        """Return the margin of each row's outcomes, all packages side by side, (n, m)."""
        blocks = [terms.margins(self.prices[:, k], self.cost) for k, terms in enumerate(self.terms)]
        return round_cents(np.concatenate(blocks, axis=1))

    def chances(self) -> FloatArray:
        """Return the chance of each of these outcomes under each draw, (n_draws, n, m)."""
        blocks = [outcome_chances(terms, self.pmf, self.stop, self.pull) for terms in self.terms]
        if len(blocks) == 1:
            return blocks[0]  # rows of weights sum to one
        shares = self.weights.T[..., None]
        return np.concatenate([one * share for one, share in zip(blocks, shares, strict=True)], -1)

    def part(self, draws: slice) -> Courses:
        """Return the same courses under some of the draws."""
        stop = self.stop if len(self.stop) == 1 else self.stop[draws]
        return replace(self, pmf=self.pmf[draws], stop=stop)

    def model_known(self) -> Courses:
        """Return the same courses with the mean of the draws in their place."""
        pmf, stop = (array.mean(axis=0, keepdims=True) for array in (self.pmf, self.stop))
        return replace(self, pmf=pmf, stop=stop)


@dataclass(frozen=True, slots=True, eq=False)
class Fates:
    """Courses whose outcomes and their chances are given outright, each course once."""

    pmf: FloatArray  # chance of each outcome under shared parameter draws, (n_draws, n, m)
    amounts: FloatArray  # what each outcome brings in, in cents, (n, m)
    drawn: None = None

    def margins(self) -> FloatArray:
        """Return the amounts."""
        return self.amounts

    def chances(self) -> FloatArray:
        """Return the chances."""
        return self.pmf

    def part(self, draws: slice) -> Fates:
        """Return the same courses under some of the draws."""
        return replace(self, pmf=self.pmf[draws])


def courses_of(
    pmf: npt.ArrayLike,
    stop: npt.ArrayLike,
    packages: Sequence[Package],
    tariff: Tariff,
    *,
    area_cm2: npt.ArrayLike,
    weights: FloatArray,
    drawn: float | None = None,
    unsure: float = 0.0,
    pull: FloatArray | None = None,
) -> Courses:
    """Return the courses of a book; a package without a price gets each row's asked price.

    ``pmf`` is (n_draws, n, horizon); ``stop`` may lack the first axes. Raises RequestError on a
    promise beyond the horizon.
    """
    pmf = np.asarray(pmf, dtype=np.float64)
    stop = np.asarray(stop, dtype=np.float64)
    stop = stop.reshape((1,) * (3 - stop.ndim) + stop.shape)
    # an axis that only repeats is kept once, to travel light
    stop = stop[tuple(slice(0, 1) if stride == 0 else slice(None) for stride in stop.strides)]
    mean_stop = np.broadcast_to(stop.mean(axis=0), pmf.shape[1:])
    priced = price_rows(pmf.mean(axis=0), mean_stop, packages, tariff, area_cm2=area_cm2, pull=pull)
    return Courses(
        pmf=pmf,
        stop=stop,
        cost=np.broadcast_to(tariff.session_costs(area_cm2), (pmf.shape[1],)),
        terms=tuple(one.terms for one in priced),
        prices=np.column_stack([one.price for one in priced]),
        weights=weights,
        drawn=drawn,
        unsure=unsure,
        pull=pull,
    )


def _moments(courses: Courses | Fates, margins: FloatArray, chances: FloatArray) -> FloatArray:
    # mean and variance of the book's margin under each of some draws, (2, draws)
    mean = np.einsum("dnm,nm->dn", chances, margins)
    square = np.einsum("dnm,nm->dn", chances, margins**2)
    if courses.drawn is None:
        return np.stack([mean.sum(axis=1), (square - mean**2).sum(axis=1)])
    one, second = courses.drawn * mean.mean(axis=1), courses.drawn * square.mean(axis=1)
    # a random number of them: Var(sum) = E[N] E[X²] + Var of N's mean, times E[X]²
    return np.stack([one, second + (courses.unsure * one) ** 2])


def stretched(pmf: FloatArray, factor: float, horizon: int) -> FloatArray:
    """Return the distribution where ``factor`` of a session does what one did, to ``horizon``.

    The chance of needing more than k sessions becomes the old chance of needing more than
    ``factor * k``, straight lines between sessions.
    """
    still = np.concatenate([np.ones((*pmf.shape[:-1], 1)), 1 - np.cumsum(pmf, axis=-1)], axis=-1)
    at = factor * np.arange(horizon + 1)
    left = np.minimum(at.astype(int), pmf.shape[-1] - 1)
    part = at - left
    return np.asarray(-np.diff((1 - part) * still[..., left] + part * still[..., left + 1]))


def simulate(
    courses: Courses | Fates, *, replicates: int, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the margin of ``courses`` in each replicate, and its mean and variance by draw.

    In cents, shapes (replicates,), (n_draws,) and (n_draws,). Each parameter draw serves the same
    number of replicates, give or take one; given the draw, every course has its own fate. The
    moments are exact, and come from the same chances, which take longest.
    """
    replicates = check_whole_number(replicates, name="replicates", low=1)
    n_draws = len(courses.pmf)
    rng = np.random.default_rng(seed)
    counts = np.full(n_draws, replicates // n_draws)
    counts[rng.choice(n_draws, replicates % n_draws, replace=False)] += 1
    if n_draws == 1:
        shares = np.diff(np.linspace(0, replicates, UNITS + 1).astype(int))
        parts = [(courses, np.array([share])) for share in shares]
    else:
        edges = np.linspace(0, n_draws, min(UNITS, n_draws) + 1).astype(int)
        parts = [(courses.part(slice(a, b)), counts[a:b]) for a, b in pairwise(edges)]
    margins, of_parts = courses.margins(), zip(parts, seeds(seed, len(parts)), strict=True)
    found = [_simulate(*part, margins, np.random.default_rng(own)) for part, own in of_parts]
    totals, moments = zip(*found, strict=True)
    means, variances = np.concatenate(moments, axis=1)[:, :n_draws]
    return np.concatenate(totals), means, np.maximum(variances, 0)


def _simulate(
    courses: Courses | Fates,
    replicates: npt.NDArray[np.int64],
    margins: FloatArray,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    # so many replicates of each draw
    draw_totals = _each_once if courses.drawn is None else _drawn(margins)
    totals, moments = [np.zeros(0)], []
    for low in range(0, len(replicates), DRAWS_AT_ONCE):
        some = slice(low, low + DRAWS_AT_ONCE)
        of_draws = courses.part(some).chances()
        moments.append(_moments(courses, margins, of_draws))
        for chances, own in zip(of_draws, replicates[some].tolist(), strict=True):
            for start in range(0, own, YEARS_AT_ONCE):
                wanted = min(YEARS_AT_ONCE, own - start)
                totals.append(draw_totals(courses, margins, chances, wanted, rng))
    return np.concatenate(totals), np.concatenate(moments, axis=1)


def _each_once(
    courses: Courses | Fates,
    margins: FloatArray,
    chances: FloatArray,
    replicates: int,
    rng: np.random.Generator,
) -> FloatArray:
    """Every row is one course: its outcome is the first whose cumulative chance exceeds u.

    Single precision is compared in half of the time; ``top`` is never rounded up to the end.
    """
    n, m = margins.shape
    cumulative = np.cumsum(chances, axis=1, dtype=np.float64).T
    top, reached_at = cumulative[-1] * (1 - 2**-22), cumulative[:-1].astype(np.float32, order="C")
    rows, outcome_of, totals = np.arange(n) * m, margins.ravel(), []
    for low in range(0, replicates, EACH_AT_ONCE):
        u = rng.random((min(EACH_AT_ONCE, replicates - low), n)) * top
        u = u.astype(np.float32)
        outcome = np.zeros(u.shape, dtype=np.min_scalar_type(m))
        for at in reached_at:
            outcome += (u >= at).view(np.uint8)
        totals.append(outcome_of.take(rows + outcome).sum(axis=1))
    return np.concatenate(totals)


def _drawn(margins: FloatArray) -> Callable[..., FloatArray]:
    """Draw a random number of courses from the rows, equal margins pooled.

    Their number is Poisson about a mean that is itself gamma about what is expected.
    """
    values, where = np.unique(margins, return_inverse=True)
    where = where.ravel()

    def totals(
        courses: Courses,
        _: FloatArray,
        chances: FloatArray,
        replicates: int,
        rng: np.random.Generator,
    ) -> FloatArray:
        pooled = np.bincount(where, weights=chances.ravel(), minlength=len(values))
        cumulative = np.cumsum(pooled)
        rate, shape = np.full(replicates, courses.n), max(courses.unsure, 1e-6) ** -2
        counts = rng.poisson(rate * rng.gamma(shape, 1 / shape, replicates))
        # sorted uniforms make the look-up run through memory once; the shuffle undoes the order
        u = np.cumsum(rng.standard_exponential(counts.sum() + 1))
        u = u[:-1] * (cumulative[-1] / u[-1])
        found = values[np.minimum(np.searchsorted(cumulative, u, side="right"), len(values) - 1)]
        rng.shuffle(found)
        years = np.repeat(np.arange(replicates), counts)
        return np.asarray(np.bincount(years, found, minlength=replicates), dtype=np.float64)

    return totals
