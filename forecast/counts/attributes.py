"""From the attributes of an enquiry to the numeric covariates of the count model.

One place decides how each attribute enters, for the log's courses and for an enquiry alike.
Every covariate is zero for the reference tattoo: skin type III, upper trunk, black ink only, an
ink that some laser of the clinic reaches, medium density, single layer, professional, client of
30, 50 cm², 4 years old, unscarred, non-smoker, treated in the log's last two years. A missing
attribute gives NaN, filled from the log's own mix where it is used.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray
from forecast.log import column
from forecast.tattoo import INK_COVARIATES, SITES

Column = Sequence[Any] | npt.NDArray[Any]

SKIN_TYPES = {name: rank for rank, name in enumerate(column("courses", "skin_type").levels, 1)}
EARLIEST = -7.0  # years from now, before which practice is taken as it was then
FEW_ROWS = 128  # up to which pandas is not called: enquiries need numpy alone
GRADES = {
    "ink_density": {"light": -1, "medium": 0, "heavy": 1},
    "layering": {"single": 0, "layered": 1},
    "scarring": {"none": 0, "slight": 1, "marked": 2},
    "smoker": {"no": 0, "yes": 1},
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
    """Return an attribute, or the attribute behind a covariate, as people say it.

    Examples
    --------
    >>> plainly("tattoo_age_years"), plainly("tattoo_age_doublings"), plainly("ink_density")
    ('tattoo age', 'tattoo age', 'ink density')
    """
    attribute = COVARIATES.get(name, name)
    return attribute.removesuffix("_years").removesuffix("_cm2").replace("_", " ")


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
    found: dict[str, FloatArray] = {"skin_type": graded(columns["skin_type"], SKIN_TYPES) - 3}
    site, inks, origins = (Distinct.of(columns[name]) for name in ("body_site", "inks", "origin"))
    for region in ("head_neck", "lower_trunk", "proximal_limb", "distal_limb"):
        found[f"region_{region}"] = site.each(
            lambda value, region=region: float(SITES[value].region == region)
        )
    found["leg_or_foot"] = site.each(lambda value: float(SITES[value].leg))
    for name, group in INK_COVARIATES.items():
        found[name] = inks.each(
            lambda value, group=group: float(not group.isdisjoint(value.split(";")))
        )
    found["more_inks"] = inks.each(lambda value: float(min(value.count(";"), 4)))
    for name in ("ink_density", "layering", "scarring", "smoker"):
        found[name] = graded(columns[name], GRADES[name])
    for origin in ("amateur", "cosmetic", "traumatic"):
        found[f"origin_{origin}"] = origins.each(
            lambda value, origin=origin: float(value == origin)
        )
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
    found["end_of_limb"] = end = site.each(lambda value: float(SITES[value].end))
    found["smoker_end"] = np.where(end == 0, 0.0, end * found["smoker"])
    return {name: found[name] for name in COVARIATES}


def number(column: Column) -> FloatArray:
    """Return a numeric column as floats, NaN where not recorded."""
    if isinstance(column, np.ndarray) and column.dtype.kind in "fiu":
        return column.astype(np.float64)
    return np.array([np.nan if value is None else value for value in column], dtype=np.float64)


def graded(column: Column, ranks: Mapping[str, int]) -> FloatArray:
    """Return each level's rank, NaN where not recorded."""
    return Distinct.of(column).each(lambda level: float(ranks[level]))


class Distinct(NamedTuple):
    """A column of texts as the distinct ones and the place of each row's; the last is no text."""

    texts: list[str]
    place: npt.NDArray[np.intp]

    @classmethod
    def of(cls, column: Column) -> Distinct:
        """Return the distinct texts of a column; all other values count as not recorded."""
        if len(column) <= FEW_ROWS:
            texts = [value for value in dict.fromkeys(column) if isinstance(value, str)]
            places = {text: place for place, text in enumerate(texts)}
            found = [places.get(value, len(texts)) for value in column]
            return cls(texts, np.array(found, dtype=np.intp))
        import pandas as pd

        place, distinct = pd.factorize(np.asarray(column, dtype=object))
        known = np.array([isinstance(value, str) for value in distinct], dtype=bool)
        texts = [value for value in distinct if isinstance(value, str)]
        number = np.where(known, np.cumsum(known) - 1, len(texts))
        return cls(texts, np.append(number, len(texts))[place])

    def each(self, rule: Callable[..., float]) -> FloatArray:
        """Return ``rule(text)`` for each row, worked out once per distinct text, or NaN."""
        return np.array([*map(rule, self.texts), np.nan])[self.place]
