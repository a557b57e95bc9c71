"""Where a tattoo is and whose it is: body sites, and the groups in which promises are checked."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.tattoo.inks import ink_group


class Site(NamedTuple):
    """A body site: its region, and whether it is on a leg or foot."""

    region: str
    leg: bool = False


# The one table of body sites. Regions are those of the prognostic scale for laser tattoo removal
# (Kirby et al. 2009).
SITES = {
    "face": Site("head_neck"),
    "neck": Site("head_neck"),
    "chest": Site("upper_trunk"),
    "back": Site("upper_trunk"),
    "abdomen": Site("lower_trunk"),
    "shoulder": Site("upper_trunk"),
    "upper_arm": Site("proximal_limb"),
    "forearm": Site("distal_limb"),
    "wrist": Site("distal_limb"),
    "hand": Site("distal_limb"),
    "finger": Site("distal_limb"),
    "buttock": Site("lower_trunk"),
    "thigh": Site("proximal_limb", leg=True),
    "lower_leg": Site("distal_limb", leg=True),
    "ankle": Site("distal_limb", leg=True),
    "foot": Site("distal_limb", leg=True),
}
REGIONS: dict[str, tuple[str, ...]] = {
    region: tuple(name for name, site in SITES.items() if site.region == region)
    for region in dict.fromkeys(site.region for site in SITES.values())
}

SKIN_GROUPS = {
    "I": "I-II",
    "II": "I-II",
    "III": "III-IV",
    "IV": "III-IV",
    "V": "V-VI",
    "VI": "V-VI",
}
GROUPINGS = ("skin", "inks", "density")


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
            SITES[row.body_site].region.replace("_", " "),
        )
        for row in courses
    ]
    columns = np.array(rows, dtype=object).reshape(len(rows), 4).T
    named = dict(zip((*GROUPINGS, "site"), columns, strict=True))
    return named if sites else {name: named[name] for name in GROUPINGS}
