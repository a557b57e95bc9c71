"""The outcome log: five tables, read, checked and written; its parts, and courses under way."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._checks import check_kind
from forecast._files import BESIDE, sum_of, write_whole
from forecast._notes import Note, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.errors import DataError, RequestError
from forecast.log.cells import OVERFLOW, distinct_texts, in_fractions, normal_heading, unmistakable
from forecast.log.cleaning import (
    CleanTable,
    clean_table,
    empty_table,
    refuse_repeated,
    without_finding,
)
from forecast.log.columns import ALL_TABLES, TABLES, Column, data_package
from forecast.log.cross_table import ALL_GONE, MOST_GENEROUS, cross_check
from forecast.log.files.reading import RawLog, read_raw
from forecast.log.files.workbook_map import read_mapped
from forecast.log.identity import lone_names, refuse_identifying
from forecast.log.report import FLAGGED, TOLERATED, LogReport, RowCount, gather

if TYPE_CHECKING:
    import pandas as pd


FIRST_ROW = 2  # row 1 of a sheet is its heading
DEFAULT_CLEARED_AT = 95
TOLD = ("course_id", "started_on", "sessions_given", "outcome")
NO_FAULTS = frozenset(f"faults.{one}" for one in ("total", "example", "once", "course_withheld"))
FEWEST_COURSES = 20  # all finished: from so many on it is no accident


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class OutcomeLog(Result):
    """A clinic's outcome log, ready to be modelled.

    An absent table is an empty frame with its columns. Dates are ``datetime64[ns]``, numbers
    ``float64``, counts that are always there ``int64``, text ``object`` with missing as None or
    NaN; sets are joined by ``;`` in the order of the rule table; yes and no stay words.

    Attributes
    ----------
    courses, sessions, gradings, reactions, lasers : DataFrame
        The rows used, in the columns of ``columns.toml``; a grading above 100
        percent stands here as written, see `graded`.
    report : LogReport
        Rows set aside, flagged, and the spellings tolerated.
    cleared_at : float
        Percent faded from which a grading counts as clear, for flags and the fading model.
    cleared_judged : str
        From what and by whom it was judged that a tattoo is clear, for example "photograph, by a
        second practitioner"; empty where the log does not say.

    Examples
    --------
    >>> log
    <OutcomeLog: 150 courses, 1268 sessions>
    """

    courses: pd.DataFrame
    sessions: pd.DataFrame
    gradings: pd.DataFrame
    reactions: pd.DataFrame
    lasers: pd.DataFrame
    report: LogReport
    cleared_at: float = 95.0
    cleared_judged: str = ""

    def __repr__(self) -> str:
        return f"<OutcomeLog: {len(self.courses)} courses, {len(self.sessions)} sessions>"

    def lines(self, language: str) -> list[str]:
        """Return what was read, understood and set aside, as its report says it."""
        return self.report.lines(language)

    def to_dict(self) -> dict[str, Any]:
        """Return what was read as plain JSON values, without a row."""
        judged = {"cleared_at": self.cleared_at, "cleared_judged": self.cleared_judged}
        return {**judged, **self.report.to_dict()}

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

        Row numbers in the report count as in a sheet: the first row of a frame is row 2. Rows dated
        after ``today``, by default this computer's date, are set aside.
        """
        tables = {}
        given = zip(TABLES, (courses, sessions, gradings, reactions, lasers), strict=True)
        for name, frame in ((name, frame) for name, frame in given if frame is not None):
            if not hasattr(frame, "set_axis"):
                values = {"name": name, "kind": type(frame).__name__}
                raise DataError(*problem_and_remedy("reading.no_frame", values))
            refuse_repeated(sentence("reading.table", {"table": name}), frame.columns)
            # the index of a raw table is the row number that a sheet would show
            rows = np.arange(FIRST_ROW, FIRST_ROW + len(frame))
            tables[name] = frame.set_axis(rows, axis=0)
        return _assemble(RawLog("frames", tables), cleared_at=cleared_at, today=today)

    def where(self, mask: npt.ArrayLike) -> OutcomeLog:
        """Return the log of the courses that a mask over ``courses`` keeps, with all of theirs.

        Missing values keep nothing; lasers and report stay. Raises RequestError if the mask is not
        one yes or no per course, or keeps none.

        Examples
        --------
        >>> set(log.where(log.courses["smoker"] == "yes").courses["smoker"])
        {'yes'}
        """
        import pandas as pd

        given = np.asarray(mask, dtype=object)
        kept = np.where(pd.isna(given), False, given)
        ours = not isinstance(mask, pd.Series) or mask.index.equals(self.courses.index)
        whole = ours and kept.shape == (len(self.courses),)
        if not whole or not all(isinstance(one, bool | np.bool_) for one in kept):
            values = {"shape": str(kept.shape), "n": len(self.courses)}
            raise RequestError(*problem_and_remedy("refused.mask_shape", values))
        if not kept.any():
            raise RequestError(*problem_and_remedy("refused.mask_empty"))
        return self.part(np.flatnonzero(kept.astype(bool)))

    def part(self, places: npt.NDArray[np.int64]) -> OutcomeLog:
        """Return the log of the courses at ``places``, counted from 0, with all of theirs."""
        courses = self.courses.iloc[places].reset_index(drop=True)
        of: dict[str, Any] = {"courses": courses}
        for name in ("sessions", "gradings", "reactions"):
            table = getattr(self, name)
            theirs = table["course_id"].isin(courses["course_id"])
            of[name] = table[theirs].reset_index(drop=True)
        return replace(self, **of)

    @property
    def judged_sessions(self) -> npt.NDArray[np.int64]:
        """How many of the sessions given here have a known result, one number per course.

        What a session did is seen at the next visit, which a running course has not had. Unless it
        was graded after its last session, that session counts for nothing yet: as "not cleared" it
        would make every forecast too long, most of all in a young clinic, where many courses run.
        """
        courses = self.courses
        given = courses["sessions_given"].to_numpy(dtype=np.int64)
        waiting = (courses["outcome"] == "ongoing").to_numpy(copy=True)
        if waiting.any() and len(self.gradings):
            running = courses.loc[waiting, ["course_id"]].assign(given=given[waiting])
            theirs = self.gradings["course_id"].isin(running["course_id"])
            graded = self.gradings.loc[theirs, ["course_id", "after_session"]]
            last = graded.groupby("course_id")["after_session"].max()
            seen = running["course_id"].map(last).to_numpy(dtype=np.float64)
            waiting[waiting] = ~(seen >= given[waiting])
        return given - waiting

    @property
    def fingerprint(self) -> str:
        """16 digits that tell whether a log holds these very courses, whatever their order.

        They come from all courses at once: no single one can be looked up in them.
        """
        import pandas as pd

        order = self.courses["course_id"].astype("string[pyarrow]").argsort().to_numpy()
        whole = hashlib.sha256()
        for name in TOLD:
            if name == "course_id":  # all differ
                texts = self.courses[name].to_numpy(dtype=object)[order]
            else:  # each distinct value is put into words once
                place, distinct = pd.factorize(self.courses[name], use_na_sentinel=False)
                texts = distinct.astype(str).to_numpy(dtype=object)[place[order]]
            whole.update("\n".join(texts).encode())
        return whole.hexdigest()[:16]

    @property
    def graded_in_fractions(self) -> tuple[Note, ...]:
        """A warning where the gradings, slips above 100 apart, look like fractions."""
        faded = self.gradings["fading_pct"]
        return in_fractions([faded[faded <= ALL_GONE].max()])

    @property
    def suspicions(self) -> tuple[Note, ...]:
        """What to doubt of the log as a whole, for every answer that rests on it."""
        outcome = self.courses["outcome"]
        finished = len(outcome) >= FEWEST_COURSES and outcome.isin(["cleared", "lightened"]).all()
        rosy = Note("log.only_finished", "serious", {"courses": len(outcome)})
        return (*([rosy] if finished else []), *self.graded_in_fractions)

    @property
    def graded(self) -> pd.DataFrame:
        """The gradings as they count: a little above 100 percent is 100, far above is left out."""
        faded = self.gradings["fading_pct"]
        if not (faded > ALL_GONE).any():
            return self.gradings
        known = self.gradings.assign(fading_pct=faded.clip(upper=ALL_GONE))
        return known[faded <= MOST_GENEROUS].reset_index(drop=True)

    @property
    def each_session(self) -> pd.DataFrame:
        """One row per session, the parts of a session joined.

        ``regime`` is "mixed" where its parts had both: such a session follows neither regime.
        The fluence is the highest; all else is that of the first part.
        """
        key, rows = ["course_id", "session_no"], self.sessions
        if not (rows["part"] > 1).any():
            return rows
        parted = rows.duplicated(key, keep=False)
        parts = rows[parted].sort_values("part", kind="stable")
        joined = parts.groupby(key, sort=False)
        regime = parts["regime"].where(joined["regime"].transform("nunique") == 1, "mixed")
        highest = joined["fluence_j_cm2"].transform("max")
        rows = rows.assign(
            regime=regime.reindex(rows.index).fillna(rows["regime"]),
            fluence_j_cm2=highest.reindex(rows.index).fillna(rows["fluence_j_cm2"]),
        )
        first = rows["part"] == rows.groupby(key)["part"].transform("min")
        return rows[first].reset_index(drop=True)


