"""A year of courses: what its margin may be, with the model's error shared by all of them.

The parameters are drawn once per replicate and shared by all courses, so that an error of the
model does not average out over them. Money is in whole cents.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from itertools import pairwise
from typing import Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import FloatArray
from forecast._checks import check_kind, check_seed, check_whole_number
from forecast._jobs import seeds
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, fields_of, plain
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.log import Enquiry, OutcomeLog, check_log, enquiries_of
from forecast.prices.package import Package, from_cents, round_cents, to_cents
from forecast.prices.quote import areas_of, expected_shortfall, outcome_chances, price_rows, rounded
from forecast.prices.rhythm import yearly_starts
from forecast.prices.tariff import Tariff, Terms, terms_of

MOST_ROWS = 4000  # of the mix that a year is drawn from: 200 draws of them fit into 200 MB
ONE_IN_TWENTY = 0.05
CHANGED_YEARS = 2000  # simulated under each change
DRAWS_AT_ONCE, YEARS_AT_ONCE = 8, 64  # what is worked on at a time fits into memory
EACH_AT_ONCE = 16  # years of single courses: they stay in the processor's cache
UNITS = 16  # parts with a seed each


@dataclass(frozen=True, slots=True)
class Variation:
    """A year under one ``change``: ``expected_margin``, ``one_in_twenty``, ``chance_of_loss``.

    Examples
    --------
    >>> Variation("laser_slower", Decimal(700), Decimal(80), chance_of_loss=0.04).change
    'laser_slower'
    """

    change: str
    expected_margin: Decimal
    one_in_twenty: Decimal  # margin that 1 in 20 falls below
    chance_of_loss: float  # chance of a margin below zero


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Book(Result):
    """A year's margin as a distribution; money exact to the cent, net of tax, in ``currency``.

    Attributes
    ----------
    n_courses, replicates : float, int
        Courses in the year, on average, and simulated years.
    totals, totals_model_known : ndarray of shape (replicates,)
        The year's margin with parameters drawn once a year and shared by all its courses, and with
        the model taken as known.
    expected_margin, margin_sd, chance_sd, model_sd : Decimal
        Mean and spread, the part from chance and the part from the model (squares add up).
    chance_of_loss : float
        Of a year that loses money.
    one_in_twenty, one_in_twenty_model_known : Decimal
        Below which 1 year in 20 falls.
    expected_shortfall, buffer : Decimal
        The mean loss of the worst 5 of 100 years, negative where even they earn, and the money to
        hold so that 19 of 20 years are paid for.
    fixed_costs, margin_per_course : Decimal
        Of the year, whatever is done, taken off every margin but that per course.
    break_even, break_even_range : int or None, tuple of these
        From so many courses on the expected margin is no loss, over nine in ten of the model's
        parameter draws; None where a course loses on average.
    sensitivity : tuple of Variation
        The year as it is, simulated, and under changes of price, cap, drop-out and laser.
    notes : tuple of Note
        Doubts, and how it was computed.

    Examples
    --------
    >>> package = forecast.Package("fixed", price=900)
    >>> price_caseload(forecaster, [enquiry] * 9, package, tariff, replicates=9).moves_most.change
    'prices_higher'
    """

    currency: str
    n_courses: float
    replicates: int
    totals: FloatArray
    totals_model_known: FloatArray
    expected_margin: Decimal
    margin_sd: Decimal
    chance_sd: Decimal
    model_sd: Decimal
    chance_of_loss: float
    one_in_twenty: Decimal
    one_in_twenty_model_known: Decimal
    expected_shortfall: Decimal
    buffer: Decimal
    fixed_costs: Decimal
    margin_per_course: Decimal
    break_even: int | None
    break_even_range: tuple[int | None, int | None]
    sensitivity: tuple[Variation, ...]
    notes: tuple[Note, ...]

    @property
    def below_plan(self) -> Decimal:
        """How far the 1-in-20 year falls below the expected margin."""
        return self.expected_margin - self.one_in_twenty

    @property
    def moves_most(self) -> Variation:
        """The single change that moves the expected margin most."""
        as_it_is, *changes = self.sensitivity
        return max(changes, key=lambda row: abs(row.expected_margin - as_it_is.expected_margin))

    def _even(self) -> Sentence:
        if not self.fixed_costs:
            return sentence("year.no_fixed_costs")
        each = sentence("year.each", {"margin": self.margin_per_course, "code": self.currency})
        if self.break_even is None:
            return sentence("year.never_even", {"each": each})
        low, high = self.break_even_range
        ends = {"low": low, "high": high or sentence("year.no_number")}
        return sentence("year.even", {"n": self.break_even, "each": each, **ends})

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; money as numbers, without the simulated years."""
        return {
            **rounded(plain(self, arrays=False)),
            "below_plan": str(self.below_plan),
            "moves_most": self.moves_most.change,
            **notes_as_json(self.notes),
        }

    def lines(self, language: str) -> list[str]:
        """Return the year in words."""
        values = fields_of(self) | {"code": self.currency, "share": of_100(self.chance_of_loss)}
        values |= {"most": self.moves_most.change, "to": self.moves_most.expected_margin}
        each = [fields_of(row) | {"code": self.currency} for row in self.sensitivity]
        risk = "risk" if self.buffer else "no_risk"
        return [
            sentence("year.margin", values),
            self._even(),
            *(sentence(f"year.{one}", values) for one in (risk, "bad_year", "moves", "spread")),
            *(sentence("year.change", row) for row in each),
            *bullets(self.notes),
        ]


