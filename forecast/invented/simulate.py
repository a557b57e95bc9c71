"""An invented clinic whose truth is known: the log it would keep, and what would have happened.

How it works is written down where it is carried out: how ink goes in the file of each mechanism
(``share``, ``noisy``, ``waning``, ``leaving``, ``practised``), how it is graded and regimes are
chosen in ``sessions``, how courses are sold and end in ``log_rows``, who comes in ``people``;
``world`` holds every parameter. In short, for the mechanism "share":

- each session removes a share of the ink that is left; clients, courses and sessions differ;
- inks that no laser owned at the date takes leave a remnant, so some courses never clear;
- the regime follows the calendar (the ps laser comes in year four of eight), ink density, colours,
  operator, and stalled fading; so naive comparisons mislead;
- clients stop for slow fading, reactions, price and used-up packages; what has not ended by the
  last day of the log is ongoing; some courses were begun elsewhere (left truncation).
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from forecast._checks import check_seed, check_whole_number
from forecast.errors import RequestError
from forecast.invented.log_rows import Course, Luck, live
from forecast.invented.people import YEAR, Chance, Cohort
from forecast.invented.sessions import MOST, Paths, arrive, run_sessions
from forecast.invented.world import Mechanism, World, usual_world
from forecast.log import LATEST

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog


@dataclass(frozen=True, slots=True, eq=False)
class Behind:
    """What is behind each course of a simulated log: who came, chance, and what came of it."""

    cohort: Cohort
    chance: Chance
    luck: Luck
    paths: Paths
    course: Course


@dataclass(frozen=True, slots=True, eq=False)
class SimulatedClinic:
    """A log and the truth behind it.

    Attributes
    ----------
    log : OutcomeLog
        What the clinic wrote down.
    truth : DataFrame
        One row per course of the log, ``course_id`` first. Sessions here, all with the same
        chance terms, NaN where not within 60: ``needed`` until the course's own goal under the
        clinic's own habits if treatment had gone on; ``needed_clear`` until cleared, the same;
        ``needed_ns``, ``needed_ps``, ``needed_ns4_ps`` until cleared under the strategies "ns",
        "ps" and "ns:4>ps". ``remnant`` is the share of ink that could not go by the course's
        last session in the log, for good or for want of a laser; ``log_speed`` the log of the
        course's speed per ns session, in the unit of ``World.log_speed``.
    world : World
        The clinic.
    behind : Behind
        Everything else that is true, from which ``run_on`` goes on.
    """

    log: "OutcomeLog"
    truth: "pd.DataFrame"
    world: World
    behind: Behind


def _clinic(world: World | None, mechanism: Mechanism | None) -> World:
    if world is None:
        return usual_world(mechanism or "share")
    if mechanism not in (None, world.mechanism):
        raise RequestError(
            f"The world's mechanism is {world.mechanism!r}, and {mechanism!r} is asked for.",
            "Leave out the mechanism, or give a world made from usual_world of it.",
        )
    return world


def simulate_clinic(
    n_courses: int = 600,
    *,
    seed: int = 0,
    world: World | None = None,
    years: float = 8,
    mechanism: Mechanism | None = None,
    dropout: bool = True,
) -> SimulatedClinic:
    """Return an invented clinic's log with the truth behind each course.

    Parameters
    ----------
    n_courses : int
        Courses in the log, about 1.25 per client.
    seed : int
        Seed of the courses; the clinic itself is ``world``.
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
    >>> clinic = simulate_clinic(40, seed=1)
    >>> len(clinic.log.courses), len(clinic.truth)
    (40, 40)
    """
    from forecast.invented.log_rows import frames, truth_frame
    from forecast.log import OutcomeLog

    n_courses = check_whole_number(n_courses, name="n_courses", low=1)
    check_seed(seed)
    world = _clinic(world, mechanism)
    world = world if dropout else replace(world, dropout_base=-np.inf)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(3)]
    cohort, chance, paths = arrive(n_courses, world, streams[0], (0.0, years * YEAR), MOST)
    luck = Luck.draw(n_courses, MOST, streams[1])
    course = live(cohort, paths, world, luck, years * YEAR)
    tables = frames(cohort, paths, course, world, streams[2])
    log = OutcomeLog.from_frames(**tables, cleared_at=world.cleared_at, today=LATEST)
    truth = truth_frame(cohort, chance, paths, course, world)
    return SimulatedClinic(log, truth, world, Behind(cohort, chance, luck, paths, course))


def simulate_log(
    n_courses: int = 600,
    *,
    seed: int = 0,
    world: World | None = None,
    years: float = 8,
    mechanism: Mechanism | None = None,
    dropout: bool = True,
) -> "OutcomeLog":
    """Return the outcome log of an invented clinic.

    ``n_courses`` begin over so many ``years``; ``world`` has the parameters, ``mechanism`` says how
    ink goes, and without ``dropout`` nobody stops. The same ``seed`` gives the same log.

    Examples
    --------
    >>> log = simulate_log(40, seed=1)
    >>> sorted(log.courses["outcome"].unique())
    ['cleared', 'lightened', 'ongoing', 'stopped']
    """
    clinic = simulate_clinic(
        n_courses, seed=seed, world=world, years=years, mechanism=mechanism, dropout=dropout
    )
    return clinic.log


def simulate_split_trial(
    n_tattoos: int, *, seed: int = 0, world: World | None = None, years: float = 8
) -> "OutcomeLog":
    """Return the log of a split-tattoo trial: one half always ns, the other always ps.

    Both halves share client, tattoo, frailties, operator and visit dates; which half gets which
    regime is drawn. Trials begin once the ps laser is owned, want clearing, and lose few courses.

    Parameters
    ----------
    n_tattoos : int
        Tattoos, two courses each; ``tattoo_id`` and ``half`` say which belong together.
    seed, world, years
        As in ``simulate_clinic``.

    Examples
    --------
    >>> trial = simulate_split_trial(10, seed=1)
    >>> trial.courses["half"].value_counts().to_dict()
    {'A': 10, 'B': 10}
    """
    from forecast.invented.log_rows import frames
    from forecast.log import OutcomeLog

    n_tattoos = check_whole_number(n_tattoos, name="n_tattoos", low=1)
    check_seed(seed)
    world = World() if world is None else world
    world = replace(world, lighten_rate=0.0, elsewhere_rate=0.0, dropout_base=-6.0)
    bought = min((laser.from_year for laser in world.fleet if laser.regime == "ps"), default=0.0)
    rng = np.random.default_rng([seed, 5])
    between = (max(bought, 0.0) * YEAR, (years - 1) * YEAR)
    tattoos, visits, _ = arrive(n_tattoos, world, rng, between, MOST)
    twice = np.repeat(np.arange(n_tattoos), 2)
    cohort = tattoos.take(twice)
    chance = Chance.draw(cohort, world, MOST, rng).at_visits(visits.take(twice))
    ps = np.column_stack([first := rng.random(n_tattoos) < 0.5, ~first]).ravel()
    paths = run_sessions(cohort, chance, world, strategy="ps").where(
        ps, run_sessions(cohort, chance, world, strategy="ns")
    )
    course = live(cohort, paths, world, Luck.draw(len(cohort), MOST, rng), years * YEAR)
    tables = frames(cohort, paths, course, world, rng)
    tables["courses"]["tattoo_id"] = [f"T{number + 1:03d}" for number in twice]
    tables["courses"]["half"] = ["A", "B"] * n_tattoos
    return OutcomeLog.from_frames(**tables, cleared_at=world.cleared_at, today=LATEST)
