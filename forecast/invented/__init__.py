"""Clinics whose truth is known."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.invented.log_rows import hide
    from forecast.invented.people import YEAR, Crew
    from forecast.invented.sessions import arrive
    from forecast.invented.simulate import simulate_log
    from forecast.invented.world import CaseMix, Mechanism, OwnedLaser, World, usual_world


__getattr__, __dir__ = door(__name__, __file__)
