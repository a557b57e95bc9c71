"""A room's door: the names it offers, each loaded with its home on first use."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def door(
    package: str, homes: Mapping[str, tuple[str, ...]]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return ``__getattr__`` and ``__dir__`` of a package whose names are loaded on first use.

    Parameters
    ----------
    package : str
        The package's ``__name__``.
    homes : mapping of str to tuple of str
        For each module below the package (``"scores"``, ``"rates.funnel"``) the names it gives.
    """
    home_of = {name: home for home, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name not in home_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(f"{package}.{home_of[name]}"), name)
        setattr(sys.modules[package], name, value)
        return value

    def names() -> list[str]:
        return sorted({*vars(sys.modules[package]), *home_of})

    return load, names
