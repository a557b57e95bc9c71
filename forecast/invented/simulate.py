"""An invented clinic whose truth is known: the log it would keep, and all that is behind it.

How it works is written down where it is carried out: how ink goes with each mechanism (``share``,
``practised``, and the others in ``process``), how it is graded and regimes are chosen in
``sessions``, who comes in ``people``; ``world`` holds every parameter. Regimes follow the calendar,
density, colours, operator and stalled fading, so that naive comparisons mislead.

After each session that did not reach the goal a client may stop. The log odds rise with slow
fading as seen so far, after a reaction, when prepaid sessions have just been used up, with
the price of a session, and late in a course; they fall while prepaid sessions remain. With
``informative_dropout`` off, fading and reactions have no say. An end is known once the day of the
visit after it has come: until then the course is ongoing.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import BoolArray, FloatArray, IntArray
from forecast._checks import check_seed, check_whole_number
from forecast.errors import RequestError
from forecast.invented.people import PATTERNS, REACH, YEAR, Chance, Cohort, Crew, Rows
from forecast.invented.practised import as_practised
from forecast.invented.sessions import MOST, Paths, arrive
from forecast.invented.world import TABLES, Mechanism, World, usual_world
from forecast.log import LATEST, OutcomeLog, column, column_names

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


def reactions(
    cohort: Cohort, paths: Paths, world: World, fluence: FloatArray, uniform: FloatArray
) -> BoolArray:
    """Return whether a reaction follows each session, (n, h), by skin, fluence, crew and regime."""
    skin = cohort.attributes.skin[:, None]
    logit = np.log(world.reaction_rate / (1 - world.reaction_rate))
    logit = logit + 0.35 * (skin == 3) + world.reaction_dark * (skin >= 4) + 1.0 * fluence
    logit = logit + Crew.of(world).reaction[paths.operator] + world.reaction_regime * paths.pulse
    return np.asarray(uniform < 1 / (1 + np.exp(-logit)), dtype=np.bool_)


def slowness(paths: Paths) -> FloatArray:
    """Return how far behind the fading seen is, 0 (as hoped) to 1 (nothing), shape (n, h)."""
    fallen = -np.log(np.maximum(1 - paths.seen / 100, 0.01))
    hoped = 0.3 * paths.session_no
    return np.where(paths.session_no >= 2, np.clip(1 - fallen / hoped, 0, 1), 0.0)


def stopping(
    paths: Paths, package: IntArray, price: FloatArray, reacted: BoolArray, world: World
) -> FloatArray:
    """Return the chance of stopping after each session that did not reach the goal, (n, h)."""
    k, sold = paths.session_no, package[:, None]
    used_up = ((sold == 1) & (k % BLOCK == 0)) | ((sold == 2) & (k == CAP))
    prepaid = ((sold == 1) & ~used_up) | ((sold == 2) & (k < CAP))
    logit = world.dropout_base - 1.0 * prepaid + 1.1 * used_up
    logit = logit + 0.3 * np.log(price / 120)[:, None] + 0.08 * np.maximum(k - 10, 0)
    if world.informative_dropout:
        logit = logit + world.dropout_slow * slowness(paths) + 0.8 * reacted
    return np.asarray(1 / (1 + np.exp(-logit)), dtype=np.float64)


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
    reacted = reactions(cohort, paths, world, fluence, luck.reacts)
    price = session_price(cohort.attributes.area)
    stops = luck.stops < stopping(paths, package, price, reacted, world)
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
        "lasers": lasers_frame(world),
    }
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


def money(cohort: Cohort, course: Course) -> tuple[FloatArray, FloatArray]:
    """Return the price paid so far and the sessions sold in advance (NaN for pay per session)."""
    single, given = session_price(cohort.attributes.area), course.given
    blocks, extra = BLOCK * np.ceil(given / BLOCK), np.maximum(given - CAP, 0)
    paid = [single * given, 0.9 * single * blocks, single * (9 + extra)]
    sold = [np.nan * blocks, blocks, CAP + 0 * blocks]
    return np.choose(course.package, paid), np.choose(course.package, sold)


def courses_frame(
    cohort: Cohort, paths: Paths, course: Course, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the courses table, optional items missing at random."""
    n = len(cohort)
    frame = cohort.attributes.enquiries()
    earliest = np.sort(np.unique(cohort.client, return_index=True)[1])
    order = np.empty(int(cohort.client.max()) + 1, dtype=np.int64)
    order[cohort.client[earliest]] = np.arange(len(earliest))
    reached = np.where(course.lighten & (paths.grade[np.arange(n), course.given - 1] < 95), 1, 0)
    outcome = np.where(course.ended == 1, reached, np.where(course.ended == 2, 2, 3))
    paid, sold = money(cohort, course)
    frame = frame.assign(
        course_id=course_ids(n),
        client_id=_codes("P", order[cohort.client], 4),
        started_on=_dates(cohort.start),
        goal=np.where(course.lighten, "lighten", "clear").astype(object),
        sessions_given=course.given,
        package=np.array(PACKAGES, dtype=object)[course.package],
        price_paid=paid,
        sessions_prepaid=sold,
        outcome=np.array(["cleared", "lightened", "stopped", "ongoing"], dtype=object)[outcome],
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


def wavelengths_fired(world: World) -> list[list[str]]:
    """Return per laser, for each ink pattern, the wavelengths used on it, joined by ``;``."""
    chosen = []
    for laser in world.fleet:
        texts = []
        for pattern in PATTERNS:
            taken = {w for ink in pattern.split(";") for w in REACH[ink]}
            used = [w for w in laser.wavelengths_nm if w in taken] or [laser.wavelengths_nm[-1]]
            if pattern.startswith("black") and 1064 in used and "red" not in pattern:
                used = [w for w in used if w != 532] or used
            texts.append(";".join(str(w) for w in used))
        chosen.append(texts)
    return chosen


def pick_laser(
    world: World, day: FloatArray, pulse: BoolArray, inks: IntArray, session_no: IntArray
) -> IntArray:
    """Return which laser of the fleet fired each session; colours take turns."""
    pick = np.zeros(len(day), dtype=np.int64)
    elsewhere = {ink for ink, taken in REACH.items() if taken and not YAG & set(taken)}
    blue = np.array([not elsewhere.isdisjoint(p.split(";")) for p in PATTERNS])
    for index, laser in enumerate(world.fleet):
        owned = (day >= laser.from_year * YEAR) | (laser.regime == "ps")
        same = pulse == (laser.regime == "ps")
        special = not YAG & set(laser.wavelengths_nm)
        fits = blue[inks] & (session_no % 2 == 0) if special else np.ones(len(day), np.bool_)
        pick = np.where(owned & same & fits, index, pick)
    return pick


def sessions_frame(
    cohort: Cohort, paths: Paths, course: Course, world: World, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the sessions table."""
    held = paths.session_no <= course.given[:, None]
    row, t = np.nonzero(held)
    pulse, day = paths.pulse[held], paths.day[held]
    inks = cohort.attributes.inks[row]
    laser = pick_laser(world, day, pulse, inks, t + 1)
    texts = np.array(wavelengths_fired(world), dtype=object)
    names = np.array([owned.laser_id for owned in world.fleet], dtype=object)
    usual = np.where(pulse, 2.4, 5.0) * np.where(cohort.attributes.skin[row] >= 4, 0.8, 1.0)
    m = len(row)
    fluence = np.round(usual * np.exp(course.fluence[held]), 1)
    spot = rng.choice([3.0, 4.0, 5.0, 6.0], p=[0.3, 0.4, 0.2, 0.1], size=m)
    return pd.DataFrame({
        "course_id": course_ids(len(cohort))[row],
        "session_no": t + 1,
        "treated_on": _dates(day),
        "regime": np.where(pulse, "ps", "ns").astype(object),
        "laser_id": _blank(names[laser], rng.random(m) < 0.02),
        "wavelengths_nm": _blank(texts[laser, inks], rng.random(m) < 0.03),
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


def lasers_frame(world: World) -> pd.DataFrame:
    """Return the lasers table."""
    return pd.DataFrame({
        "laser_id": [laser.laser_id for laser in world.fleet],
        "regime": [laser.regime for laser in world.fleet],
        "wavelengths_nm": [";".join(map(str, laser.wavelengths_nm)) for laser in world.fleet],
        "in_use_from": _dates(np.array([laser.from_year * YEAR for laser in world.fleet])),
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
        raise RequestError(
            f"The world's mechanism is {world.mechanism!r}, and {mechanism!r} is asked for.",
            "Leave out the mechanism, or give a world made from usual_world of it.",
        )
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
