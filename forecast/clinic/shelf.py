"""A folder of rows set aside: which log they are of, and which files somebody has changed since.

Whoever mends rows may do so in the file itself. A file is written again, or taken away, only
while it is byte for byte as it was written.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path

from forecast._files import write_whole
from forecast.errors import RequestError

__all__ = ["RECORD", "changed_files", "put_on_shelf", "shelf_for"]

RECORD = "belongs_to.json"
PREFIX = "set_aside_"


def shelf_for(log: str, folder: str | Path) -> Path:
    """Return ``folder``, or ``folder-2``, ``folder-3``, …: the first that is not another log's."""
    wanted = Path(folder)
    for place in numbered(wanted):
        owner, _ = record_of(place)
        if owner in ("", owner_name(log)):
            return place
    raise AssertionError("numbers do not end")


def put_on_shelf(log: str, folder: Path, contents: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write one file per table into ``folder``, say there whose rows they are, return the paths.

    A file that was changed since it was written is left alone: the new one gets a number. Files
    of tables that have no row set aside any more are taken away unless they were changed.

    Raises
    ------
    RequestError
        If the folder holds rows of another log.
    """
    owner, written = record_of(folder)
    if owner not in ("", owner_name(log)):
        raise RequestError(
            f"{folder} holds rows set aside from {owner}.", "Name another folder for this log."
        )
    if not contents and not written:
        return ()
    folder.mkdir(parents=True, exist_ok=True)
    paths, now = [], {}
    for table, content in contents.items():
        path = next(
            place
            for place in numbered(folder / f"{PREFIX}{table}.csv")
            if not place.exists() or is_as_written(place, written)
        )
        write_whole(path, content)
        now[path.name] = digest(content)
        paths.append(path)
    for name in written.keys() - now.keys():
        if is_as_written(folder / name, written):
            (folder / name).unlink()
    if now:
        record = json.dumps({"log": owner_name(log), "written": now}, indent=1)
        write_whole(folder / RECORD, f"{record}\n".encode())
    else:
        (folder / RECORD).unlink()
    return tuple(paths)


def changed_files(folder: Path) -> tuple[Path, ...]:
    """Return the files of rows set aside that are not as they were written."""
    _, written = record_of(folder)
    files = sorted(folder.glob(f"{PREFIX}*.csv")) if folder.is_dir() else []
    return tuple(path for path in files if not is_as_written(path, written))


def record_of(folder: Path) -> tuple[str, dict[str, str]]:
    """Return whose rows a folder holds, "" where nothing says so, and the digest of each file."""
    try:
        stored = json.loads((folder / RECORD).read_text(encoding="utf-8"))
        return str(stored["log"]), {str(k): str(v) for k, v in stored["written"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return "", {}


def owner_name(log: str) -> str:
    """Return a log's source in the one way in which it is recorded."""
    return str(Path(log).resolve()) if Path(log).exists() else log


def is_as_written(path: Path, written: Mapping[str, str]) -> bool:
    """Return whether a file is what was written, byte for byte."""
    return path.is_file() and written.get(path.name) == digest(path.read_bytes())


def digest(content: bytes) -> str:
    """Return the SHA-256 of some bytes."""
    return hashlib.sha256(content).hexdigest()


def numbered(path: Path) -> Iterator[Path]:
    """Yield a path, and then the same with 2, 3, … at the end of its name."""
    yield path
    mark = "_" if path.suffix else "-"
    number = 2
    while True:
        yield path.with_name(f"{path.stem}{mark}{number}{path.suffix}")
        number += 1
