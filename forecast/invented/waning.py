"""The mechanism "waning": each session removes less than the last.

The ink is a mixture of particles, from easy to stubborn; with gamma distributed ease the share
left after a dose d is (1 + d)^-1.427. The easy ones go first, so removal wanes. Shape and dose per
session (0.15) are those of the published example, port-wine stains: 55 % in the first five
sessions, 18 % in the next five (Br J Dermatol 1998;138:821-5, from memory). Tattoos answer to more
of a dose than port-wine stains do (``log_speed``), and wane by the same law.

Attributes act in steps and curves of their own, all invented but for their directions (smoking,
dense ink, area: Bencini et al. 2012, Arch Dermatol 148:1364; amateur tattoos and single colours:
Prinz et al. 2004, Br J Dermatol 150:245). Fresh tattoos are slower here: unlike elsewhere.
Light colours often leave a remnant for good (common practice, no published share).
"""

import numpy as np

from forecast._types import FloatArray
from forecast.invented.people import N_INKS, REFERENCE_CM2, REGION_OF_SITE, Attributes
from forecast.invented.process import Doses, Features

SHAPE = 1.427  # with 0.15 a session: 45 % left after five and 27 % after ten


class Waning(Doses):
    """The dose is the sum over sessions; chance of a session is log-normal, ``session_sd``."""

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
