"""Keep the invented clinic's log as a receptionist would: spellings, slips, and a list of them.

`write_messy` writes ``messy_clinic.xlsx`` and ``messy_clinic_faults.csv``, which says of every
fault where it is and what the report must say. Row numbers are those of the sheet.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.log import TABLES, OutcomeLog
from synthetic_data.receptionist import Row, Sheets, keep_by_hand
from synthetic_data.xlsx import Formula, write_workbook

COLUMNS = ("fault", "table", "row", "column", "written", "report", "count", "says")
TITLE_ROWS = 2  # of the courses sheet: a title and an empty row
ONE_ROW = "one row for each"
WAITS = "a course whose own row is used"


@dataclass(frozen=True)
class Fault:
    """One thing wrong, in a row that is found again by identity once all rows are in place."""

    what: str
    table: str
    row: Row
    column: str
    report: str
    says: str


class Clinic:
    """The tables as rows of cells, the faults planted so far, and the courses still untouched."""

    def __init__(self, log: OutcomeLog) -> None:
        self.sheets: Sheets = {name: rows_of(getattr(log, name)) for name in TABLES}
        self.faults: list[Fault] = []
        self.cells: set[tuple[int, str]] = set()
        self.free = list(self.sheets["courses"])[3:]
        self.gone: set[str] = set()  # courses whose rows are set aside
        self.lost: set[str] = set()  # and those without an id

    def course(self, fits: Callable[[Row], bool] = lambda _: True) -> Row:
        """Return the next untouched course that fits, three or more sessions long."""
        found = next(row for row in self.free if row["sessions_given"] >= 4 and fits(row))
        self.free = [row for row in self.free if row["client_id"] != found["client_id"]]
        return found

    def of(self, table: str, course: Row) -> list[Row]:
        """Return the rows of a table that belong to a course."""
        return [row for row in self.sheets[table] if row.get("course_id") == course["course_id"]]

    def plant(
        self, what: str, table: str, row: Row, column: str, value: Any, report: str, says: str
    ) -> None:
        """Write a value into a cell, and say what the report must say of it."""
        row[column] = value
        self.note(what, table, row, column, report, says)

    def note(self, what: str, table: str, row: Row, column: str, report: str, says: str) -> None:
        """Say what the report must say of a cell."""
        self.cells.add((id(row), column))
        self.faults.append(Fault(what, table, row, column, report, says))


def rows_of(frame: pd.DataFrame) -> list[Row]:
    """Return a clean table's rows as dictionaries of plain values, None where empty."""
    plain = frame.astype(object).where(frame.notna(), None)
    return [
        {
            name: value.date() if isinstance(value, pd.Timestamp) else value
            for name, value in row.items()
        }
        for row in plain.to_dict("records")
    ]


def spoil_courses(clinic: Clinic) -> None:
    """Plant what sets a course aside."""
    slips: list[tuple[str, str, Any, str]] = [
        ("two skin types in one cell", "skin_type", "III/IV", "one of I, II"),
        ("a site that could be two", "body_site", "arm", "one of face, neck"),
        ("an ink the log does not know", "inks", "black, gold", "some of black"),
        ("no outcome", "outcome", None, "a value in every row"),
        ("a range for a count", "sessions_given", "6-7", "a whole number from 1"),
        ("a course without a session", "sessions_given", 0, "a whole number from 1"),
        ("a day that does not exist", "started_on", "30/02/2021", "a date as YYYY-MM-DD"),
        ("a day and month in doubt", "started_on", "03/04/2021", "which part is the day"),
        ("no id", "course_id", None, "a value in every row"),
    ]
    for what, column, value, says in slips:
        course = clinic.course()
        (clinic.gone if column != "course_id" else clinic.lost).add(course["course_id"])
        clinic.plant(what, "courses", course, column, value, "set aside", says)


def spoil_optional_cells(clinic: Clinic) -> None:
    """Plant what is read as not recorded, in rows that are used."""
    slips: list[tuple[str, str, Any, str]] = [
        ("a negative area", "area_cm2", -12, "a number from 0.01"),
        ("a number in words", "area_cm2", "ten", "a number from 0.01"),
        ("a broken reference", "price_paid", "#REF!", "not a formula"),
        ("a formula not worked out", "price_paid", Formula("3*465", None), "not a formula"),
        ("now and then", "smoker", "sometimes", "one of yes, no"),
        ("an absurd age", "age_years", 340, "from 0 to 110"),
    ]
    for what, column, value, says in slips:
        clinic.plant(what, "courses", clinic.course(), column, value, "flagged", says)
    session = clinic.of("sessions", clinic.course())[2]
    what, says = "a wavelength with a zero too many", "from 400 to 1100"
    clinic.plant(what, "sessions", session, "wavelengths_nm", 10640, "flagged", says)


