"""Files that come with the package, read once and kept where Python keeps compiled modules."""

from __future__ import annotations

import marshal
import os
import sys
from collections.abc import Callable
from contextlib import suppress
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
    kept = Path(cache_from_source(str(path))).with_suffix(f".{kind}")
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
