"""A promise on record: what was said to whom and when, and how it stands against now."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, fields
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from forecast._files import csv_rows, read_whole
from forecast._notes import Note
from forecast.errors import DataError, ForecastError
from forecast.log import Enquiry, checked, column_names, is_daybook, opened, told
from forecast.log import column as rule_of

VALID_DAYS = 90  # where a tariff says nothing: common practice, no source
DAYS = ("issued_on", "valid_until")
MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """An estimate as it was given to a client.

    Attributes
    ----------
    promise_no : int
        Its number in its daybook; 0 until it is kept.
    course_id, client_id : str
        The course it speaks of, whether begun or not, and the client's pseudonym.
    issued_on : date
    goal : str
        ``clear`` or ``lighten``.
    sessions_done : int
        Sessions had by then; 0 is at the consultation.
    level : float
        What the interval covers.
    median, low, high : int or None
        Sessions here in all; None is beyond the last of ``chances``.
    chances : tuple of float
        Of being there by session 1, 2, 3, …
    enquiry : Enquiry or None
        None where it was taken over from a register, which had none.
    model, verdict : str
        The model's fingerprint, and what the log said of the pulse regimes.
    package, price, currency : str, float, str
        What was quoted; None and empty where nothing was.
    questions : str
        ``asked``, ``in_part`` or ``not_asked``: the questions before starting.
    facts : str
        Those answered with yes, joined by ``;``.
    valid_until : date or None
        Last day of the price.
    """

    course_id: str
    client_id: str
    issued_on: date
    goal: str
    level: float
    median: int | None
    low: int | None
    high: int | None
    chances: tuple[float, ...]
    promise_no: int = 0
    sessions_done: int = 0
    enquiry: Enquiry | None = None
    model: str = ""
    verdict: str = ""
    package: str | None = None
    price: float | None = None
    currency: str = ""
    questions: str = "not_asked"
    facts: str = ""
    valid_until: date | None = None

    @property
    def interval(self) -> tuple[int | None, int | None]:
        """The ends of the interval, as an estimate has them."""
        return self.low, self.high

    def cells(self) -> dict[str, Any]:
        """Return it as the cells of a row."""
        cells = {field.name: getattr(self, field.name) for field in fields(self)}
        cells["chances"] = " ".join(f"{chance:.4f}" for chance in self.chances)
        cells["enquiry"] = self.enquiry and json.dumps(
            {name: value for name, value in asdict(self.enquiry).items() if value is not None}
        )
        for name in DAYS:
            cells[name] = cells[name] and cells[name].isoformat()
        return {name: None if value == "" else value for name, value in cells.items()}

    @classmethod
    def of_row(cls, row: Mapping[str, Any], where: str) -> Promise:
        """Return the promise of a row's cells, or raise DataError that says ``where`` it stands."""
        try:
            read: dict[str, Any] = {
                name: checked(rule_of("promises", name), row.get(name))
                for name in column_names("promises")
                if name not in DAYS
            }
            for name in DAYS:
                read[name] = date.fromisoformat(str(row[name])) if row.get(name) else None
            chances = tuple(map(float, str(read["chances"]).split()))
            given = json.loads(read["enquiry"]) if read["enquiry"] else None
            for name in ("model", "verdict", "currency", "facts"):
                read[name] = read[name] or ""
            enquiry = given and Enquiry(**given)
            return cls(**{**read, "chances": chances, "enquiry": enquiry})
        except (ForecastError, LookupError, TypeError, ValueError) as error:
            raise DataError(
                f"{where} is no promise: {error}", "Restore the row from a backup or an export."
            ) from None

    def against(
        self, now: tuple[int | None, int | None], median: int | None, *, slow: bool
    ) -> Note:
        """Return in one line how it stands against what is said now, of the sessions in all.

        Parameters
        ----------
        now : tuple of int or None
            The interval now; an end beyond the horizon is None.
        median : int or None
            The middle now: outside the interval promised, the client is to be told.
        slow : bool
            Whether the course fades more slowly than 9 of 10 like it.
        """
        beyond = len(self.chances)
        middle = beyond + 1 if median is None else median
        low, high = (beyond + 1 if end is None else end for end in self.interval)
        within = low <= middle <= high
        why = "within" if within else "slower" if slow else "longer" if middle > high else "shorter"
        values = {
            "day": self.issued_on.isoformat(),
            "promised": spoken(self.interval, beyond),
            "now": spoken(now, beyond),
            "why": Note(f"daybook.because_{why}"),
        }
        return Note("daybook.against", "info" if within else "caution", values)


