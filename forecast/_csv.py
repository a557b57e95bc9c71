"""How long a cell may be, wherever tables are read, and CSV whose cells may be longer than that."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from forecast.errors import DataError

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
