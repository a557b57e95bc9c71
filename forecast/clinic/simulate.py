"""An invented clinic whose truth is known: the log it would keep, and what would have happened.

``sessions`` says how ink goes and how regimes are chosen, ``cohort`` who comes, ``world`` holds
every parameter. Here a log is cut from the full paths:

- after each uncleared session a client may stop. The log odds rise with slow fading as written
  down so far, after a reaction, when a prepaid block has just been used up, with the price of a
  session, and late in a course; they fall while prepaid sessions remain. With
  ``informative_dropout`` off, fading and reactions have no say;
- what has not ended by the last day of the log is ongoing;
- courses begin all through the years of the log, several for some clients; some were begun
  elsewhere, and come only if the other clinic had not cleared them (left truncation).

Everything that drives regime and stopping is in the log or independent of the ink, except the
remnant, the frailties, and gradings not written down.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from forecast._checks import check_whole_number
from forecast.clinic.cohort import draw_attributes
from forecast.clinic.sessions import YEAR, Chance, Cohort, Crew, Paths, run_sessions
from forecast.clinic.world import World

if TYPE_CHECKING:
    import pandas as pd

    from forecast.clinic.log import OutcomeLog

__all__ = ["SimulatedClinic", "simulate_clinic", "simulate_log"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

MOST = 60  # sessions followed at most; a course that needs more never clears
PACKAGES = ("pay_per_session", "block_6", "until_cleared")
BLOCK, CAP = 6, 15
COURSES_PER_CLIENT = 1.25


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedClinic:
    """A log and the truth behind it.

    Attributes
    ----------
    log : OutcomeLog
        What the clinic wrote down.
    truth : DataFrame
        One row per course of the log: ``course_id``; ``needed``, the sessions here until the
        course's own goal if treatment had gone on under the clinic's own habits; ``needed_ns``,
        ``needed_ps``, ``needed_ns4_ps`` until cleared under strategies "ns", "ps" and
        "ns:4>ps", and ``needed_clear`` until cleared under the clinic's own habits (all with
        the same chance terms; NaN where not within 60 sessions); ``remnant``, the share of ink
        that no laser reached; ``log_speed``, the log of the fall of log remaining ink per ns
        session.
    """

    log: "OutcomeLog"
    truth: "pd.DataFrame"


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """How n courses went: what was sold, what happened, when it ended.

    Attributes
    ----------
    lighten : ndarray of bool
        Goal is lightening.
    package : ndarray of int
        Index into ``PACKAGES``.
    given : ndarray of int
        Sessions within the log.
    ended : ndarray of int
        0 ongoing, 1 reached the goal, 2 stopped.
    reacted : ndarray of bool, shape (n, h)
        A reaction after the session.
    fluence : ndarray of shape (n, h)
        Fluence relative to what is usual for the regime and skin type, in logs.
    needed : ndarray of int
        Sessions until the own goal; h + 1 when none.
    """

    lighten: BoolArray
    package: IntArray
    given: IntArray
    ended: IntArray
    reacted: BoolArray
    fluence: FloatArray
    needed: IntArray


def draw_cohort(
    n: int,
    world: World,
    rng: np.random.Generator,
    *,
    first_day: float,
    last_day: float,
    horizon: int,
) -> tuple[Cohort, Chance, Paths]:
    """Draw courses that come to this clinic between two days, and their paths.

    Courses that the other clinic cleared never come and are drawn anew.
    """
    pool = int(n * (1 + 0.5 * world.elsewhere_rate)) + 20
    size = max(1, round(pool / COURSES_PER_CLIENT))
    client = np.concatenate([np.arange(size), rng.integers(size, size=pool - size)])
    attributes = draw_attributes(world.mix, client, world.elsewhere_rate, rng)
    frailty = world.client_sd * rng.normal(size=size)[client]
    cohort = Cohort(
        attributes=attributes,
        client=client,
        start=np.floor(rng.uniform(first_day, last_day, pool)),
        frailty=frailty + world.course_sd * rng.normal(size=pool),
        operator=rng.integers(world.operators, size=pool),
        spacing=8.0 * np.exp(0.2 * rng.normal(size=pool)),
        resistant=(rng.random(pool) < world.resistant_rate).astype(np.int64),
    )
    chance = Chance.draw(cohort, world, horizon, rng)
    paths = run_sessions(cohort, chance, world)
    comes = rng.permutation(np.flatnonzero(~paths.elsewhere_clear))[:n]
    comes = comes[np.argsort(cohort.start[comes], kind="stable")]
    return cohort.take(comes), chance.take(comes), paths.take(comes)


def reactions(
    cohort: Cohort, paths: Paths, world: World, fluence: FloatArray, uniform: FloatArray
) -> BoolArray:
    """Return whether a reaction follows each session, shape (n, h).

    The log odds rise with skin type IV and V-VI, with the log of fluence relative to usual, and
    shift by operator and regime.
    """
    skin = cohort.attributes.skin[:, None]
    logit = np.log(world.reaction_rate / (1 - world.reaction_rate))
    logit = logit + 0.35 * (skin == 3) + 0.9 * (skin >= 4) + 1.0 * fluence
    logit = logit + Crew.of(world).reaction[paths.operator] + world.reaction_regime * paths.pulse
    return np.asarray(uniform < 1 / (1 + np.exp(-logit)), dtype=np.bool_)


def slowness(paths: Paths) -> FloatArray:
    """Return how far behind the noted fading is, 0 (as hoped) to 1 (nothing), shape (n, h)."""
    fallen = -np.log(np.maximum(1 - paths.noted / 100, 0.01))
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
        logit = logit + 1.8 * slowness(paths) + 0.8 * reacted
    return np.asarray(1 / (1 + np.exp(-logit)), dtype=np.float64)


def session_price(area: FloatArray) -> FloatArray:
    """Return the clinic's price of a single session by area (cm²), to the next 5."""
    return 5.0 * np.round((60 + 8 * np.sqrt(area)) / 5)


