"""A year of courses: what its margin may be, with the model's error shared by all of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from forecast._checks import check_kind, check_seed, check_whole_number
from forecast.clinic.book import Book
from forecast.clinic.enquiry import Enquiry, check_enquiry, known_fields
from forecast.clinic.money import from_cents
from forecast.clinic.payoff import expected_shortfall
from forecast.clinic.sensitivity import book_variations
from forecast.clinic.shared_risk import Courses, areas_of, courses_of, moments, simulate_totals
from forecast.clinic.tariff import Package, Tariff
from forecast.errors import RequestError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DrawsEstimates", "book_of", "enquiries_of", "price_caseload"]

FloatArray = npt.NDArray[np.float64]
MOST_ROWS = 4000  # of the mix that a year is drawn from: 200 draws of them fit into 200 MB


@runtime_checkable
class DrawsEstimates(Protocol):
    """What a book needs of a forecaster."""

    def estimate_draws(self, enquiries: Sequence[Enquiry]) -> tuple[FloatArray, FloatArray]:
        """Return pmfs and stopping hazards, each (n_draws, n, horizon), of shared draws.

        Stopping hazards without draws, (n, horizon), are taken as known.
        """


def price_caseload(
    forecaster: DrawsEstimates,
    enquiries: pd.DataFrame | Sequence[Enquiry],
    packages: Package | Sequence[Package],
    tariff: Tariff,
    *,
    courses: int | None = None,
    mix: Sequence[float] | None = None,
    replicates: int = 10_000,
    seed: int = 0,
    workers: int | None = 1,
) -> Book:
    """Return the distribution of a year's margin.

    Parameters
    ----------
    forecaster : Forecaster
        Offers ``estimate_draws``.
    enquiries : DataFrame or sequence of Enquiry
        The courses of the year, or the mix they come from (see ``courses``). A frame may name
        each row's package in a column ``package``.
    packages : Package or sequence of Package
        What is sold. A package without a price is sold at each enquiry's asked price.
    tariff : Tariff
        Costs and rules.
    courses : int, optional
        Draw so many courses from the enquiries, with repetition; None takes each once.
    mix : sequence of float, optional
        Share of courses that take each package; by default equal.
    replicates : int
        Simulated years.
    seed : int
        Same seed, same numbers, whatever ``workers``.
    workers : int or None
        Processes; a usual year takes less time than starting a second one. None is all cores.

    Raises
    ------
    RequestError
        No enquiry, a mix that is no share, an unknown package, a promise beyond the horizon.
    """
    check_kind(forecaster, DrawsEstimates, name="forecaster", give="what fit_forecaster returns")
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")
    check_seed(seed)
    offered = packages_of(packages)
    if not offered or not len(enquiries):
        raise RequestError(
            f"{len(enquiries)} enquiries and {len(offered)} packages.", "Give at least one each."
        )
    notes = []
    if courses is not None and len(enquiries) > MOST_ROWS:
        rows = np.random.default_rng(seed).choice(len(enquiries), MOST_ROWS, replace=False)
        enquiries = _rows(enquiries, np.sort(rows))
        notes.append(f"The mix is represented by {MOST_ROWS} enquiries drawn at random.")
    if courses is not None:
        courses = check_whole_number(courses, name="courses", low=1)
    pmf, stop = forecaster.estimate_draws(enquiries_of(enquiries))
    sold = courses_of(
        pmf,
        stop,
        offered,
        tariff,
        area_cm2=areas_of(enquiries),
        weights=package_weights(enquiries, offered, mix),
        drawn=courses,
    )
    return book_of(
        sold, offered, tariff, replicates=replicates, seed=seed, workers=workers, notes=tuple(notes)
    )


def enquiries_of(enquiries: pd.DataFrame | Sequence[Enquiry]) -> list[Enquiry]:
    """Return enquiries from a frame whose columns are theirs, or from a sequence of them."""
    if isinstance(enquiries, Sequence):
        return [check_enquiry(enquiry) for enquiry in enquiries]
    known = known_fields(enquiries)
    return [
        Enquiry(**{str(name): value for name, value in row.items()})
        for row in known.to_dict("records")
    ]


def packages_of(packages: Package | Sequence[Package]) -> tuple[Package, ...]:
    """Return the packages given, or raise RequestError when one is none."""
    listed = (packages,) if isinstance(packages, Package) else packages
    check_kind(listed, Iterable, name="packages", give="a Package or several")
    return tuple(check_kind(one, Package, name="package", give="a Package") for one in listed)


def _rows(enquiries: Any, rows: npt.NDArray[np.int64]) -> Any:
    if hasattr(enquiries, "iloc"):
        return enquiries.iloc[rows]
    return [enquiries[row] for row in rows]


def package_weights(
    enquiries: Any, packages: Sequence[Package], mix: Sequence[float] | None
) -> FloatArray:
    """Return the chance that each row takes each package, shape (n, n_packages)."""
    n = len(enquiries)
    if mix is None and len(packages) > 1 and "package" in getattr(enquiries, "columns", ()):
        names = [package.name for package in packages]
        unknown = sorted({str(name) for name in enquiries["package"]} - set(names))
        if unknown:
            raise RequestError(
                f"{len(unknown)} package name(s) are not on offer, first {unknown[0]!r}.",
                f"Use {', '.join(names)}, or give mix.",
            )
        return np.array([[float(name == own) for name in names] for own in enquiries["package"]])
    shares = np.asarray([1.0] * len(packages) if mix is None else list(mix), dtype=np.float64)
    if shares.shape != (len(packages),) or not (shares >= 0).all() or not shares.sum() > 0:
        raise RequestError(
            f"mix is {mix!r} for {len(packages)} package(s).", "Give one share per package."
        )
    return np.tile(shares / shares.sum(), (n, 1))


def book_of(
    sold: Courses,
    packages: Sequence[Package],
    tariff: Tariff,
    *,
    replicates: int = 10_000,
    seed: int = 0,
    workers: int | None = 1,
    notes: tuple[str, ...] = (),
) -> Book:
    """Return the book of courses whose terms are known."""
    means, variances = moments(sold)
    totals = simulate_totals(sold, replicates=replicates, seed=seed, workers=workers, label="years")
    sure = sold.model_known()
    known = simulate_totals(sure, replicates=replicates, seed=seed + 1, workers=workers)
    chance, model = float(variances.mean()), float(means.var())
    low, low_known = float(np.quantile(totals, 0.05)), float(np.quantile(known, 0.05))
    worst = expected_shortfall(totals, np.full(replicates, 1 / replicates))
    return Book(
        currency=tariff.currency,
        n_courses=sold.n,
        replicates=replicates,
        totals=totals,
        totals_model_known=known,
        expected_margin=from_cents(float(means.mean())),
        margin_sd=from_cents((chance + model) ** 0.5),
        chance_sd=from_cents(chance**0.5),
        model_sd=from_cents(model**0.5),
        chance_of_loss=float((totals < 0).mean()),
        one_in_twenty=from_cents(low),
        one_in_twenty_model_known=from_cents(low_known),
        expected_shortfall=from_cents(float(worst)),
        buffer=from_cents(max(-low, 0.0)),
        volume_limit=chance / sold.n / (model / sold.n**2) if model > 0 else float("inf"),
        sensitivity=book_variations(sold, packages, tariff),
        notes=(
            *notes,
            f"{len(sold.pmf)} parameter draws, each shared by all courses of a year.",
            "The changes below the year treat the sum of its courses as normal, given the model.",
        ),
    )
