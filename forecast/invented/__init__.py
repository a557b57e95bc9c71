"""Clinics whose truth is known."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.invented.log_rows import hide
    from forecast.invented.people import YEAR, Crew
    from forecast.invented.sessions import Paths, arrive
    from forecast.invented.simulate import (
        SimulatedClinic,
        simulate_clinic,
        simulate_log,
        simulate_split_trial,
    )
    from forecast.invented.truth import (
        fresh_clients,
        true_contrast,
        true_deliveries,
        true_distribution,
    )
    from forecast.invented.world import CaseMix, OwnedLaser, World, bencini_world

__all__ = [
    "YEAR",
    "CaseMix",
    "Crew",
    "OwnedLaser",
    "Paths",
    "SimulatedClinic",
    "World",
    "arrive",
    "bencini_world",
    "fresh_clients",
    "hide",
    "simulate_clinic",
    "simulate_log",
    "simulate_split_trial",
    "true_contrast",
    "true_deliveries",
    "true_distribution",
]

__getattr__, __dir__ = door(__name__, __file__)
