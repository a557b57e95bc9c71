"""An invented clinic whose truth is known: what happens session by session, and the log it keeps.

How ink goes is the world's mechanism (``share``, ``practised``, and the others in ``process``);
``world`` holds every parameter and who comes. Common to all mechanisms:

- the grading is 100 (1 - remaining x exp(error + grader)), whole percent or as coarse as the grader
  writes (``World.scales``), between 0 and 100;
- the course is cleared at the first session after which the grading reaches ``cleared_at``;
- regimes follow the calendar, density, colours, operator and stalled fading, so that naive
  comparisons mislead. A strategy replaces the regime of each session (``instead``) and nothing
  else, with the same chance terms (common random numbers): what can go at the date does not depend
  on it, so a regime effect of zero is exactly no difference.

After each session that did not reach the goal a client may stop. The log odds rise with slow
fading as seen so far, after a reaction, when prepaid sessions have just been used up, with
the price of a session, and late in a course; they fall while prepaid sessions remain. With
``informative_dropout`` off, fading and reactions have no say. An end is known once the day of the
visit after it has come: until then the course is ongoing.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast._checks import YEAR, check_seed, check_whole_number
from forecast._notes import problem_and_remedy
from forecast.errors import RequestError
from forecast.invented.practised import Practised, as_practised
from forecast.invented.process import Doses, Leaving, Noisy, Visit, Waning
from forecast.invented.share import Share
from forecast.invented.world import (
    NEVER,
    OTHER_COLOURS,
    PATTERNS,
    REACH,
    TABLES,
    Chance,
    Cohort,
    Crew,
    Mechanism,
    OwnedLaser,
    Rows,
    World,
    draw_courses,
    has_ink,
    usual_world,
)
from forecast.log import LATEST, OutcomeLog, column, column_names

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


def _habit(cohort: Cohort, world: World) -> Callable[..., FloatArray]:
    """Return what gives the chance of ps at session ``t`` + 1; a course never goes back to ns."""
    bought = min((owned.from_year for owned in world.fleet if owned.regime == "ps"), default=NEVER)
    bought = bought if world.by_calendar or bought == NEVER else 0.0
    taste = Crew.of(world).habit[cohort.operator]
    taste = taste + 0.4 * has_ink(cohort.attributes.inks, OTHER_COLOURS)
    taste = taste + (0.9 * (cohort.attributes.density == 2) if world.by_density else 0.0)

    def chance_of_ps(
        t: int, day: FloatArray, seen: FloatArray, seen_before: FloatArray, was_ps: BoolArray
    ) -> FloatArray:
        since = day / YEAR - bought
        drift = 0.45 * (np.clip(since, 0, 4) - 2) if world.by_calendar else 0.0
        logit = -0.3 + taste + drift
        stalled = (t >= 3) & (seen - seen_before < 4) & (seen < 90)
        if t > 0:
            logit = -3.0 + 0.5 * taste + 0.5 * drift + world.review_effect * (t == REVIEWED)
            logit = logit + 2.2 * (stalled & world.by_stalled)
        chance = 1.0 * (cohort.operator == 0) if world.ps_owner else 1 / (1 + np.exp(-logit))
        if world.stalled_only and t > 0:
            chance = chance * stalled
        return np.where(was_ps, 1.0, np.where(since >= 0, chance, 0.0))

    return chance_of_ps


def run_sessions(
    cohort: Cohort, chance: Chance, world: World, *, instead: Instead | None = None
) -> Paths:
    """Return what happens to every course if treatment goes on to the last session.

    ``instead`` of the clinic's own habits says who is to have ps at a session, counted from 0,
    given who would have it.
    """
    process = PROCESSES[world.mechanism](cohort, world)
    crew, chance_of_ps = Crew.of(world), _habit(cohort, world)
    n, horizon = chance.session.shape
    gaps = np.maximum(np.round(7 * cohort.spacing[:, None] * np.exp(0.18 * chance.gap)), 21.0)
    next_day = cohort.start[:, None] + np.cumsum(gaps, axis=1)
    day = np.hstack([cohort.start[:, None], next_day[:, :-1]])
    weeks = np.hstack([np.zeros((n, 1)), np.log(gaps[:, :-1] / 56)])  # since the one before, by 8
    coloured = has_ink(cohort.attributes.inks, OTHER_COLOURS)
    gain = np.where(coloured, world.regime_effect_colour, 0.0) + world.regime_effect
    speed = crew.speed[chance.treats]
    error = world.grade_sd * np.clip(chance.grade, -3, 3) + crew.grading[chance.treats]
    scale = np.resize(world.scales, world.operators)
    pulse = np.zeros((n, horizon), dtype=np.bool_)
    grade, seen = np.empty((2, n, horizon))
    state, elsewhere_clear = process.begin(cohort, chance)
    goal, whole = world.cleared_at, np.ones(n)
    before = _grade(process.log_left(state), np.zeros(n), scale[cohort.operator], goal)
    last, before_last, ps = before, np.full(n, -100.0), np.zeros(n, dtype=np.bool_)
    for t in range(horizon):
        ps = chance.pulse[:, t] < chance_of_ps(t, day[:, t], last, before_last, ps)
        ps = ps if instead is None else instead(t, ps)
        drawn = chance.session[:, t], weeks[:, t], speed[:, t], gain * ps, chance.technique[:, t]
        state = process.step(state, Visit(day[:, t], *drawn))
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

    Courses that another clinic had cleared never come: more are drawn than are kept.
    """
    pool = draw_courses(int(n * (1 + 0.5 * world.elsewhere_rate)) + 20, world, rng, between)
    chance = Chance.draw(pool, world, horizon, rng)
    paths = run_sessions(pool, chance, world)
    comes = np.sort(rng.permutation(np.flatnonzero(~paths.elsewhere_clear))[:n])
    comes = comes[np.argsort(pool.start[comes], kind="stable")]
    return pool.take(comes), chance.take(comes), paths.take(comes)


