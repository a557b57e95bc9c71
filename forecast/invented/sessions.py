"""Session by session: what is graded, which regime fires, and when the goal is reached.

How ink goes is the world's mechanism: share, noisy, waning, leaving or practised. Common to all:

- the grading is 100 (1 - remaining x exp(error + grader)), whole percent or as coarse as the grader
  writes (``World.scales``), between 0 and 100;
- the course is cleared at the first session after which the grading reaches ``cleared_at``.

A strategy replaces the regime of each session (``instead``) and nothing else, with the same chance
terms (common random numbers): what can go at the date does not depend on it, so a regime effect of
zero is exactly no difference. How all that is sold and written down is the matter of ``simulate``.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast.invented.people import (
    NEVER,
    OTHER_COLOURS,
    YEAR,
    Chance,
    Cohort,
    Crew,
    Rows,
    draw_courses,
    has_ink,
)
from forecast.invented.practised import Practised
from forecast.invented.process import Doses, Leaving, Noisy, Visit, Waning
from forecast.invented.share import Share
from forecast.invented.world import World

Instead = Callable[[int, BoolArray], BoolArray]
REVIEWED = 4  # sessions after which the clinic looks at a course anew
PROCESSES: dict[str, Callable[[Cohort, World], Share | Doses]] = {
    "share": Share,
    "noisy": Noisy,
    "waning": Waning,
    "leaving": Leaving,
    "practised": Practised,
}
MOST = 60  # sessions followed at most; a course that needs more never clears


@dataclass(frozen=True, slots=True, eq=False)
class Paths(Rows):
    """What would happen to n courses over h sessions if nobody stopped, (n, h)."""

    day: FloatArray  # of each session, from the first day of the log
    next_day: FloatArray  # of the visit after it, when it is graded
    pulse: BoolArray  # whether it was ps
    grade: FloatArray  # graded fading after the session, percent
    graded: BoolArray  # whether that grading is written down
    # fading as those who choose and stop see it, percent: the last grading written down by then (0
    # when there is none), or what the eye says (``World.eye_sd``)
    seen: FloatArray
    operator: IntArray  # who treated
    technique: FloatArray  # as in ``Chance``
    before: FloatArray  # (n,): graded fading at the first visit, percent
    # (n,): whether the other clinic had cleared it: such a course never comes
    elsewhere_clear: BoolArray

    def first_at(self, threshold: float | FloatArray) -> IntArray:
        """Return the first session that reaches a threshold, of all or by course; h + 1 if none."""
        reached = self.grade >= np.reshape(threshold, (-1, 1))
        first = np.where(reached.any(axis=1), reached.argmax(axis=1) + 1, reached.shape[1] + 1)
        return np.asarray(first, dtype=np.int64)

    @property
    def session_no(self) -> IntArray:
        """Session numbers 1 to h, shape (1, h)."""
        return np.arange(1, self.grade.shape[1] + 1)[None, :]


def _grade(
    log_left: FloatArray, error: FloatArray, step: FloatArray, cleared_at: float
) -> FloatArray:
    """Return what is written down in steps of ``step``, on its own side of ``cleared_at``."""
    faded = np.clip(np.round(-100 * np.expm1(log_left + error)), 0, 100) + 0.0
    top = step * np.ceil(cleared_at / step)  # the first that counts as cleared
    written = step * np.round(faded / step)
    held = np.where(faded < cleared_at, np.minimum(written, top - step), np.maximum(written, top))
    return np.asarray(np.minimum(held, 100), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Habit:
    """How the clinic chooses the regime: logits of shape (n,), fixed for the course."""

    world: World
    taste: FloatArray
    bought: float  # year from which ps can be chosen
    owner: BoolArray | None

    @classmethod
    def of(cls, cohort: Cohort, world: World) -> "_Habit":
        attributes = cohort.attributes
        bought = min(
            (owned.from_year for owned in world.fleet if owned.regime == "ps"), default=NEVER
        )
        taste = Crew.of(world).habit[cohort.operator]
        taste = taste + 0.4 * has_ink(attributes.inks, OTHER_COLOURS)
        return cls(
            world,
            taste=taste + (0.9 * (attributes.density == 2) if world.by_density else 0.0),
            bought=bought if world.by_calendar or bought == NEVER else 0.0,
            owner=(cohort.operator == 0) if world.ps_owner else None,
        )

    def chance_of_ps(
        self, t: int, day: FloatArray, seen: FloatArray, seen_before: FloatArray, was_ps: BoolArray
    ) -> FloatArray:
        """Return the chance of ps at session ``t`` + 1; a course never goes back to ns."""
        world, since = self.world, day / YEAR - self.bought
        drift = 0.45 * (np.clip(since, 0, 4) - 2) if world.by_calendar else 0.0
        logit = -0.3 + self.taste + drift
        stalled = (t >= 3) & (seen - seen_before < 4) & (seen < 90)
        if t > 0:
            logit = -3.0 + 0.5 * self.taste + 0.5 * drift + world.review_effect * (t == REVIEWED)
            if world.by_stalled:
                logit = logit + 2.2 * stalled
        chance = 1 / (1 + np.exp(-logit)) if self.owner is None else 1.0 * self.owner
        if world.stalled_only and t > 0:
            chance = chance * stalled
        return np.where(was_ps, 1.0, np.where(since >= 0, chance, 0.0))


def _dates(cohort: Cohort, chance: Chance) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return days of the sessions, of the visits after them, and log(weeks before / 8)."""
    gaps = np.maximum(np.round(7 * cohort.spacing[:, None] * np.exp(0.18 * chance.gap)), 21.0)
    next_day = cohort.start[:, None] + np.cumsum(gaps, axis=1)
    day = np.hstack([cohort.start[:, None], next_day[:, :-1]])
    spacing = np.hstack([np.zeros((len(cohort), 1)), np.log(gaps[:, :-1] / 56)])
    return day, next_day, spacing


