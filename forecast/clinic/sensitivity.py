"""What a price or a book becomes when one thing changes: price, cap, drop-out, laser."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from forecast.clinic.book import Variation
from forecast.clinic.money import from_cents
from forecast.clinic.payoff import terms_of
from forecast.clinic.pricing import Priceable
from forecast.clinic.shared_risk import (
    Courses,
    areas_of,
    chance_below,
    courses_of,
    lowest_in,
    moments,
    slower,
)
from forecast.clinic.tariff import Package, Tariff

__all__ = ["book_variations", "price_sensitivity"]

ONE_IN_TWENTY = 0.05


def price_sensitivity(
    estimate: Priceable, package: Package, tariff: Tariff
) -> tuple[Variation, ...]:
    """Return one course under single changes, at the price it is quoted at.

    The changes are 10 % of the price either way, a cap two sessions lower and higher, half and
    twice the drop-out, and a laser that does 10 % less in a session.
    """
    pmf = estimate.distribution.pmf[None]
    sold = courses_of(
        pmf,
        estimate.stop_hazard,
        (package,),
        tariff,
        area_cm2=areas_of([getattr(estimate, "enquiry", None)]),
        weights=np.ones((1, 1)),
    )
    return tuple(
        _one_course(change, courses)
        for change, courses in changes_of(sold, (package,), tariff).items()
    )


def _one_course(change: str, courses: Courses) -> Variation:
    margins, chances = courses.margins()[0], courses.chances(slice(0, 1))[0, 0]
    order = np.argsort(margins)
    reached = np.cumsum(chances[order]) >= ONE_IN_TWENTY
    return Variation(
        change=change,
        expected_margin=from_cents(float(chances @ margins)),
        one_in_twenty=from_cents(float(margins[order][np.argmax(reached)])),
        chance_of_loss=float(chances @ (margins < 0)),
    )


def book_variations(
    sold: Courses, packages: Sequence[Package], tariff: Tariff
) -> tuple[Variation, ...]:
    """Return a book under the same changes, its sum taken as normal given the model."""
    rows = []
    for change, courses in changes_of(sold, packages, tariff).items():
        means, variances = moments(courses)
        rows.append(
            Variation(
                change=change,
                expected_margin=from_cents(float(means.mean())),
                one_in_twenty=from_cents(lowest_in(means, variances, ONE_IN_TWENTY)),
                chance_of_loss=chance_below(0.0, means, variances),
            )
        )
    return tuple(rows)


def changes_of(sold: Courses, packages: Sequence[Package], tariff: Tariff) -> dict[str, Courses]:
    """Return the courses as they are and under each single change that can be made."""
    changed = {
        "as it is": sold,
        "prices 10 % higher": _priced(sold, 1.1),
        "prices 10 % lower": _priced(sold, 0.9),
        "cap 2 sessions lower": _capped(sold, packages, tariff, -2),
        "cap 2 sessions higher": _capped(sold, packages, tariff, 2),
        "half the drop-out": replace(sold, stop=sold.stop * 0.5),
        "twice the drop-out": replace(sold, stop=np.minimum(sold.stop * 2, 1)),
        "laser 10 % slower": replace(sold, pmf=slower(sold.pmf)),
    }
    return {change: courses for change, courses in changed.items() if courses is not None}


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
