"""The mechanism "share": each session removes a share of the ink that is left.

- Ink is split by colour: black is three parts, every other colour one. A part can be removed only
  in sessions from the day on which the clinic owns a laser that some wavelength of that colour
  takes; a part never reached is the remnant that never goes;
- a colour seen by eye does not fix the chemistry: some tattoos have one colour that nothing takes,
  whatever its name says;
- log remaining ink of every reached part falls by exp(eta), where eta = log speed of the clinic +
  effects of the attributes + client frailty + course frailty + operator + regime effect in a ps
  session + spacing effect x log(weeks since the session before / 8) + chance of this session.

Effects are on the log of the share speed: a session count is multiplied by about
``exp(-effect)``. Sizes follow the published evidence where there is any:

- smoker, other colours: Bencini et al. 2012 (Arch Dermatol 148:1364), chance of success at 10
  sessions lower by 69.7 % and 79.5 %, read as ratios of the cumulative hazard at 10. The prior of
  the counts rests on the same paper, so that these clinics are no outside test of it;
- large area, feet and legs, older than 36 months, dense: same paper, direction only;
- amateur: Alster 1995 (J Am Acad Dermatol 33:69), 4.6 against 8.5 sessions for multicolour
  professional tattoos, shared between origin, colour and density as Prinz et al. 2004
  (Br J Dermatol 150:245; 2.8, 3.5 single-colour, 5.7 multicolour) divides it;
- layered, scarred, darker skin, head and neck: common practice, no published size.
"""

import numpy as np

from forecast._arrays import BoolArray, FloatArray
from forecast._checks import YEAR
from forecast.invented.process import Features, Visit, log_speeds
from forecast.invented.world import (
    NEVER,
    OLDER_YEARS,
    OTHER_COLOURS,
    PATTERNS,
    REDS,
    REFERENCE_CM2,
    REGION_OF_SITE,
    Attributes,
    Chance,
    Cohort,
    World,
    has_ink,
)
from forecast.tattoo import INKS, Laser, unreached_inks


class Share:
    """The state is the fall of log remaining ink of each part, (n, m)."""

    def __init__(self, cohort: Cohort, world: World) -> None:
        self.world = world
        reached = {ink: reach_day(ink, world) for ink in INKS}
        days = sorted({*reached.values(), NEVER})
        shares = np.zeros((2, len(PATTERNS), len(days)))  # in the second the last colour resists
        for row, pattern in enumerate(PATTERNS):
            inks = pattern.split(";")
            for ink in inks:
                part = 3 if ink == "black" else 1
                resists = ink == inks[-1] and ink != "black"
                shares[0, row, days.index(reached[ink])] += part
                shares[1, row, -1 if resists else days.index(reached[ink])] += part
        shares /= shares.sum(axis=2, keepdims=True)
        resistant = (cohort.resists < world.resistant_rate).astype(np.int64)
        self.share_day = np.array(days)  # on which inks come within reach, (m,)
        self.share = shares[resistant, cohort.attributes.inks]  # what does on each day, (n, m)
        self.log_speed = log_speeds(world, features(cohort.attributes)) + cohort.frailty

    def begin(self, cohort: Cohort, chance: Chance) -> tuple[FloatArray, BoolArray]:
        """Return the fall from the sessions elsewhere, and whether they cleared the tattoo."""
        had = np.arange(chance.before.shape[1])[None, :] < cohort.attributes.elsewhere[:, None]
        step = np.exp(self.log_speed[:, None] + self.world.session_sd * chance.before)
        fallen = np.cumsum(np.where(had, step, 0.0), axis=1)
        state = self.takes(cohort.start) * fallen[:, -1:]
        return state, self.log_left(state) <= np.log(1 - self.world.cleared_at / 100)

    def takes(self, day: FloatArray) -> FloatArray:
        """Return how well the lasers of each day take each part up: here 0 or 1, (n, m)."""
        return np.asarray(self.share_day <= day[:, None], dtype=np.float64)

    def step(self, state: FloatArray, visit: Visit) -> FloatArray:
        """Return the fall of log ink after one more session."""
        world = self.world
        drift = world.session_sd * visit.chance + world.spacing_effect * visit.weeks
        fall = np.exp(self.log_speed + drift + visit.crew + visit.regime)
        return state + fall[:, None] * self.takes(visit.day)

    def log_left(self, state: FloatArray) -> FloatArray:
        """Return the log of the share of the ink that is left."""
        return np.asarray(np.log((self.share * np.exp(-state)).sum(axis=1)), dtype=np.float64)


def features(attributes: Attributes) -> Features:
    """Return the attributes as they act on the log of the fall of log ink, linearly."""
    region = REGION_OF_SITE[attributes.site]
    area = np.clip(np.log(attributes.area / REFERENCE_CM2), -2.0, 2.5)
    return {
        "smoker": attributes.smoker,
        "red": has_ink(attributes.inks, REDS),
        "other_colour": has_ink(attributes.inks, OTHER_COLOURS),
        "light": attributes.density == 0,
        "heavy": attributes.density == 2,
        "layered": attributes.layering == 1,
        "amateur": attributes.origin == 0,
        "cosmetic": attributes.origin == 2,
        "traumatic": attributes.origin == 3,
        "log_area": area,
        "head_neck": region == 0,
        "distal_limb": region == 4,
        "older_tattoo": attributes.tattoo_age > OLDER_YEARS,
        "slight_scar": attributes.scarring == 1,
        "marked_scar": attributes.scarring == 2,
        "dark_skin": attributes.skin >= 4,
    }


def reach_day(ink: str, world: World) -> float:
    """Return the day on which a laser for the ink is first owned; ``NEVER`` when none is."""
    usable = [
        laser.from_year * YEAR
        for laser in world.fleet
        if not unreached_inks(ink, [Laser(laser.regime, laser.wavelengths_nm)])
    ]
    return max(0.0, min(usable)) if usable else NEVER
