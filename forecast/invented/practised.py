"""The mechanism "practised": a clinic as the trade works, each habit with its source.

How ink goes. Each ink of a tattoo goes on its own: its log falls by exp(eta) times how well the
lasers in the house take it up at the date. Eta is as in ``share``, and so is which ink stays for
good; what a ps session adds is the regime effect and nothing else, so that ps less ns is known.

- Uptake: 1 where the table of inks says strong, .6 partial, .1 weak, none where it may darken. In
  four sessions at 785 nm 61 % of black went, but 11 % of red and 5 % of yellow (BERNSTEIN18), so
  weak is a tenth; white and flesh hardly answer (LEU15). Brown is partial, so slower than black:
  fair to good against excellent (LEU15). How much slower: common practice, no source.
- Amateur tattoos need about half of the sessions of professional ones: 4.6 against 8.5 (ALSTER95),
  2.8 against 3.5 and 5.7 (PRINZ04). Cosmetic ones need about three (EYEBROW, MOUSTAFA20).
- Some courses clear within three sessions, as in MOUSTAFA20 and LAPIDOTH04 (mean 3.6).
- Smoking, dense ink, area, feet and legs, older tattoos: directions of BENCINI12. Ps a little ahead
  in blue, green and yellow: direction of GURNANI22. Layering, scars: common practice, no source.
- More passes take more (KOSSIDA12: four against one, better in all 18 tattoos), .12 of the log
  speed per doubling: no source for the size. Under a patch three or four passes fit (BIESMAN17: 3.7
  against 1.4). Fractional treatment takes no ink; that it spares blisters (AU15) is left out.

Who comes. Limbs and trunk about even, face and neck one in fourteen (BENCINI12); within these, and
layered one in eight: common practice, no source.

What is done. Each ink gets the wavelength that it takes up best, the longest where several do, so
that black gets 1064 nm under ns and ps alike; since year 6.5 two of five operators fire 755 nm on
black too, under ps. So pulse and wavelength can be told apart. A head more is a row more. Fluence
is worked up over a course; one pass or two; a patch from year five on, in a fifth of the sessions:
common practice, no source. Graders write in fives, tens or quarters (quarters: LAPIDOTH04), 100
when it is gone. In types V and VI the skin darkens for a while in 44 of 100 courses (LAPIDOTH04),
and some mark stays in about 6 of 100 (REILLY23); that it lightens in a tenth has no source.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from forecast._arrays import FloatArray, IntArray
from forecast._checks import YEAR
from forecast.invented.process import Visit, log_speeds
from forecast.invented.share import Share, features, reach_day
from forecast.invented.world import N_INKS, NEVER, PATTERNS, Cohort, OwnedLaser, World, normal
from forecast.tattoo import INKS, uptake_table

TAKEN = {"strong": 1.0, "partial": 0.6, "weak": 0.1, "darkening risk": 0.0}
TAKES = {
    (cell.ink, nm, pulse): TAKEN["weak" if cell.short_pulses_only and pulse == "ns" else cell.grade]
    for cell in uptake_table()
    for nm, pulse in ((cell.wavelength_nm, "ns"), (cell.wavelength_nm, "ps"))
}
A_DOUBLING = 0.12  # of passes, in the log speed
PATCH_YEAR, TWO_HEADS_YEAR = 5.0, 6.5
# In types V and VI: the reactions, how often each, and the chance that it lasts.
DARK_SKIN = ("hyperpigmentation", "hypopigmentation", "blister", "texture", "scar")
HOW_OFTEN, LASTS = (0.66, 0.12, 0.16, 0.05, 0.01), (0.06, 0.15, 0.0, 0.2, 0.9)
INK_OF: IntArray = np.full((len(PATTERNS), N_INKS.max()), -1)  # -1: no ink
for _row, _text in enumerate(PATTERNS):
    INK_OF[_row, : N_INKS[_row]] = [INKS.index(ink) for ink in _text.split(";")]
IS_BLACK = np.equal(INK_OF, INKS.index("black"))
PARTS = normal(np.where(IS_BLACK, 3.0, 1.0) * (INK_OF >= 0))


class Practised(Share):
    """The state is the fall of log ink of each ink of the tattoo, (n, most inks)."""

    def __init__(self, cohort: Cohort, world: World) -> None:
        inks = cohort.attributes.inks
        self.world, self.ink, self.share = world, INK_OF[inks], PARTS[inks]
        self.since = np.array([laser.from_year * YEAR for laser in world.fleet])
        self.best = np.array([[_best(ink, laser) for ink in (*INKS, "")] for laser in world.fleet])
        last = np.arange(self.ink.shape[1]) == N_INKS[inks][:, None] - 1
        resistant = (cohort.resists < world.resistant_rate)[:, None]
        self.answers = ~(last & resistant & ~IS_BLACK[inks])
        from_day = np.array([*(reach_day(ink, world) for ink in INKS), 0.0])[self.ink]
        self.share_day = np.where(self.answers, from_day, NEVER)
        self.log_speed = log_speeds(world, features(cohort.attributes)) + cohort.frailty

    def takes(self, day: FloatArray) -> FloatArray:
        """Return how well the lasers of each day take up each ink of the tattoo, 0 to 1."""
        owned = self.since <= day[:, None]
        best = (owned[:, None, :] * self.best.T[self.ink]).max(axis=2)
        return np.asarray(best * self.answers)

    def step(self, state: FloatArray, visit: Visit) -> FloatArray:
        """Return the fall of log ink after one more session."""
        passes = A_DOUBLING * np.log2(passes_of(visit.technique, visit.day))
        return super().step(state, replace(visit, crew=visit.crew + passes))


def _best(ink: str, laser: OwnedLaser) -> float:
    return max(TAKES.get((ink, nm, laser.regime), 0.0) for nm in laser.wavelengths_nm)


def passes_of(technique: FloatArray, day: FloatArray) -> FloatArray:
    """Return the passes of each session: one or two, three or four under a patch."""
    patch = (technique > 0.8) & (day >= PATCH_YEAR * YEAR)
    return np.asarray(1 + (technique > 0.55) + patch * (1.0 + (technique > 0.9)), dtype=np.float64)


def as_practised(
    tables: Mapping[str, pd.DataFrame],
    cohort: Cohort,
    done: Mapping[str, npt.NDArray[Any]],
    reacted: IntArray,
    world: World,
    rng: np.random.Generator,
) -> dict[str, pd.DataFrame]:
    """Return sessions and reactions as this clinic keeps them, from those of any.

    ``done`` has what ``Paths`` knows of each session, and its course; ``reacted`` of each reaction.
    """
    frame, day, ps, technique = tables["sessions"], done["day"], done["pulse"], done["technique"]
    two = ps & (done["operator"] % 5 >= 3) & (day >= TWO_HEADS_YEAR * YEAR)
    days = np.sort([laser.from_year * YEAR for laser in world.fleet])
    period = days[np.maximum(np.searchsorted(days, day, side="right") - 1, 0)]
    inks = cohort.attributes.inks[done["course"]]
    cases = zip(period.tolist(), inks.tolist(), ps.tolist(), two.tolist(), strict=True)
    heads = [_fired(world.fleet, *case) for case in cases]
    used = np.array([head for rows in heads for head in rows], dtype=object)
    passes, words = passes_of(technique, day), np.full(len(day), None, dtype=object)
    words[technique < 0.05], words[passes > 2] = "fractional", "patch"
    passes = np.where(rng.random(len(frame)) < 0.05, np.nan, passes)
    frame = frame.assign(passes=passes, adjunct=words)
    frame = frame.loc[frame.index.repeat([len(rows) for rows in heads])]
    for place, name in enumerate(("laser_id", "wavelengths_nm")):
        used[frame[name].isna().to_numpy(), place] = None
        frame[name] = used[:, place]
    frame["part"] = frame.groupby(["course_id", "session_no"]).cumcount() + 1
    seen, dark = tables["reactions"], cohort.attributes.skin[reacted] >= 4
    kind = rng.choice(len(DARK_SKIN), p=HOW_OFTEN, size=len(seen))
    stays = np.where(rng.random(len(seen)) < np.array(LASTS)[kind], "yes", "no")
    seen = seen.assign(
        reaction=np.where(dark, np.array(DARK_SKIN)[kind], seen["reaction"]),
        lasting=np.where(dark & seen["lasting"].notna().to_numpy(), stays, seen["lasting"]),
    )
    return {"sessions": frame.reset_index(drop=True), "reactions": seen}


@cache
def _fired(
    fleet: tuple[OwnedLaser, ...], day: float, inks: int, ps: bool, two: bool
) -> list[tuple[str, str]]:
    """Return each laser used on a pattern of inks, with the wavelengths fired."""
    pulse = "ps" if ps else "ns"
    lasers = [one for one in fleet if one.regime == pulse]
    lasers = [one for one in lasers if one.from_year * YEAR <= day] or lasers
    nm = [w for laser in lasers for w in laser.wavelengths_nm]
    best = [
        max((TAKES.get((ink, w, pulse), 0.0), w) for w in nm) for ink in PATTERNS[inks].split(";")
    ]
    wanted = {w for taken, w in best if taken > TAKEN["weak"]} or {w for _, w in best}
    wanted |= {755} & {*nm} if two and PATTERNS[inks].startswith("black") else set()
    rows = []
    for laser in lasers:
        here = sorted(wanted & {*laser.wavelengths_nm})
        wanted -= {*here}
        rows += [(laser.laser_id, ";".join(map(str, here)))] if here else []
    return rows
