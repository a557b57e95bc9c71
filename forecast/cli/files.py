"""What every command shares: its answer, the files it reads, what it may write over."""

from __future__ import annotations

import argparse
import csv
import io
import json
import math
import os
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._files import (
    MAX_CELL,
    Mark,
    check_not_lost,
    csv_rows,
    is_json_with,
    refuse_long_cell,
    write_whole,
)
from forecast._notes import (
    Note,
    Sentence,
    bullets,
    in_language,
    is_bullet,
    problem_and_remedy,
    sentence,
    text_of,
    texts_of,
)
from forecast.errors import DataError, ForecastError, RequestError

if TYPE_CHECKING:
    import pandas as pd

    from forecast._plain import Result
    from forecast.daybook import Course
    from forecast.log import Enquiry

Options = argparse.Namespace
Facts = frozenset[str] | None  # what was answered with yes, None where nothing was asked
MOST_ROWS = 200_000
CLOSING, WITHHELD = sentence("text.closing"), sentence("text.withheld")
ANSWER, RESTS_ON = 5, 4  # lines of an answer, and of what it rests on, unless all are asked for
BY = "cli0"  # who enters what a command enters, unless told


def given(options: Options, *names: str) -> dict[str, Any]:
    """Return what the options say under some names, as arguments."""
    return {name: getattr(options, name) for name in names}


def answer(options: Options, data: Mapping[str, Any], lines: Iterable[str]) -> None:
    """Print the answer: ``data`` as JSON when asked for, else the lines in the language asked for.

    What `forecast.cli.log.read` had to say of the log follows it, unless the lines say it.
    """
    language = getattr(options, "language", "en") or "en"
    text = text_of(lines, language, typed=True)
    of_log = [line for line in getattr(options, "of_log", ()) if str(line) not in text]
    if options.json:
        said = {"log_notes": of_log} if of_log else {}
        print(json.dumps({**data, **said}, indent=2, allow_nan=False))
    else:
        print(text_of([text, *[""] * bool(of_log), *of_log], language))


def paragraphs(parts: Iterable[Iterable[str]]) -> list[str]:
    """Return the lines of all parts, an empty one between those that have any."""
    return [line for part in map(list, parts) if any(part) for line in ("", *part)][1:]


def in_layers(options: Options, found: Result) -> list[str]:
    """Return the answer, a result's first paragraph, and the first of what it rests on.

    After the first, which says of how much, comes what is serious. With ``--details`` it is the
    whole text. What a tool like this never decides closes it.
    """
    lines = found.lines(options.language)
    head = [*takewhile(bool, lines)]
    rest, notes = lines[len(head) + 1 :], getattr(found, "notes", ())
    serious = bullets(note for note in notes if note.severity == "serious")
    rests_on = [*filter(is_bullet, rest)]
    rests_on[1:] = sorted(rests_on[1:], key=lambda line: line not in serious)
    rests_on = rests_on[:RESTS_ON]
    if options.details or len(rest) <= len(rests_on):
        return [*lines, "", CLOSING]
    named = ["", sentence("text.rests_on")] * bool(rests_on)
    return [*head, *named, *rests_on, sentence("text.rest"), "", CLOSING]


