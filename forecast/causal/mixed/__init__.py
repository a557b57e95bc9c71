"""Repeated measurements of subjects whose courses differ, some measurements known within bounds."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.causal.mixed.bounded import BoundedMixed, FittedBoundedMixed
    from forecast.causal.mixed.linear import LinearMixed
    from forecast.causal.mixed.search import Guess


__getattr__, __dir__ = door(__name__, __file__)