PACKAGES = ("pay_per_session", "block_6", "fixed_price")
SOLD = (0.45, 0.35, 0.20)  # how often each is sold
BLOCK, CAP = 6, 15


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """How n courses went: what was sold, what happened, when it ended."""

    lighten: BoolArray  # whether the goal is lightening
    package: IntArray  # index into ``PACKAGES``
    given: IntArray  # sessions within the log
    ended: IntArray  # 0 ongoing, 1 reached the goal, 2 stopped
    reacted: BoolArray  # (n, h): a reaction after the session
    fluence: FloatArray  # (n, h): relative to what is usual for regime and skin type, in logs
    needed: IntArray  # sessions until the own goal; h + 1 when none


@dataclass(frozen=True, slots=True, eq=False)
class Luck(Rows):
    """The random numbers of how n courses go over h sessions."""

    goal: FloatArray  # uniform, (n,): whether lightening is enough
    sale: FloatArray  # uniform, (n,): what is sold
    fluence: FloatArray  # standard normal, (n, h): of the session
    habit: FloatArray  # standard normal, (n, 1): usual fluence of the course
    reacts: FloatArray  # uniform, (n, h): a reaction after the session
    stops: FloatArray  # uniform, (n, h): stopping after it

    @classmethod
    def draw(cls, n: int, horizon: int, rng: np.random.Generator) -> "Luck":
        """Draw for ``n`` courses over ``horizon`` sessions."""
        return cls(
            goal=rng.random(n),
            sale=rng.random(n),
            fluence=rng.standard_normal((n, horizon)),
            habit=rng.standard_normal((n, 1)),
            reacts=rng.random((n, horizon)),
            stops=rng.random((n, horizon)),
        )


