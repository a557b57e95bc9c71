"""What may yet become of courses under way: each run on from its own true state, many times."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from benchmarks.clinics import SimulatedClinic, follow
from forecast._arrays import BoolArray, IntArray
from forecast._checks import check_seed, check_whole_number
from forecast.errors import RequestError
from forecast.invented.simulate import MOST, Luck, live, run_sessions
from forecast.invented.world import Chance

AT_ONCE = 20_000  # futures simulated at once: about 300 MB


@dataclass(frozen=True, slots=True, eq=False)
class Futures:
    """The futures of n courses, m each; sessions are counted from the first one here.

    Attributes
    ----------
    course_id : ndarray of str, shape (n,)
        Which courses.
    after : ndarray of int, shape (n,)
        Sessions held before the future begins.
    needed : ndarray of int, shape (n, m)
        Sessions until the course's own goal if treatment goes on; 61 when not within 60.
    held : ndarray of int, shape (n, m)
        Sessions until the goal, or until the client stops; at most 60.
    stopped : ndarray of bool, shape (n, m)
        Whether the client stops before the goal.
    paths : ndarray of int, shape (n, m, 60)
        Graded fading after each session if treatment goes on, percent; up to ``after`` as it was.
    """

    course_id: npt.NDArray[np.object_]
    after: IntArray
    needed: IntArray
    held: IntArray
    stopped: BoolArray
    paths: npt.NDArray[np.uint8]


def run_on(
    clinic: SimulatedClinic,
    course_ids: Sequence[str] | None = None,
    *,
    after: int | Sequence[int] | None = None,
    futures: int = 200,
    seed: int = 0,
    strategy: str | None = None,
) -> Futures:
    """Return what courses may come to, each from its own true state after some sessions.

    Everything that a course is stays: its ink so far, its own speed, client, package and what has
    been seen. What is still to come is drawn anew, so that the futures of a course are its true
    law given all that is true of it; nobody who sees only the log can know more.

    Parameters
    ----------
    clinic : SimulatedClinic
        The clinic.
    course_ids : sequence of str, optional
        Which courses; every one still open after ``after`` when not given.
    after : int or sequence of int, optional
        Sessions held, one number for all or one per course; all in the log when not given. The
        client is taken to have come on. The grading of a course's last session in the log is
        drawn with the future if the course is ongoing, since nobody has made it yet: ``needed``
        may then be ``after`` itself.
    futures : int
        Futures per course.
    seed : int
        Seed of the futures.
    strategy : str, optional
        Regime of the further sessions, "ns", "ps" or "ns:4>ps" (counted from the first session
        here); the clinic's own habits when not given.

    Raises
    ------
    RequestError
        If a course is unknown, has had fewer sessions, or had reached its goal.

    Examples
    --------
    >>> from benchmarks.clinics import simulate_clinic
    >>> ahead = run_on(simulate_clinic(30, seed=1, mechanism="noisy"), after=3, futures=5)
    >>> ahead.needed.shape == (len(ahead.course_id), 5), int(ahead.needed.min()) >= 3
    (True, True)
    """
    futures = check_whole_number(futures, name="futures", low=1)
    check_seed(seed)
    rows, done = _cuts(clinic, course_ids, after)
    rng = np.random.default_rng([seed, 7])
    step = max(1, AT_ONCE // futures)
    parts = [
        _run_on(clinic, rows[i : i + step], done[i : i + step], futures, strategy, rng)
        for i in range(0, len(rows), step)
    ]
    needed, held, stopped, paths = (np.concatenate(part) for part in zip(*parts, strict=True))
    names = np.array(clinic.truth["course_id"], dtype=object)[rows]
    return Futures(names, done, needed, held, stopped, paths)


def _cuts(
    clinic: SimulatedClinic, course_ids: Sequence[str] | None, after: int | Sequence[int] | None
) -> tuple[npt.NDArray[np.intp], IntArray]:
    """Return the rows of the courses asked for, and the sessions after which each is cut."""
    names, course = clinic.truth["course_id"], clinic.behind.course
    rows = np.arange(len(names))
    if course_ids is not None:
        place = dict(zip(names, rows.tolist(), strict=True))
        unknown = [name for name in course_ids if name not in place]
        if unknown:
            raise RequestError(
                f"The clinic has no course {unknown[0]!r}.", "Take the ids from clinic.truth."
            )
        rows = np.array([place[name] for name in course_ids], dtype=np.int64)
    asked = np.ravel(0 if after is None else after).tolist()
    counts = [check_whole_number(count, name="after", low=0) for count in asked]
    if len(counts) not in (1, len(rows)):
        raise RequestError(
            f"after has {len(counts)} numbers for {len(rows)} courses.",
            "Give one number for all, or one per course.",
        )
    given, ended = course.given[rows], course.ended[rows]
    done = given if after is None else np.broadcast_to(np.array(counts, np.int64), len(rows))
    is_open = (given > done) | ((given == done) & (ended != 1))
    if course_ids is None:
        is_open &= (ended == 0) | (after is not None)
        rows, done = rows[is_open], done[is_open]
    elif not is_open.all():
        row, count = rows[~is_open][0], done[~is_open][0]
        raise RequestError(
            f"Course {names[row]} is not open after {count} sessions: its log has "
            f"{course.given[row]}{' and the goal' if course.ended[row] == 1 else ''}.",
            "Leave it out, or cut it after fewer sessions.",
        )
    if not len(rows):
        raise RequestError("No course is open then.", "Cut after fewer sessions.")
    return rows, done


def _run_on(
    clinic: SimulatedClinic,
    rows: npt.NDArray[np.intp],
    done: IntArray,
    futures: int,
    strategy: str | None,
    rng: np.random.Generator,
) -> tuple[IntArray, IntArray, BoolArray, npt.NDArray[np.uint8]]:
    """Return needed, held, stopped and gradings, shaped as in ``Futures``.

    The state of a course is what its chance has made of it. So its own chance is kept up to the
    cut, fresh chance put behind it, and the course run from its first session.
    """
    behind, world = clinic.behind, clinic.world
    again, held = np.repeat(rows, futures), np.repeat(done, futures)
    ungraded = (behind.course.ended[again] == 0) & (behind.course.given[again] == held)
    graded = held - ungraded
    cohort = behind.cohort.take(again)
    fresh = Chance.draw(cohort, world, MOST, rng)
    chance, luck = behind.chance.take(again), behind.luck.take(again)
    until = dict.fromkeys(("session", "gap", "pulse", "treats", "technique"), held)
    until |= dict.fromkeys(("grade", "graded", "eye"), graded)
    chance = replace(
        chance, **{k: _first(n, getattr(chance, k), getattr(fresh, k)) for k, n in until.items()}
    )
    other = Luck.draw(len(again), MOST, rng)
    luck = replace(
        luck,
        fluence=_first(held, luck.fluence, other.fluence),
        reacts=_first(held, luck.reacts, other.reacts),
        # nobody stops before the visit after the session last graded
        stops=_first(graded, np.ones(luck.stops.shape), other.stops),
    )
    instead = None if strategy is None else follow(strategy, since=held)
    paths = run_sessions(cohort, chance, world, instead=instead)
    course = live(cohort, paths, world, luck, np.inf)
    shape = (len(rows), futures)
    return (
        course.needed.reshape(shape),
        course.given.reshape(shape),
        (course.ended == 2).reshape(shape),
        paths.grade.astype(np.uint8).reshape(*shape, MOST),
    )


def _first(count: IntArray, own: npt.NDArray[Any], other: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the first ``count`` columns of each row of ``own``, and the rest of ``other``."""
    return np.where(np.arange(own.shape[1]) < count[:, None], own, other)
