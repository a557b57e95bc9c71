"""What went wrong, how often and after which regime."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.reactions.reactions import (
        OperatorFunnel,
        ReactionReport,
        fit_reactions,
        under_recording,
    )


__getattr__, __dir__ = door(__name__, __file__)