def progress(language: str, doing: str, file: str = "") -> None:
    """Say on stderr what is being done, when somebody is watching a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write(f"{Note(f'progress.{doing}', values={'file': file}).say(language)}\n")
        sys.stderr.flush()


def anywhere(run: Callable[[Options], None]) -> Callable[[Options], None]:
    """Return ``run`` so that its long work is done where the options say."""

    def run_there(options: Options) -> None:
        if options.cluster is None:
            run(options)
            return
        from forecast._jobs import on_cluster

        def say(text: str) -> None:
            print(f"forecast: {in_language(text, options.language)}", file=sys.stderr)

        with on_cluster(options.cluster, certificates=options.certificates, say=say):
            run(options)

    return run_there


def read_table(path: Path, known: Sequence[str], language: str = "en") -> dict[int, dict[str, str]]:
    """Return the rows of a CSV file or a workbook's first sheet by line, as texts by column name.

    Empty cells are left out. Columns that are not ``known`` are named on stderr and not used; one
    that may be meant as a known one raises DataError.
    """
    from forecast.log import normal_heading, refuse_repeated

    rows = _sheet_rows(path) if path.suffix.lower() == ".xlsx" else _csv_rows(path)
    line, heads = next(iter(rows.items()), (0, []))
    for place, name in enumerate(heads, start=1):
        refuse_long_cell(path.name, sentence("refused.head_at", {"n": place}), len(name))
    names = [normal_heading(name) for name in heads]
    values: dict[str, Any] = {"file": path.name, "known": known}
    if heads and not set(names) & set(known):
        raise DataError(*problem_and_remedy("refused.no_headings", values))
    refuse_repeated(path.name, names)
    rows.pop(line, None)
    table = {line: _named_cells(path, line, names, row, known) for line, row in rows.items()}
    table = {line: row for line, row in table.items() if row}
    if not 1 <= len(table) <= MOST_ROWS:
        values = {"file": path.name, "n": len(table), "most": MOST_ROWS}
        raise DataError(*problem_and_remedy("refused.rows", values))
    unused = _unused(path, names, table, known, language)
    return {
        line: {name: cell for name, cell in row.items() if name not in unused}
        for line, row in table.items()
    }


def _sheet_rows(path: Path) -> dict[int, list[str]]:
    from forecast.log.files import every_sheet

    first = next(iter(every_sheet(path)[0].values()))
    return {int(line): [cell or "" for cell in row] for line, *row in first.itertuples()}


def _csv_rows(path: Path) -> dict[int, list[str]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        values: dict[str, Any] = {"file": path.name, "byte": error.start}
        raise DataError(*problem_and_remedy("refused.csv_not_utf8", values)) from None
    header = text.partition("\n")[0]
    separator = next((mark for mark in (",", "\t", ";") if mark in header), ",")
    try:
        return dict(csv_rows(text, separator))
    except csv.Error as error:
        values = {"file": path.name, "why": str(error)}
        raise DataError(*problem_and_remedy("refused.no_csv", values)) from None


def _named_cells(
    path: Path, line: int, names: Sequence[str], row: Sequence[str], known: Sequence[str]
) -> dict[str, str]:
    if len(row) > len(names) and any(cell.strip() for cell in row[len(names) :]):
        values = {"at": _line(path, line), "cells": len(row), "header": len(names)}
        raise DataError(*problem_and_remedy("refused.cells", values))
    for place, cell in enumerate(row):
        if len(cell) > MAX_CELL:
            told = names[place] if names[place] in known else place + 1
            values = {"line": line, "column": told}
            refuse_long_cell(path.name, sentence("refused.cell_on", values), len(cell))
    return {name: cell.strip() for name, cell in zip(names, row, strict=False) if cell.strip()}


def _unused(
    path: Path,
    names: Sequence[str],
    table: Mapping[int, Mapping[str, str]],
    known: Sequence[str],
    language: str,
) -> list[str]:
    filled = dict.fromkeys(name for row in table.values() for name in row)
    unused = [name for name in filled if name not in known]
    if not unused:
        return []
    from forecast.log import likely_slip, quoted

    for name in unused:
        values = {"file": path.name, "known": known}
        if name == "goal":
            raise DataError(*problem_and_remedy("refused.goal_column", values))
        if near := likely_slip(name, known):
            values |= {"name": quoted(name, names.index(name) + 1), "hint": near}
            raise DataError(*problem_and_remedy("refused.no_such_column", values))
    values = {"file": path.name, "names": [quoted(one, names.index(one) + 1) for one in unused]}
    told = Note("text.not_used", values=values).say(language)
    sys.stderr.write(f"forecast: {told}\n")
    return unused


def _line(path: Path, line: int) -> Sentence:
    return sentence("refused.line", {"file": path.name, "line": line})


def _number(at: Sentence, name: str, text: str) -> float:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        values = {"at": at, "name": name, "given": text}
        raise DataError(*problem_and_remedy("refused.no_number", values))
    return value


def read_enquiries(
    path: Path, *, named: bool = False, extra: Sequence[str] = (), language: str = "en"
) -> tuple[dict[str, Enquiry], dict[str, Facts]]:
    """Return the enquiries of a CSV file or a workbook's first sheet by ``enquiry_id``, and facts.

    Without one they are 1, 2, 3, …, unless ``named`` asks that each has a code of its own.
    ``extra`` names the clinic's own columns that the model has. Whatever is wrong in the file is
    said at once, in one error.
    """
    from forecast.log import ATTRIBUTES, Enquiry, column, with_their_marks

    required: dict[str, Any] = {n: "" for n in ATTRIBUTES if column("courses", n).required}
    table = read_table(path, ["enquiry_id", "facts", *ATTRIBUTES, *extra], language)
    enquiries: dict[str, Enquiry] = {}
    facts: dict[str, Facts] = {}
    faults: list[ForecastError] = []
    rows = with_their_marks(table.values(), [*ATTRIBUTES, *extra])
    for position, (line, row) in enumerate(zip(table, rows, strict=True), start=1):
        at, label = _line(path, line), row.pop("enquiry_id", "" if named else str(position))
        own = {name: row.pop(name) for name in extra if name in row}
        answered, cells = row.pop("facts", None), required | row
        found = [*_faults(at, label, named, cells)]
        try:
            facts[label] = _facts_in(answered, ";") if answered else None
        except RequestError as error:
            found.append(_found_at(sentence("refused.facts", {"at": at}), error))
        if label in enquiries:
            values = {"file": path.name, "label": label}
            found.append(DataError(*problem_and_remedy("refused.two_enquiries", values)))
        if not found:
            enquiries[label] = Enquiry(**cells, extra=own)
        faults += found
    if len(faults) > 1:
        each = [{"problem": one.problem, "remedy": one.remedy} for one in faults]
        listed = [sentence("refused.fault", values) for values in each]
        told = {"file": path.name, "n": len(faults), "listed": listed}
        raise DataError(*problem_and_remedy("refused.faults", told))
    if faults:
        raise faults[0]
    return enquiries, facts


def _faults(
    at: Sentence, label: str, named: bool, cells: Mapping[str, str]
) -> Iterator[ForecastError]:
    from forecast.log import checked, column, masked

    if not label:
        yield DataError(*problem_and_remedy("refused.no_id", {"at": at}))
    elif named:
        from forecast.daybook import check_code

        try:
            check_code(label, sentence("refused.label_at", {"at": at, "label": masked(label)}))
        except ForecastError as fault:
            yield fault
    for name, cell in cells.items():
        try:
            checked(column("courses", name), cell)
        except ForecastError as error:
            yield _found_at(at, error)


def _found_at(at: Sentence, error: ForecastError) -> DataError:
    return DataError(sentence("refused.at", {"at": at, "problem": error.problem}), error.remedy)


def gradings_of(options: Options) -> list[tuple[int, float] | tuple[int, float, str]]:
    """Return the gradings that the options name, none without a file."""
    if options.gradings is None:
        return []
    done, as_graded = options.sessions_done, options.as_graded
    return read_gradings(options.gradings, done=done, as_graded=as_graded)


def read_gradings(
    path: Path, *, done: int = 99, as_graded: bool = False
) -> list[tuple[int, float] | tuple[int, float, str]]:
    """Return ``(after_session, percent)`` or ``(after_session, percent, date)`` of each row.

    What can hardly be after ``done`` sessions raises DataError, unless it is meant ``as_graded``.
    """
    from forecast.midcourse import doubtful_gradings

    table = read_table(path, ["after_session", "fading_pct", "graded_on", "grader_id", "course_id"])
    courses = {row["course_id"] for row in table.values() if "course_id" in row}
    if len(courses) > 1:
        values: dict[str, Any] = {"file": path.name, "n": len(courses)}
        raise DataError(*problem_and_remedy("refused.several_courses", values))
    gradings: list[tuple[int, float] | tuple[int, float, str]] = []
    places = [_line(path, line) for line in table]
    for at, row in zip(places, table.values(), strict=True):
        for name in ("after_session", "fading_pct"):
            if name not in row:
                values = {"at": at, "name": name}
                raise DataError(*problem_and_remedy("refused.half_grading", values))
        after = _number(at, "after_session", row["after_session"])
        if not after.is_integer():
            values = {"at": at, "name": "after_session", "given": row["after_session"]}
            raise DataError(*problem_and_remedy("refused.not_whole", values))
        percent = _number(at, "fading_pct", row["fading_pct"].removesuffix("%"))
        seen = row.get("graded_on")
        gradings.append((int(after), percent, seen) if seen else (int(after), percent))
    for place, what in doubtful_gradings(gradings, done).items():
        beyond = what.code == "midcourse.ask_beyond"
        if beyond or not as_graded:
            session = beyond or what.code == "midcourse.ask_order"
            name = "after_session" if session else "fading_pct"
            values = {"at": places[place], "name": name, "what": what}
            code = "refused.grading_must" if beyond else "refused.grading_ask"
            raise DataError(*problem_and_remedy(code, values))
    return gradings


def course_of(options: Options) -> Course | None:
    """Return the course of the promise that the options name, None where they name none."""
    if (options.promise is None) != (options.daybook is None) or (
        options.promise is None and options.enquiry is None
    ):
        raise RequestError(*problem_and_remedy("refused.which_course"))
    if options.promise is None:
        return None
    if options.enquiry is not None:
        raise RequestError(*problem_and_remedy("refused.both_given"))
    from forecast.daybook import Daybook

    with Daybook(options.daybook, write=False) as book:
        course = book.course(book.promise(options.promise).course_id)
    course.check_running()
    if course.enquiry is None:
        raise RequestError(*problem_and_remedy("refused.nothing_known", {"n": options.promise}))
    return course


def _facts_in(text: str, mark: str) -> frozenset[str]:
    from forecast.tattoo import check_facts

    named = frozenset(map(str.strip, text.split(mark)))
    return frozenset() if named == {"none"} else check_facts(named)


def facts_of(options: Options, own: Facts = None, course: Course | None = None) -> dict[str, Any]:
    """Return ``facts`` and ``all_asked`` of `cautions_for`: as told, else as kept with a course."""
    for_all = None if options.facts is None else _facts_in(options.facts, ",")
    told = [one for one in (for_all, own) if one is not None]
    if told:
        return {"facts": frozenset().union(*told), "all_asked": True}
    if course is None:
        return {"facts": frozenset(), "all_asked": False}
    return {"facts": course.facts, "all_asked": course.asked}


def asked_of(
    options: Options, course: Course | None, extra: Sequence[str]
) -> tuple[Enquiry, dict[str, Any]]:
    """Return the enquiry, of a course or alone in the file of the options, and `facts_of` it."""
    if course and course.enquiry:
        return course.enquiry, facts_of(options, course=course)
    path: Path = options.enquiry
    enquiries, facts = read_enquiries(path, extra=extra, language=options.language or "en")
    if len(enquiries) != 1:
        values = {"file": path.name, "n": len(enquiries)}
        raise DataError(*problem_and_remedy("refused.one_enquiry", values))
    (label, enquiry), *_ = enquiries.items()
    return enquiry, facts_of(options, facts[label])


def check_can_write(path: Path) -> None:
    """Raise RequestError now, before long work, when ``path`` could not be written after it."""
    folder = path.absolute().parent
    if not folder.is_dir():
        raise RequestError(*problem_and_remedy("refused.not_there", {"folder": str(folder)}))
    if path.is_dir():
        raise RequestError(*problem_and_remedy("refused.is_folder", {"path": str(path)}))
    if not os.access(folder, os.W_OK):
        raise RequestError(*problem_and_remedy("refused.no_right", {"folder": str(folder)}))


def write_text(path: Path, text: str) -> None:
    """Write a file whole: first beside its place, then into it, so that no half is ever seen."""
    check_can_write(path)
    write_whole(path, text)


def write_tables(path: Path, tables: Mapping[str, pd.DataFrame]) -> None:
    """Write tables as the sheets of a workbook, each name cut to what a sheet may be called."""
    import pandas as pd

    check_can_write(path)
    held = io.BytesIO()
    with pd.ExcelWriter(held, engine="openpyxl") as book:
        for name, table in tables.items():
            plain = table.map(lambda one: float(one) if isinstance(one, Decimal) else one)
            plain.to_excel(book, sheet_name=re.sub(r"[][:*?/\\\\]", " ", name)[:31], index=False)
    write_whole(path, held.getvalue())


def sheet_names(content: bytes) -> list[str]:
    """Return the names of a workbook's sheets; none where it is no workbook."""
    from zipfile import BadZipFile

    import openpyxl

    try:
        return list(openpyxl.load_workbook(io.BytesIO(content), read_only=True).sheetnames)
    except (BadZipFile, KeyError, ValueError):
        return []


