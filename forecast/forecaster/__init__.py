"""The rooms joined: fit, answer, save, and keep promises."""

from typing import TYPE_CHECKING

from forecast._shipped import door

if TYPE_CHECKING:
    from forecast.forecaster.fit import bootstrap, fit_forecaster, refresh_forecaster
    from forecast.forecaster.forecaster import GRADINGS, KIND, Driver, Forecaster, load_forecaster
    from forecast.forecaster.promises import (
        TITLE,
        PromiseCheck,
        against_promise,
        assess_forecaster,
        assess_promises,
        card_text,
        model_card,
        promise_of,
    )
    from forecast.forecaster.quoting import value_of_quoting


__getattr__, __dir__ = door(__name__, __file__)