def read_log(
    path: str | Path, *, cleared_at: float | None = None, columns: str | Path | None = None
) -> OutcomeLog:
    """Return the outcome log at ``path``, checked.

    Parameters
    ----------
    path : str or Path
        A folder of CSV files (``courses.csv``, ``sessions.csv``, ...), a folder of Parquet
        files, one .xlsx workbook with sheets of these names, or a daybook. Only courses is needed.
    cleared_at : float, optional
        Percent faded from which a grading counts as clear. Without it what the log itself states
        is used (``cleared_at`` in the folder's ``datapackage.json``), else 95.
    columns : str or Path, optional
        A map of the clinic's own sheets, headings and words, as ``forecast check LOG
        --propose-map columns.toml`` writes one.

    Raises
    ------
    DataError
        If there is no table courses, a required column is missing, a file cannot be read, or
        columns identify people. Single rows that cannot be used never raise: they are listed
        in ``report.set_aside``.

    Examples
    --------
    >>> len(read_log("synthetic_data").courses)
    600
    """
    check_kind(path, (str, os.PathLike), name="path", give="a folder or a workbook")
    raw = read_raw(Path(path)) if columns is None else read_mapped(Path(path), Path(columns))
    if cleared_at is None:
        cleared_at = raw.cleared_at or DEFAULT_CLEARED_AT
    if raw.cleared_at is not None:
        values = {"cleared_at": cleared_at, "stated": raw.cleared_at}
        code = "stated" if cleared_at == raw.cleared_at else "given"
        raw.notes.append(Note(f"log.cleared_at_{code}", values=values))
    if raw.cleared_judged:
        raw.notes.append(Note("log.cleared_judged", values={"judged": raw.cleared_judged}))
    return _assemble(raw, cleared_at=cleared_at)