@runtime_checkable
class DrawsEstimates(Protocol):
    """What a book needs of a forecaster."""

    def estimate_draws(self, enquiries: Sequence[Enquiry]) -> tuple[FloatArray, FloatArray]:
        """Return pmfs, (n_draws, n, horizon), and stopping hazards, likewise or (n, horizon)."""


def price_caseload(
    forecaster: DrawsEstimates,
    enquiries: pd.DataFrame | Enquiry | Sequence[Enquiry],
    packages: Package | Sequence[Package],
    tariff: Tariff,
    *,
    courses: float | None = None,
    log: OutcomeLog | None = None,
    replicates: int = 10_000,
    seed: int = 0,
) -> Book:
    """Return the distribution of a year's margin.

    Parameters
    ----------
    forecaster, tariff : Forecaster, Tariff
        What predicts (``estimate_draws``); costs and rules.
    enquiries : DataFrame, Enquiry or sequence of Enquiry
        The courses of the year, or the mix they come from (see ``courses``). A frame may name
        each row's package in a column ``package``; else each is sold as often.
    packages : Package or sequence of Package
        What is sold. A package without a price is sold at each enquiry's asked price.
    courses : float, optional
        Courses of a usual year: their number is drawn around it (Poisson), and each from the
        enquiries, with repetition. None takes each enquiry once.
    log : OutcomeLog, optional
        In place of ``courses``: as many as the log lets expect, as unsure as it leaves it.
    replicates, seed : int
        Simulated years; same seed, same numbers.

    Raises
    ------
    RequestError
        No enquiry, an unknown package, a promise beyond the horizon.

    Examples
    --------
    >>> package = forecast.Package("fixed")
    >>> price_caseload(forecaster, log.courses.tail(40), package, tariff, replicates=500).n_courses
    40
    """
    asked, offered = asked_and_offered(forecaster, enquiries, packages, tariff)
    check_seed(seed)
    weights = _package_weights(enquiries, len(asked), offered)
    notes, unsure = [], 0.0
    if log is not None and courses is None:
        courses, unsure = yearly_starts(check_log(log))
    if courses is not None and not (isinstance(courses, int | float) and 0 < courses < 1e6):
        raise RequestError(*problem_and_remedy("refused.no_courses", {"given": repr(courses)}))
    if courses is not None and len(asked) > MOST_ROWS:
        rows = np.random.default_rng(seed).choice(len(asked), MOST_ROWS, replace=False)
        rows.sort()
        asked, weights = [asked[row] for row in rows], weights[rows]
        notes.append(Note("prices.mix_drawn", "info", {"rows": MOST_ROWS}))
    sold = courses_of(
        *forecaster.estimate_draws(asked),
        offered,
        tariff,
        area_cm2=areas_of(asked),
        weights=weights,
        drawn=courses,
        unsure=unsure,
        pull=pull_of(forecaster),
    )
    # asked prices carry the device's share of a session; the year pays for it as a whole
    sold = replace(sold, cost=tariff.session_costs(areas_of(asked), running=True))
    return _book_of(sold, offered, tariff, {"replicates": replicates, "seed": seed}, notes)


