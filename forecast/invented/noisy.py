"""The mechanism "noisy": sessions differ far more than courses do.

- Each session takes a random step on the log scale, gamma distributed with the coefficient of
  variation ``session_sd``; the steps add up to the fall of log ink. Apart from the attributes no
  course is faster than another, so a good session promises nothing for the next: what is left to
  do depends only on where the course stands.
- A longer gap before a session makes its step larger: more of the shattered ink has been carried
  away (common practice, no published size).
- Attributes act as curves and thresholds: age slows most at both ends, skin matters from type III
  on, smoking hurts most at hands and feet, area only above 100 cm². Directions: hands and feet,
  large areas, smoking and dense ink as in Bencini et al. 2012 (Arch Dermatol 148:1364); age and
  thresholds are invented, no source.
- Light colours often leave a remnant for good, black hardly ever (common practice, no published
  share).
"""

import numpy as np
from scipy.special import gammaincinv, ndtr

from forecast._types import FloatArray
from forecast.invented.people import BODY_SITES, Attributes, has_ink
from forecast.invented.process import Doses, Features

LIGHT = frozenset({"white", "yellow", "flesh", "light_blue", "orange"})
HAND_FOOT = [BODY_SITES.index(name) for name in ("wrist", "hand", "finger", "ankle", "foot")]
GRID = np.linspace(-5.2, 5.2, 2001)  # standard normal; the ends are one in ten million


class Noisy(Doses):
    """The dose is the fall of log ink."""

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
            "light_colour": has_ink(attributes.inks, LIGHT),
        }

    def noise(self, chance: FloatArray) -> FloatArray:
        """Return gamma factors of mean one, from a table of their quantiles."""
        shape = 1 / max(self.world.session_sd, 0.05) ** 2
        return np.asarray(np.interp(chance, GRID, gammaincinv(shape, ndtr(GRID)) / shape))

    def left(self, dose: FloatArray) -> FloatArray:
        """Return what is left, falling by the same factor for the same step."""
        return np.exp(-dose)
