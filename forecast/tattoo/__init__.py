"""What is treated, and what is published about it."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.tattoo.cautions import (
        CAUTIONS,
        FACTS,
        Caution,
        cautions_for,
        check_facts,
        raised_by,
        waits,
    )
    from forecast.tattoo.inks import (
        GRADES,
        GROUPINGS,
        INK_COVARIATES,
        INK_GROUPS,
        INKS,
        REGIONS,
        SITES,
        WAVELENGTHS_NM,
        Laser,
        Uptake,
        best_uptake,
        cite,
        groups_of,
        ink_group,
        mark_of,
        read_inks,
        unreached_inks,
        uptake_table,
    )


__getattr__, __dir__ = door(__name__, __file__)
