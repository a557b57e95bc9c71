"""The rooms joined: fit, answer, save, and keep promises."""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.forecaster.card import TITLE, card_text, model_card
    from forecast.forecaster.drivers import Driver, drivers_of
    from forecast.forecaster.fit import fit_forecaster
    from forecast.forecaster.forecaster import KIND, Forecaster, load_forecaster
    from forecast.forecaster.promises import (
        assess_forecaster,
        assess_register,
        enquiry_of,
        holds_promises,
        record_promise,
    )

__all__ = [
    "KIND",
    "TITLE",
    "Driver",
    "Forecaster",
    "assess_forecaster",
    "assess_register",
    "card_text",
    "drivers_of",
    "enquiry_of",
    "fit_forecaster",
    "holds_promises",
    "load_forecaster",
    "model_card",
    "record_promise",
]

__getattr__, __dir__ = door(__name__, __file__)
