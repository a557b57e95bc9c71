"""One way to write a file, to tell whether one is ours, and to read a CSV of bounded cells."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from secrets import token_hex

from forecast.errors import DataError, RequestError

Mark = Callable[[bytes], bool]


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file beside its place and move it there: a reader sees the old file or the new one.

    Raises OSError where the folder cannot be written; nothing is left behind then.
    """
    data = content.encode() if isinstance(content, str) else content
    beside = path.absolute().with_name(f".{path.name}.{token_hex(4)}.part")
    try:
        with beside.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


def check_not_lost(path: Path, *, what: str, known: Mark) -> None:
    """Raise RequestError when ``path`` has a file of another kind, which would be lost.

    A file that is there already, and not empty, is written over only when ``known`` says of its
    content that it is of the kind to be written; ``what`` names that kind, with its article.
    """
    if not path.is_file():
        return
    content = path.read_bytes()
    if content.strip() and not known(content):
        raise RequestError(
            f"{path} is there already and is not {what}: it would be lost.",
            "Name another file, or move this one away.",
        )


def is_json_with(name: str, *values: str) -> Mark:
    """Return a test for JSON objects that hold one of the values under a name."""

    def known(content: bytes) -> bool:
        try:
            stored = json.loads(content)
        except ValueError:
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
        raise DataError(
            f"{where} has a cell of {length:,} characters: {place}.",
            f"At most {MAX_CELL:,} are read; shorten it, or look for a quotation mark without "
            "its partner there.",
        )
