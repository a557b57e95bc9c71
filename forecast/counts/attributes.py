"""Attributes as numeric covariates, and what is published of their effects as a Gaussian prior.

One place decides how each attribute enters, for the log's courses and for an enquiry alike.
Every covariate is zero for the reference tattoo: skin type III, upper trunk, black ink only, an
ink that some laser of the clinic reaches, medium density, single layer, professional, client of
30, 50 cm², 4 years old, unscarred, non-smoker, treated in the log's last two years. A missing
attribute gives NaN, filled from the log's own mix where it is used.

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
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast._shipped import shipped
from forecast.log import column, extra_number
from forecast.tattoo import INK_COVARIATES, SITES

Column = Sequence[Any] | npt.NDArray[Any]

SKIN_TYPES = {name: rank for rank, name in enumerate(column("courses", "skin_type").levels, 1)}
EARLIEST = -7.0  # years from now, before which practice is taken as it was then
FARTHEST = 3.0  # standard deviations, beyond which a number is taken as if it were there
FEW_ROWS = 128  # up to which pandas is not called: enquiries need numpy alone
GRADES = {
    "ink_density": {"light": -1, "medium": 0, "heavy": 1},
    "layering": {"single": 0, "layered": 1},
    "scarring": {"none": 0, "slight": 1, "marked": 2},
    "smoker": {"no": 0, "yes": 1},
}
# what a level is compared with: of a grade that of rank 0
REFERENCES = {
    "inks": "black",
    "body_site": "shoulder",
    "skin_type": "III",
    "origin": "professional",
    **{name: level for name, ranks in GRADES.items() for level, rank in ranks.items() if not rank},
}

# covariate -> the attribute it comes from
COVARIATES: dict[str, str] = {
    "skin_type": "skin_type",
    "region_head_neck": "body_site",
    "region_lower_trunk": "body_site",
    "region_proximal_limb": "body_site",
    "region_distal_limb": "body_site",
    "leg_or_foot": "body_site",
    **dict.fromkeys(INK_COVARIATES, "inks"),
    "more_inks": "inks",
    "ink_unreached": "unreached",
    "ink_density": "ink_density",
    "layering": "layering",
    "origin_amateur": "origin",
    "origin_cosmetic": "origin",
    "origin_traumatic": "origin",
    "age_decades": "age_years",
    "area_doublings": "area_cm2",
    "tattoo_age_doublings": "tattoo_age_years",
    "scarring": "scarring",
    "smoker": "smoker",
    "four_years_on": "years_from_now",
    "age_curve": "age_years",
    "area_large": "area_cm2",
    "tattoo_fresh": "tattoo_age_years",
    "skin_darker": "skin_type",
    "ink_heavy": "ink_density",
    "smoker_distal": "smoker",
    "heavy_darker": "ink_density",
    "scarred": "scarring",
    "end_of_limb": "body_site",
    "smoker_end": "smoker",
}
# How an attribute may act otherwise than in proportion, or more beside another: shrunken to none,
# no clinic shares them. None is taken away, for saved models ask for them.
CURVES = tuple(COVARIATES)[-10:]


# Whether the course wants lightening only, 0 or 1: of the goal, not of the tattoo. A covariate of
# the models for that goal alone.
LIGHTEN = "lighten"


def plainly(name: str) -> str:
    """Return the term of an attribute, or of that behind a covariate; other names as people say.

    Examples
    --------
    >>> plainly("tattoo_age_years"), plainly("tattoo_age_doublings"), plainly("sun_exposure")
    ('tattoo_age', 'tattoo_age', 'sun exposure')
    """
    if (attribute := COVARIATES.get(name, name)) in COVARIATES.values():
        return attribute.removesuffix("_years").removesuffix("_cm2")
    return attribute.replace("_", " ")


def covariates(columns: Mapping[str, Column]) -> dict[str, FloatArray]:
    """Return the covariates of each row, (n,), NaN where the attribute is not recorded.

    ``columns`` have one value per row of each attribute: ``inks`` as joined text, ``unreached`` (0
    or 1: whether some ink is reached by no laser in use) and ``years_from_now`` (start of the
    course, in years from the middle of the log's last two years; 0 for an enquiry). They come in
    the order of `COVARIATES`. Raises KeyError if a column, or the rank of a level, is not there.

    Examples
    --------
    >>> columns = dict(log.courses.head(3)) | {"unreached": [0] * 3, "years_from_now": [0] * 3}
    >>> columns["ink_density"].tolist(), covariates(columns)["ink_density"].tolist()
    (['light', 'light', 'heavy'], [-1.0, -1.0, 1.0])
    """
    found = {"skin_type": by_text(columns["skin_type"])(SKIN_TYPES.__getitem__) - 3}
    site, inks, origins = (by_text(columns[name]) for name in ("body_site", "inks", "origin"))
    for region in ("head_neck", "lower_trunk", "proximal_limb", "distal_limb"):
        found[f"region_{region}"] = site(lambda at, own=region: SITES[at].region == own)
    found["leg_or_foot"] = site(lambda at: SITES[at].leg)
    for name, group in INK_COVARIATES.items():
        found[name] = inks(lambda of, own=group: not own.isdisjoint(of.split(";")))
    found["more_inks"] = inks(lambda of: min(of.count(";"), 4))
    for name, ranks in GRADES.items():
        found[name] = by_text(columns[name])(ranks.__getitem__)
    for origin in ("amateur", "cosmetic", "traumatic"):
        found[f"origin_{origin}"] = origins(lambda of, own=origin: of == own)
    found["ink_unreached"] = number(columns["unreached"])
    found["age_decades"] = (number(columns["age_years"]) - 30) / 10
    found["area_doublings"] = np.log2(np.maximum(number(columns["area_cm2"]), 0.1) / 50)
    tattoo_age = np.maximum(number(columns["tattoo_age_years"]), 0.25)
    found["tattoo_age_doublings"] = np.log2(tattoo_age / 4)
    found["four_years_on"] = np.maximum(number(columns["years_from_now"]), EARLIEST) / 4
    found["age_curve"] = np.minimum((found["age_decades"] / 2) ** 2, 4.0)
    found["area_large"] = np.maximum(found["area_doublings"] - 1, 0.0)
    found["tattoo_fresh"] = np.exp(-tattoo_age / 2) - np.exp(-2.0)
    found["skin_darker"] = np.maximum(found["skin_type"], 0.0)
    found["ink_heavy"] = np.maximum(found["ink_density"], 0.0)
    found["heavy_darker"] = found["ink_heavy"] * np.minimum(found["skin_darker"], 1.0)
    distal = found["region_distal_limb"]
    found["smoker_distal"] = np.where(distal == 0, 0.0, distal * found["smoker"])
    found["scarred"] = np.minimum(found["scarring"], 1.0)
    found["end_of_limb"] = end = site(lambda at: SITES[at].end)
    found["smoker_end"] = np.where(end == 0, 0.0, end * found["smoker"])
    return {name: found[name] for name in COVARIATES}


def number(column: Column) -> FloatArray:
    """Return a numeric column as floats, NaN where not recorded."""
    return np.array(column, dtype=np.float64)


def by_text(column: Column) -> Callable[[Callable[..., float]], FloatArray]:
    """Return what gives a ``rule(text)`` of each row, worked out once per distinct text, or NaN."""
    values: Any
    if len(column) <= FEW_ROWS:
        cells = list(column)
        values = [*dict.fromkeys(cells)]
        places = {value: place for place, value in enumerate(values)}
        place = np.array([places[value] for value in cells], dtype=np.intp)
    else:
        from pandas import factorize

        place, values = factorize(np.asarray(column, dtype=object))

    def each(rule: Callable[..., float]) -> FloatArray:
        found = [rule(one) if isinstance(one, str) else np.nan for one in values]
        return np.array([*found, np.nan], dtype=np.float64)[place]

    return each


@dataclass(frozen=True, slots=True)
class ExtraColumn:
    """How the column ``name`` of the clinic's own enters the model.

    Attributes
    ----------
    name : str
        Its heading among the courses.
    levels : tuple of str
        Those that at least five courses have, each a covariate of 0 or 1; none of a number.
    middle, spread : float
        A number enters as 0 at the middle and as 1 where it is larger by the spread.

    Examples
    --------
    >>> ExtraColumn("depth_mm", middle=2.0, spread=0.5).covariates([2.5, 10.0, None])
    {'extra.depth_mm': array([ 1.,  3., nan])}
    """

    name: str
    levels: tuple[str, ...] = ()
    middle: float = 0.0
    spread: float = 1.0

    @property
    def names(self) -> tuple[str, ...]:
        """Its covariates."""
        return tuple(f"extra.{self.name}.{one}" for one in self.levels) or (f"extra.{self.name}",)

    def known(self, value: Any) -> bool:
        """Whether a value says something here: a number, or a level of the log's."""
        return value in self.levels if self.levels else extra_number(value) is not None

    def covariates(self, values: Iterable[Any]) -> dict[str, FloatArray]:
        """Return the covariates of each row, NaN where nothing is known."""
        if self.levels:
            texts = np.array([*values, None], dtype=object)[:-1]
            known = np.isin(texts, self.levels)
            pairs = zip(self.names, self.levels, strict=True)
            return {name: np.where(known, texts == level, np.nan) for name, level in pairs}
        numbers = np.array([extra_number(one) for one in values], dtype=np.float64)
        away = (numbers - self.middle) / self.spread
        return {self.names[0]: np.clip(away, -FARTHEST, FARTHEST)}


SHAPE = 2.5  # of a Weibull law

# How far clinics differ in one effect, as a standard deviation of the log hazard ratio: a
# judgement, no source.
BETWEEN_CLINICS = 0.25


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


@dataclass(frozen=True, slots=True)
class PublishedEffect:
    """One effect read from the literature."""

    covariate: str
    log_hazard_ratio: float  # per unit of the covariate; below zero means more sessions
    width: float  # standard deviation of what was read, without the spread between clinics
    measure: str  # what was published; ``effects.toml`` says how each kind was translated
    source: str  # where it comes from, and how it was read

    @classmethod
    def of(cls, covariate: str, row: Mapping[str, Any]) -> PublishedEffect:
        """Return the effect of a row of ``effects.toml``.

        Its mean and width honour every reading where it has several.
        """
        readings = row.get("readings") or [row["log_hazard_ratio"]]
        mean = sum(readings) / len(readings)
        between = sum((one - mean) ** 2 for one in readings) / len(readings)
        spread = (row["width"] ** 2 + between) ** 0.5
        source = row["source"].format(**PUBLISHED["sources"])
        return cls(covariate, round(mean, 2), round(spread, 2), row["measure"], source)


PUBLISHED = shipped(Path(__file__).with_name("effects.toml"))
EFFECTS: tuple[PublishedEffect, ...] = (
    *(PublishedEffect.of(*one) for one in PUBLISHED["effects"].items()),
    # as far from none as clinics differ in one effect
    *(
        PublishedEffect(
            curve, 0.0, 0.0, "none", "common practice, no source: a bend, shrunken to none"
        )
        for curve in CURVES
    ),
)

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
        one.covariate: (one.log_hazard_ratio, (one.width**2 + BETWEEN_CLINICS**2) ** 0.5)
        for one in effects_for(goal)
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
