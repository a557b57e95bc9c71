"""Honest session counts, prices and regime comparisons from a clinic's own outcome log.

The names below are loaded on first use, so that importing the package costs next to nothing and
an enquiry at the desk waits for numpy alone.
"""

from typing import TYPE_CHECKING

from forecast._doors import door

if TYPE_CHECKING:
    from forecast.counts import Estimate
    from forecast.errors import DataError, FitError, ForecastError, RequestError
    from forecast.fading import fit_fading
    from forecast.forecaster import Forecaster, fit_forecaster, load_forecaster
    from forecast.invented import simulate_log
    from forecast.log import Enquiry, OutcomeLog, read_log
    from forecast.prices import (
        Package,
        Tariff,
        forecast_appointments,
        price_caseload,
        price_many,
        price_package,
    )
    from forecast.regimes import compare_regimes, plan_comparison

__all__ = [
    "DataError",
    "Enquiry",
    "Estimate",
    "FitError",
    "ForecastError",
    "Forecaster",
    "OutcomeLog",
    "Package",
    "RequestError",
    "Tariff",
    "compare_regimes",
    "fit_fading",
    "fit_forecaster",
    "forecast_appointments",
    "load_forecaster",
    "plan_comparison",
    "price_caseload",
    "price_many",
    "price_package",
    "read_log",
    "simulate_log",
]

__version__ = "0.1.0"

__getattr__, __dir__ = door(__name__, __file__)
