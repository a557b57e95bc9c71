"""A year of courses: what its margin may be, with the model's error shared by all of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Protocol, runtime_checkable

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray
from forecast._checks import check_kind, check_seed
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, fields_of, plain
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.log import Enquiry, OutcomeLog, check_log, enquiries_of
from forecast.prices.money import from_cents, to_cents
from forecast.prices.payoff import areas_of, expected_shortfall, terms_of
from forecast.prices.quote import rounded
from forecast.prices.rhythm import yearly_starts
from forecast.prices.shared_risk import Courses, courses_of, simulate, stretched
from forecast.prices.tariff import Package, Tariff

MOST_ROWS = 4000  # of the mix that a year is drawn from: 200 draws of them fit into 200 MB
ONE_IN_TWENTY = 0.05
CHANGED_YEARS = 2000  # simulated under each change


@dataclass(frozen=True, slots=True)
class Variation:
    """A year under one ``change``: ``expected_margin``, ``one_in_twenty``, ``chance_of_loss``.

    Examples
    --------
    >>> Variation("laser 10 % slower", Decimal(700), Decimal(80), chance_of_loss=0.04).change
    'laser 10 % slower'
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
    'prices 10 % higher'
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
        """Return pmfs and stopping hazards, each (n_draws, n, horizon), of shared draws.

        Stopping hazards without draws, (n, horizon), are taken as known.
        """


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
    """Return the enquiries and packages of a request, either of which may be one alone.

    Raises RequestError where there is none, or what is given is something else.
    """
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
    worst = expected_shortfall(totals, np.full(len(totals), 1 / len(totals)))
    high, low_each = (float(np.quantile(each, level)) for level in (0.95, 0.05))
    as_it_is = _variation("as it is", means, totals)
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
        expected_shortfall=from_cents(float(worst)),
        buffer=from_cents(max(-low, 0.0)),
        fixed_costs=tariff.yearly_costs,
        margin_per_course=from_cents(float(each.mean())),
        break_even=_break_even(fixed, float(each.mean())),
        break_even_range=(_break_even(fixed, high), _break_even(fixed, low_each)),
        sensitivity=(as_it_is, *changes),
        notes=(*notes, shared, Note("prices.model_leaves_out"), years),
    )


def _variation(change: str, means: FloatArray, totals: FloatArray) -> Variation:
    # means by parameter draw, totals by simulated year, in cents after the fixed costs
    low = from_cents(float(np.quantile(totals, ONE_IN_TWENTY)))
    return Variation(change, from_cents(float(means.mean())), low, float((totals < 0).mean()))


def _break_even(fixed: float, each: float) -> int | None:
    return int(np.ceil(fixed / each - 1e-9)) if each > 0 else None


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
    """Return the courses under each single change that can be made."""
    changed = {
        "prices 10 % higher": _priced(sold, 1.1),
        "prices 10 % lower": _priced(sold, 0.9),
        "cap 2 sessions lower": _capped(sold, packages, tariff, -2),
        "cap 2 sessions higher": _capped(sold, packages, tariff, 2),
        "half the drop-out": replace(sold, stop=sold.stop * 0.5),
        "twice the drop-out": replace(sold, stop=np.minimum(sold.stop * 2, 1)),
        "laser 10 % slower": replace(sold, pmf=stretched(sold.pmf, 0.9, sold.pmf.shape[2])),
        "a fifth fewer courses": sold.drawn and replace(sold, drawn=0.8 * sold.drawn),
    }
    return {change: courses for change, courses in changed.items() if courses}


def _priced(sold: Courses, factor: float) -> Courses:
    terms = tuple(replace(one, extra=one.extra * factor) for one in sold.terms)
    return replace(sold, prices=sold.prices * factor, terms=terms)


def _capped(
    sold: Courses, packages: Sequence[Package], tariff: Tariff, change: int
) -> Courses | None:
    """Return the courses with every cap moved; None where no cap can be moved."""
    horizon = sold.pmf.shape[2]
    moved = []
    for package, terms in zip(packages, sold.terms, strict=True):
        cap = min(max(terms.cap + change, 1), horizon)
        moved.append(terms_of(replace(package, cap=cap), tariff, horizon))
    if all(new.cap == old.cap for new, old in zip(moved, sold.terms, strict=True)):
        return None
    return replace(sold, terms=tuple(moved))