def spoken(interval: tuple[int | None, int | None], horizon: int) -> Note:
    """Return an interval as a note that is said within others."""
    low, high = interval
    if low is None or low == high:
        return (
            Note("daybook.one", values={"n": low})
            if low
            else Note("daybook.beyond", values={"n": horizon})
        )
    if high is None:
        return Note("daybook.open", values={"low": low, "n": horizon})
    return Note("daybook.span", values={"low": low, "high": high})


def valid_from(day: date, days: int = VALID_DAYS) -> date:
    """Return the last day on which a price said on ``day`` holds."""
    return day + timedelta(days=days)


def first_promises(promises: Iterable[Promise]) -> dict[str, Promise]:
    """Return the promise that each course was sold on: its first, whatever was said later."""
    first: dict[str, Promise] = {}
    for one in sorted(promises, key=lambda one: one.promise_no):
        first.setdefault(one.course_id, one)
    return first


def read_promises(path: str | os.PathLike[str]) -> tuple[Promise, ...]:
    """Return the promises of a daybook, or of a log's table ``promises``, by their numbers.

    Those that were undone are left out.

    Raises
    ------
    DataError
        If the file cannot be read, or a row is no promise.
    """
    path = Path(path)
    return tuple(sorted(_promises(path), key=lambda one: one.promise_no))


def _promises(path: Path) -> Iterator[Promise]:
    if is_daybook(path):
        with closing(opened(path)) as book, told(path):
            names = column_names("promises")
            for row in book.execute(f"SELECT {', '.join(names)} FROM promises_now"):
                yield Promise.of_row(dict(zip(names, row, strict=True)), f"A row of {path}")
        return
    table = path / "promises.csv"
    if not table.is_file():
        return
    try:
        rows = list(csv_rows(read_whole(table, MOST_BYTES).decode("utf-8-sig"), ","))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise DataError(f"{table} cannot be read ({error}).", "Save it as CSV UTF-8.") from None
    for line, cells in rows[1:]:
        yield Promise.of_row(dict(zip(rows[0][1], cells, strict=False)), f"{table} line {line}")


def read_register(path: Path) -> tuple[list[Promise], list[int]]:
    """Return the promises of an old register, one JSON object a line, and which lines are torn.

    Raises
    ------
    DataError
        If a whole line is no promise.
    """
    found: list[Promise] = []
    torn: list[int] = []
    for number, line in enumerate(read_whole(path, MOST_BYTES).split(b"\n"), 1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except ValueError:
            torn.append(number)
            continue
        try:
            found.append(_of_register(entry))
        except (KeyError, TypeError, ValueError):
            raise DataError(
                f"Line {number} of {path} is no promise.",
                "Remove the line, or restore the register from a copy.",
            ) from None
    return found, torn


def _of_register(entry: Mapping[str, Any]) -> Promise:
    low, high = entry["interval"]
    total, chances = 0.0, []
    for chance in entry["pmf"]:
        total += float(chance)
        chances.append(min(total, 1.0))
    identity, issued = str(entry["enquiry_id"]), date.fromisoformat(entry["issued_on"])
    return Promise(
        course_id=identity, client_id=identity, issued_on=issued, goal=str(entry["goal"]),
        level=float(entry["level"]), median=entry["median"], low=low, high=high,
        chances=tuple(chances),
    )  # fmt: skip
