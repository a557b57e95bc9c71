"""The invented clinic: its parameters, and who comes to it, attributes, operators and chance.

Everything the simulator believes is a field of `World` or stands in ``clinic.toml``, so that a
study states its clinic in one line. On which scale and by which evidence attributes act is said by
the file of each mechanism (``share``, ``noisy``, ``waning``, ``leaving``, ``practised``).

Inks, density, body site and layering depend on the origin of the tattoo; area depends on the
site; everything else is independent. So what a missing attribute may have been, given the
recorded ones, is known exactly, which the true distribution needs.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal, Self

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast._notes import problem_and_remedy
from forecast._shipped import shipped
from forecast.errors import RequestError
from forecast.log import column
from forecast.tattoo import INK_GROUPS, INKS, REGIONS, SITES, ink_group, read_inks, uptake_table

Mechanism = Literal["share", "noisy", "waning", "leaving", "practised"]

MOST_OPERATORS = 64

TABLES: dict[str, Any] = shipped(Path(__file__).with_name("clinic.toml"))
EFFECTS: dict[str, dict[str, float]] = TABLES["effects"]  # by mechanism


@dataclass(frozen=True, slots=True)
class OwnedLaser:
    """One laser of the clinic."""

    laser_id: str
    regime: str
    wavelengths_nm: tuple[int, ...]
    from_year: float  # after the log begins; negative when owned before


FLEET = (
    OwnedLaser("yag", "ns", (532, 1064), -2.0),
    OwnedLaser("alex", "ns", (755,), 2.5),
    OwnedLaser("pico", "ps", (532, 755, 1064), 4.0),
)


@dataclass(frozen=True, slots=True)
class CaseMix:
    """Who comes: shares of the levels in the order of the log's own lists."""

    skin: tuple[float, ...] = (0.08, 0.27, 0.30, 0.20, 0.10, 0.05)
    origin: tuple[float, ...] = (0.17, 0.74, 0.06, 0.03)
    region: tuple[float, ...] = (0.07, 0.25, 0.10, 0.24, 0.34)  # as `tattoo.REGIONS`
    density: tuple[float, ...] = (0.25, 0.45, 0.30)  # amateur tattoos are lighter than this
    colour: float = 1.0  # times the odds of coloured against plain black patterns
    smoker: float = 0.28
    layered: float = 0.10
    scarring: tuple[float, ...] = (0.80, 0.15, 0.05)
    area_median_cm2: float = 35.0  # of a log-normal distribution
    tattoo_age_median: float = 5.0  # years, likewise
    sites: tuple[float, ...] | None = None  # instead of ``region``, within which sites are alike


