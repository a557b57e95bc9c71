"""Clinics whose truth is known."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.invented.simulate import simulate_log
    from forecast.invented.world import World, usual_world


__getattr__, __dir__ = door(__name__, __file__)