def read_book(path: Path) -> OutcomeLog:
    """Return the log of a daybook as `read_log` does; without a course yet it has no rows.

    Raises DataError if there is no daybook at ``path``, or it cannot be read.

    Examples
    --------
    >>> forecast.make_daybook(folder / "book.sqlite").close()
    >>> read_book(folder / "book.sqlite")
    <OutcomeLog: 0 courses, 0 sessions>
    """
    raw = read_raw(path)
    return _assemble(raw, cleared_at=raw.cleared_at or DEFAULT_CLEARED_AT, bare=True)


def check_log(log: object) -> OutcomeLog:
    """Return ``log`` if it is one, or raise RequestError, which names what was given.

    Examples
    --------
    >>> check_log(log)
    <OutcomeLog: 150 courses, 1268 sessions>
    """
    return check_kind(log, OutcomeLog, name="log", give="what read_log returns")


def write_log(
    log: OutcomeLog,
    folder: str | Path,
    *,
    title: str = "Outcome log",
    promises: pd.DataFrame | None = None,
    beside: Mapping[str, str] | None = None,
) -> None:
    """Write the log's tables as CSV files with ``datapackage.json``, byte for byte repeatable.

    The same log gives the same bytes anywhere: UTF-8, line ends of one character, numbers in their
    shortest form, dates as YYYY-MM-DD, empty cells for what is not recorded. Tables without rows
    are not written, nor further columns in which nothing stands. `read_log` of the folder gives the
    same frames back, and says so where a table is not as it was written: the description, with its
    ``title``, holds the SHA-256 of each. ``promises`` are written beside them, and ``beside`` has
    the checksums of further files, by their name. OSError where it cannot be written.

    Examples
    --------
    >>> write_log(log, folder / "log")
    >>> sorted(file.name for file in (folder / "log").iterdir())[:3]
    ['courses.csv', 'datapackage.json', 'gradings.csv']
    """
    import pandas as pd

    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    frames: dict[str, pd.DataFrame] = {name: getattr(log, name) for name in TABLES}
    columns = {name: _written(frame, name) for name, frame in frames.items() if len(frame)}
    if promises is not None:
        columns["promises"] = ALL_TABLES["promises"]
    described = data_package(
        columns, title=title, cleared_at=log.cleared_at, cleared_judged=log.cleared_judged
    )
    for (name, rules), resource in zip(columns.items(), described["resources"], strict=True):
        frame: Any = getattr(log, name, promises)
        texts = pd.DataFrame({rule.name: _as_texts(rule, frame[rule.name]) for rule in rules})
        content = texts.to_csv(index=False, lineterminator="\n").encode()
        resource["hash"] = sum_of(content)
        write_whole(folder / f"{name}.csv", content)
    described |= {BESIDE: dict(beside)} if beside else {}
    text = json.dumps(described, indent=2, ensure_ascii=False)
    write_whole(folder / "datapackage.json", text + "\n")


