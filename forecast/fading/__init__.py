"""What a session removes."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.fading.curves import fit_worth
    from forecast.fading.fading import FadingCurves, fit_fading, split_fading
    from forecast.fading.rows import fading_rows


__getattr__, __dir__ = door(__name__, __file__)
