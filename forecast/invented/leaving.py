"""The mechanism "leaving": who stays is not who came, and the eye decides, not the record.

- Each session takes about the same number of points of the *original* ink, so that the tattoo
  fades in a straight line and then is gone.
- Attributes, and the difference between courses, add up in *sessions*, as shares of the usual
  number, not in logs: an effect of -0.30 is 30 % of the usual number on top.
- A third of the courses stop before their goal, slow ones first. Taylor et al. 1990 (Arch Dermatol
  126:893, from memory): 37 % of 57 tattoos did not complete.
- What the client and the operator see is the true state with an error of their own (``eye_sd``);
  stopping and changes of regime go by it. The gradings written down have another error, so what
  decided is not in the log.

Directions of the effects are those of common practice; sizes are invented, no source.
"""

import numpy as np

from forecast._types import FloatArray
from forecast.invented.people import BODY_SITES, N_INKS, Attributes, Cohort
from forecast.invented.process import Doses, Features, log_speeds
from forecast.tattoo import SITES

LEG = np.array([SITES[name].leg for name in BODY_SITES])
LEAST = 0.005  # of the ink that can go: what an eye no longer finds


class Leaving(Doses):
    """The dose is the share of the original ink taken so far."""

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