def _assemble(
    raw: RawLog, *, cleared_at: float, today: date | None = None, bare: bool = False
) -> OutcomeLog:
    import pandas as pd

    if isinstance(cleared_at, bool | str) or not 1 < cleared_at <= 100:
        raise RequestError(*problem_and_remedy("reading.cleared_at", {"given": repr(cleared_at)}))
    if not bare and ("courses" not in raw.tables or raw.tables["courses"].empty):
        raise DataError(*problem_and_remedy("reading.no_rows"))
    of_log = {name: raw.tables[name] for name in TABLES if name in raw.tables}
    refuse_identifying(of_log)
    raw.notes += lone_names(raw.tables)  # of its promises too
    tables = {}
    for name, table in of_log.items():
        none = without_finding(name, table, mapped=raw.mapped)
        if none.any():
            raw.tables[name] = table[~none]
            raw.notes.append(Note(f"log.without_{name}", values={"n": int(none.sum())}))
        tables[name] = clean_table(name, raw.tables[name], date_order=raw.date_order)
    cross_check(tables, cleared_at=cleared_at, today=today or date.today())
    report = _report_on(raw, tables)
    frames = {name: tables[name].frame if name in tables else empty_table(name) for name in TABLES}
    for frame in frames.values():  # numbered anew in place: large ones are not copied for it
        frame.index = pd.RangeIndex(len(frame))
    return OutcomeLog(
        **frames, report=report, cleared_at=float(cleared_at), cleared_judged=raw.cleared_judged
    )