def asked_and_offered(
    forecaster: Any, enquiries: Any, packages: Any, tariff: Tariff
) -> tuple[list[Enquiry], tuple[Package, ...]]:
    """Return enquiries and packages, either of which may be one alone, or raise RequestError."""
    check_kind(forecaster, DrawsEstimates, name="forecaster", give="what fit_forecaster returns")
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")
    alone = isinstance(enquiries, Enquiry | Mapping)
    asked = enquiries_of([enquiries] if alone else enquiries, getattr(forecaster, "extra", ()))
    listed = (packages,) if isinstance(packages, Package) else packages
    check_kind(listed, Iterable, name="packages", give="a Package or several")
    offered = [check_kind(one, Package, name="package", give="a Package") for one in listed]
    if not offered or not asked:
        raise RequestError(*problem_and_remedy("refused.nothing_to_price"))
    return asked, tuple(offered)


def _book_of(
    sold: Courses,
    packages: Sequence[Package],
    tariff: Tariff,
    run: dict[str, Any],
    notes: list[Note],
) -> Book:
    totals, means, variances = simulate(sold, **run)
    each, fixed = means / sold.n, float(to_cents(tariff.yearly_costs))
    totals, means = totals - fixed, means - fixed
    known = simulate(sold.model_known(), **{**run, "seed": run["seed"] + 1})[0] - fixed
    # from the first draw on, so that draws which agree leave exactly nothing
    chance, model = float(variances.mean()), float((means - means[0]).var())
    low, low_known = (float(np.quantile(one, ONE_IN_TWENTY)) for one in (totals, known))
    # from so many courses on, at what each leaves on average and in nine of ten draws
    even, best, least = (
        int(np.ceil(fixed / one - 1e-9)) if one > 0 else None
        for one in (each.mean(), *np.quantile(each, [0.95, 0.05]))
    )
    as_it_is = _variation("as_it_is", means, totals)
    changed = {**run, "replicates": min(run["replicates"], CHANGED_YEARS)}
    changes = []
    for change, one in _changes_of(sold, packages, tariff).items():
        its_totals, its_means, _ = simulate(one, **changed)
        changes.append(_variation(change, its_means - fixed, its_totals - fixed))
    years = Note("prices.changes_simulated", "info", {"years": changed["replicates"]})
    shared = Note("prices.shared_draws", "info", {"draws": len(sold.pmf)})
    return Book(
        currency=tariff.currency,
        n_courses=round(sold.n, 1),
        replicates=len(totals),
        totals=totals / 100,
        totals_model_known=known / 100,
        expected_margin=as_it_is.expected_margin,
        margin_sd=from_cents((chance + model) ** 0.5),
        chance_sd=from_cents(chance**0.5),
        model_sd=from_cents(model**0.5),
        chance_of_loss=as_it_is.chance_of_loss,
        one_in_twenty=as_it_is.one_in_twenty,
        one_in_twenty_model_known=from_cents(low_known),
        expected_shortfall=from_cents(
            expected_shortfall(totals, np.full(len(totals), 1 / len(totals)))
        ),
        buffer=from_cents(max(-low, 0.0)),
        fixed_costs=tariff.yearly_costs,
        margin_per_course=from_cents(float(each.mean())),
        break_even=even,
        break_even_range=(best, least),
        sensitivity=(as_it_is, *changes),
        notes=(*notes, shared, Note("prices.model_leaves_out"), years),
    )


def _variation(change: str, means: FloatArray, totals: FloatArray) -> Variation:
    # means by parameter draw, totals by simulated year, in cents after the fixed costs
    low = from_cents(float(np.quantile(totals, ONE_IN_TWENTY)))
    return Variation(change, from_cents(float(means.mean())), low, float((totals < 0).mean()))


def pull_of(forecaster: Any) -> FloatArray | None:
    """Return who stops, as ``competing_ends`` takes it; None where ``forecaster`` says nothing."""
    return forecaster.stop_pull() if hasattr(forecaster, "stop_pull") else None


