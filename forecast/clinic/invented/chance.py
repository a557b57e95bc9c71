"""The courses that come and the random numbers that every strategy shares."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.clinic.invented.people import Attributes, draw_attributes
from forecast.clinic.invented.world import MOST_OPERATORS, World

__all__ = ["Chance", "Cohort", "Crew", "draw_courses"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

COURSES_PER_CLIENT = 1.25
BEFORE = 6  # sessions elsewhere, at most


@dataclass(frozen=True, slots=True, eq=False)
class Crew:
    """The operators' own values, each of shape (operators,)."""

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
class Cohort:
    """Courses before their first session here.

    Attributes
    ----------
    attributes : Attributes
        Complete, n courses.
    client : ndarray of int
        Which client.
    start : ndarray of float
        Day of the first session, counted from the first day of the log.
    frailty : ndarray of float
        Client and course frailty together, in the log of speed.
    operator : ndarray of int
        Who usually treats.
    spacing : ndarray of float
        Usual weeks between sessions.
    resistant : ndarray of int
        1 where one of the colours does not respond to any wavelength.
    """

    attributes: Attributes
    client: IntArray
    start: FloatArray
    frailty: FloatArray
    operator: IntArray
    spacing: FloatArray
    resistant: IntArray

    def __len__(self) -> int:
        return len(self.start)

    def take(self, rows: npt.NDArray[np.intp]) -> "Cohort":
        """Return the courses in ``rows``."""
        return Cohort(
            attributes=self.attributes.take(rows),
            client=self.client[rows],
            start=self.start[rows],
            frailty=self.frailty[rows],
            operator=self.operator[rows],
            spacing=self.spacing[rows],
            resistant=self.resistant[rows],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Chance:
    """The random numbers of n courses over h sessions, shared by every strategy.

    Attributes
    ----------
    session, grade, gap : ndarray of shape (n, h)
        Standard normal: chance of the session, error of the grading, spacing.
    pulse : ndarray of shape (n, h)
        Uniform: choice of regime.
    graded : ndarray of bool, shape (n, h)
        Whether the grading is written down.
    treats : ndarray of int, shape (n, h)
        Who treats.
    before : ndarray of shape (n, 6)
        Standard normal: the sessions elsewhere.
    """

    session: FloatArray
    grade: FloatArray
    gap: FloatArray
    pulse: FloatArray
    graded: BoolArray
    treats: IntArray
    before: FloatArray

    @classmethod
    def draw(cls, cohort: Cohort, world: World, horizon: int, rng: np.random.Generator) -> "Chance":
        """Draw for every course of ``cohort`` over ``horizon`` sessions."""
        shape = (len(cohort), horizon)
        usual = cohort.operator[:, None]
        other = rng.integers(world.operators, size=shape)
        return cls(
            session=rng.standard_normal(shape),
            grade=rng.standard_normal(shape),
            gap=rng.standard_normal(shape),
            pulse=rng.random(shape),
            graded=rng.random(shape) < world.grading_rate,
            treats=np.where((rng.random(shape) < 0.85) | world.ps_owner, usual, other),
            before=rng.standard_normal((len(cohort), BEFORE)),
        )

    def take(self, rows: npt.NDArray[np.intp]) -> "Chance":
        """Return the chance of the courses in ``rows``."""
        return Chance(*(getattr(self, name)[rows] for name in Chance.__slots__))

    def at_visits(self, other: "Chance") -> "Chance":
        """Return the same chance with the visits of ``other``: dates, operators, gradings noted."""
        return replace(self, gap=other.gap, treats=other.treats, graded=other.graded)


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
        resistant=(rng.random(n) < world.resistant_rate).astype(np.int64),
    )
