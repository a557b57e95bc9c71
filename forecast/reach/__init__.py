"""Which inks the lasers take."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.reach.laser_change import LONGEST_LIFE, LaserChange, what_would_change
    from forecast.reach.reach import LogReach, log_reach, reach_effect, tattoo_reach


__getattr__, __dir__ = door(__name__, __file__)