def _package_weights(enquiries: Any, n: int, packages: Sequence[Package]) -> FloatArray:
    # the chance that each row takes each package, shape (n, n_packages)
    if len(packages) == 1 or "package" not in getattr(enquiries, "columns", ()):
        return np.full((n, len(packages)), 1 / len(packages))
    names = [package.name for package in packages]
    unknown = sorted({str(name) for name in enquiries["package"]} - set(names))
    if unknown:
        values = {"names": unknown, "known": names}
        raise RequestError(*problem_and_remedy("refused.not_on_offer", values))
    return np.array([[float(name == own) for name in names] for own in enquiries["package"]])


def _changes_of(sold: Courses, packages: Sequence[Package], tariff: Tariff) -> dict[str, Courses]:
    # the courses under each single change that can be made
    changed = {
        "prices_higher": _priced(sold, 1.1),
        "prices_lower": _priced(sold, 0.9),
        "cap_lower": _capped(sold, packages, tariff, -2),
        "cap_higher": _capped(sold, packages, tariff, 2),
        "half_the_drop_out": replace(sold, stop=sold.stop * 0.5),
        "twice_the_drop_out": replace(sold, stop=np.minimum(sold.stop * 2, 1)),
        "laser_slower": replace(sold, pmf=stretched(sold.pmf, 0.9, sold.pmf.shape[2])),
        "fewer_courses": sold.drawn and replace(sold, drawn=0.8 * sold.drawn),
    }
    return {change: courses for change, courses in changed.items() if courses}


def _priced(sold: Courses, factor: float) -> Courses:
    terms = tuple(replace(one, extra=one.extra * factor) for one in sold.terms)
    return replace(sold, prices=sold.prices * factor, terms=terms)


def _capped(
    sold: Courses, packages: Sequence[Package], tariff: Tariff, change: int
) -> Courses | None:
    # with every cap moved; None where no cap can be moved
    horizon, old = sold.pmf.shape[2], [terms.cap for terms in sold.terms]
    caps = [min(max(cap + change, 1), horizon) for cap in old]
    sold_so = [replace(one, cap=cap) for one, cap in zip(packages, caps, strict=True)]
    moved = tuple(terms_of(one, tariff, horizon) for one in sold_so)
    return None if [new.cap for new in moved] == old else replace(sold, terms=moved)


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

    def chances(self, draws: slice = slice(None)) -> FloatArray:
        """Return the chance of each of these outcomes under each of the draws, (n_draws, n, m)."""
        stop = self.stop if len(self.stop) == 1 else self.stop[draws]
        blocks = [outcome_chances(one, self.pmf[draws], stop, self.pull) for one in self.terms]
        if len(blocks) == 1:
            return blocks[0]  # rows of weights sum to one
        shares = self.weights.T[..., None]
        return np.concatenate([one * share for one, share in zip(blocks, shares, strict=True)], -1)

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

    def chances(self, draws: slice) -> FloatArray:
        """Return the chances under some of the draws."""
        return self.pmf[draws]


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

    ``pmf`` is (n_draws, n, horizon); ``stop`` may lack the first axes.
    """
    pmf = np.asarray(pmf, dtype=np.float64)
    stop = np.asarray(stop, dtype=np.float64)
    stop = stop.reshape((1,) * (3 - stop.ndim) + stop.shape)
    # an axis that only repeats is kept once, to travel light
    stop = stop[tuple(slice(0, 1) if stride == 0 else slice(None) for stride in stop.strides)]
    means = pmf.mean(axis=0), stop.mean(axis=0)
    priced = price_rows(*means, packages, tariff, area_cm2=area_cm2, pull=pull)
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

    Between sessions the chance of needing more goes down in straight lines.
    """
    still = np.concatenate([np.ones((*pmf.shape[:-1], 1)), 1 - np.cumsum(pmf, axis=-1)], axis=-1)
    at = factor * np.arange(horizon + 1)
    left = np.minimum(at.astype(int), pmf.shape[-1] - 1)
    part = at - left
    return np.asarray(-np.diff((1 - part) * still[..., left] + part * still[..., left + 1]))