def spoil_ids(clinic: Clinic) -> None:
    """Plant repeated rows and ids, and tattoos entered twice."""
    courses = clinic.sheets["courses"]
    copy = dict(clinic.course())
    courses.append(copy)
    clinic.note("a row entered twice", "courses", copy, "course_id", "set aside", "each row once")
    first = clinic.course()
    second = first | {"ink_density": "heavy" if first["ink_density"] != "heavy" else "light"}
    courses.append(second)
    clinic.gone.add(first["course_id"])
    for row in (first, second):
        what = "one id for two different rows"
        clinic.note(what, "courses", row, "course_id", "set aside", ONE_ROW)
    again = clinic.course() | {"course_id": "C7001"}
    courses.append(again)
    clinic.note("a course copied", "courses", again, "course_id", "set aside", "each tattoo once")
    twin = clinic.course(lambda row: row["area_cm2"] is not None)
    other = twin | {"course_id": "C7002", "area_cm2": twin["area_cm2"] + 5}
    courses.append(other)
    for row in (twin, other):
        what = "perhaps the same tattoo twice"
        clinic.note(what, "courses", row, "course_id", "flagged", "each tattoo once: same")
    clinic.note("... and no sessions", "courses", other, "sessions_given", "flagged", "as many")


def contradict_courses(clinic: Clinic) -> None:
    """Plant what is flagged in a course and kept."""
    says = "a reason only where the outcome is stopped"
    course = clinic.course(lambda row: row["outcome"] == "ongoing")
    clinic.plant(
        "a reason to stop, not stopped", "courses", course, "stop_reason", "cost", "flagged", says
    )
    course = clinic.course(lambda row: row["age_years"] is not None and row["age_years"] < 50)
    says = "a tattoo no older than its client"
    clinic.plant(
        "a tattoo older than its client", "courses", course, "tattoo_age_years", 60, "flagged", says
    )


def spoil_sessions(clinic: Clinic) -> None:
    """Plant what sets a session aside, with what follows from it."""
    slips: list[tuple[str, str, Any, str]] = [
        ("no date", "treated_on", "soon", "a date as YYYY-MM-DD"),
        ("two regimes", "regime", "ns+ps", "one of ns, ps"),
        ("a session number in words", "session_no", "third", "a whole number from 1"),
    ]
    for what, column, value, says in slips:
        course = clinic.course()
        third = clinic.of("sessions", course)[2]
        clinic.plant(what, "sessions", third, column, value, "set aside", says)
        after = clinic.of("sessions", course)[3]
        clinic.note("... so a gap", "sessions", after, "session_no", "flagged", "without a gap")
        clinic.note(
            "... and one too few", "courses", course, "sessions_given", "flagged", "as many"
        )
    stray = dict(clinic.of("sessions", clinic.course())[0]) | {"course_id": "C9999"}
    clinic.sheets["sessions"].append(stray)
    clinic.note(
        "a session of no course", "sessions", stray, "course_id", "set aside", "a course of table"
    )
    course = clinic.course()
    last = clinic.of("sessions", course)[-1]
    extra = last | {"session_no": course["sessions_given"] + 1, "treated_on": date(2024, 12, 30)}
    clinic.sheets["sessions"].append(extra)
    clinic.note(
        "one session more than given", "sessions", extra, "session_no", "set aside", "no more than"
    )


def contradict_sessions(clinic: Clinic) -> None:
    """Plant what is flagged in a session and kept."""
    course = clinic.course()
    second, third = clinic.of("sessions", course)[1:3]
    clinic.sheets["sessions"].remove(second)
    clinic.note("a session left out", "sessions", third, "session_no", "flagged", "without a gap")
    clinic.note("... and one too few", "courses", course, "sessions_given", "flagged", "as many")
    course = clinic.course(lambda row: has_grading(clinic, row, 3))
    fourth = clinic.of("sessions", course)[3]
    early = date(fourth["treated_on"].year - 1, fourth["treated_on"].month, 1)
    clinic.plant(
        "last year's date", "sessions", fourth, "treated_on", early, "flagged", "later day"
    )
    grading = next(row for row in clinic.of("gradings", course) if row["after_session"] == 3)
    clinic.note("... so graded late", "gradings", grading, "graded_on", "flagged", "next session")
    session = clinic.of("sessions", clinic.course())[1]
    clinic.plant(
        "a laser mistyped", "sessions", session, "laser_id", "yagg", "flagged", "a laser of"
    )
    course = clinic.course(lambda row: clinic.of("sessions", row)[1]["laser_id"] == "yag")
    session = clinic.of("sessions", course)[1]
    says = "the regime that table lasers gives"
    clinic.plant("the other regime", "sessions", session, "regime", "ps", "flagged", says)
    course = clinic.course(
        lambda row: row["started_on"].year == 2017 and row["outcome"] == "cleared"
    )
    session = clinic.of("sessions", course)[0]
    session["laser_id"], session["wavelengths_nm"] = "alex", "755"
    clinic.note(
        "before the laser was bought", "sessions", session, "treated_on", "flagged", "in_use_from"
    )


