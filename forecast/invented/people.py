"""Who comes to the invented clinic: attributes of clients and tattoos, operators, and chance.

Inks, density, body site and layering depend on the origin of the tattoo; area depends on the
site; everything else is independent. So what a missing attribute may have been, given the
recorded ones, is known exactly, which the true distribution needs.
"""

from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast.invented.world import MOST_OPERATORS, TABLES, CaseMix, World
from forecast.log import column
from forecast.tattoo import INK_GROUPS, INKS, REGIONS, SITES, ink_group, read_inks, uptake_table

ORIGINS = column("courses", "origin").levels
DENSITIES = column("courses", "ink_density").levels
SCARS = column("courses", "scarring").levels
SKIN_TYPES = column("courses", "skin_type").levels
LAYERS = column("courses", "layering").levels

# Ink sets and how often each origin has them: amateur, professional, cosmetic, traumatic.
INK_TABLE: dict[str, list[float]] = TABLES["inks"]
PATTERNS: tuple[str, ...] = tuple(";".join(read_inks(inks)) for inks in INK_TABLE)
N_INKS: IntArray = np.array([len(pattern.split(";")) for pattern in PATTERNS])
BODY_SITES, REGION_NAMES = tuple(SITES), tuple(REGIONS)
REGION_OF_SITE: IntArray = np.array([REGION_NAMES.index(site.region) for site in SITES.values()])
# Usual area relative to the median, by site.
AREA_FACTOR: FloatArray = np.array([TABLES["area"].get(site, 1.0) for site in BODY_SITES])
AREA_SD, TATTOO_AGE_SD = 0.8, 0.8
YOUNGEST = 19.0  # so that the cap on a tattoo's age never crosses the three-year step
OLDER_YEARS = 3.0  # Bencini et al. 2012: 36 months
REFERENCE_CM2 = 30.0
COURSES_PER_CLIENT = 1.25
BEFORE = 6  # sessions elsewhere, at most
REDS, OTHER_COLOURS = (
    frozenset(ink for ink in INKS if ink_group(ink) == group) for group in INK_GROUPS[1:]
)
YEAR = 365.25
# Wavelengths that an ink takes up, yellow with short pulses only.
REACH: dict[str, tuple[int, ...]] = {
    ink: tuple(cell.wavelength_nm for cell in uptake_table() if cell.ink == ink and cell.reached())
    for ink in INKS
}
NEVER = 1e9


class Rows:
    """Arrays of n courses side by side."""

    __slots__ = ()

    def take(self, rows: npt.NDArray[np.intp]) -> Self:
        """Return the courses in ``rows``, repeats allowed."""
        each = [getattr(self, one.name) for one in fields(self)]  # type: ignore[arg-type]
        return type(self)(*(one.take(rows) if isinstance(one, Rows) else one[rows] for one in each))


@dataclass(frozen=True, slots=True, eq=False)
class Attributes(Rows):
    """What the simulator knows of each course; codes point into the log's level lists.

    -1 and NaN are not recorded.
    """

    skin: IntArray
    site: IntArray
    inks: IntArray  # code into ``PATTERNS``
    density: IntArray
    layering: IntArray
    origin: IntArray
    scarring: IntArray
    age: FloatArray  # years
    area: FloatArray  # cm²
    tattoo_age: FloatArray  # years
    smoker: FloatArray  # 0 or 1
    elsewhere: IntArray  # sessions at another clinic first

    def __len__(self) -> int:
        return len(self.skin)

    def enquiries(self) -> pd.DataFrame:
        """Return a frame with the columns of an enquiry; what is not recorded is None or NaN."""
        smoker = np.where(np.isnan(self.smoker), -1, self.smoker).astype(np.int64)
        return pd.DataFrame({
            "skin_type": _words(self.skin, SKIN_TYPES),
            "body_site": _words(self.site, BODY_SITES),
            "inks": _words(self.inks, PATTERNS),
            "ink_density": _words(self.density, DENSITIES),
            "layering": _words(self.layering, LAYERS),
            "age_years": self.age,
            "origin": _words(self.origin, ORIGINS),
            "area_cm2": self.area,
            "tattoo_age_years": self.tattoo_age,
            "scarring": _words(self.scarring, SCARS),
            "smoker": _words(smoker, ("no", "yes")),
            "sessions_elsewhere": self.elsewhere,
        })  # fmt: skip


