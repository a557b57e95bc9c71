"""What comes with the package, read once: its tables and texts, and what each room offers.

What was read is kept where Python keeps compiled modules.
"""

from __future__ import annotations

import marshal
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any


def _toml(text: str) -> Any:
    from tomllib import loads  # takes as long to load as what it has read, kept

    return loads(text)


def shipped(path: str | Path, read: Callable[[str], Any] = _toml, kind: str = "toml") -> Any:
    """Return what ``read`` makes of the text of a file, plain values or code; by default of TOML.

    What it made is kept under the name of its ``kind`` and holds while the file is the same.
    """
    state = os.stat(path)
    stamp = (state.st_mtime_ns, state.st_size)
    kept = Path(cache_from_source(str(path))).with_suffix(f".{kind}.kept")
    with suppress(OSError, EOFError, TypeError, ValueError):
        known, found = marshal.loads(kept.read_bytes())
        if known == stamp:
            return found
    found = read(Path(path).read_text(encoding="utf-8"))
    with suppress(OSError):  # a folder that is not ours to write in
        if not sys.dont_write_bytecode:
            kept.parent.mkdir(parents=True, exist_ok=True)
            beside = kept.with_suffix(f".{os.getpid()}")
            beside.write_bytes(marshal.dumps((stamp, found)))
            beside.replace(kept)
    return found


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
    import ast  # which what was kept does not need

    found: dict[str, str] = {}
    for block in ast.parse(text).body:
        for line in block.body if isinstance(block, ast.If) else ():
            if isinstance(line, ast.ImportFrom):
                found |= {alias.name: str(line.module) for alias in line.names}
    return found