def run_sessions(
    cohort: Cohort, chance: Chance, world: World, *, instead: Instead | None = None
) -> Paths:
    """Return what happens to every course if treatment goes on to the last session.

    ``instead`` of the clinic's own habits says who is to have ps at a session, counted from 0,
    given who would have it.
    """
    process = PROCESSES[world.mechanism](cohort, world)
    crew, habit = Crew.of(world), _Habit.of(cohort, world)
    n, horizon = chance.session.shape
    day, next_day, weeks = _dates(cohort, chance)
    coloured = has_ink(cohort.attributes.inks, OTHER_COLOURS)
    gain = np.where(coloured, world.regime_effect_colour, 0.0) + world.regime_effect
    speed = crew.speed[chance.treats]
    error = world.grade_sd * np.clip(chance.grade, -3, 3) + crew.grading[chance.treats]
    scale = np.resize(world.scales, world.operators)
    pulse, grade = np.zeros((n, horizon), dtype=np.bool_), np.empty((n, horizon))
    seen = np.empty((n, horizon))
    state, elsewhere_clear = process.begin(cohort, chance)
    goal, whole = world.cleared_at, np.ones(n)
    before = _grade(process.log_left(state), np.zeros(n), scale[cohort.operator], goal)
    last, before_last, ps = before, np.full(n, -100.0), np.zeros(n, dtype=np.bool_)
    for t in range(horizon):
        ps = chance.pulse[:, t] < habit.chance_of_ps(t, day[:, t], last, before_last, ps)
        ps = ps if instead is None else instead(t, ps)
        drawn = chance.session[:, t], weeks[:, t], speed[:, t], gain * ps, chance.technique[:, t]
        visit = Visit(day[:, t], *drawn)
        state = process.step(state, visit)
        left = process.log_left(state)
        pulse[:, t] = ps
        grade[:, t] = _grade(left, error[:, t], scale[chance.treats[:, t]], goal)
        if world.eye_sd:
            before_last, last = last, _grade(left, world.eye_sd * chance.eye[:, t], whole, goal)
        else:
            written = chance.graded[:, t]
            before_last = np.where(written, last, before_last)
            last = np.where(written, grade[:, t], last)
        seen[:, t] = last
    return Paths(
        day=day,
        next_day=next_day,
        pulse=pulse,
        grade=grade,
        graded=chance.graded,
        seen=seen,
        operator=chance.treats,
        technique=chance.technique,
        before=before,
        elsewhere_clear=elsewhere_clear,
    )


def arrive(
    n: int, world: World, rng: np.random.Generator, between: tuple[float, float], horizon: int
) -> tuple[Cohort, Chance, Paths]:
    """Return ``n`` courses that come between two days, in order of their start, and their paths.

    Drawn by ``rng`` in that ``world``, paths as long as ``horizon``. Courses that another clinic
    had cleared never come: more are drawn than are kept.
    """
    pool = draw_courses(int(n * (1 + 0.5 * world.elsewhere_rate)) + 20, world, rng, between)
    chance = Chance.draw(pool, world, horizon, rng)
    paths = run_sessions(pool, chance, world)
    comes = np.sort(rng.permutation(np.flatnonzero(~paths.elsewhere_clear))[:n])
    comes = comes[np.argsort(pool.start[comes], kind="stable")]
    return pool.take(comes), chance.take(comes), paths.take(comes)
