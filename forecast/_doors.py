"""How a room's ``__init__`` offers its names without loading the files they live in."""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from importlib import import_module
from typing import Any

from forecast._shipped import shipped


def door(package: str, path: str) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """Return ``__getattr__`` and ``__dir__`` of the room at ``path``, an ``__init__.py``.

    The room names what it offers once, in imports under ``TYPE_CHECKING``, which tools read and
    which are not run: each name is imported from there when it is first asked for.
    """
    homes = shipped(path, _imports_for_tools, "door")

    def load(name: str) -> Any:
        if name == "__all__":
            return sorted(homes)
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        value = getattr(import_module(homes[name]), name)
        setattr(sys.modules[package], name, value)
        return value

    return load, lambda: sorted({*vars(sys.modules[package]), *homes})


def _imports_for_tools(text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for block in ast.parse(text).body:
        for line in block.body if isinstance(block, ast.If) else ():
            if isinstance(line, ast.ImportFrom):
                found |= {alias.name: str(line.module) for alias in line.names}
    return found