def slowness(paths: Paths) -> FloatArray:
    """Return how far behind the fading seen is, 0 (as hoped) to 1 (nothing), shape (n, h)."""
    fallen = -np.log(np.maximum(1 - paths.seen / 100, 0.01))
    hoped = 0.3 * paths.session_no
    return np.where(paths.session_no >= 2, np.clip(1 - fallen / hoped, 0, 1), 0.0)


def session_price(area: FloatArray) -> FloatArray:
    """Return the clinic's price of a single session by area (cm²), to the next 5."""
    return 5.0 * np.round((60 + 8 * np.sqrt(area)) / 5)


def live(cohort: Cohort, paths: Paths, world: World, luck: Luck, last_day: float) -> Course:
    """Return how the courses went until ``last_day``: goals, sales, reactions, stopping."""
    n, horizon = paths.grade.shape
    lighten = np.asarray(luck.goal < world.lighten_rate, dtype=np.bool_)
    needed = paths.first_at(np.where(lighten, world.lightened_at, world.cleared_at))
    package = np.asarray(np.searchsorted(np.cumsum(SOLD), luck.sale), dtype=np.int64)
    fluence = 0.2 * luck.fluence + 0.15 * luck.habit
    fluence = fluence + world.work_up * (np.minimum(paths.session_no, 7) - 4)
    # log odds of a reaction after each session, (n, h)
    skin = cohort.attributes.skin[:, None]
    logit = np.log(world.reaction_rate / (1 - world.reaction_rate))
    logit = logit + 0.35 * (skin == 3) + world.reaction_dark * (skin >= 4) + 1.0 * fluence
    logit = logit + Crew.of(world).reaction[paths.operator] + world.reaction_regime * paths.pulse
    reacted = np.asarray(luck.reacts < 1 / (1 + np.exp(-logit)), dtype=np.bool_)
    # and of stopping after each that did not reach the goal
    k, sold = paths.session_no, package[:, None]
    used_up = ((sold == 1) & (k % BLOCK == 0)) | ((sold == 2) & (k == CAP))
    prepaid = ((sold == 1) & ~used_up) | ((sold == 2) & (k < CAP))
    logit = world.dropout_base - 1.0 * prepaid + 1.1 * used_up
    price = session_price(cohort.attributes.area)[:, None]
    logit = logit + 0.3 * np.log(price / 120) + 0.08 * np.maximum(k - 10, 0)
    if world.informative_dropout:
        logit = logit + world.dropout_slow * slowness(paths) + 0.8 * reacted
    stops = luck.stops < 1 / (1 + np.exp(-logit))
    stop = np.where(stops.any(axis=1), stops.argmax(axis=1) + 1, horizon + 1)
    end = np.minimum(np.minimum(needed, stop), horizon)
    came = (paths.day <= last_day).sum(axis=1)
    known = (end <= came) & (paths.next_day[np.arange(n), end - 1] <= last_day)
    ended = np.where(known & (needed <= end), 1, np.where(known & (stop <= end), 2, 0))
    given = np.where(ended > 0, end, np.minimum(end, came))
    return Course(lighten, package, given, ended, reacted, fluence, needed)


WordArray = npt.NDArray[np.object_]

YAG = {532, 1064}  # nm
DAY_ONE = np.datetime64("2017-01-02", "ns")

# Reaction: how often, chance of lasting, chances of mild, moderate, severe.
REACTIONS: dict[str, list[float]] = TABLES["reactions"]


def _dates(day: npt.NDArray[Any]) -> npt.NDArray[np.datetime64]:
    return DAY_ONE + np.round(day).astype("timedelta64[D]")


def _codes(prefix: str, numbers: IntArray, width: int) -> WordArray:
    return np.array([f"{prefix}{number + 1:0{width}d}" for number in numbers], dtype=object)


def _blank(values: npt.NDArray[Any], hidden: BoolArray) -> WordArray:
    words = values.astype(object)
    words[hidden] = None
    return words


def course_ids(n: int) -> WordArray:
    """Return the ids of the n courses, in order of their start."""
    return _codes("C", np.arange(n), 4)


