"""Session by session: how ink goes, what is graded and which regime fires, for many courses at once.

The mechanism, for course i at session t:

- ink is split by colour: black is three parts, every other colour one. A part can be removed only
  in sessions from the day on which the clinic owns a laser that some wavelength of that colour
  takes (``REACH``); a part never reached is the remnant that never goes;
- a colour seen by eye does not fix the chemistry: some tattoos (``resistant``) have one colour that
  nothing takes, whatever its name says;
- log remaining ink of every reached part falls by exp(eta), where eta = log speed of the clinic +
  effects of the attributes + client frailty + course frailty + operator + regime effect in a ps
  session + spacing effect x log(weeks since the session before / 8) + chance of this session;
- the grading is 100 (1 - remaining x exp(error + grader)), whole percent, between 0 and 100;
- the course is cleared at the first session after which the grading reaches ``cleared_at``.

A strategy replaces the regime of each session and nothing else, with the same chance terms
(common random numbers): the reach of the lasers owned at the date does not depend on it, so a
regime effect of zero is exactly no difference.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast.clinic.cohort import OTHER_COLOURS, PATTERNS, Attributes, has_ink, world_speed
from forecast.clinic.courses import INKS
from forecast.clinic.world import World
from forecast.errors import RequestError

__all__ = ["Chance", "Cohort", "Crew", "Paths", "REACH", "pulse_rule", "run_sessions"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

YEAR = 365.25
# Wavelengths that a colour takes up in this invented clinic; yellow needs short pulses too.
REACH: dict[str, tuple[int, ...]] = {
    "black": (532, 694, 755, 785, 1064),
    "dark_blue": (694, 755, 785, 1064),
    "light_blue": (694, 755, 785),
    "green": (694, 755, 785),
    "red": (532,),
    "orange": (532,),
    "yellow": (532,),
    "purple": (694, 755, 785),
    "brown": (532, 1064),
    "white": (),
    "flesh": (),
}
NEVER = 1e9


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
        z = rng.normal(size=(4, 64))[:, : world.operators]
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
    stand_in : ndarray of int, shape (n, h)
        Who treats.
    before : ndarray of shape (n, 6)
        Standard normal: the sessions elsewhere.
    """

    session: FloatArray
    grade: FloatArray
    gap: FloatArray
    pulse: FloatArray
    graded: BoolArray
    stand_in: IntArray
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
            stand_in=np.where((rng.random(shape) < 0.85) | world.ps_owner, usual, other),
            before=rng.standard_normal((len(cohort), 6)),
        )

    def take(self, rows: npt.NDArray[np.intp]) -> "Chance":
        """Return the chance of the courses in ``rows``."""
        return Chance(*(getattr(self, name)[rows] for name in Chance.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class Paths:
    """What would happen to n courses over h sessions if nobody stopped.

    Attributes
    ----------
    day : ndarray of shape (n, h)
        Day of each session, from the first day of the log.
    next_day : ndarray of shape (n, h)
        Day of the visit after it, when it is graded.
    pulse : ndarray of bool, shape (n, h)
        True where ps.
    grade : ndarray of shape (n, h)
        Graded fading after the session, percent.
    graded : ndarray of bool, shape (n, h)
        Whether that grading is written down.
    noted : ndarray of shape (n, h)
        The last grading written down by then, percent; 0 when there is none.
    operator : ndarray of int, shape (n, h)
        Who treated.
    log_speed : ndarray of shape (n,)
        Log of the fall per ns session of this course, chance of the session left out.
    remnant : ndarray of shape (n,)
        Share of the ink that no laser of the clinic had reached by the last session.
    before : ndarray of shape (n,)
        Graded fading at the first visit, percent.
    elsewhere_clear : ndarray of bool, shape (n,)
        Whether the other clinic had already cleared it: such a course never comes.
    """

    day: FloatArray
    next_day: FloatArray
    pulse: BoolArray
    grade: FloatArray
    graded: BoolArray
    noted: FloatArray
    operator: IntArray
    log_speed: FloatArray
    remnant: FloatArray
    before: FloatArray
    elsewhere_clear: BoolArray

    def take(self, rows: npt.NDArray[np.intp]) -> "Paths":
        """Return the paths of the courses in ``rows``."""
        return Paths(*(getattr(self, name)[rows] for name in Paths.__slots__))

    def first_at(self, threshold: float | FloatArray) -> IntArray:
        """Return the first session whose grading reaches ``threshold``; h + 1 when none does."""
        reached = self.grade >= threshold
        return np.where(reached.any(axis=1), reached.argmax(axis=1) + 1, self.grade.shape[1] + 1)

    @property
    def session_no(self) -> IntArray:
        """Session numbers 1 to h, shape (1, h)."""
        return np.arange(1, self.grade.shape[1] + 1)[None, :]


def pulse_rule(strategy: str) -> int | None:
    """Return after how many sessions a strategy turns to ps: 0 for "ps", None for "ns".

    Examples
    --------
    >>> pulse_rule("ns:4>ps")
    4
    """
    if strategy in ("ns", "ps"):
        return 0 if strategy == "ps" else None
    head, arrow, tail = strategy.partition(">")
    count = head.removeprefix("ns:")
    if arrow and tail == "ps" and head.startswith("ns:") and count.isdecimal() and int(count):
        return int(count)
    raise RequestError(
        f"The strategy {strategy!r} cannot be read.", 'Write "ns", "ps" or "ns:4>ps".'
    )


def reach_day(ink: str, world: World) -> float:
    """Return the day on which a laser for the ink is first owned; ``NEVER`` when none is."""
    usable = [
        laser.from_year * YEAR
        for laser in world.fleet
        if set(REACH[ink]) & set(laser.wavelengths_nm) and (ink != "yellow" or laser.regime == "ps")
    ]
    return max(0.0, min(usable)) if usable else NEVER


def reach_shares(world: World) -> tuple[FloatArray, FloatArray]:
    """Return the days on which inks come within reach, and what comes within reach on each.

    Shapes (m,) and (2, patterns, m); the last day is never. The second table is for resistant
    tattoos: their last colour is never reached.
    """
    reached = {ink: reach_day(ink, world) for ink in INKS}
    days = sorted({*reached.values(), NEVER})
    shares = np.zeros((2, len(PATTERNS), len(days)))
    for row, pattern in enumerate(PATTERNS):
        inks = pattern.split(";")
        for ink in inks:
            part = 3 if ink == "black" else 1
            resists = ink == inks[-1] and ink != "black"
            shares[0, row, days.index(reached[ink])] += part
            shares[1, row, -1 if resists else days.index(reached[ink])] += part
    return np.array(days), shares / shares.sum(axis=2, keepdims=True)


@dataclass(slots=True)
class _Progress:
    """State of the session loop; ``fallen`` is the fall of log ink per day class, (n, m)."""

    fallen: FloatArray
    noted: FloatArray
    noted_before: FloatArray
    pulse: BoolArray


def _grade(log_left: FloatArray, error: FloatArray) -> FloatArray:
    faded = np.round(-100 * np.expm1(log_left + error))
    return np.asarray(np.clip(faded, 0, 100) + 0.0, dtype=np.float64)


def choose_pulse(
    cohort: Cohort, world: World, crew: Crew, progress: _Progress, t: int, day: FloatArray
) -> FloatArray:
    """Return the chance of ps at session ``t`` + 1 under the clinic's own habits, shape (n,).

    The clinic never goes back from ps to ns within a course. Everything it looks at is in the
    log: date, density, colours, operator, and the gradings written down.
    """
    bought = min((laser.from_year for laser in world.fleet if laser.regime == "ps"), default=NEVER)
    since = day / YEAR - (bought if world.by_calendar else 0.0)
    attributes = cohort.attributes
    taste = crew.habit[cohort.operator] + 0.4 * has_ink(attributes.inks, OTHER_COLOURS)
    taste = taste + (0.9 * (attributes.density == 2) if world.by_density else 0.0)
    drift = 0.45 * (np.clip(since, 0, 4) - 2) if world.by_calendar else 0.0
    if t == 0:
        logit = -0.3 + taste + drift
    else:
        stalled = (progress.noted - progress.noted_before < 4) & (progress.noted < 90) & (t >= 3)
        logit = -3.0 + 0.5 * taste + 0.5 * drift + (2.2 * stalled if world.by_stalled else 0.0)
    chance = 1 / (1 + np.exp(-logit))
    if world.ps_owner:
        chance = np.where(cohort.operator == 0, 1.0, 0.0)
    return (
        np.where(progress.pulse, 1.0, np.where(since >= 0, chance, 0.0)) if bought < 99 else 0 * day
    )


def _elsewhere(
    cohort: Cohort,
    chance: Chance,
    world: World,
    base: FloatArray,
    share: FloatArray,
    open_: BoolArray,
) -> tuple[FloatArray, BoolArray]:
    """Return the fall of log ink from the sessions elsewhere, (n,), and whether they cleared it."""
    count = cohort.attributes.elsewhere[:, None]
    had = np.arange(chance.before.shape[1])[None, :] < count
    step = np.exp(base[:, None] + world.session_sd * chance.before)
    fallen = np.cumsum(np.where(had, step, 0.0), axis=1)
    reached = (share * open_).sum(axis=1)[:, None]
    left = (1 - reached) + reached * np.exp(-fallen)
    cleared = (left <= 1 - world.cleared_at / 100).any(axis=1)
    return fallen[:, -1], cleared


def run_sessions(
    cohort: Cohort, chance: Chance, world: World, *, strategy: str | None = None
) -> Paths:
    """Return what happens to every course if treatment goes on to the last session.

    Parameters
    ----------
    cohort : Cohort
        The courses.
    chance : Chance
        Their random numbers; the number of sessions is its width.
    world : World
        The clinic.
    strategy : str, optional
        "ns", "ps" or "ns:4>ps"; the clinic's own habits when not given.
    """
    crew = Crew.of(world)
    turn = None if strategy is None else pulse_rule(strategy)
    n, horizon = chance.session.shape
    days, shares = reach_shares(world)
    share = shares[cohort.resistant, cohort.attributes.inks]
    base = world_speed(cohort.attributes, world) + cohort.frailty
    gain = world.regime_effect + world.regime_effect_colour * has_ink(
        cohort.attributes.inks, OTHER_COLOURS
    )
    weeks = cohort.spacing[:, None] * np.exp(0.18 * chance.gap)
    gaps = np.maximum(np.round(7 * weeks), 21.0)
    next_day = cohort.start[:, None] + np.cumsum(gaps, axis=1)
    day = np.hstack([cohort.start[:, None], next_day[:, :-1]])
    treats = chance.stand_in

    fallen, gone = _elsewhere(
        cohort, chance, world, base, share, days[None, :] <= cohort.start[:, None]
    )
    opened = (days[None, :] <= cohort.start[:, None]) * fallen[:, None]
    before = _grade(np.log((share * np.exp(-opened)).sum(axis=1)), np.zeros(n))
    state = _Progress(opened, before, np.full(n, -100.0), np.zeros(n, dtype=np.bool_))
    pulse = np.zeros((n, horizon), dtype=np.bool_)
    grade, noted = np.empty((n, horizon)), np.empty((n, horizon))
    spacing = np.hstack([np.zeros((n, 1)), np.log(gaps[:, :-1] / 56)])
    drift = world.session_sd * chance.session + world.spacing_effect * spacing + crew.speed[treats]
    error = world.grade_sd * np.clip(chance.grade, -3, 3) + crew.grading[treats]
    for t in range(horizon):
        if strategy is None:
            chosen = choose_pulse(cohort, world, crew, state, t, day[:, t])
            state.pulse = chance.pulse[:, t] < chosen
        else:
            state.pulse = np.full(n, turn is not None and t >= turn)
        pulse[:, t] = state.pulse
        fall = np.exp(base + drift[:, t] + gain * state.pulse)
        state.fallen += np.where(days[None, :] <= day[:, t : t + 1], fall[:, None], 0.0)
        grade[:, t] = _grade(np.log((share * np.exp(-state.fallen)).sum(axis=1)), error[:, t])
        written = chance.graded[:, t]
        state.noted_before = np.where(written, state.noted, state.noted_before)
        state.noted = np.where(written, grade[:, t], state.noted)
        noted[:, t] = state.noted
    return Paths(
        day=day, next_day=next_day, pulse=pulse, grade=grade, graded=chance.graded, noted=noted, operator=treats,
        log_speed=base, before=before, elsewhere_clear=gone,
        remnant=(share * (days[None, :] > day[:, -1:])).sum(axis=1),
    )  # fmt: skip
