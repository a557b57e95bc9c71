"""How a clinic is run through the page's daybook: the requests of its browser, day by day."""

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, replace
from datetime import date, datetime, time
from http.client import HTTPConnection
from pathlib import Path
from threading import Thread
from typing import Any

import pandas as pd
import uvicorn

import forecast
from forecast.page import make_app, open_desk

__all__ = ["run_through_page"]

Event = tuple[date, int, str, str, dict[str, Any]]  # day, place within it, course, what, sent
MORNING = time(9, 30)
NOBODY = "op0"  # who enters what the log has no code for
OF_SESSION = ("regime", "laser_id", "wavelengths_nm", "passes")
LAST = 1000  # a course ends after its sessions


class Browser:
    """A tablet at the front desk: sends what the page would send, on a day of its own."""

    def __init__(self) -> None:
        self.connection = HTTPConnection("127.0.0.1")
        self.day = date.min

    def now(self) -> datetime:
        """Return the time on its clock."""
        return datetime.combine(self.day, MORNING)

    def post(self, address: str, body: Mapping[str, Any]) -> Any:
        """Send one request and return the answer; one that is not wanted ends the run."""
        kind = {"Content-Type": "application/json"}
        self.connection.request("POST", f"/{address}?language=en", json.dumps(body), kind)
        reply = self.connection.getresponse()
        said = json.loads(reply.read())
        if reply.status != 200:
            raise RuntimeError(f"{address} on {self.day}: {said}")
        return said


def run_through_page(log: forecast.OutcomeLog, model: Path, book: Path) -> int:
    """Keep an estimate of each course, and write down its visits and its end, through the page.

    The days are the log's own, whatever day it is. A course goes in if the ``model`` has its goal
    and the log has a day and a regime of each of its sessions. Returned is how many went in.
    """
    with _serving(model, book) as (browser, goals):
        known: dict[str, dict[str, Any]] = {}
        for day, _, name, what, sent in sorted(_events(log, goals), key=lambda one: one[:3]):
            browser.day = day
            if what == "keep":
                browser.post("answer", sent["asked"])
            else:
                found = browser.post("book/open", {"code": known[name]["course"]})
                sent = {**sent, "course": found["course"], "version": found["version"]}
            known[name] = browser.post(f"book/{what}", sent)
    return len(known)


@contextmanager
def _serving(model: Path, book: Path) -> Iterator[tuple[Browser, frozenset[str]]]:
    browser = Browser()
    with forecast.Daybook(book, clock=browser.now) as daybook:
        desk = replace(open_desk(model), daybook=daybook)
        app = make_app(desk)
        server = uvicorn.Server(uvicorn.Config(app, port=0, log_level="error", lifespan="off"))
        thread = Thread(target=server.run)
        thread.start()
        try:
            while not server.started and thread.is_alive():
                thread.join(0.01)
            browser.connection.port = server.servers[0].sockets[0].getsockname()[1]
            yield browser, frozenset(desk.forecasters)
        finally:
            browser.connection.close()
            server.should_exit = True
            thread.join()


def _events(log: forecast.OutcomeLog, goals: frozenset[str]) -> Iterator[Event]:
    whole = log.sessions.drop_duplicates(["course_id", "session_no"])
    whole = whole.dropna(subset=["treated_on", "regime"]).sort_values("session_no")
    visits = dict(list(whole.groupby("course_id", observed=True)))
    seen = _seen(log)
    for row in log.courses.to_dict("records"):
        name = row["course_id"]
        sessions = visits.get(name, whole.head(0)).to_dict("records")
        if row["goal"] in goals and len(sessions) == row["sessions_given"]:
            yield from _course(row, sessions, seen)


def _seen(log: forecast.OutcomeLog) -> dict[tuple[str, int], dict[str, Any]]:
    found: dict[tuple[str, int], dict[str, Any]] = {}
    for table, names in (
        (log.gradings, ("fading_pct", "basis", "graded_on")),
        (log.reactions, ("reaction", "severity")),
    ):
        first = table.drop_duplicates(["course_id", "after_session"])
        for row in first.to_dict("records"):
            key = row["course_id"], int(row["after_session"])
            found.setdefault(key, {}).update({name: row[name] for name in names})
    return found


def _course(
    row: Mapping[str, Any], sessions: list[dict[str, Any]], seen: Mapping[tuple[str, int], Any]
) -> Iterator[Event]:
    name, who = row["course_id"], _who(sessions[0])
    asked = {
        key: _text(value)
        for key, value in asdict(forecast.enquiry_of(row)).items()
        if key != "extra"
    }
    asked = {**asked, "inks": row["inks"].split(";"), "goal": row["goal"], "questions": "asked"}
    enquired = row["enquired_on"] if pd.notna(row["enquired_on"]) else row["started_on"]
    kept = {"asked": asked, "client_id": row["client_id"], "by": who}
    yield min(enquired, sessions[0]["treated_on"]).date(), 0, name, "keep", kept
    for number, session in enumerate(sessions, 1):
        sent = {key: _text(session[key]) for key in OF_SESSION} | _of(seen.get((name, number - 1)))
        yield _written(session["treated_on"], number, name, "session", sent, _who(session))
    if row["outcome"] != "ongoing":
        last = seen.get((name, len(sessions)), {})
        sent = {"outcome": row["outcome"], "stop_reason": _text(row["stop_reason"]) or "unknown"}
        day = max(sessions[-1]["treated_on"], last.get("graded_on", sessions[-1]["treated_on"]))
        yield _written(day, LAST, name, "end", sent | _of(last), _who(sessions[-1]))


def _written(
    day: datetime, place: int, name: str, what: str, sent: dict[str, Any], who: str
) -> Event:
    # what is asked about is right: so it stands in the log
    return (
        day.date(),
        place,
        name,
        what,
        {**sent, "treated_on": _text(day.date()), "by": who, "sure": "yes"},
    )


def _of(seen: Mapping[str, Any] | None) -> dict[str, str]:
    return {key: _text(value) for key, value in (seen or {}).items() if key != "graded_on"}


def _who(session: Mapping[str, Any]) -> str:
    return _text(session["operator_id"]) or NOBODY


def _text(value: Any) -> str:
    if value is None or value != value:
        return ""
    whole = isinstance(value, float) and value.is_integer()
    return str(int(value) if whole else value)
