"""Which inks the clinic's lasers can take, and since when."""

import numpy as np
import numpy.typing as npt

from forecast.clinic.courses import INKS
from forecast.clinic.invented.people import PATTERNS
from forecast.clinic.invented.world import World

__all__ = ["NEVER", "REACH", "YEAR", "reach_shares"]

FloatArray = npt.NDArray[np.float64]

YEAR = 365.25
# Wavelengths that a colour takes up in this invented clinic; yellow needs short pulses too.
REACH: dict[str, tuple[int, ...]] = {
    "black": (532, 694, 755, 785, 1064),
    "dark_blue": (694, 755, 785, 1064),
    "light_blue": (694, 755, 785),
    "green": (694, 755, 785),
    "red": (532,),
    "orange": (532,),
    "yellow": (532,),
    "purple": (694, 755, 785),
    "brown": (532, 1064),
    "white": (),
    "flesh": (),
}
NEVER = 1e9


def reach_day(ink: str, world: World) -> float:
    """Return the day on which a laser for the ink is first owned; ``NEVER`` when none is."""
    usable = [
        laser.from_year * YEAR
        for laser in world.fleet
        if set(REACH[ink]) & set(laser.wavelengths_nm) and (ink != "yellow" or laser.regime == "ps")
    ]
    return max(0.0, min(usable)) if usable else NEVER


def reach_shares(world: World) -> tuple[FloatArray, FloatArray]:
    """Return the days on which inks come within reach, and what comes within reach on each.

    Shapes (m,) and (2, patterns, m); the last day is never. The second table is for resistant
    tattoos: their last colour is never reached.
    """
    reached = {ink: reach_day(ink, world) for ink in INKS}
    days = sorted({*reached.values(), NEVER})
    shares = np.zeros((2, len(PATTERNS), len(days)))
    for row, pattern in enumerate(PATTERNS):
        inks = pattern.split(";")
        for ink in inks:
            part = 3 if ink == "black" else 1
            resists = ink == inks[-1] and ink != "black"
            shares[0, row, days.index(reached[ink])] += part
            shares[1, row, -1 if resists else days.index(reached[ink])] += part
    return np.array(days), shares / shares.sum(axis=2, keepdims=True)