def frames(
    cohort: Cohort, paths: Paths, course: Course, world: World, rng: np.random.Generator
) -> dict[str, pd.DataFrame]:
    """Return the five tables by name, in the columns of the log."""
    tables = {
        "courses": courses_frame(cohort, paths, course, rng),
        "sessions": sessions_frame(cohort, paths, course, world, rng),
        "gradings": gradings_frame(cohort, paths, course, rng),
        "reactions": reactions_frame(paths, course, rng),
        "lasers": pd.DataFrame({
            "laser_id": [laser.laser_id for laser in world.fleet],
            "regime": [laser.regime for laser in world.fleet],
            "wavelengths_nm": [";".join(map(str, laser.wavelengths_nm)) for laser in world.fleet],
            "in_use_from": _dates(np.array([laser.from_year * YEAR for laser in world.fleet])),
        }),
    }  # fmt: skip
    if world.mechanism == "practised":
        held = paths.session_no <= course.given[:, None]
        done = {k: getattr(paths, k)[held] for k in ("day", "pulse", "technique", "operator")}
        done["course"], reacted = (np.nonzero(rows)[0] for rows in (held, held & course.reacted))
        tables |= as_practised(tables, cohort, done, reacted, world, rng)
    return tables


def stop_reasons(paths: Paths, course: Course, rng: np.random.Generator) -> WordArray:
    """Return a reason for each stopped course, drawn by what was going on; None elsewhere."""
    rows, last = np.arange(len(course.given)), course.given - 1
    ones = np.ones(len(rows))
    used_up = (course.package == 1) & (course.given % BLOCK == 0)
    weights = {
        "cost": 1.0 + 1.2 * used_up,
        "moved": 0.9 * ones,
        "pain": 0.4 * ones,
        "reaction": 2.5 * course.reacted[rows, last],
        "satisfied": 3.0 * (paths.grade[rows, last] >= 80),
        "slow_progress": 4.0 * slowness(paths)[rows, last],
        "other": 0.3 * ones,
        "unknown": 0.8 * ones,
    }
    table = np.cumsum(np.column_stack(list(weights.values())), axis=1)
    pick = (table < rng.random((len(rows), 1)) * table[:, -1:]).sum(axis=1)
    return _blank(np.array(list(weights), dtype=object)[pick], course.ended != 2)


