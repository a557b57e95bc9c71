"""A small daybook with one promise, and what is written into it."""

from datetime import date, timedelta
from pathlib import Path

import pytest

import forecast
from forecast.daybook import Daybook, Promise, Visit, make_daybook
from forecast.daybook.package import take_over
from forecast.log import OutcomeLog, write_log

ENQUIRY = forecast.Enquiry("II", "forearm", "black;red", "medium", "single", age_years=30)
TODAY = date.today()
TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


def promised(client: str = "k900", **given: object) -> Promise:
    """Return a promise that is not kept yet, of 5 to more than 10 sessions."""
    plain = {
        "course_id": "", "client_id": client, "issued_on": TODAY - timedelta(days=200),
        "goal": "clear", "level": 0.8, "median": 8, "low": 5, "high": None,
        "chances": tuple(n / 16 for n in range(1, 11)), "enquiry": ENQUIRY, "model": "abc123",
    }  # fmt: skip
    return Promise(**{**plain, **given})  # type: ignore[arg-type]


def visit(weeks_ago: float, percent: float | None = None, **given: object) -> Visit:
    """Return a visit so many weeks ago."""
    day = TODAY - timedelta(weeks=weeks_ago)
    cells = {"treated_on": day, "regime": "ns", "fading_pct": percent, **given}
    return Visit(**cells)  # type: ignore[arg-type]


@pytest.fixture(scope="session")
def small_log() -> OutcomeLog:
    return forecast.simulate_log(40, seed=8)


@pytest.fixture
def book(tmp_path: Path) -> Daybook:
    return make_daybook(tmp_path / "book.sqlite")


@pytest.fixture
def full_book(small_log: OutcomeLog, tmp_path: Path) -> Daybook:
    """Return a daybook that has taken over a log."""
    write_log(small_log, tmp_path / "log")
    made = make_daybook(tmp_path / "full.sqlite")
    take_over(made, tmp_path / "log")
    return made
