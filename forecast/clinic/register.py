"""The register of promises: what was estimated, under which pseudonym, and when."""

from __future__ import annotations

import json
import os
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.errors import DataError

if TYPE_CHECKING:
    from forecast.clinic.estimate import Estimate

__all__ = ["holds_promises", "read_register", "record_promise"]

KEPT = ("enquiry_id", "issued_on", "goal", "level", "median", "interval", "pmf")
START = b'{"enquiry_id"'  # of each line


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
    with Path(path).open("ab+") as register:
        if register.tell():
            register.seek(-1, os.SEEK_END)
        torn = register.read(1) not in (b"", b"\n")  # an earlier write did not come to its end
        register.write(b"\n" * torn + json.dumps(entry).encode() + b"\n")
        register.flush()
        os.fsync(register.fileno())


def read_register(path: str | os.PathLike[str]) -> tuple[dict[str, dict[str, Any]], list[int]]:
    """Return the last promise of each enquiry in a register, and which lines are torn.

    Raises
    ------
    DataError
        If a whole line is no promise.
    """
    last: dict[str, dict[str, Any]] = {}
    torn: list[int] = []
    for number, line in enumerate(Path(path).read_bytes().split(b"\n"), 1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except ValueError:
            torn.append(number)
            continue
        try:
            last[str(entry["enquiry_id"])] = {name: entry[name] for name in KEPT}
        except (KeyError, TypeError):
            raise DataError(
                f"Line {number} of {os.fspath(path)} is no promise.",
                "Remove the line, or restore the register from a copy.",
            ) from None
    return last, torn


def holds_promises(content: bytes) -> bool:
    """Say whether a file's content is a register of promises, torn lines and all."""
    return any(line.startswith(START) for line in content.splitlines())