def courses_frame(
    cohort: Cohort, paths: Paths, course: Course, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the courses table, optional items missing at random."""
    n, given = len(cohort), course.given
    lightened = course.lighten & (paths.grade[np.arange(n), given - 1] < 95)
    ends = [course.ended == 0, course.ended == 2, lightened]
    single, blocks = session_price(cohort.attributes.area), BLOCK * np.ceil(given / BLOCK)
    fixed = single * (9 + np.maximum(given - CAP, 0))
    frame = cohort.attributes.enquiries().assign(
        course_id=course_ids(n),
        client_id=_codes("P", pd.factorize(cohort.client)[0], 4),
        started_on=_dates(cohort.start),
        goal=np.where(course.lighten, "lighten", "clear").astype(object),
        sessions_given=given,
        package=np.array(PACKAGES, dtype=object)[course.package],
        price_paid=np.choose(course.package, [single * given, 0.9 * single * blocks, fixed]),
        sessions_prepaid=np.choose(course.package, [np.nan * blocks, blocks, CAP + 0 * blocks]),
        outcome=np.select(ends, ["ongoing", "stopped", "lightened"], "cleared").astype(object),
        stop_reason=stop_reasons(paths, course, rng),
        tattoo_id=np.full(n, None, dtype=object),
        half=np.full(n, None, dtype=object),
    )
    frame["price_paid"] = frame["price_paid"].mask(rng.random(n) < 0.04)
    return hide(frame, rng)[[name for name in column_names("courses") if name in frame]]


def hide(frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the frame with optional attributes missing by ``rng``, as often as usual."""
    shown = frame.copy()
    for name, rate in TABLES["missing"].items():
        hidden = rng.random(len(frame)) < rate
        shown[name] = frame[name].mask(hidden, None if frame[name].dtype == object else np.nan)
    return shown


def wavelengths_fired(laser: OwnedLaser, pattern: str) -> str:
    """Return the wavelengths of a laser that are used on a pattern of inks, joined by ``;``."""
    taken = {w for ink in pattern.split(";") for w in REACH[ink]}
    used = [w for w in laser.wavelengths_nm if w in taken] or [laser.wavelengths_nm[-1]]
    if pattern.startswith("black") and 1064 in used and "red" not in pattern:
        used = [w for w in used if w != 532] or used
    return ";".join(str(w) for w in used)


def sessions_frame(
    cohort: Cohort, paths: Paths, course: Course, world: World, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the sessions table."""
    held = paths.session_no <= course.given[:, None]
    row, t = np.nonzero(held)
    pulse, day, m = paths.pulse[held], paths.day[held], len(row)
    inks = cohort.attributes.inks[row]
    elsewhere = {ink for ink, taken in REACH.items() if taken and not YAG & set(taken)}
    blue = np.array([not elsewhere.isdisjoint(pattern.split(";")) for pattern in PATTERNS])[inks]
    used = np.zeros(m, dtype=np.int64)  # which laser; colours take turns
    for place, laser in enumerate(world.fleet):
        owned = (day >= laser.from_year * YEAR) | (laser.regime == "ps")
        fits = owned & (pulse == (laser.regime == "ps"))
        if not YAG & set(laser.wavelengths_nm):
            fits &= blue & (t % 2 == 1)
        used[fits] = place
    fired = [[wavelengths_fired(laser, each) for each in PATTERNS] for laser in world.fleet]
    names = np.array([laser.laser_id for laser in world.fleet], dtype=object)
    usual = np.where(pulse, 2.4, 5.0) * np.where(cohort.attributes.skin[row] >= 4, 0.8, 1.0)
    fluence = np.round(usual * np.exp(course.fluence[held]), 1)
    spot = rng.choice([3.0, 4.0, 5.0, 6.0], p=[0.3, 0.4, 0.2, 0.1], size=m)
    return pd.DataFrame({
        "course_id": course_ids(len(cohort))[row],
        "session_no": t + 1,
        "treated_on": _dates(day),
        "regime": np.where(pulse, "ps", "ns").astype(object),
        "laser_id": _blank(names[used], rng.random(m) < 0.02),
        "wavelengths_nm": _blank(np.array(fired)[used, inks], rng.random(m) < 0.03),
        "fluence_j_cm2": np.where(rng.random(m) < 0.05, np.nan, fluence),
        "spot_mm": np.where(rng.random(m) < 0.06, np.nan, spot),
        "operator_id": _codes("op", paths.operator[held], 1),
    })  # fmt: skip


def gradings_frame(
    cohort: Cohort, paths: Paths, course: Course, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the gradings table: those written down, the one at the first visit, the last one.

    A grading is made at the visit after the session: an ongoing course has none of its last.
    """
    k, given, ended = paths.session_no, course.given[:, None], course.ended[:, None]
    kept = (paths.graded & (k < given + (ended > 0))) | ((ended == 1) & (k == given))
    row, t = np.nonzero(kept)
    seen = np.flatnonzero(rng.random(len(cohort)) < 0.95)
    grader = _codes("op", np.concatenate([cohort.operator[seen], paths.operator[kept]]), 1)
    table = pd.DataFrame({
        "course_id": np.concatenate([seen, row]),
        "after_session": np.concatenate([0 * seen, t + 1]),
        "graded_on": _dates(np.concatenate([cohort.start[seen], paths.next_day[kept]])),
        "fading_pct": np.concatenate([paths.before[seen], paths.grade[kept]]),
        "grader_id": _blank(grader, rng.random(len(grader)) < 0.04),
    }).sort_values(["course_id", "after_session"], ignore_index=True)  # fmt: skip
    return table.assign(course_id=course_ids(len(cohort))[table["course_id"]])


def reactions_frame(paths: Paths, course: Course, rng: np.random.Generator) -> pd.DataFrame:
    """Return the reactions table: at most one reaction per session."""
    seen = course.reacted & (paths.session_no <= course.given[:, None])
    row, t = np.nonzero(seen)
    m = len(row)
    share, lasts, *severe = np.array(list(REACTIONS.values())).T
    kind = rng.choice(len(REACTIONS), p=share / share.sum(), size=m)
    severities = np.cumsum(severe, axis=0).T
    worse = (severities[kind] < rng.random((m, 1))).sum(axis=1)
    lasting = rng.random(m) < lasts[kind]
    levels = np.array(column("reactions", "severity").levels, dtype=object)
    return pd.DataFrame({
        "course_id": course_ids(len(course.given))[row],
        "after_session": t + 1,
        "reaction": np.array([*REACTIONS], dtype=object)[kind],
        "severity": _blank(levels[np.minimum(worse, 2)], rng.random(m) < 0.05),
        "lasting": _blank(np.where(lasting, "yes", "no").astype(object), rng.random(m) < 0.08),
    })  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Simulated:
    """A log and what is behind each course of it: who came, chance, and what came of it."""

    log: OutcomeLog
    world: World
    cohort: Cohort
    chance: Chance
    luck: Luck
    paths: Paths
    course: Course


def simulate(
    n_courses: int,
    *,
    seed: int = 0,
    world: World | None = None,
    years: float = 8,
    mechanism: Mechanism | None = None,
    dropout: bool = True,
) -> Simulated:
    """Return what `simulate_log` gives, with all that is behind it."""
    n_courses = check_whole_number(n_courses, name="n_courses", low=1)
    check_seed(seed)
    if world is None:
        world = usual_world(mechanism or "share")
    elif mechanism not in (None, world.mechanism):
        values = {"world": world.mechanism, "given": mechanism}
        raise RequestError(*problem_and_remedy("refused.two_mechanisms", values))
    world = world if dropout else replace(world, dropout_base=-np.inf)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3)]
    cohort, chance, paths = arrive(n_courses, world, streams[0], (0.0, years * YEAR), MOST)
    luck = Luck.draw(n_courses, MOST, streams[1])
    course = live(cohort, paths, world, luck, years * YEAR)
    tables = frames(cohort, paths, course, world, streams[2])
    log = OutcomeLog.from_frames(**tables, cleared_at=world.cleared_at, today=LATEST)
    return Simulated(log, world, cohort, chance, luck, paths, course)