def simulate(
    courses: Courses | Fates, *, replicates: int, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the margin in each replicate, and its exact mean and variance by draw, in cents.

    Each parameter draw serves the same number of replicates, give or take one; given the draw,
    every course has its own fate. The moments come from the same chances, which take longest.
    """
    replicates = check_whole_number(replicates, name="replicates", low=1)
    n_draws = len(courses.pmf)
    rng = np.random.default_rng(seed)
    counts = np.full(n_draws, replicates // n_draws)
    counts[rng.choice(n_draws, replicates % n_draws, replace=False)] += 1
    # parts with a seed each: the first draw of each, and how many replicates its draws serve
    if n_draws == 1:
        shares = np.diff(np.linspace(0, replicates, UNITS + 1).astype(int))
        parts = [(0, np.array([share])) for share in shares]
    else:
        edges = np.linspace(0, n_draws, min(UNITS, n_draws) + 1).astype(int)
        parts = [(a, counts[a:b]) for a, b in pairwise(edges.tolist())]
    margins = courses.margins()
    totals_of = _each_once(margins) if courses.drawn is None else _drawn(courses, margins)
    totals, moments = [np.zeros(0)], []
    for (first, each), own in zip(parts, seeds(seed, len(parts)), strict=True):
        rng = np.random.default_rng(own)
        for low in range(0, len(each), DRAWS_AT_ONCE):
            some = each[low : low + DRAWS_AT_ONCE].tolist()
            of_draws = courses.chances(slice(first + low, first + low + len(some)))
            moments.append(_moments(courses, margins, of_draws))
            for chances, n in zip(of_draws, some, strict=True):
                for start in range(0, n, YEARS_AT_ONCE):
                    totals.append(totals_of(chances, min(YEARS_AT_ONCE, n - start), rng))
    means, variances = np.concatenate(moments, axis=1)[:, :n_draws]
    return np.concatenate(totals), means, np.maximum(variances, 0)


def _each_once(margins: FloatArray) -> Callable[..., FloatArray]:
    # Every row is one course: its outcome is the first whose cumulative chance exceeds u. Single
    # precision is compared in half of the time; ``top`` is never rounded up to the end.
    n, m = margins.shape
    rows, outcome_of = np.arange(n) * m, margins.ravel()

    def totals(chances: FloatArray, replicates: int, rng: np.random.Generator) -> FloatArray:
        cumulative, found = np.cumsum(chances, axis=1, dtype=np.float64).T, []
        top = cumulative[-1] * (1 - 2**-22)
        reached_at = cumulative[:-1].astype(np.float32, order="C")
        for low in range(0, replicates, EACH_AT_ONCE):
            u = rng.random((min(EACH_AT_ONCE, replicates - low), n)) * top
            u = u.astype(np.float32)
            outcome = np.zeros(u.shape, dtype=np.min_scalar_type(m))
            for at in reached_at:
                outcome += (u >= at).view(np.uint8)
            found.append(outcome_of.take(rows + outcome).sum(axis=1))
        return np.concatenate(found)

    return totals


def _drawn(courses: Courses, margins: FloatArray) -> Callable[..., FloatArray]:
    # A random number of courses from the rows, equal margins pooled: their number is Poisson about
    # a mean that is itself gamma about what is expected.
    values, where = np.unique(margins, return_inverse=True)
    where, shape = where.ravel(), max(courses.unsure, 1e-6) ** -2

    def totals(chances: FloatArray, replicates: int, rng: np.random.Generator) -> FloatArray:
        pooled = np.bincount(where, weights=chances.ravel(), minlength=len(values))
        cumulative, rate = np.cumsum(pooled), np.full(replicates, courses.n)
        counts = rng.poisson(rate * rng.gamma(shape, 1 / shape, replicates))
        # sorted uniforms make the look-up run through memory once; the shuffle undoes the order
        u = np.cumsum(rng.standard_exponential(counts.sum() + 1))
        u = u[:-1] * (cumulative[-1] / u[-1])
        found = values[np.minimum(np.searchsorted(cumulative, u, side="right"), len(values) - 1)]
        rng.shuffle(found)
        years = np.repeat(np.arange(replicates), counts)
        return np.asarray(np.bincount(years, found, minlength=replicates), dtype=np.float64)

    return totals
