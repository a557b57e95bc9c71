"""The clinic's outcome log: five tables, checked, and what checking them did."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_kind
from forecast.clinic.cleaning import CleanTable, clean_table, empty_table
from forecast.clinic.counted import counted
from forecast.clinic.courses import TABLES
from forecast.clinic.crosscheck import cross_check
from forecast.clinic.headings import refuse_repeated
from forecast.clinic.identity import refuse_identifying
from forecast.clinic.reading import RawLog, read_raw
from forecast.clinic.report import TOLERATED, LogReport, RowCount, gather
from forecast.errors import DataError, RequestError

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["OutcomeLog", "check_log", "read_log"]

FIRST_ROW = 2  # row 1 of a sheet is its heading
DEFAULT_CLEARED_AT = 95


@dataclass(frozen=True, slots=True, eq=False)
class OutcomeLog:
    """A clinic's outcome log, ready to be modelled.

    An absent table is an empty frame with its columns. Dates are ``datetime64[ns]``, numbers
    ``float64``, counts that are always there ``int64``, text ``object`` with missing as None or
    NaN; sets are joined by ``;`` in the order of the rule table; yes and no stay words.

    Attributes
    ----------
    courses, sessions, gradings, reactions, lasers : DataFrame
        The rows used, in the columns of `forecast.clinic.courses.TABLES`; a grading above 100
        percent stands here as written, see `graded`.
    report : LogReport
        Rows set aside, flagged, and the spellings tolerated.
    cleared_at : float
        Percent faded from which a grading counts as clear, for flags and the fading model.
    """

    courses: pd.DataFrame
    sessions: pd.DataFrame
    gradings: pd.DataFrame
    reactions: pd.DataFrame
    lasers: pd.DataFrame
    report: LogReport
    cleared_at: float = 95.0

    @classmethod
    def from_frames(
        cls,
        courses: pd.DataFrame,
        sessions: pd.DataFrame | None = None,
        gradings: pd.DataFrame | None = None,
        reactions: pd.DataFrame | None = None,
        lasers: pd.DataFrame | None = None,
        cleared_at: float = 95.0,
        *,
        today: date | None = None,
    ) -> OutcomeLog:
        """Return the log held in frames of the log's columns, cleaned as a file would be.

        Row numbers in the report count as in a sheet: the first row of a frame is row 2. Rows
        dated after ``today``, by default this computer's date, are set aside.
        """
        given = {
            "courses": courses,
            "sessions": sessions,
            "gradings": gradings,
            "reactions": reactions,
            "lasers": lasers,
        }
        tables = {name: numbered(name, frame) for name, frame in given.items() if frame is not None}
        return assemble(RawLog("frames", tables), cleared_at=cleared_at, today=today)

    @property
    def graded(self) -> pd.DataFrame:
        """The gradings as they count, see `counted`; those of which nothing is known left out."""
        faded = counted(self.gradings["fading_pct"])
        if faded.equals(self.gradings["fading_pct"]):
            return self.gradings
        return self.gradings.assign(fading_pct=faded)[faded.notna()].reset_index(drop=True)


def read_log(path: str | Path, *, cleared_at: float = 95) -> OutcomeLog:
    """Return the outcome log at ``path``, checked.

    Parameters
    ----------
    path : str or Path
        A folder of CSV files (``courses.csv``, ``sessions.csv``, ...), a folder of Parquet
        files, or one .xlsx workbook with sheets of these names. Only courses is needed.
    cleared_at : float
        Percent faded from which a grading counts as clear; ``cleared_at`` in the folder's
        ``datapackage.json`` is used where this is left at 95.

    Raises
    ------
    DataError
        If there is no table courses, a required column is missing, a file cannot be read, or
        columns identify people. Single rows that cannot be used never raise: they are listed
        in ``report.set_aside``.
    """
    check_kind(path, (str, os.PathLike), name="path", give="a folder or a workbook")
    raw = read_raw(Path(path))
    if raw.cleared_at is not None and cleared_at == DEFAULT_CLEARED_AT:
        cleared_at = raw.cleared_at
        raw.notes.append(f"cleared_at is {cleared_at:g}, as datapackage.json says.")
    return assemble(raw, cleared_at=cleared_at)


def check_log(log: object) -> OutcomeLog:
    """Return ``log`` if it is one, or raise RequestError."""
    return check_kind(log, OutcomeLog, name="log", give="what read_log returns")


def numbered(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the frame with the row numbers of a sheet as its index."""
    if not hasattr(frame, "set_axis"):
        raise DataError(f"{name} is a {type(frame).__name__}.", "Give a pandas DataFrame.")
    refuse_repeated(f"Table {name}", frame.columns)
    return frame.set_axis(np.arange(FIRST_ROW, FIRST_ROW + len(frame)), axis=0)


def assemble(raw: RawLog, *, cleared_at: float, today: date | None = None) -> OutcomeLog:
    """Return the log made of raw tables whose index is the row number."""
    if isinstance(cleared_at, bool | str) or not 0 < cleared_at <= 100:
        raise RequestError(
            f"cleared_at is {cleared_at!r}.", "Give a percentage above 0, up to 100."
        )
    if "courses" not in raw.tables or raw.tables["courses"].empty:
        raise DataError(
            "Table courses has no rows.", "Give it one row for each course, finished or not."
        )
    refuse_identifying(raw.tables)
    tables = {name: clean_table(name, raw.tables[name]) for name in TABLES if name in raw.tables}
    cross_check(tables, cleared_at=cleared_at, today=today or date.today())
    report = report_on(raw, tables)
    frames = {
        name: renumbered(tables[name]) if name in tables else empty_table(name) for name in TABLES
    }
    return OutcomeLog(**frames, report=report, cleared_at=float(cleared_at))


def renumbered(table: CleanTable) -> pd.DataFrame:
    """Return a table's frame numbered from 0; large ones are not copied for it."""
    import pandas as pd

    table.frame.index = pd.RangeIndex(len(table.frame))
    return table.frame


def report_on(raw: RawLog, tables: Mapping[str, CleanTable]) -> LogReport:
    """Return what cleaning did to the raw tables."""
    withheld = {name: left_out(raw.tables[name], table.frame) for name, table in tables.items()}
    return LogReport(
        source=raw.source,
        rows={
            name: RowCount(
                rows_in=len(raw.tables[name]),
                used=len(table.frame),
                set_aside=len(withheld[name]),
                empty=raw.empty.get(name, 0),
            )
            for name, table in tables.items()
        },
        set_aside=gather(part for table in tables.values() for part in table.set_aside),
        flagged=gather(part for table in tables.values() for part in table.flagged),
        tolerated=tolerances(tables, raw.tolerated),
        extra_columns={name: table.extra for name, table in tables.items() if table.extra},
        notes=tuple(raw.notes),
        withheld=withheld,
    )


def left_out(raw: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Return the raw rows that are not used."""
    rows = raw[~raw.index.isin(used.index)] if len(used) < len(raw) else raw.iloc[:0]
    # texts of large files are held once each on the way in
    coded = rows.select_dtypes("category").columns
    return rows.astype({name: rows[name].cat.categories.dtype for name in coded})


def tolerances(
    tables: Mapping[str, CleanTable], of_files: Sequence[dict[str, Any]]
) -> pd.DataFrame:
    """Return the tolerances used, one row each."""
    import pandas as pd

    listed = [*of_files, *(habit for table in tables.values() for habit in table.tolerated)]
    return pd.DataFrame(listed, columns=list(TOLERATED))
