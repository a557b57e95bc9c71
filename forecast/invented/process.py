"""How ink goes, session by session: a visit, and the mechanisms in which doses add up."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from forecast._types import BoolArray, FloatArray
from forecast.invented.people import NEVER, PATTERNS, Attributes, Chance, Cohort
from forecast.invented.world import TABLES, World

Features = Mapping[str, BoolArray | FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """One session of n courses, each array of shape (n,)."""

    day: FloatArray  # from the first day of the log
    chance: FloatArray  # standard normal
    weeks: FloatArray  # log of (weeks since the session before / 8); 0 at the first
    crew: FloatArray  # what the operator adds to the log speed
    regime: FloatArray  # what the regime adds
    technique: FloatArray  # uniform: passes and what else is used


def log_speeds(world: World, features: Features) -> FloatArray:
    """Return the log speed of the clinic plus the effects of the attributes."""
    total = np.full(len(next(iter(features.values()))), world.log_speed, dtype=np.float64)
    for name, effect in world.effects.items():
        total = total + effect * features[name]
    return total


class Doses(ABC):
    """Mechanisms in which sessions add up to a dose, and the dose says how much ink is left.

    As under "share", the state is all that a course carries from one session to the next.

    Some tattoos keep a remnant for good, 8 to 38 % of the ink, so that they never count as
    cleared; how often depends on the inks (``keeps`` of ``clinic.toml``). Lasers do not matter.
    """

    def __init__(self, cohort: Cohort, world: World) -> None:
        self.world = world
        self.log_speed = self.speeds(cohort)
        keeps: dict[str, float] = TABLES["keeps"][world.mechanism]
        goes = [[1 - keeps.get(ink, keeps["other"]) for ink in p.split(";")] for p in PATTERNS]
        chance = 1 - np.array([np.prod(row) for row in goes])[cohort.attributes.inks]
        stays = cohort.resists < chance
        remnant = np.where(stays, 0.08 + 0.30 * (1 - cohort.resists / chance), 0.0)
        self.share = np.column_stack([1 - remnant, remnant])  # parts of the ink, (n, m)
        self.share_day = np.array([0.0, NEVER])  # from which each part can go

    def speeds(self, cohort: Cohort) -> FloatArray:
        """Return the log speed of each course."""
        return log_speeds(self.world, self.features(cohort.attributes)) + cohort.frailty

    def begin(self, cohort: Cohort, chance: Chance) -> tuple[FloatArray, BoolArray]:
        """Return the dose given elsewhere, and whether it had already cleared the tattoo."""
        dose, none = np.zeros(len(cohort)), np.zeros(len(cohort))
        cleared = np.zeros(len(cohort), dtype=np.bool_)
        for t in range(chance.before.shape[1]):
            had = t < cohort.attributes.elsewhere
            visit = Visit(cohort.start, chance.before[:, t], none, none, none, none)
            dose = np.where(had, self.step(dose, visit), dose)
            cleared |= had & (self.log_left(dose) <= np.log(1 - self.world.cleared_at / 100))
        return dose, cleared

    def step(self, state: FloatArray, visit: Visit) -> FloatArray:
        """Return the dose after one more session."""
        lift = self.world.spacing_effect * visit.weeks + visit.crew + visit.regime
        return state + np.exp(self.log_speed + lift) * self.noise(visit.chance)

    def log_left(self, state: FloatArray) -> FloatArray:
        """Return the log of the share of the ink that is left."""
        return np.asarray(np.log(self.share[:, 0] * self.left(state) + self.share[:, 1]))

    @abstractmethod
    def features(self, attributes: Attributes) -> Features:
        """Return the attributes on this mechanism's own scale, named as in ``EFFECTS``."""

    def noise(self, chance: FloatArray) -> FloatArray:
        """Return the factor of a session, of mean one, from a standard normal: log-normal here."""
        sd = self.world.session_sd
        return np.asarray(np.exp(sd * chance - sd**2 / 2), dtype=np.float64)

    @abstractmethod
    def left(self, dose: FloatArray) -> FloatArray:
        """Return the share left, after a dose, of the ink that can go."""
