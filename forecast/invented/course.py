"""How a course is sold and how it ends: packages, prices, reactions, stopping, the last day.

After each session that did not reach the goal a client may stop. The log odds rise with slow
fading as written down so far, after a reaction, when prepaid sessions have just been used up, with
the price of a session, and late in a course; they fall while prepaid sessions remain. With
``informative_dropout`` off, fading and reactions have no say. An end is known once the day of the
visit after it has come: until then the course is ongoing.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from forecast._types import BoolArray, FloatArray, IntArray
from forecast.invented.people import Cohort, Crew
from forecast.invented.sessions import Paths
from forecast.invented.world import World

PACKAGES = ("pay_per_session", "block_6", "fixed_price")
SOLD = (0.45, 0.35, 0.20)  # how often each is sold
BLOCK, CAP = 6, 15


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

    def sold_as(self) -> npt.NDArray[np.object_]:
        """Return the name of the package of each course."""
        return np.array(PACKAGES, dtype=object)[self.package]


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
    cohort: Cohort,
    paths: Paths,
    world: World,
    rng: np.random.Generator,
    last_day: float,
    *,
    sold: int | None = None,
) -> Course:
    """Return how the courses went until ``last_day``: goals, sales, reactions, stopping.

    ``sold`` gives everybody the same package; otherwise they are drawn as often as ``SOLD`` says.
    """
    n, horizon = paths.grade.shape
    lighten = np.asarray(rng.random(n) < world.lighten_rate, dtype=np.bool_)
    needed = paths.first_at(np.where(lighten, world.lightened_at, world.cleared_at))
    package = np.asarray(np.searchsorted(np.cumsum(SOLD), rng.random(n)), dtype=np.int64)
    package = package if sold is None else np.full(n, sold)
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
