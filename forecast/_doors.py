"""A room's door: the names it offers, each loaded when it is first asked for."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any


def door(
    package: str, homes: Mapping[str, Sequence[str]]
) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return ``__getattr__`` and ``__dir__`` of a package that loads names on first use.

    ``homes`` says which module holds which names.

    Examples
    --------
    >>> load, listed = door("forecast", {"fractions": ("Fraction",)})
    >>> load("Fraction")(2, 4)
    Fraction(1, 2)
    >>> load("Fractal")
    Traceback (most recent call last):
    AttributeError: module 'forecast' has no attribute 'Fractal'
    """
    home_of = {name: module for module, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name not in home_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(home_of[name]), name)
        setattr(sys.modules[package], name, value)
        return value

    def listed() -> list[str]:
        return sorted({*vars(sys.modules[package]), *home_of})

    return load, listed