def write_template(options: Options, kind: str) -> None:
    """Write a commented ``tariff`` or ``clinic`` to a place that is still free, and say so."""
    path = Path(options.template)
    if path.exists():
        raise RequestError(*problem_and_remedy("refused.there", {"path": str(path)}))
    write_text(path, texts_of(options.language or "en")["templates"][kind])
    said = sentence(f"text.template_{kind}", {"file": str(path)})
    answer(options, {"written": str(path)}, [said])


def check_output(path: Path, *, what: str, known: Mark) -> None:
    """Raise RequestError, before long work, when ``path`` cannot or must not be written."""
    check_can_write(path)
    check_not_lost(path, what=what, known=known)


def check_json_output(path: Path, *kinds: str, what: str) -> None:
    """Raise RequestError unless ``path`` is free, or holds JSON of one of the kinds."""
    check_output(path, what=what, known=is_json_with("kind", *kinds))


def check_register(path: Path) -> None:
    """Raise RequestError where promises cannot be kept in ``path``: it must become a daybook."""
    if path.suffix.lower() == ".jsonl":
        values = {"path": str(path), "book": str(path.with_suffix(".sqlite"))}
        raise RequestError(*problem_and_remedy("refused.register", values))
    if path.suffix.lower() != ".sqlite":
        raise RequestError(*problem_and_remedy("refused.no_daybook", {"path": str(path)}))
    if not path.exists():
        check_can_write(path)


def check_folder(folder: Path, names: Iterable[str], *, what: str, mark: bytes, by: str) -> None:
    """Raise RequestError when files in ``folder`` would be lost that are not of this command.

    ``names`` are the files to be written, ``what`` is such a folder called. Where this command
    wrote it, the file ``by`` holds the ``mark``.
    """
    if folder.exists() and not folder.is_dir():
        raise RequestError(*problem_and_remedy("refused.no_folder", {"path": str(folder)}))
    taken = [name for name in names if (folder / name).exists()]
    telling = folder / by
    if taken and not (telling.is_file() and mark in telling.read_bytes()):
        values = {"folder": str(folder), "file": taken[0], "what": what}
        raise RequestError(*problem_and_remedy("refused.folder_lost", values))