def _words(codes: IntArray, names: tuple[str, ...]) -> npt.NDArray[np.object_]:
    return np.array([*names, None], dtype=object)[codes]


def normal(table: npt.ArrayLike) -> FloatArray:
    """Return shares that sum to one along the last axis."""
    shares = np.asarray(table, dtype=np.float64)
    return np.asarray(shares / shares.sum(axis=-1, keepdims=True))


def origin_tables(mix: CaseMix) -> dict[str, FloatArray]:
    """Return the chance of each level given the origin: arrays of shape (4 origins, levels)."""
    inks = np.array(list(INK_TABLE.values()), dtype=np.float64).T
    coloured = np.array([bool(set(p.split(";")) - {"black"}) for p in PATTERNS])
    inks = inks * np.where(coloured, mix.colour, 1.0)
    usual = normal(mix.region)[REGION_OF_SITE] / np.bincount(REGION_OF_SITE)[REGION_OF_SITE]
    usual = usual if mix.sites is None else np.array(mix.sites, dtype=np.float64)
    cosmetic = np.where(np.array(BODY_SITES) == "face", 1.0, 0.0)
    lighter = np.array([1.8, 0.9, 0.4])
    density = np.array([mix.density * lighter, mix.density, mix.density * lighter, mix.density])
    over = np.array([mix.layered * 0.3, mix.layered, 0.02, 0.0])
    return {
        "inks": normal(inks),
        "site": normal(np.array([usual, usual, cosmetic, usual])),
        "density": normal(density),
        "layering": np.column_stack([1 - over, over]),
    }


def pick(chances: FloatArray, uniform: FloatArray) -> IntArray:
    """Return the level whose cumulative chance first exceeds ``uniform``; rows align."""
    cumulative = np.cumsum(np.broadcast_to(chances, (len(uniform), chances.shape[-1])), axis=1)
    level = (cumulative < uniform[:, None]).sum(axis=1)
    return np.asarray(np.minimum(level, chances.shape[-1] - 1), dtype=np.int64)


def draw_attributes(
    mix: CaseMix, client: IntArray, elsewhere_rate: float, rng: np.random.Generator
) -> Attributes:
    """Draw complete attributes of one course per entry of ``client``.

    Courses of one client share age (at the first visit), skin type and smoking.
    """
    n, n_clients = len(client), int(client.max()) + 1
    tables = origin_tables(mix)
    origin = pick(normal(mix.origin), rng.random(n))
    drawn = {name: pick(table[origin], rng.random(n)) for name, table in tables.items()}
    person = rng.random((n_clients, 2))
    age = draw_age(n_clients, rng)[client]
    elsewhere = np.where(rng.random(n) < elsewhere_rate, 1 + rng.binomial(5, 0.35, n), 0)
    return Attributes(
        skin=pick(normal(mix.skin), person[:, 0])[client],
        origin=origin,
        scarring=pick(normal(mix.scarring), rng.random(n)),
        age=age,
        area=draw_area(mix, drawn["site"], rng.normal(size=n)),
        tattoo_age=np.minimum(draw_tattoo_age(mix, rng.normal(size=n)), age - 15),
        smoker=(person[:, 1] < mix.smoker)[client].astype(np.float64),
        elsewhere=elsewhere.astype(np.int64),
        **drawn,
    )


def draw_age(n: int, rng: np.random.Generator) -> FloatArray:
    """Return ages (years) of clients at their first visit."""
    return tidy(19 + rng.gamma(2.2, 6.0, n), YOUNGEST, 74, 0)


def draw_area(mix: CaseMix, site: IntArray, z: FloatArray) -> FloatArray:
    """Return areas (cm²) on the given sites from standard normal numbers."""
    area = mix.area_median_cm2 * AREA_FACTOR[site] * np.exp(AREA_SD * z)
    return tidy(area, 0.5, 1000, 1)


def draw_tattoo_age(mix: CaseMix, z: FloatArray) -> FloatArray:
    """Return ages of tattoos (years) from standard normal numbers."""
    return tidy(mix.tattoo_age_median * np.exp(TATTOO_AGE_SD * z), 0.5, 40, 1)


def tidy(values: FloatArray, low: float, high: float, decimals: int) -> FloatArray:
    """Return the values within limits, as precise as a clinic writes them."""
    return np.asarray(np.round(np.clip(values, low, high), decimals), dtype=np.float64)