def simulate_log(
    n_courses: int = 600,
    *,
    seed: int = 0,
    world: World | None = None,
    years: float = 8,
    mechanism: Mechanism | None = None,
    dropout: bool = True,
) -> OutcomeLog:
    """Return the outcome log of an invented clinic.

    Parameters
    ----------
    n_courses : int
        Courses in the log, about 1.25 per client.
    seed : int
        Seed of the courses; the clinic itself is ``world``. The same seed gives the same log.
    world : World, optional
        The clinic; the usual one of the mechanism when not given.
    years : float
        Length of the log in years, from 2 January 2017.
    mechanism : {"share", "noisy", "waning", "leaving", "practised"}, optional
        How ink goes, instead of ``world``: ``usual_world(mechanism)``; "share" when neither is
        given.
    dropout : bool
        False has nobody stop; the last day of the log still leaves courses ongoing.

    Raises
    ------
    RequestError
        If the mechanism is unknown, or ``world`` has another.

    Examples
    --------
    >>> log = simulate_log(40, seed=1)
    >>> sorted(log.courses["outcome"].unique())
    ['cleared', 'lightened', 'ongoing', 'stopped']
    """
    return simulate(
        n_courses, seed=seed, world=world, years=years, mechanism=mechanism, dropout=dropout
    ).log