def live(
    cohort: Cohort, paths: Paths, world: World, rng: np.random.Generator, last_day: float
) -> Course:
    """Return how the courses went until ``last_day``: goals, sales, reactions, stopping."""
    n, horizon = paths.grade.shape
    lighten = rng.random(n) < world.lighten_rate
    goal = np.where(lighten, world.lightened_at, world.cleared_at)
    needed = paths.first_at(goal[:, None])
    package = (rng.random(n)[:, None] > np.array([0.45, 0.8])).sum(axis=1)
    fluence = 0.2 * rng.standard_normal((n, horizon)) + 0.15 * rng.standard_normal((n, 1))
    reacted = reactions(cohort, paths, world, fluence, rng.random((n, horizon)))
    price = session_price(cohort.attributes.area)
    stops = rng.random((n, horizon)) < stopping(paths, package, price, reacted, world)
    stop = np.where(stops.any(axis=1), stops.argmax(axis=1) + 1, horizon + 1)
    end = np.minimum(np.minimum(needed, stop), horizon)
    came = (paths.day <= last_day).sum(axis=1)
    known = (end <= came) & (paths.next_day[np.arange(n), end - 1] <= last_day)
    ended = np.where(known & (needed <= end), 1, np.where(known & (stop <= end), 2, 0))
    given = np.where(ended > 0, end, np.minimum(end, came))
    return Course(lighten, package, given, ended, reacted, fluence, needed)


def simulate_clinic(
    n_courses: int = 600, *, seed: int = 0, world: World | None = None, years: float = 8
) -> SimulatedClinic:
    """Return an invented clinic's log with the truth behind each course.

    Parameters
    ----------
    n_courses : int
        Courses in the log, about 1.25 per client.
    seed : int
        Seed of the courses; the clinic itself is ``world``.
    world : World, optional
        The clinic; the default one when not given.
    years : float
        Length of the log in years, from 2 January 2017.

    Examples
    --------
    >>> clinic = simulate_clinic(40, seed=1)
    >>> len(clinic.log.courses), len(clinic.truth)
    (40, 40)
    """
    from forecast.clinic.invented_rows import frames, truth_frame
    from forecast.clinic.log import OutcomeLog

    n_courses = check_whole_number(n_courses, name="n_courses", low=1)
    world = World() if world is None else world
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3)]
    cohort, chance, paths = draw_cohort(
        n_courses, world, streams[0], first_day=0.0, last_day=years * YEAR, horizon=MOST
    )
    course = live(cohort, paths, world, streams[1], years * YEAR)
    tables = frames(cohort, paths, course, world, streams[2])
    return SimulatedClinic(
        OutcomeLog.from_frames(*tables, cleared_at=world.cleared_at),
        truth_frame(cohort, chance, paths, course, world),
    )


def simulate_log(
    n_courses: int = 600, *, seed: int = 0, world: World | None = None, years: float = 8
) -> "OutcomeLog":
    """Return the outcome log of an invented clinic; parameters as in ``simulate_clinic``.

    Examples
    --------
    >>> log = simulate_log(40, seed=1)
    >>> sorted(log.courses["outcome"].unique())
    ['cleared', 'lightened', 'ongoing', 'stopped']
    """
    return simulate_clinic(n_courses, seed=seed, world=world, years=years).log
