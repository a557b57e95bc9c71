"""How ink goes where doses add up: a visit, and the mechanisms "waning", "noisy" and "leaving"."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaincinv, ndtr

from forecast._arrays import BoolArray, FloatArray
from forecast.invented.world import (
    BODY_SITES,
    N_INKS,
    NEVER,
    PATTERNS,
    REFERENCE_CM2,
    REGION_OF_SITE,
    TABLES,
    Attributes,
    Chance,
    Cohort,
    World,
    has_ink,
)
from forecast.tattoo import INK_COVARIATES, SITES

Features = Mapping[str, BoolArray | FloatArray]
SHAPE = 1.427  # with 0.15 a session: 45 % left after five and 27 % after ten
HAND_FOOT = [BODY_SITES.index(name) for name in ("wrist", "hand", "finger", "ankle", "foot")]
GRID = np.linspace(-5.2, 5.2, 2001)  # standard normal; the ends are one in ten million
LEG = np.array([SITES[name].leg for name in BODY_SITES])
LEAST = 0.005  # of the ink that can go: what an eye no longer finds


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
        dose = none = np.zeros(len(cohort))
        for t, drawn in enumerate(chance.before.T):
            visit = Visit(cohort.start, drawn, none, none, none, none)
            dose = np.where(t < cohort.attributes.elsewhere, self.step(dose, visit), dose)
        return dose, self.log_left(dose) <= np.log(1 - self.world.cleared_at / 100)

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


class Waning(Doses):
    """The mechanism "waning": each session removes less than the last.

    The ink is a mixture of particles, from easy to stubborn; with gamma distributed ease the share
    left after a dose d is (1 + d)^-1.427. The easy ones go first, so removal wanes. Shape and dose
    per session (0.15) are those of the published example, port-wine stains: 55 % in the first five
    sessions, 18 % in the next five (Br J Dermatol 1998;138:821-5, from memory). Tattoos answer to
    more of a dose than port-wine stains do (``log_speed``), and wane by the same law.

    Attributes act in steps and curves of their own, all invented but for their directions (smoking,
    dense ink, area: Bencini et al. 2012, Arch Dermatol 148:1364; amateur tattoos and single
    colours: Prinz et al. 2004, Br J Dermatol 150:245). Fresh tattoos are slower here: unlike
    elsewhere. Light colours often leave a remnant for good (common practice, no published share).
    """

    def features(self, attributes: Attributes) -> Features:
        """Return counts, roots and decays: inks beyond the first over four, skin type over five."""
        return {
            "density": attributes.density / 2 - 0.5,
            "root_area": np.clip(np.sqrt(attributes.area / REFERENCE_CM2) - 1, -1, 2),
            "under_30": attributes.age < 30,
            "skin": attributes.skin / 5,
            "smoker": attributes.smoker,
            "fresh_tattoo": np.exp(-attributes.tattoo_age / 2),
            "further_inks": (N_INKS[attributes.inks] - 1) / 4,
            "limb": REGION_OF_SITE[attributes.site] >= 3,
            "amateur": attributes.origin == 0,
            "scarred": attributes.scarring > 0,
        }

    def left(self, dose: FloatArray) -> FloatArray:
        """Return what is left of the mixture."""
        return np.asarray((1 + dose) ** -SHAPE, dtype=np.float64)


class Noisy(Doses):
    """The mechanism "noisy": sessions differ far more than courses do.

    - Each session takes a random step on the log scale, gamma distributed with the coefficient of
      variation ``session_sd``; the steps add up to the fall of log ink. Apart from the attributes
      no course is faster than another, so a good session promises nothing for the next: what is
      left to do depends only on where the course stands.
    - A longer gap before a session makes its step larger: more of the shattered ink has been
      carried away (common practice, no published size).
    - Attributes act as curves and thresholds: age slows most at both ends, skin matters from type
      III on, smoking hurts most at hands and feet, area only above 100 cm². Directions: hands and
      feet, large areas, smoking and dense ink as in Bencini et al. 2012 (Arch Dermatol 148:1364);
      age and thresholds are invented, no source.
    - Light colours often leave a remnant for good, black hardly ever (common practice, no published
      share).

    The dose is the fall of log ink.
    """

    def features(self, attributes: Attributes) -> Features:
        """Return curves and thresholds; age as the square of decades from 45, over four."""
        hand_foot = np.isin(attributes.site, HAND_FOOT)
        return {
            "age_curve": np.minimum(((attributes.age - 45) / 20) ** 2, 2.0),
            "skin_from_iii": np.maximum(attributes.skin - 1, 0) / 4,
            "smoker": attributes.smoker,
            "smoker_hand_foot": attributes.smoker * hand_foot,
            "hand_foot": hand_foot,
            "face": attributes.site == BODY_SITES.index("face"),
            "heavy": attributes.density == 2,
            "amateur": attributes.origin == 0,
            "large": attributes.area > 100,
            "light_colour": has_ink(attributes.inks, INK_COVARIATES["ink_light"]),
        }

    def noise(self, chance: FloatArray) -> FloatArray:
        """Return gamma factors of mean one, from a table of their quantiles."""
        shape = 1 / max(self.world.session_sd, 0.05) ** 2
        return np.asarray(np.interp(chance, GRID, gammaincinv(shape, ndtr(GRID)) / shape))

    def left(self, dose: FloatArray) -> FloatArray:
        """Return what is left, falling by the same factor for the same step."""
        return np.exp(-dose)


class Leaving(Doses):
    """The mechanism "leaving": who stays is not who came, and the eye decides, not the record.

    - Each session takes about the same number of points of the *original* ink, so that the tattoo
      fades in a straight line and then is gone.
    - Attributes, and the difference between courses, add up in *sessions*, as shares of the usual
      number, not in logs: an effect of -0.30 is 30 % of the usual number on top.
    - A third of the courses stop before their goal, slow ones first. Taylor et al. 1990 (Arch
      Dermatol 126:893, from memory): 37 % of 57 tattoos did not complete.
    - What the client and the operator see is the true state with an error of their own
      (``eye_sd``); stopping and changes of regime go by it. The gradings written down have another
      error, so what decided is not in the log.

    Directions of the effects are those of common practice; sizes are invented, no source.

    The dose is the share of the original ink taken so far.
    """

    def speeds(self, cohort: Cohort) -> FloatArray:
        """Return minus the log of the sessions needed, in which everything adds up."""
        gained = log_speeds(self.world, self.features(cohort.attributes)) - self.world.log_speed
        needed = np.maximum(1 - gained - cohort.frailty, 0.25)
        return np.asarray(self.world.log_speed - np.log(needed), dtype=np.float64)

    def features(self, attributes: Attributes) -> Features:
        """Return counts and products: decades of age from 40, area in 100 cm², at most 3."""
        return {
            "further_inks": (N_INKS[attributes.inks] - 1) / 2,
            "heavy": attributes.density == 2,
            "heavy_dark_skin": (attributes.density == 2) & (attributes.skin >= 3),
            "amateur": attributes.origin == 0,
            "cosmetic": attributes.origin == 2,
            "leg": LEG[attributes.site],
            "smoker": attributes.smoker,
            "decades": (attributes.age - 40) / 10,
            "layered": attributes.layering == 1,
            "area": np.minimum(attributes.area / 100, 3.0),
        }

    def left(self, dose: FloatArray) -> FloatArray:
        """Return what is left of a straight line."""
        return np.maximum(1 - dose, LEAST)
