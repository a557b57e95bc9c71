"""What is true of an invented clinic: fresh clients, their distributions, the strategies compared.

For tests, studies and the shipped data; nothing here is ever read by a fit. Sessions are sessions
here, until cleared, if treatment goes on; the current practice is that of the last two years of
the log.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from benchmarks.clinics import follow
from forecast._arrays import FloatArray, IntArray
from forecast._checks import HORIZON, SHOWN_AT, YEAR, check_whole_number
from forecast.errors import RequestError
from forecast.invented import World
from forecast.invented.simulate import PACKAGES, SOLD, Luck, Paths, arrive, hide, live, run_sessions
from forecast.invented.world import (
    DENSITIES,
    LAYERS,
    ORIGINS,
    PATTERNS,
    SCARS,
    SKIN_TYPES,
    Attributes,
    CaseMix,
    Chance,
    Cohort,
    OwnedLaser,
    draw_age,
    draw_area,
    draw_tattoo_age,
    normal,
    origin_tables,
    pick,
    with_chance,
)
from forecast.survival import CountDistribution
from forecast.tattoo import SITES, read_inks

if TYPE_CHECKING:
    import pandas as pd

YEARS = 8.0
CHUNK = 40_000  # courses simulated at once: about 100 MB at 40 sessions


def bencini_world() -> World:
    """Return a clinic with the case mix and lasers of Bencini et al. 2012, all nanosecond.

    Limbs 48 %, trunk 44.9 %, face and neck 7.1 %, area typically 50.5 cm², tattoo age median
    4 years, colours per tattoo median 1, one operator, 532, 755 and 1064 nm from the start
    (Arch Dermatol 148:1364, some items through secondary reports). Shares that could not be
    read (skin, density, origin) are those of the default mix, and so is that of smokers (28 %,
    where a second-hand report has 53 %): the default clinic's speed was chosen with it, so that
    its clearing as published is a calibration and no test.
    """
    mix = CaseMix(
        region=(0.071, 0.32, 0.129, 0.20, 0.28),
        colour=0.7,
        area_median_cm2=50.5,
        tattoo_age_median=4.0,
    )
    fleet = (OwnedLaser("yag", "ns", (532, 1064), -2.0), OwnedLaser("alex", "ns", (755,), -2.0))
    return World(mix=mix, fleet=fleet, operators=1, elsewhere_rate=0.0, lighten_rate=0.0)


def fresh_clients(
    world: World, n: int, *, seed: int, horizon: int = 40, years: float = YEARS
) -> "tuple[pd.DataFrame, IntArray]":
    """Return clients who come under the clinic's current practice, with complete follow-up.

    Parameters
    ----------
    world : World
        The clinic.
    n : int
        Number of clients, one course each, all with the goal of clearing.
    seed : int
        Seed of the clients.
    horizon : int
        Sessions followed.
    years : float
        Length of the log; clients come in its last two years and are followed beyond it.

    Returns
    -------
    enquiries : DataFrame
        The columns of an enquiry, optional ones missing as often as in the log.
    needed : ndarray of int, shape (n,)
        Sessions here until cleared; ``horizon + 1`` when not within the horizon.

    Examples
    --------
    >>> enquiries, needed = fresh_clients(World(), 5, seed=1)
    >>> len(enquiries), len(needed)
    (5, 5)
    """
    rng = np.random.default_rng([seed, 1])
    between = ((years - 2) * YEAR, years * YEAR)
    cohort, _, paths = arrive(n, world, rng, between, horizon)
    order = rng.permutation(n)
    enquiries = hide(cohort.attributes.enquiries(), rng).iloc[order].reset_index(drop=True)
    return enquiries, paths.first_at(world.cleared_at)[order]


def true_distribution(
    world: World,
    enquiries: "pd.DataFrame",
    horizon: int = HORIZON,
    *,
    n_inner: int = 200,
    seed: int = 0,
    years: float = YEARS,
) -> CountDistribution:
    """Return the true distribution of each enquiry given what is recorded, by simulation.

    Missing attributes are drawn from their law given the recorded ones, frailty, chance, operator,
    date within the last two years and regime as they fall; an enquiry with sessions elsewhere is
    conditioned on not having been cleared there.

    Parameters
    ----------
    world : World
        The clinic.
    enquiries : DataFrame
        As ``fresh_clients`` gives them.
    horizon : int
        Last session of the distribution.
    n_inner : int
        Courses simulated per enquiry. A probability p has the error sqrt(p (1 - p) / n_inner);
        a Brier or CRPS score of the result is too high by one part in ``n_inner``.
    seed : int
        Seed of the inner courses.
    years : float
        Length of the log.
    """
    pmf = [
        _share(paths.first_at(world.cleared_at), ~paths.elsewhere_clear, n_inner, horizon)
        for _, paths in _inner(world, enquiries, horizon, n_inner, seed, years)
    ]
    return CountDistribution(np.vstack(pmf))


def read_enquiries(enquiries: "pd.DataFrame") -> Attributes:
    """Return the attributes of a frame made by ``Attributes.enquiries``.

    Raises
    ------
    RequestError
        If an ink set is one that the invented clinic never sees.
    """
    inks = [";".join(read_inks(text)) for text in enquiries["inks"]]
    strange = sorted(set(inks) - set(PATTERNS))
    if strange:
        raise RequestError(
            f"The invented clinic never sees a tattoo with {strange[0]}.",
            "Ask for the truth of enquiries made by fresh_clients.",
        )

    def codes(name: str, names: tuple[str, ...]) -> IntArray:
        place = {word: code for code, word in enumerate(names)}
        return np.array([place.get(word, -1) for word in enquiries[name]], dtype=np.int64)

    def numbers(name: str) -> FloatArray:
        return np.array(enquiries[name], dtype=np.float64)

    smoker = codes("smoker", ("no", "yes")).astype(np.float64)
    return Attributes(
        skin=codes("skin_type", SKIN_TYPES),
        site=codes("body_site", tuple(SITES)),
        inks=np.array([PATTERNS.index(text) for text in inks], dtype=np.int64),
        density=codes("ink_density", DENSITIES),
        layering=codes("layering", LAYERS),
        origin=codes("origin", ORIGINS),
        scarring=codes("scarring", SCARS),
        age=numbers("age_years"),
        area=numbers("area_cm2"),
        tattoo_age=numbers("tattoo_age_years"),
        smoker=np.where(smoker < 0, np.nan, smoker),
        elsewhere=np.array(enquiries["sessions_elsewhere"], dtype=np.int64),
    )


def complete(attributes: Attributes, mix: CaseMix, rng: np.random.Generator) -> Attributes:
    """Return the attributes with each missing one drawn from its law given the recorded ones."""
    n = len(attributes)
    likely = np.tile(normal(mix.origin), (n, 1))
    for name, table in origin_tables(mix).items():
        likely = likely * table[:, getattr(attributes, name)].T
    origin = np.where(attributes.origin < 0, pick(normal(likely), rng.random(n)), attributes.origin)
    scar = pick(normal(mix.scarring), rng.random(n))
    area = draw_area(mix, attributes.site, rng.normal(size=n))
    tattoo_age = draw_tattoo_age(mix, rng.normal(size=n))
    smoker = (rng.random(n) < mix.smoker).astype(np.float64)
    # a tattoo is at most as old as its client less 15: of some ages, the first that can be
    ages = draw_age(n * 20, rng.spawn(1)[0]).reshape(n, 20)
    able = ~(ages - 15 < attributes.tattoo_age[:, None])
    age = ages[np.arange(n), able.argmax(axis=1)]
    return replace(
        attributes,
        origin=origin,
        age=np.where(np.isnan(attributes.age), age, attributes.age),
        scarring=np.where(attributes.scarring < 0, scar, attributes.scarring),
        area=np.where(np.isnan(attributes.area), area, attributes.area),
        tattoo_age=np.where(np.isnan(attributes.tattoo_age), tattoo_age, attributes.tattoo_age),
        smoker=np.where(np.isnan(attributes.smoker), smoker, attributes.smoker),
    )


def _inner(
    world: World, enquiries: "pd.DataFrame", horizon: int, n_inner: int, seed: int, years: float
) -> Iterator[tuple[Cohort, Paths]]:
    """Yield ``n_inner`` courses of each enquiry side by side, some enquiries at a time."""
    n_inner = check_whole_number(n_inner, name="n_inner", low=1)
    attributes, rng = read_enquiries(enquiries), np.random.default_rng([seed, 2])
    between = ((years - 2) * YEAR, years * YEAR)
    step = max(1, CHUNK // n_inner)
    for first in range(0, len(attributes), step):
        rows = np.repeat(np.arange(first, min(first + step, len(attributes))), n_inner)
        drawn = complete(attributes.take(rows), world.mix, rng)
        person = world.client_sd * rng.standard_normal(len(rows))
        cohort = with_chance(drawn, person, np.arange(len(rows)), world, rng, between)
        yield cohort, run_sessions(cohort, Chance.draw(cohort, world, horizon, rng), world)


def _share(
    needed: IntArray, comes: npt.NDArray[np.bool_], n_inner: int, horizon: int
) -> FloatArray:
    """Return the shares of 1 to ``horizon`` among the courses that come, one row per enquiry."""
    row = np.arange(len(needed)) // n_inner
    n = len(needed) // n_inner
    cell = row * (horizon + 1) + np.minimum(needed, horizon + 1) - 1
    counts = np.bincount(cell[comes], minlength=n * (horizon + 1)).reshape(n, horizon + 1)
    share = counts[:, :horizon] / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    return np.asarray(share, dtype=np.float64)


def true_contrast(
    world: World,
    strategies: Sequence[str] = ("ns", "ps"),
    horizon: int = 15,
    *,
    seed: int = 0,
    n: int = 20_000,
    between: tuple[float, float] = (0.0, YEARS),
) -> dict[str, Any]:
    """Return the true restricted means and cleared shares of strategies in the own case mix.

    Parameters
    ----------
    world : World
        The clinic.
    strategies : sequence of str
        "ns", "ps", "ns:4>ps", … followed by everybody from the first session here.
    horizon : int
        Restriction of the mean.
    seed, n : int
        Seed and number of courses; all strategies share their chance terms.
    between : pair of float
        Years of the log between which courses begin; the lasers owned then decide the reach.

    Returns
    -------
    dict
        ``"mean"`` by strategy; ``"cleared_by"`` by 5, 10, 15 and strategy; ``"difference"`` and
        ``"cleared_by_difference"`` keyed as in a comparison ("ps - ns": the later strategy less
        the earlier); ``"standard_error"`` of each difference; ``"n"``.

    Examples
    --------
    >>> from benchmarks.clinics import study_world
    >>> contrast = true_contrast(study_world("none"), n=50)
    >>> float(contrast["difference"]["ps - ns"])
    0.0
    """
    rng = np.random.default_rng([seed, 3])
    days = (between[0] * YEAR, between[1] * YEAR)
    cohort, chance, _ = arrive(n, world, rng, days, max(horizon, 15))
    needed = {
        name: run_sessions(cohort, chance, world, instead=follow(name)).first_at(world.cleared_at)
        for name in strategies
    }
    capped = {name: np.minimum(count, horizon) for name, count in needed.items()}
    pairs = [(b, a) for i, a in enumerate(strategies) for b in strategies[i + 1 :]]
    shares = {
        k: {name: float(np.mean(count <= k)) for name, count in needed.items()} for k in SHOWN_AT
    }
    return {
        "mean": {name: float(count.mean()) for name, count in capped.items()},
        "difference": {f"{b} - {a}": float((capped[b] - capped[a]).mean()) for b, a in pairs},
        "standard_error": {
            f"{b} - {a}": float((capped[b] - capped[a]).std() / n**0.5) for b, a in pairs
        },
        "cleared_by": shares,
        "cleared_by_difference": {
            k: {f"{b} - {a}": share[b] - share[a] for b, a in pairs} for k, share in shares.items()
        },
        "n": n,
    }


@dataclass(frozen=True, slots=True, eq=False)
class Deliveries:
    """What a clinic would truly deliver, each array of shape (n_enquiries, n_inner).

    Attributes
    ----------
    delivered : ndarray of int
        Sessions until cleared, stopped, or the cap.
    cleared, stopped : ndarray of bool
        How the course ended; neither: still going at the cap.
    """

    delivered: IntArray
    cleared: npt.NDArray[np.bool_]
    stopped: npt.NDArray[np.bool_]


def true_deliveries(
    world: World,
    enquiries: "pd.DataFrame",
    *,
    cap: int = 40,
    package: str | None = None,
    n_inner: int = 200,
    seed: int = 0,
    years: float = YEARS,
) -> Deliveries:
    """Return courses drawn from the truth of each enquiry, stopping included.

    Parameters
    ----------
    world, enquiries, n_inner, seed, years
        As in ``true_distribution``; courses cleared elsewhere are drawn like the others, so give
        enquiries without sessions elsewhere.
    cap : int
        Sessions followed.
    package : str, optional
        "pay_per_session", "block_6" or "fixed_price" for all; the clinic's own mix when not
        given. What is sold changes stopping only.
    """
    if package is not None and package not in PACKAGES:
        raise RequestError(
            f"The invented clinic does not sell {package!r}.", f"It sells {', '.join(PACKAGES)}."
        )
    world = replace(world, lighten_rate=0.0)
    rng = np.random.default_rng([seed, 6])
    parts = []
    for cohort, paths in _inner(world, enquiries, cap, n_inner, seed, years):
        luck = Luck.draw(len(cohort), cap, rng)
        if package is not None:
            middle = np.cumsum(SOLD) - np.array(SOLD) / 2  # of the uniforms that buy each
            luck = replace(luck, sale=np.full(len(cohort), middle[PACKAGES.index(package)]))
        parts.append(live(cohort, paths, world, luck, np.inf))
    ended = np.concatenate([part.ended for part in parts]).reshape(-1, n_inner)
    given = np.concatenate([part.given for part in parts]).reshape(-1, n_inner)
    return Deliveries(given, ended == 1, ended == 2)


def fresh_deliveries(
    world: World, n: int, *, seed: int, cap: int = 40, years: float = YEARS
) -> "pd.DataFrame":
    """Return fresh clients with the sessions they would truly get and how their courses end.

    Parameters
    ----------
    world : World
        The clinic; stopping follows its habits and its own mix of packages.
    n, seed : int
        Number and seed of the clients.
    cap : int
        Sessions followed.
    years : float
        Length of the log; clients come in its last two years and are followed beyond it.

    Returns
    -------
    DataFrame
        The columns of an enquiry, then ``package``, ``delivered`` (sessions, at most ``cap``),
        ``end`` ("cleared", "stopped" or "going") and ``needed`` as ``fresh_clients`` gives it.
    """
    rng = np.random.default_rng([seed, 4])
    world = replace(world, lighten_rate=0.0)
    cohort, _, paths = arrive(n, world, rng, ((years - 2) * YEAR, years * YEAR), cap)
    course = live(cohort, paths, world, Luck.draw(n, cap, rng), np.inf)
    order = rng.permutation(n)
    frame = hide(cohort.attributes.enquiries(), rng).assign(
        package=np.array(PACKAGES, dtype=object)[course.package],
        delivered=course.given,
        end=np.array(["going", "cleared", "stopped"], dtype=object)[course.ended],
        needed=course.needed,
    )
    return frame.iloc[order].reset_index(drop=True)
