"""What a session removes."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.fading.fading import FadingCurves, fit_fading, split_fading
    from forecast.fading.rows import fading_rows
    from forecast.fading.worth import fit_worth


__getattr__, __dir__ = door(__name__, __file__)