def spoil_gradings(clinic: Clinic) -> None:
    """Plant slips in gradings and reactions."""
    grading = clinic.of("gradings", clinic.course())[2]
    says = "from 0 to 100"
    clinic.plant("more than all", "gradings", grading, "fading_pct", 110, "flagged", says)
    course = clinic.course(lambda row: row["outcome"] == "stopped")
    last = clinic.of("gradings", course)[-1]
    value = course["sessions_given"] + 3
    says = "no more than the course's sessions_given"
    clinic.plant(
        "a session that was not", "gradings", last, "after_session", value, "set aside", says
    )
    copy = dict(clinic.of("gradings", clinic.course())[1])
    clinic.sheets["gradings"].append(copy)
    clinic.note(
        "a grading entered twice", "gradings", copy, "course_id", "set aside", "each row once"
    )
    course = clinic.course(lambda row: has_grading(clinic, row, 3) and row["outcome"] == "cleared")
    grading = next(row for row in clinic.of("gradings", course) if row["after_session"] == 3)
    clinic.plant("digits swapped", "gradings", grading, "fading_pct", 3, "flagged", "no fall")
    for outcome, value, says in (
        ("cleared", 55, "where the outcome is cleared"),
        ("stopped", 99, "cleared where the last grading is"),
    ):
        course = clinic.course(lambda row, outcome=outcome: row["outcome"] == outcome)  # type: ignore[misc]
        clinic.of("gradings", course)[-1]["fading_pct"] = value
        clinic.note(f"{outcome} at {value} %", "courses", course, "outcome", "flagged", says)
    reactions = [row for row in clinic.sheets["reactions"] if row["course_id"] not in clinic.gone]
    clinic.plant(
        "no word of ours",
        "reactions",
        reactions[4],
        "reaction",
        "itch",
        "set aside",
        "one of blister",
    )
    says = "no more than the course's sessions_given"
    clinic.plant("far too late", "reactions", reactions[9], "after_session", 90, "set aside", says)


def has_grading(clinic: Clinic, course: Row, after: int) -> bool:
    """Return whether a course was graded after a session."""
    return any(row["after_session"] == after for row in clinic.of("gradings", course))


def write_messy(folder: Path, log: OutcomeLog) -> None:
    """Write the workbook and the list of its faults into ``folder``."""
    clinic = Clinic(log)
    for step in (
        spoil_courses, spoil_optional_cells, spoil_ids, contradict_courses, spoil_sessions,
        contradict_sessions, spoil_gradings,
    ):  # fmt: skip
        step(clinic)
    kept = keep_by_hand(clinic.sheets, clinic.cells)
    write_workbook(folder / "messy_clinic.xlsx", kept.sheets)
    rows = [*planted(clinic, kept.numbers), *waiting(clinic), *kept.habits]
    with (folder / "messy_clinic_faults.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(rows)


def planted(clinic: Clinic, numbers: dict[int, int]) -> list[tuple[Any, ...]]:
    """Return a line for each fault planted by hand."""
    return [
        (fault.what, fault.table, numbers[id(fault.row)], fault.column,
         shown(fault.row[fault.column]), fault.report, 1, fault.says)
        for fault in clinic.faults
    ]  # fmt: skip


def waiting(clinic: Clinic) -> list[tuple[Any, ...]]:
    """Return a line for each table with rows of courses that were set aside."""
    lines: list[tuple[Any, ...]] = []
    for table in ("sessions", "gradings", "reactions"):
        for ids, what, says in (
            (clinic.gone, "rows of courses that are set aside", WAITS),
            (clinic.lost, "rows of the course without an id", "a course of table courses"),
        ):
            count = sum(row["course_id"] in ids for row in clinic.sheets[table])
            if count:
                lines.append((what, table, "", "course_id", "", "set aside", count, says))
    return lines


def shown(value: Any) -> str:
    """Return a cell as a person sees it."""
    if isinstance(value, Formula):
        return f"={value.text}"
    return "" if value is None else str(value)
