"""One way to write a file, to seal and read one, to tell whether it is ours, and CSV rows."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
import math
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from secrets import token_hex
from typing import Any

from forecast._notes import problem_and_remedy, sentence, why
from forecast.errors import DataError, RequestError

Mark = Callable[[bytes], bool]


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file beside its place and move it there: a reader sees the old file or the new one.

    The same after a loss of power: the content is on the disk before the name is. Raises OSError
    where the folder cannot be written; nothing is left behind then.
    """
    left = memoryview(content.encode() if isinstance(content, str) else content)
    folder = path.absolute().parent
    beside = folder / f".{path.name}.{token_hex(4)}.part"
    new = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    try:
        file = os.open(beside, new, 0o666)
        try:
            while left:
                left = left[os.write(file, left) :]
            os.fsync(file)
        finally:
            os.close(file)
        os.replace(beside, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(beside)
        raise
    if os.name == "posix":  # elsewhere a folder cannot be opened
        at = os.open(folder, os.O_RDONLY)
        try:
            with suppress(OSError):  # a network drive may not know how
                os.fsync(at)
        finally:
            os.close(at)


def write_into(folder: str | os.PathLike[str], contents: Mapping[str, str]) -> list[Path]:
    """Write each text to the file of its name in a folder, made if need be; return the files."""
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise RequestError(*problem_and_remedy("refused.no_folder", {"path": str(target)}))
    target.mkdir(parents=True, exist_ok=True)
    for name, content in contents.items():
        write_whole(target / name, content)
    return [target / name for name in contents]


def read_whole(path: Path, most: int) -> bytes:
    """Return a file's content; raises OSError for pipes, devices, folders and larger files."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, sentence("refused.why_no_file"))
    with path.open("rb") as file:
        content = file.read(most + 1)
    if len(content) > most:
        raise OSError(errno.EINVAL, sentence("refused.why_too_large", {"most": most}))
    return content


BESIDE = "beside"  # in the description of a package: checksums of files that are no tables
MAX_JSON = 100_000_000  # bytes


def read_json(path: Path) -> Any:
    """Return what a JSON file holds, None where it is none or a number in it is not finite.

    Raises OSError where the file cannot be read.
    """
    content = read_whole(path, MAX_JSON)
    try:
        return json.loads(content, parse_float=_finite, parse_constant=_finite)
    except (ValueError, RecursionError):
        return None


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(text)
    return number


MAX_TOML = 1_000_000  # bytes


def read_toml(path: Path, *, command: str, decimal: Callable[[str], Any] = float) -> dict[str, Any]:
    """Return what a TOML file holds, its fractions as ``decimal`` makes them.

    Raises DataError where it cannot be read; ``command`` is the one that writes an example.
    """
    import tomllib  # which an enquiry does not need

    try:
        return tomllib.loads(read_whole(path, MAX_TOML).decode("utf-8-sig"), parse_float=decimal)
    except OSError as error:
        values = {"file": str(path), "why": why(error), "command": command}
        raise DataError(*problem_and_remedy("refused.toml_unread", values)) from None
    except UnicodeDecodeError:
        raise DataError(*problem_and_remedy("refused.not_utf8", {"file": path.name})) from None
    except (RecursionError, ValueError) as error:  # an endless number is none of TOML's errors
        values = {"file": path.name, "why": str(error)}
        raise DataError(*problem_and_remedy("refused.no_toml", values)) from None


SEAL = "sha256"  # the name that the checksum of a file has in it


def sealed(content: Mapping[str, Any]) -> dict[str, Any]:
    """Return content to be written as JSON with the SHA-256 of all of it."""
    return {**content, SEAL: _sum_of(content)}


def unsealed(stored: Mapping[str, Any], *, named: str, remedy: str) -> dict[str, Any]:
    """Return what was sealed, or raise RequestError if it has changed; no seal is no complaint."""
    content = {name: value for name, value in stored.items() if name != SEAL}
    if SEAL in stored and stored[SEAL] != _sum_of(content):
        changed, _ = problem_and_remedy("refused.changed", {"file": named})
        raise RequestError(changed, remedy)
    return content


def _sum_of(content: Mapping[str, Any]) -> str:
    return sum_of(json.dumps(content, sort_keys=True).encode())


def checksums(described: Mapping[str, Any]) -> dict[str, str]:
    """Return the checksum of each file that a description of a package has one of."""
    resources, beside = described.get("resources"), described.get(BESIDE)
    listed = resources if isinstance(resources, list) else []
    parts = [one for one in listed if isinstance(one, dict) and "hash" in one]
    found = {str(one.get("path")): str(one["hash"]) for one in parts}
    return found | (beside if isinstance(beside, dict) else {})


def sum_of(content: bytes) -> str:
    """Return the SHA-256 of content as files write it: ``sha256:`` and 64 digits."""
    return f"{SEAL}:{hashlib.sha256(content).hexdigest()}"


def check_not_lost(path: Path, *, what: str, known: Mark) -> None:
    """Raise RequestError when ``path`` has a file of another kind, which would be lost.

    A file that is there already, and not empty, is written over only when ``known`` says of its
    content that it is of the kind to be written; ``what`` names that kind, with its article.
    """
    if not path.is_file():
        return
    content = path.read_bytes()
    if content.strip() and not known(content):
        raise RequestError(*problem_and_remedy("refused.lost", {"file": str(path), "what": what}))


def is_json_with(name: str, *values: str) -> Mark:
    """Return a test for JSON objects that hold one of the values under a name."""

    def known(content: bytes) -> bool:
        try:
            stored = json.loads(content)
        except (ValueError, RecursionError):
            return False
        return isinstance(stored, dict) and stored.get(name) in values

    return known


MAX_CELL = 32_767  # characters, as many as a spreadsheet's cell can hold
NO_LIMIT = 2**31 - 1  # fits a C long everywhere


def csv_rows(text: str, mark: str, *, strict: bool = False) -> Iterator[tuple[int, list[str]]]:
    """Yield the cells of each row, with the line it ends in; raises csv.Error.

    Cells longer than the csv module allows are handed out too, so that they can be told of.
    """
    before = csv.field_size_limit(NO_LIMIT)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=strict)
        for row in reader:
            yield reader.line_num, row
    finally:
        csv.field_size_limit(before)


def refuse_long_cell(where: str, place: str, length: int) -> None:
    """Raise DataError if a cell has more characters than are read."""
    if length > MAX_CELL:
        values = {"where": where, "length": length, "place": place, "most": MAX_CELL}
        raise DataError(*problem_and_remedy("refused.long_cell", values))