def _report_on(raw: RawLog, tables: Mapping[str, CleanTable]) -> LogReport:
    import pandas as pd

    aside = _quoting(raw, gather(one for table in tables.values() for one in table.set_aside))
    flagged = gather((one for table in tables.values() for one in table.flagged), FLAGGED)
    flagged = _quoting(raw, flagged)
    ours = np.array([rule.note.code not in NO_FAULTS for rule in aside["rule"]], dtype=np.bool_)
    faults = pd.concat([aside[ours], flagged[flagged["blanked"]]])
    rows, to_correct = {}, {}
    for name, table in tables.items():
        given, used = len(raw.tables[name]), len(table.frame)
        rows[name] = RowCount(given, used, given - used, raw.empty.get(name, 0))
        wanted = {*faults["row"][faults["table"] == name]}
        wanted |= {*raw.corrected.get(name, ())} if len(faults) else set()
        to_correct[name] = _as_written(raw.tables[name], table.frame.columns, wanted)
    habits = [*raw.tolerated, *(habit for table in tables.values() for habit in table.tolerated)]
    tolerated = pd.DataFrame(habits, columns=list(TOLERATED), dtype=object)
    return LogReport(
        source=raw.source,
        rows=rows,
        set_aside=aside,
        flagged=flagged,
        tolerated=tolerated.astype({"count": np.int64, "row": np.int64}),
        extra_columns={name: table.extra for name, table in tables.items() if table.extra},
        notes=tuple(raw.notes),
        to_correct=to_correct,
        corrected=raw.corrected,
        places=raw.places,
    )


def _quoting(raw: RawLog, listed: pd.DataFrame) -> pd.DataFrame:
    """Return what is listed with each cell as it was written, not as it was read."""
    values, rows = listed["value"].to_numpy(copy=True), listed["row"].to_numpy()
    for table, column in {*zip(listed["table"], listed["column"], strict=True)}:
        cells = raw.own_words.get(table, raw.tables[table])
        here = np.isin(rows, cells.index.difference([*raw.corrected.get(table, ())]))
        here &= ((listed["table"] == table) & (listed["column"] == column)).to_numpy()
        for heading in (one for one in cells if normal_heading(one) == column):
            if cells[heading].dtype.kind not in "iufM":  # which are what they were read as
                codes, texts = distinct_texts(cells[heading].loc[rows[here]])
                values[here] = np.append(texts, "")[codes]
    return listed.assign(value=values)


def _as_written(raw: pd.DataFrame, columns: Iterable[str], wanted: set[int]) -> pd.DataFrame:
    import pandas as pd

    known = {*columns, OVERFLOW}  # free text stays behind
    kept = [name for name in raw.columns if name in known or normal_heading(name) in known]
    rows = raw[raw.index.isin(wanted)][kept]
    # texts of large files are held once each on the way in
    kinds = {
        name: kind.categories.dtype
        for name, kind in rows.dtypes.items()
        if isinstance(kind, pd.CategoricalDtype)
    }
    return rows.astype(kinds)


# The columns of a table in which something stands: the log's, and behind them the clinic's own.
def _written(frame: pd.DataFrame, table: str) -> tuple[Column, ...]:
    known = {rule.name for rule in TABLES[table]}
    own = {name: frame[name].dtype.kind for name in frame.columns if name not in known}
    meaning = "A column of the clinic's own."
    rules = *TABLES[table], *(
        Column(name, "number" if kind == "f" else "text", further=True, meaning=meaning)
        for name, kind in own.items()
    )  # fmt: skip
    return tuple(
        rule
        for rule in rules
        if not rule.further or (frame[rule.name].notna() & (frame[rule.name] != rule.default)).any()
    )


def _as_texts(rule: Column, cells: pd.Series[Any]) -> pd.Series[Any]:
    if rule.kind == "date":
        cells = cells.dt.strftime("%Y-%m-%d")
    if rule.kind in ("integer", "number"):
        shortest = {
            one: str(int(one)) if float(one) == np.floor(one) else unmistakable(repr(float(one)))
            for one in cells.dropna().unique()
        }
        return cells.map(shortest)
    return cells
