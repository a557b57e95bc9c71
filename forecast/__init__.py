"""Honest session counts, prices and regime comparisons from a clinic's own outcome log.

The names below are loaded on first use, so that importing the package costs next to nothing and
an enquiry at the desk waits for numpy alone.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forecast.clinic.caseload import price_caseload
    from forecast.clinic.enquiry import Enquiry
    from forecast.clinic.estimate import Estimate
    from forecast.clinic.fading import fit_fading
    from forecast.clinic.forecaster import Forecaster
    from forecast.clinic.log import OutcomeLog, read_log
    from forecast.clinic.planning import plan_comparison
    from forecast.clinic.pricing import price_package
    from forecast.clinic.regimes import compare_regimes
    from forecast.clinic.saved import load_forecaster
    from forecast.clinic.scoring import fit_forecaster
    from forecast.clinic.simulate import simulate_log
    from forecast.clinic.tariff import Package, Tariff
    from forecast.errors import DataError, FitError, ForecastError, RequestError

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
    "load_forecaster",
    "plan_comparison",
    "price_caseload",
    "price_package",
    "read_log",
    "simulate_log",
]

__version__ = "0.1.0"

_HOMES = {
    "forecast.clinic.caseload": ("price_caseload",),
    "forecast.clinic.enquiry": ("Enquiry",),
    "forecast.clinic.estimate": ("Estimate",),
    "forecast.clinic.fading": ("fit_fading",),
    "forecast.clinic.forecaster": ("Forecaster",),
    "forecast.clinic.log": ("OutcomeLog", "read_log"),
    "forecast.clinic.planning": ("plan_comparison",),
    "forecast.clinic.pricing": ("price_package",),
    "forecast.clinic.regimes": ("compare_regimes",),
    "forecast.clinic.saved": ("load_forecaster",),
    "forecast.clinic.scoring": ("fit_forecaster",),
    "forecast.clinic.simulate": ("simulate_log",),
    "forecast.clinic.tariff": ("Package", "Tariff"),
    "forecast.errors": ("DataError", "FitError", "ForecastError", "RequestError"),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'forecast' has no attribute {name!r}")
    value = getattr(import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