@dataclass(frozen=True, slots=True)
class World:
    """One invented clinic, complete.

    How ink goes is the ``mechanism``; ``usual_world`` gives the numbers that suit each.
    ``log_speed`` is the log of the speed of the reference tattoo per nanosecond session at 8 weeks:
    under "share" and "noisy" the fall of log remaining ink, under "leaving" the share of the
    original ink, under "waning" the dose; under "share" the reference is professional, black,
    medium, single, 30 cm², proximal limb, non-smoker. It is shifted by ``effects`` of attributes;
    by ``regime_effect`` in a ps session and ``regime_effect_colour`` further for tattoos with inks
    other than black and red; and by ``spacing_effect`` per log of (weeks since the session before /
    8). ``client_sd``, ``course_sd`` and ``session_sd`` are its spread between clients, between
    courses, between sessions of a course ("leaving": of the sessions needed, between the first two;
    "noisy": the third is the coefficient of variation).

    A course counts as cleared or lightened at a graded fading of ``cleared_at`` and
    ``lightened_at`` percent. A grading has an error ``grade_sd`` and graders a spread
    ``grader_sd``, in the log of the remaining ink; ``grading_rate`` is the share of visits with a
    recorded one. Graders write in ``scales``, percent points, operator by operator and then from
    the first again; what is rounded never crosses ``cleared_at``. The eye that judges fading when
    regimes are chosen and clients stop has the error ``eye_sd``; 0 has them go by the gradings
    written down.

    ``dropout_base`` is the log odds of stopping after an uncleared session, before the further
    terms; with ``informative_dropout`` slow fading and reactions raise it, by ``dropout_slow`` when
    nothing at all has faded. The regime depends on the date ``by_calendar`` (the ps laser comes
    late and takes over), on ink density ``by_density``, and on stalled fading ``by_stalled``; all
    false, it is assigned at random from the first day. ``stalled_only`` has only stalled courses
    ever changed, so that no other could have been; ``review_effect`` is the further log odds of
    turning to ps in session 5: the clinic reviews a course after four.

    The clinic owns the ``fleet`` and has ``operators``, whose own values ``operator_seed`` draws:
    the log and later clients meet the same ones. ``operator_speed_sd``, ``operator_habit_sd`` and
    ``operator_reaction_sd`` are their spread in log speed, in the log odds of choosing ps, and in
    those of a reaction; ``bad_operator`` multiplies the last one's odds of a reaction, 1 plants
    none; with ``ps_owner`` the first fires every ps session and no other (regime and operator
    cannot be told apart).

    ``reaction_rate`` is the chance of a reaction per session at skin types I to III, usual fluence,
    ns; ``reaction_regime`` its log odds ratio, ps against ns, each at its own usual fluence, and
    ``reaction_dark`` that of skin types V and VI. ``work_up`` is the rise of the log of fluence
    from session to session, over the first seven. ``mix`` says who comes; of their tattoos with any
    colour ``resistant_rate`` have one that answers to no wavelength; ``elsewhere_rate`` of the
    courses were begun elsewhere, ``lighten_rate`` only want lightening.

    Raises
    ------
    RequestError
        If there is no operator or more than 64, a spread is negative, or the mechanism or an
        effect is unknown.

    Examples
    --------
    >>> World(resistant_rate=0.2).operators
    5
    """

    log_speed: float = -0.93
    effects: Mapping[str, float] = field(default_factory=lambda: dict(EFFECTS["share"]))
    client_sd: float = 0.15
    course_sd: float = 0.15
    session_sd: float = 0.25
    regime_effect: float = 0.08
    regime_effect_colour: float = 0.0
    spacing_effect: float = 0.12
    grade_sd: float = 0.08
    grader_sd: float = 0.04
    cleared_at: float = 95.0
    lightened_at: float = 70.0
    grading_rate: float = 0.9
    dropout_base: float = -3.9
    informative_dropout: bool = True
    by_calendar: bool = True
    by_density: bool = True
    by_stalled: bool = True
    stalled_only: bool = False
    review_effect: float = 1.6
    fleet: tuple[OwnedLaser, ...] = FLEET
    operators: int = 5
    operator_speed_sd: float = 0.04
    operator_habit_sd: float = 0.5
    operator_reaction_sd: float = 0.3
    bad_operator: float = 1.0
    ps_owner: bool = False
    reaction_rate: float = 0.03
    reaction_regime: float = -0.3
    resistant_rate: float = 0.05
    elsewhere_rate: float = 0.08
    lighten_rate: float = 0.07
    mix: CaseMix = field(default_factory=CaseMix)
    operator_seed: int = 0
    mechanism: Mechanism = "share"
    dropout_slow: float = 1.8
    eye_sd: float = 0.0
    scales: tuple[float, ...] = (1.0,)
    reaction_dark: float = 0.9
    work_up: float = 0.0

    def __post_init__(self) -> None:
        if self.mechanism not in EFFECTS:
            values = {"given": self.mechanism, "known": [*EFFECTS]}
            raise RequestError(*problem_and_remedy("refused.mechanism", values))
        known = EFFECTS[self.mechanism]
        unknown = sorted(set(self.effects) - set(known))
        if unknown:
            raise RequestError(
                f"The effect {unknown[0]!r} is not one of the clinic's.",
                f"Known effects under {self.mechanism!r} are {', '.join(known)}.",
            )
        between = (self.client_sd, self.course_sd, self.session_sd)
        errors = (self.grade_sd, self.grader_sd, self.eye_sd)
        if min(*between, *errors) < 0 or not 1 <= self.operators <= MOST_OPERATORS:
            raise RequestError(
                f"The clinic has a negative spread or {self.operators} operators.",
                f"Give spreads of at least 0 and 1 to {MOST_OPERATORS} operators.",
            )


def usual_world(mechanism: Mechanism) -> World:
    """Return the usual clinic of a ``mechanism``, see the module of that name.

    A plain black tattoo needs about 7 to 12 sessions in each, and about a tenth of all courses,
    most of them with light colours, are not clear within 25. Raises RequestError for any other.

    Examples
    --------
    >>> usual_world("waning").mechanism
    'waning'
    """
    usual = _fixed(TABLES["usual"].get(mechanism, {}))
    usual["mix"] = CaseMix(**_fixed(usual.get("mix", {})))
    return World(mechanism=mechanism, effects=dict(EFFECTS.get(mechanism, {})), **usual)


def _fixed(table: Mapping[str, Any]) -> dict[str, Any]:
    return {name: tuple(one) if isinstance(one, list) else one for name, one in table.items()}


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
    """What is known of each course; codes are into the log's levels, -1 and NaN not recorded."""

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
    """Draw ``n`` courses of about ``n`` / 1.25 clients, begun evenly between two days.

    Courses of one client share age (at the first visit), skin type and smoking.
    """
    size, mix = max(1, round(n / COURSES_PER_CLIENT)), world.mix
    client = np.concatenate([np.arange(size), rng.integers(size, size=n - size)])
    origin = pick(normal(mix.origin), rng.random(n))
    drawn = {name: pick(each[origin], rng.random(n)) for name, each in origin_tables(mix).items()}
    person = rng.random((size, 2))
    age = draw_age(size, rng)[client]
    elsewhere = np.where(rng.random(n) < world.elsewhere_rate, 1 + rng.binomial(5, 0.35, n), 0)
    attributes = Attributes(
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
    frailty = world.client_sd * rng.standard_normal(size)[client]
    return with_chance(attributes, frailty, client, world, rng, between)


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
