"""The register of promises: what was estimated, under which pseudonym, and when."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.errors import DataError

if TYPE_CHECKING:
    from forecast.clinic.estimate import Estimate

__all__ = ["read_register", "record_promise"]

KEPT = ("enquiry_id", "issued_on", "goal", "level", "median", "interval", "pmf")


def record_promise(
    path: str | os.PathLike[str], estimate: Estimate, *, enquiry_id: str, issued_on: date
) -> None:
    """Append an estimate to a register of promises, one JSON object a line.

    The register holds what was promised and under which pseudonym, no attribute of the client.
    ``enquiry_id`` is the ``course_id`` that the course gets if it goes ahead.
    """
    entry = {
        "enquiry_id": enquiry_id,
        "issued_on": issued_on.isoformat(),
        "goal": estimate.goal,
        "level": estimate.level,
        "median": estimate.median,
        "interval": list(estimate.interval),
        "pmf": [round(float(chance), 6) for chance in estimate.distribution.pmf[0]],
    }
    with Path(path).open("a", encoding="utf-8") as register:
        register.write(json.dumps(entry) + "\n")


def read_register(path: str | os.PathLike[str]) -> Iterator[dict[str, Any]]:
    """Yield the last promise of each enquiry in a register; raise DataError on a bad line."""
    last: dict[str, dict[str, Any]] = {}
    lines = Path(path).read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines, 1):
        try:
            entry = json.loads(line)
            last[str(entry["enquiry_id"])] = {name: entry[name] for name in KEPT}
        except (json.JSONDecodeError, KeyError, TypeError):
            raise DataError(
                f"Line {number} of {os.fspath(path)} is no promise.",
                "Remove the line, or restore the register from a copy.",
            ) from None
    yield from last.values()