def has_ink(inks: IntArray, wanted: frozenset[str]) -> npt.NDArray[np.bool_]:
    """Return whether each course has any of the wanted inks."""
    return np.array([bool(wanted & set(pattern.split(";"))) for pattern in PATTERNS])[inks]


@dataclass(frozen=True, slots=True, eq=False)
class Crew:
    """The operators' ``speed``, ``habit``, ``reaction`` and ``grading``, each (operators,)."""

    speed: FloatArray
    habit: FloatArray
    reaction: FloatArray
    grading: FloatArray

    @classmethod
    def of(cls, world: World) -> "Crew":
        """Return the operators of ``world``: always the same for one world."""
        rng = np.random.default_rng([world.operator_seed, 11])
        z = rng.normal(size=(4, MOST_OPERATORS))[:, : world.operators]
        reaction = world.operator_reaction_sd * z[2]
        reaction[-1] = np.log(world.bad_operator) if world.bad_operator != 1 else reaction[-1]
        return cls(
            speed=world.operator_speed_sd * z[0],
            habit=world.operator_habit_sd * z[1],
            reaction=reaction,
            grading=world.grader_sd * z[3],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Cohort(Rows):
    """Courses before their first session here."""

    attributes: Attributes  # complete, of n courses
    client: IntArray  # which client
    start: FloatArray  # day of the first session, from the first day of the log
    frailty: FloatArray  # of client and course together, in the log of speed
    operator: IntArray  # who usually treats
    spacing: FloatArray  # usual weeks between sessions
    resists: FloatArray  # uniform: the smaller, the more readily some of the ink never goes

    def __len__(self) -> int:
        return len(self.start)


@dataclass(frozen=True, slots=True, eq=False)
class Chance(Rows):
    """The random numbers of n courses over h sessions, (n, h), shared by every strategy."""

    session: FloatArray  # standard normal
    grade: FloatArray  # standard normal: error of the grading
    gap: FloatArray  # standard normal: spacing
    pulse: FloatArray  # uniform: choice of regime
    graded: BoolArray  # whether the grading is written down
    treats: IntArray  # who treats
    before: FloatArray  # standard normal, (n, 6): the sessions elsewhere
    eye: FloatArray  # standard normal: error of the eye that chooses and stops
    technique: FloatArray  # uniform: passes and what else is used; only "practised" asks

    @classmethod
    def draw(cls, cohort: Cohort, world: World, horizon: int, rng: np.random.Generator) -> "Chance":
        """Draw for every course of ``cohort`` over ``horizon`` sessions."""
        shape = (len(cohort), horizon)
        usual = cohort.operator[:, None]
        other = rng.integers(world.operators, size=shape)
        asked = world.mechanism == "practised"
        return cls(
            session=rng.standard_normal(shape),
            grade=rng.standard_normal(shape),
            gap=rng.standard_normal(shape),
            pulse=rng.random(shape),
            graded=rng.random(shape) < world.grading_rate,
            treats=np.where((rng.random(shape) < 0.85) | world.ps_owner, usual, other),
            before=rng.standard_normal((len(cohort), BEFORE)),
            eye=rng.spawn(1)[0].standard_normal(shape) if world.eye_sd else np.zeros(shape),
            technique=rng.spawn(1)[0].random(shape) if asked else np.zeros(shape),
        )


def draw_courses(
    n: int, world: World, rng: np.random.Generator, between: tuple[float, float]
) -> Cohort:
    """Draw ``n`` courses of about ``n`` / 1.25 clients, begun evenly between two days."""
    size = max(1, round(n / COURSES_PER_CLIENT))
    client = np.concatenate([np.arange(size), rng.integers(size, size=n - size)])
    attributes = draw_attributes(world.mix, client, world.elsewhere_rate, rng)
    person = world.client_sd * rng.standard_normal(size)[client]
    return with_chance(attributes, person, client, world, rng, between)


def with_chance(
    attributes: Attributes,
    person: FloatArray,
    client: IntArray,
    world: World,
    rng: np.random.Generator,
    between: tuple[float, float],
) -> Cohort:
    """Return courses with the given attributes and client frailty; the rest is drawn."""
    n = len(attributes)
    return Cohort(
        attributes=attributes,
        client=client,
        start=np.floor(rng.uniform(*between, n)),
        frailty=person + world.course_sd * rng.standard_normal(n),
        operator=rng.integers(world.operators, size=n),
        spacing=8.0 * np.exp(0.2 * rng.standard_normal(n)),
        resists=rng.random(n),
    )
