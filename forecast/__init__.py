"""Honest session counts, prices and regime comparisons from a clinic's own outcome log.

The names below are loaded on first use, so that importing the package costs next to nothing and
an enquiry at the desk waits for numpy alone.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from forecast.errors import DataError, FitError, ForecastError, RequestError

__version__ = "0.1.0"

_HOMES = {
    "forecast.errors": ["DataError", "FitError", "ForecastError", "RequestError"],
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "DataError",
    "FitError",
    "ForecastError",
    "RequestError",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'forecast' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
