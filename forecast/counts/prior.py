"""Published effects as a Gaussian prior on the log hazard ratios of the count model.

Each effect is a log hazard ratio of reaching the goal at a session (below zero: slower). Its
width adds three things: how the number was read, what had to be assumed to turn it into a hazard
ratio, and how much clinics differ. The sources are for nanosecond lasers of 1990 to 2012.

A ratio of session counts becomes a log hazard ratio through a Weibull shape of 2.5: log HR = -2.5
log(count ratio). The two cumulative clearances of Bencini et al. (2012) are joined by a shape of
1.9 in their mixed cohort; among tattoos alike in every attribute it is steeper, and 2.5 is where
the spread that these effects explain and the spread that is left add up to the published one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from forecast.counts.attributes import CURVES, LIGHTEN
from forecast.counts.rows import FEWEST_FOR_DATA_ALONE
from forecast.survival import AcceleratedTime, LifeTable

if TYPE_CHECKING:
    from forecast.survival import CountModel

SHAPE = 2.5
CONTRADICTS = 2.5  # standard deviations

# How far clinics differ in one effect, as a standard deviation of the log hazard ratio: a
# judgement, no source.
BETWEEN_CLINICS = 0.25
# Of each level of a column of the clinic's own, and of a standard deviation of its numbers, around
# none: half the root mean square of the published effects (0.47), for what nobody has published on
# is likelier to say little. On invented logs of 150 courses 0.40 gained no more where it says much.
WIDTH = 0.25


@runtime_checkable
class Evidence(Protocol):
    """What can stand in for the published evidence; ``sharing.PooledEvidence`` does.

    Examples
    --------
    >>> isinstance("what other clinics found", Evidence)
    False
    """

    @property
    def goal(self) -> str:
        """``clear`` or ``lighten``."""

    @property
    def members(self) -> tuple[str, ...]:
        """Fingerprints of the shares that it was made of."""

    def hazard_prior(self) -> dict[str, tuple[float, float]]:
        """Return mean and standard deviation of each log hazard ratio, by covariate."""

    def duration_prior(self) -> dict[str, tuple[float, float]]:
        """Return the same on the log number of sessions, with location and log scale."""


# What a publication gave, and how it becomes a log hazard ratio.
MEASURES = {
    "points": "a point of the score is one session of about ten, log HR -0.24; taken at a third to "
    "two thirds, since the score was fitted to completed courses alone",
    "count ratio": "log HR = -2.5 log(ratio), halved where colour and density had a part in it",
    "shares": "shares cleared by session 10: the log of the ratio of log(1 - share)",
    "reduction": "how much lower the chance by session 10 is, of what was not read: a ratio of "
    "chances, of hazards and of odds are held to be equally likely",
    "clearance": "average clearance after a few sessions, turned into a judged size",
    "direction": "the direction alone; the size is assumed",
    "none": "no number was found; the size is assumed",
}


@dataclass(frozen=True, slots=True)
class PublishedEffect:
    """One effect read from the literature."""

    covariate: str
    log_hazard_ratio: float  # per unit of the covariate; below zero means more sessions
    width: float  # standard deviation of what was read, without the spread between clinics
    measure: str  # what was published, a key of ``MEASURES``, which says how it was translated
    source: str  # where it comes from, and how it was read

    @property
    def standard_deviation(self) -> float:
        """Width of the prior for a clinic: reading and between-clinic spread together."""
        return float((self.width**2 + BETWEEN_CLINICS**2) ** 0.5)

    @classmethod
    def of_reduction(
        cls, covariate: str, *readings: float, width: float, source: str
    ) -> PublishedEffect:
        """Return the effect whose mean and width honour every reading of a reduction.

        ``readings`` are log hazard ratios, each with the ``width``.
        """
        mean = sum(readings) / len(readings)
        between = sum((one - mean) ** 2 for one in readings) / len(readings)
        spread = (width**2 + between) ** 0.5
        return cls(covariate, round(mean, 2), round(spread, 2), "reduction", source)


BENCINI = "Bencini et al. 2012, Arch Dermatol 148:1364"
SCALE = "Kirby et al. 2009, J Clin Aesthet Dermatol 2(3):32, points from memory"
BERNSTEIN = "Bernstein et al. 2018, Lasers Surg Med 50:704"
LEU = "Leu et al. 2015, Lasers Med Sci 30:303"
TRADE = "common practice, no source"

EFFECTS: tuple[PublishedEffect, ...] = (
    PublishedEffect(
        "skin_type", -0.08, 0.10, "points", f"{SCALE}: +1 a type; not a factor in {BENCINI}"
    ),
    PublishedEffect("region_head_neck", 0.10, 0.20, "points", SCALE),
    PublishedEffect("region_lower_trunk", -0.10, 0.15, "points", SCALE),
    PublishedEffect("region_proximal_limb", -0.15, 0.15, "points", SCALE),
    PublishedEffect("region_distal_limb", -0.25, 0.20, "points", SCALE),
    PublishedEffect("leg_or_foot", -0.30, 0.25, "direction", BENCINI),
    PublishedEffect(
        "ink_warm", -0.20, 0.20, "shares", f"{BENCINI}: 58 % black, 51 % black and red, second-hand"
    ),
    # against black, and black and red, of which some 56 % cleared
    PublishedEffect.of_reduction(
        "ink_other", -1.91, -1.58, -1.26, width=0.35,  # of chances, of hazards, of odds
        source=f"{BENCINI}: lower by 79.5 %, read second-hand",
    ),
    PublishedEffect("ink_green", 0.0, 0.35, "direction", "Zelickson et al. 1994: by wavelength"),
    PublishedEffect("ink_yellow", -0.40, 0.40, "clearance", f"{BERNSTEIN}: 5 % at 785 nm"),
    PublishedEffect("ink_purple", 0.10, 0.35, "clearance", f"{BERNSTEIN}: 85 % at 785 nm"),
    PublishedEffect("ink_brown", 0.0, 0.40, "direction", f"{LEU}: fair"),
    PublishedEffect("ink_pale", -0.60, 0.50, "direction", f"{LEU}: poor"),
    PublishedEffect("ink_light", 0.0, 0.35, "none", f"{TRADE}: its remnant, see below"),
    PublishedEffect("ink_unreached", -0.50, 0.50, "none", f"{TRADE}: what no laser reaches stays"),
    PublishedEffect(
        "more_inks", -0.10, 0.15, "points", f"{SCALE}: +1 for each step to multiple colours"
    ),
    PublishedEffect("ink_density", -0.35, 0.20, "points", f"{SCALE}: +1 a step; {BENCINI} agree"),
    PublishedEffect("layering", -0.40, 0.25, "points", f"{SCALE}: +2"),
    PublishedEffect(
        "origin_amateur", 0.80, 0.35, "count ratio",
        "Alster 1995 (4.6 against 8.5), Prinz et al. 2004 (2.8, 3.5)",
    ),
    PublishedEffect("origin_cosmetic", 0.0, 0.50, "none", "no usable number found"),
    PublishedEffect("origin_traumatic", 0.0, 0.50, "none", "no usable number found"),
    PublishedEffect("age_decades", 0.0, 0.10, "none", "not a factor in any source read"),
    PublishedEffect("area_doublings", -0.10, 0.10, "direction", BENCINI),
    PublishedEffect(
        "tattoo_age_doublings", -0.08, 0.08, "direction", f"{BENCINI}; Prinz et al. 2004 agree"
    ),
    PublishedEffect("scarring", -0.25, 0.20, "points", f"{SCALE}: 0, 1, 3, 5"),
    PublishedEffect(
        "four_years_on", 0.0, 0.40, "none", "a clinic's practice changes: no direction, wide"
    ),
    # 185 of 352 smoked and 47.2 % of all cleared: as chances that is 22.6 % of smokers and 74.5 %
    # of others, and another report has 22.8 % of smokers
    PublishedEffect.of_reduction(
        "smoker", -1.68, -1.19, -0.88, width=0.30,
        source=f"{BENCINI}: lower by 69.7 %, read second-hand",
    ),
    # as far from none as clinics differ in one effect
    *(PublishedEffect(curve, 0.0, 0.0, "none", f"{TRADE}: a bend, shrunken to none")
      for curve in CURVES),
)  # fmt: skip

# Log duration of the reference tattoo and the log spread left between tattoos alike in every
# attribute, as mean and standard deviation: set so that the published case mix, 185 of 352 of whom
# smoked, clears 47.2 % by 10 sessions and 74.8 % by 15, each within its interval (Bencini et al.
# 2012). The widths are a judgement: a clinic's own speed, and what it calls cleared, may differ by
# a third.
LOCATION = (1.87, 0.20)
LOG_SCALE = (-0.98, 0.20)

# What wanting no more than enough for a cover-up does to the count: algebra, no source. If each
# session takes the same share of what is left, 70 % faded needs log 0.3 / log 0.05 = 0.40 of the
# sessions to 95 %. The width is a judgement: light enough may be 50 % faded (0.23) or 80 % (0.54),
# and later sessions take less than early ones.
SHORTER = math.log(0.3) / math.log(0.05)
LIGHTER = PublishedEffect(
    LIGHTEN,
    -SHAPE * math.log(SHORTER),
    0.84,
    "none",
    "the same share of the ink each session: 70 % faded at 0.40 of the sessions to 95 %; no source",
)

NEVER_COVARIATES = ("ink_other", "ink_light", "ink_pale", "ink_unreached")

# Logit of the share that never clears, and what inks add: common practice, no source, and wide.
# A remnant belongs to an ink that reflects or that no laser reaches; black that is slow is slow. Of
# light inks one in three stays: a small log sees few of them to the end, and on invented clinics of
# five mechanisms that misleads least in both directions.
NEVER_CLEARS: dict[str, tuple[float, float]] = {
    "never": (-5.0, 1.0),
    "never[ink_other]": (1.0, 1.2),
    "never[ink_light]": (4.4, 1.0),
    "never[ink_pale]": (1.0, 1.2),
    "never[ink_unreached]": (2.5, 1.2),
}
# A remnant that keeps a tattoo from clearing seldom keeps it from being covered: judged. That it
# makes it likelier is given one chance in a thousand.
NEVER_LIGHT = (-1.5, 0.5)


def effects_for(goal: str = "clear") -> tuple[PublishedEffect, ...]:
    """Return the effects that enter the model for a goal.

    Examples
    --------
    >>> wanting = effects_for("lighten")[-1]
    >>> wanting.covariate, round(wanting.log_hazard_ratio, 2)
    ('lighten', 2.28)
    """
    return EFFECTS if goal == "clear" else (*EFFECTS, LIGHTER)


def hazard_prior(goal: str = "clear") -> dict[str, tuple[float, float]]:
    """Return mean and standard deviation of each log hazard ratio, by covariate.

    Examples
    --------
    >>> tuple(round(one, 2) for one in hazard_prior()["layering"])
    (-0.4, 0.35)
    """
    return {
        effect.covariate: (effect.log_hazard_ratio, effect.standard_deviation)
        for effect in effects_for(goal)
    }


def duration_prior(goal: str = "clear") -> dict[str, tuple[float, float]]:
    """Return the same evidence on the log number of sessions, with location and log scale.

    Examples
    --------
    >>> tuple(round(one, 2) for one in duration_prior()["layering"])  # above 0: more sessions
    (0.16, 0.14)
    """
    effects = {
        name: (-mean / SHAPE, spread / SHAPE) for name, (mean, spread) in hazard_prior(goal).items()
    }
    never = NEVER_CLEARS if goal == "clear" else NEVER_CLEARS | {f"never[{LIGHTEN}]": NEVER_LIGHT}
    return {"location": LOCATION, **effects, "log_scale": LOG_SCALE, **never}


def contradicted(
    estimates: Mapping[str, tuple[float, float]], evidence: Mapping[str, tuple[float, float]]
) -> list[dict[str, float | str]]:
    """Return the priors that the log speaks against.

    ``estimates`` and ``evidence`` are mean and standard deviation of each parameter, after the log
    was seen and before. With Gaussian prior and likelihood, what the estimate moved by has variance
    prior less posterior under the prior; beyond 2.5 standard deviations it is reported, as
    ``parameter``, ``prior``, ``posterior`` and ``z``.
    """
    found: list[dict[str, float | str]] = []
    for name, (mean, spread) in evidence.items():
        after, left = estimates.get(name, (mean, spread))
        learnt = spread**2 - left**2
        if learnt <= 0:
            continue
        z = (after - mean) / learnt**0.5
        if abs(z) > CONTRADICTS:
            moved = {"prior": round(mean, 3), "posterior": round(after, 3), "z": round(z, 1)}
            found.append({"parameter": name, **moved})
    return found


# Of the cure mixture: a standard deviation of 0.5 on each log hazard ratio (most published ones
# are smaller), brought to the log duration by the Weibull shape; of what each covariate adds to the
# logit of the never share; and, for that share itself, two thirds between 0.02 and 0.5.
RIDGE = 4.0
SHARE_EFFECT = (0.0, RIDGE**-0.5)
SHARE_PRIOR = {"never": (-2.0, 2.0), "log_scale": (0.0, 1.0)}


def candidates(
    goal: str = "clear",
    *,
    n_events: int,
    evidence: Evidence | None = None,
    own: Sequence[str] = (),
) -> tuple[CountModel, ...]:
    """Return the candidate specifications for a log with ``n_events`` events, as they are trusted.

    First those with published evidence as their prior, or ``evidence`` in its place; they allow
    for a share of tattoos that never clears. The life table, to which white ink is as black, stands
    where the log speaks against them by more than one error: that a small log shows no difference
    between inks is no sign that there is none. Neither it nor the cure mixture takes part for the
    goal ``lighten``: few courses want it, and what tells their count from that of all others needs
    its prior. ``own`` are covariates of the clinic's own columns.
    """
    first = evidence_model(goal, evidence, own)
    with_evidence: tuple[CountModel, ...] = (
        first,
        replace(first, shape="loglogistic"),
        replace(first, shape="weibull"),
    )
    if goal == "lighten":
        return with_evidence
    if n_events < FEWEST_FOR_DATA_ALONE:
        return (*with_evidence, LifeTable())
    # which lets the log alone say who never clears
    alone = SHARE_PRIOR | {f"never[{name}]": SHARE_EFFECT for name in first.never or ()}
    alone |= dict.fromkeys(own, (0.0, WIDTH / SHAPE))
    given: Any = {"penalty": RIDGE * SHAPE**2, "prior": alone, "label": "cure mixture"}
    return (*with_evidence, LifeTable(), replace(first, shape="weibull", **given))


def evidence_model(
    goal: str = "clear", evidence: Evidence | None = None, own: Sequence[str] = ()
) -> AcceleratedTime:
    """Return the specification for a ``goal`` when the log has too little to choose by.

    ``evidence`` of other clinics takes the place of publications.
    """
    prior = evidence.duration_prior() if evidence else duration_prior(goal)
    prior = prior | dict.fromkeys(own, (0.0, WIDTH / SHAPE))
    # what the share that never gets there depends on
    never = NEVER_COVARIATES if goal == "clear" else (*NEVER_COVARIATES, LIGHTEN)
    return AcceleratedTime("lognormal", prior=prior, never=never)
