"""An invented clinic whose truth is known: the log it would keep, and all that is behind it.

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

import numpy as np

from forecast._checks import check_seed, check_whole_number
from forecast.errors import RequestError
from forecast.invented.log_rows import Course, Luck, frames, live
from forecast.invented.people import YEAR, Chance, Cohort
from forecast.invented.sessions import MOST, Paths, arrive
from forecast.invented.world import Mechanism, World, usual_world
from forecast.log import LATEST, OutcomeLog


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
