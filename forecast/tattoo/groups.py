"""The groups_of in which promises are checked: skin type, ink group, ink density."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from forecast.counts import REGION_OF

BLACKS = frozenset({"black", "dark_blue"})
REDS = frozenset({"red", "orange"})
SKIN_GROUPS = {
    "I": "I-II",
    "II": "I-II",
    "III": "III-IV",
    "IV": "III-IV",
    "V": "V-VI",
    "VI": "V-VI",
}
GROUPINGS = ("skin", "inks", "density")
INK_GROUPS = ("black", "black and red", "other colours")


def ink_group(inks: str) -> str:
    """Return ``black``, ``black and red`` or ``other colours`` for a tattoo's inks.

    The split of Bencini et al. 2012 (Arch Dermatol 148:1364); dark blue goes with black.

    Examples
    --------
    >>> ink_group("black;red")
    'black and red'
    """
    colours = set(inks.split(";"))
    return INK_GROUPS[0 if colours <= BLACKS else 1 if colours <= BLACKS | REDS else 2]


def groups_of(
    courses: Iterable[Any], *, sites: bool = False
) -> Mapping[str, npt.NDArray[np.object_]]:
    """Return the group of each course or enquiry in each grouping.

    ``courses`` gives objects with ``skin_type``, ``inks``, ``ink_density`` and ``body_site``:
    enquiries, or a frame's ``itertuples()``. With ``sites`` the body-site region is one more
    grouping: promises are checked by it, the correction is not made by it.
    """
    rows = [
        (
            SKIN_GROUPS[row.skin_type],
            ink_group(str(row.inks)),
            row.ink_density,
            REGION_OF[row.body_site].replace("_", " "),
        )
        for row in courses
    ]
    columns = np.array(rows, dtype=object).reshape(len(rows), 4).T
    named = dict(zip((*GROUPINGS, "site"), columns, strict=True))
    return named if sites else {name: named[name] for name in GROUPINGS}
