"""What went wrong, how often and after which regime."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.reactions.operators import OperatorFunnel
    from forecast.reactions.reactions import ReactionReport, fit_reactions
    from forecast.reactions.recording import under_recording

__all__ = ["OperatorFunnel", "ReactionReport", "fit_reactions", "under_recording"]

__getattr__, __dir__ = door(__name__, __file__)
