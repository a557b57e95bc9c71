"""A promise on record: what was said to whom and when, and how it stands against now."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, fields
from datetime import date, timedelta
from itertools import accumulate
from pathlib import Path
from typing import Any

from forecast._files import csv_rows, read_whole
from forecast._notes import Note, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.errors import DataError, ForecastError
from forecast.log import Enquiry, checked, column_names
from forecast.log import column as rule_of
from forecast.log.files import is_daybook, opened, told

Interval = tuple[int | None, int | None]
DAYS = ("issued_on", "valid_until")
VALID_DAYS = 90  # of what is said without a tariff: common practice, no source
MOST_BYTES = 100_000_000


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Promise(Result):
    """An estimate as it was given to a client, in the columns of the table ``promises``.

    Attributes
    ----------
    course_id, client_id : str
        What is promised, whether it has begun or not, and to whom.
    issued_on, valid_until : date
        When it was said, and the last day on which its price holds, None where no tariff says so.
    goal : {"clear", "lighten"}
        What is counted to.
    level : float
        What the interval covers, between 0 and 1.
    median, low, high : int or None
        Sessions here in all, half and both ends; None is beyond the last of ``chances``.
    chances : tuple of float, of shape (horizon,)
        Chance of being there by session 1, 2, 3, ….
    promise_no, sessions_done : int
        Its number, 0 until it is kept; sessions had here by then.
    enquiry : Enquiry or None
        What was asked about; None where an old register has none.
    model, verdict : str
        Fingerprint of the model that answered, and what was said of the regimes.
    package, price, currency : str, float and str
        What was quoted; None or empty where nothing was.
    questions, facts : str
        Whether the questions were asked, and the keys of those answered with yes, joined by ``;``.

    Examples
    --------
    >>> said = {"course_id": "c9", "client_id": "p7", "issued_on": date(2026, 3, 2), "level": 0.8}
    >>> said |= {"goal": "clear", "median": 2, "low": 1, "high": 3, "chances": (0.2, 0.6, 0.9)}
    >>> Promise(**said).until
    datetime.date(2026, 5, 31)
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
    def interval(self) -> Interval:
        """The ends of the interval, as an estimate has them."""
        return self.low, self.high

    @property
    def until(self) -> date:
        """The last day on which it is valid."""
        return self.valid_until or self.issued_on + timedelta(days=VALID_DAYS)

    def lines(self, language: str) -> list[str]:
        """Return what was promised, and the price quoted."""
        values = {"n": self.promise_no, "day": self.issued_on.isoformat()}
        values |= {"span": spoken(self.interval, len(self.chances)), "of_ten": self.level * 10}
        price = {"package": self.package, "price": self.price, "currency": self.currency}
        return [
            sentence("daybook.promised" if self.promise_no else "daybook.not_kept", values),
            *[sentence("daybook.quoted", price)] * (self.price is not None),
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values, days as YYYY-MM-DD."""
        days = {name: getattr(self, name) for name in DAYS}
        return Result.to_dict(self) | {name: day and str(day) for name, day in days.items()}

    def cells(self) -> dict[str, Any]:
        """Return it as the cells of a row."""
        cells = {field.name: getattr(self, field.name) for field in fields(self)}
        cells["chances"] = " ".join(f"{chance:.4f}" for chance in self.chances)
        cells["enquiry"] = self.enquiry and json.dumps(
            {name: value for name, value in asdict(self.enquiry).items() if value not in (None, {})}
        )
        for name in DAYS:
            cells[name] = cells[name] and cells[name].isoformat()
        return {name: None if value == "" else value for name, value in cells.items()}

    @classmethod
    def of_row(cls, row: Mapping[str, Any], path: Path, line: int = 0) -> Promise:
        """Return the promise of a row's cells, or raise DataError that says where it stands."""
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
            values = {"path": str(path), "course": str(row.get("course_id")), "line": line}
            where = Note("disk.line_of" if line else "disk.promise_of", values=values)
            values = {"where": where, "error": str(error)}
            raise DataError(*problem_and_remedy("disk.no_promise", values)) from None

    def against(self, now: Interval, median: int | None, *, slow: bool) -> Note:
        """Return in one line how it stands against what is said now of the sessions in all.

        The client is to be told where the middle now, None beyond the horizon, lies outside the
        interval promised; ``slow`` says that it has faded less by now than 9 of 10 like it.
        """
        beyond = len(self.chances) + 1
        middle = median or beyond
        within = (self.low or beyond) <= middle <= (self.high or beyond)
        longer = middle > (self.high or beyond)
        why = "within" if within else "shorter" if not longer else "slower" if slow else "longer"
        values = {
            "day": self.issued_on.isoformat(),
            "promised": spoken(self.interval, beyond - 1),
            "now": spoken(now, beyond - 1),
            "why": Note(f"daybook.because_{why}"),
        }
        return Note("daybook.against", "info" if within else "caution", values)


def spoken(interval: Interval, horizon: int) -> Note:
    """Return an interval as a note that is said within others."""
    low, high = interval
    if not low:
        return Note("daybook.beyond", values={"n": horizon})
    if low == high:
        return Note("daybook.one", values={"n": low})
    values = {"low": low, "high": high} if high else {"low": low, "n": horizon}
    return Note("daybook.span" if high else "daybook.open", values=values)


def first_promises(promises: Iterable[Promise]) -> dict[str, Promise]:
    """Return the promise that each course was sold on: its first, whatever was said later.

    Examples
    --------
    >>> given = {"course_id": "c9", "client_id": "p7", "issued_on": date(2026, 3, 2), "level": 0.8}
    >>> given |= {"goal": "clear", "median": 2, "low": 1, "high": 3, "chances": (0.2, 0.6, 0.9)}
    >>> both = [Promise(**given, promise_no=number) for number in (12, 4)]
    >>> first_promises(both)["c9"].promise_no
    4
    """
    first: dict[str, Promise] = {}
    for one in sorted(promises, key=lambda one: one.promise_no):
        first.setdefault(one.course_id, one)
    return first


def read_promises(path: str | os.PathLike[str]) -> tuple[Promise, ...]:
    """Return the promises of a daybook, or of a log's table ``promises``, by their numbers.

    Those that were undone are left out. Raises DataError if a row is no promise.

    Examples
    --------
    >>> forecast.make_daybook(folder / "book.sqlite").close()
    >>> read_promises(folder / "book.sqlite")
    ()
    """
    rows = _rows_of_book(Path(path)) if is_daybook(Path(path)) else _rows_of_csv(Path(path))
    found = [Promise.of_row(*one) for one in rows]
    return tuple(sorted(found, key=lambda one: one.promise_no))


def _rows_of_book(path: Path) -> Iterator[tuple[Mapping[str, Any], Path]]:
    names = column_names("promises")
    with closing(opened(path)) as book, told(path):
        for row in book.execute(f"SELECT {', '.join(names)} FROM promises_now"):
            yield dict(zip(names, row, strict=True)), path


def _rows_of_csv(path: Path) -> Iterator[tuple[Mapping[str, Any], Path, int]]:
    table = path / "promises.csv"
    if not table.is_file():
        return
    try:
        rows = list(csv_rows(read_whole(table, MOST_BYTES).decode("utf-8-sig"), ","))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        values = {"path": str(table), "error": str(error)}
        raise DataError(*problem_and_remedy("disk.no_csv", values)) from None
    for line, cells in rows[1:]:
        yield dict(zip(rows[0][1], cells, strict=False)), table, line


def read_register(path: Path) -> tuple[list[Promise], list[int]]:
    """Return the promises of an old register, one JSON object a line, and which lines are torn."""
    found: list[Promise] = []
    torn: list[int] = []
    for number, line in enumerate(read_whole(path, MOST_BYTES).split(b"\n"), 1):
        try:
            entry = json.loads(line) if line.strip() else None
        except ValueError:
            torn.append(number)
            continue
        try:
            found += [] if entry is None else [_of_register(entry)]
        except (KeyError, TypeError, ValueError):
            values = {"line": number, "path": str(path)}
            raise DataError(*problem_and_remedy("disk.no_line", values)) from None
    return found, torn


def _of_register(entry: Mapping[str, Any]) -> Promise:
    low, high = entry["interval"]
    chances = tuple(min(total, 1.0) for total in accumulate(map(float, entry["pmf"])))
    identity = str(entry["enquiry_id"])
    return Promise(
        course_id=identity, client_id=identity, goal=str(entry["goal"]),
        issued_on=date.fromisoformat(entry["issued_on"]), level=float(entry["level"]),
        median=entry["median"], low=low, high=high, chances=chances,
    )  # fmt: skip
