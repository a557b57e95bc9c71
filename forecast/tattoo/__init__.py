"""What is treated, and what is published about it."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.tattoo.cautions import CAUTIONS, FACTS, Caution, cautions_for
    from forecast.tattoo.inks import (
        CAVEAT,
        GRADES,
        INK_COVARIATES,
        INK_GROUPS,
        INKS,
        WAVELENGTHS_NM,
        Laser,
        Uptake,
        best_uptake,
        ink_group,
        read_inks,
        unreached_inks,
        uptake_table,
    )
    from forecast.tattoo.published import cite
    from forecast.tattoo.sites import GROUPINGS, REGIONS, SITES, groups_of

__all__ = [
    "CAUTIONS",
    "CAVEAT",
    "FACTS",
    "GRADES",
    "GROUPINGS",
    "INKS",
    "INK_COVARIATES",
    "INK_GROUPS",
    "REGIONS",
    "SITES",
    "WAVELENGTHS_NM",
    "Caution",
    "Laser",
    "Uptake",
    "best_uptake",
    "cautions_for",
    "cite",
    "groups_of",
    "ink_group",
    "read_inks",
    "unreached_inks",
    "uptake_table",
]

__getattr__, __dir__ = door(__name__, __file__)
