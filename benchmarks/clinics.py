"""Invented clinics with their truth: of each course, of those around a usual one, and of trials."""

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray, IntArray
from forecast._checks import YEAR, check_seed, check_whole_number
from forecast.errors import RequestError
from forecast.invented import World
from forecast.invented.simulate import (
    MOST,
    PROCESSES,
    Instead,
    Luck,
    Paths,
    Simulated,
    arrive,
    course_ids,
    frames,
    live,
    run_sessions,
    simulate,
)
from forecast.invented.world import Chance
from forecast.log import LATEST, OutcomeLog

Scenario = Literal["none", "one saved", "two saved", "harm"]
STRATEGIES = {"needed_ns": "ns", "needed_ps": "ps", "needed_ns4_ps": "ns:4>ps"}
# Found so that the restricted mean to 15 sessions, always ps less always ns, is 0, -1, -2, +1.
SCENARIOS: dict[str, dict[str, float]] = {
    "share": {"none": 0.0, "one saved": 0.16, "two saved": 0.33, "harm": -0.165},
    "noisy": {"none": 0.0, "one saved": 0.155, "two saved": 0.324, "harm": -0.149},
    "waning": {"none": 0.0, "one saved": 0.15, "two saved": 0.315, "harm": -0.143},
    "leaving": {"none": 0.0, "one saved": 0.146, "two saved": 0.318, "harm": -0.133},
    "practised": {"none": 0.0, "one saved": 0.17, "two saved": 0.35, "harm": -0.171},
}


def pulse_rule(strategy: str) -> int | None:
    """Return after how many sessions a strategy turns to ps: 0 for "ps", None for "ns"."""
    if strategy in ("ns", "ps"):
        return 0 if strategy == "ps" else None
    head, arrow, tail = strategy.partition(">")
    count = head.removeprefix("ns:")
    if arrow and tail == "ps" and head.startswith("ns:") and count.isdecimal() and int(count):
        return int(count)
    raise RequestError(
        f"The strategy {strategy!r} cannot be read.", 'Write "ns", "ps" or "ns:4>ps".'
    )


def follow(strategy: str, *, since: IntArray | int = 0) -> Instead:
    """Return what a strategy fires, after ``since`` sessions of each course under own habits."""
    turn = pulse_rule(strategy)
    return lambda t, ps: np.where(t < since, ps, turn is not None and t >= turn)


def drawn_world(seed: int, *, between_sd: float = 0.15, base: World | None = None) -> World:
    """Return a clinic whose own speed and effects lie around those of ``base``.

    Parameters
    ----------
    seed : int
        Seed of the clinic.
    between_sd : float
        Standard deviation between clinics of the log speed and of every effect.
    base : World, optional
        Where the clinics scatter around; the default clinic when not given.
    """
    base = World() if base is None else base
    rng = np.random.default_rng(seed)
    own = {name: value + between_sd * rng.normal() for name, value in base.effects.items()}
    speed = base.log_speed + between_sd * rng.normal()
    return replace(base, log_speed=float(speed), effects=own, operator_seed=seed)


def study_world(name: Scenario, *, confounded: bool = True, base: World | None = None) -> World:
    """Return the clinic of a regime study.

    Parameters
    ----------
    name : {"none", "one saved", "two saved", "harm"}
        True difference of always ps less always ns in the restricted mean to 15 sessions:
        about 0, -1, -2 and +1 (found by simulation).
    confounded : bool
        False assigns the regime at random and makes stopping blind to fading.
    base : World, optional
        The clinic to change; the default clinic when not given.
    """
    base = World() if base is None else base
    return replace(
        base,
        regime_effect=SCENARIOS[base.mechanism][name],
        regime_effect_colour=0.0,
        informative_dropout=confounded,
        by_calendar=confounded,
        by_density=confounded,
        by_stalled=confounded,
    )


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
    behind : Simulated
        Everything else that is true, from which ``run_on`` goes on.
    """

    log: OutcomeLog
    truth: pd.DataFrame
    world: World
    behind: Simulated


def simulate_clinic(n_courses: int = 600, **asked: Any) -> SimulatedClinic:
    """Return an invented clinic's log, as ``simulate_log`` gives it, with the truth behind it.

    Examples
    --------
    >>> clinic = simulate_clinic(40, seed=1)
    >>> len(clinic.log.courses), len(clinic.truth)
    (40, 40)
    """
    behind = simulate(n_courses, **asked)
    return SimulatedClinic(behind.log, truth_of(behind), behind.world, behind)


def truth_of(behind: Simulated) -> pd.DataFrame:
    """Return what would have happened to each course, as ``SimulatedClinic.truth`` says."""
    cohort, paths, world = behind.cohort, behind.paths, behind.world
    most = paths.grade.shape[1]

    def counts(needed: IntArray) -> FloatArray:
        return np.where(needed > most, np.nan, needed.astype(np.float64))

    frame = pd.DataFrame(
        {
            "course_id": course_ids(len(cohort)),
            "needed": counts(behind.course.needed),
            "needed_clear": counts(paths.first_at(world.cleared_at)),
        }
    )
    for name, strategy in STRATEGIES.items():
        other = run_sessions(cohort, behind.chance, world, instead=follow(strategy))
        frame[name] = counts(other.first_at(world.cleared_at))
    last = paths.day[np.arange(len(cohort)), behind.course.given - 1]
    process = PROCESSES[world.mechanism](cohort, world)
    remnant = (process.share * (process.share_day > last[:, None])).sum(axis=1)
    return frame.assign(remnant=remnant, log_speed=process.log_speed)


def simulate_split_trial(
    n_tattoos: int, *, seed: int = 0, world: World | None = None, years: float = 8
) -> OutcomeLog:
    """Return the log of a split-tattoo trial: one half always ns, the other always ps.

    Both halves share client, tattoo, frailties, operator and visit dates; which half gets which
    regime is drawn. Trials begin once the ps laser is owned, want clearing, and lose few courses.

    Parameters
    ----------
    n_tattoos : int
        Tattoos, two courses each; ``tattoo_id`` and ``half`` say which belong together.
    seed, world, years
        As in ``simulate_log``.

    Examples
    --------
    >>> trial = simulate_split_trial(10, seed=1)
    >>> trial.courses["half"].value_counts().to_dict()
    {'A': 10, 'B': 10}
    """
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
    chance = Chance.draw(cohort, world, MOST, rng)
    visits = visits.take(twice)  # one visit for both halves
    same = ("gap", "treats", "graded", "technique")
    chance = replace(chance, **{name: getattr(visits, name) for name in same})
    ps = np.column_stack([first := rng.random(n_tattoos) < 0.5, ~first]).ravel()
    under = [run_sessions(cohort, chance, world, instead=follow(name)) for name in ("ps", "ns")]
    pairs = ([getattr(one, name) for one in under] for name in Paths.__slots__)
    paths = Paths(*(np.where(ps.reshape(-1, *[1] * (a.ndim - 1)), a, b) for a, b in pairs))
    course = live(cohort, paths, world, Luck.draw(len(cohort), MOST, rng), years * YEAR)
    tables = frames(cohort, paths, course, world, rng)
    tables["courses"]["tattoo_id"] = [f"T{number + 1:03d}" for number in twice]
    tables["courses"]["half"] = ["A", "B"] * n_tattoos
    return OutcomeLog.from_frames(**tables, cleared_at=world.cleared_at, today=LATEST)
