"""`forecast daybook`: make one from a log, write it out, check, copy, look back, forget."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._checks import counted
from forecast.cli.files import Options, answer, check_can_write, progress
from forecast.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Mapping


CLINICS_TURN = "Backups, exports and copies of them made before are the clinic's to replace."


def run_daybook(options: Options) -> None:
    """Do what ``forecast daybook`` is asked."""
    path: Path = options.file
    if options.export is not None:
        from forecast.daybook import export_daybook

        log = export_daybook(path, options.export)
        said = f"Wrote {options.export}: {len(log.courses)} courses, promises and history."
        answer(options, {"written": str(options.export), "courses": len(log.courses)}, said)
    elif options.check:
        _check(options)
    elif options.backup is not None:
        from forecast.daybook import Daybook

        check_can_write(options.backup)
        with Daybook(path) as book:
            book.backup(options.backup)
        answer(options, {"written": str(options.backup)}, f"Copied {path} to {options.backup}.")
    elif options.history is not None:
        _history(options)
    elif options.forget is not None:
        _forget(options)
    else:
        _make(options)


def _make(options: Options) -> None:
    from forecast.daybook import begin_daybook

    path, source = options.file, options.source
    if not path.exists():
        check_can_write(path)
    progress(f"Making {path}")
    found = begin_daybook(path, source)
    told = ", ".join(counted(found[f"{one}s"], one) for one in ("course", "promise"))
    lines = [f"Made {path}." if source is None else f"Wrote {path}. From {source}: {told}."]
    if found.get("set_aside"):
        aside = f"{counted(found['set_aside'], 'row')} could not be used and stay behind"
        lines.append(f"{aside}: forecast check {source} lists them.")
    if found.get("torn"):
        listed = ", ".join(map(str, found["torn"]))
        lines.append(f"Torn and left out: line {listed} of the register.")
    lines.append(f"Next: forecast page MODEL.json --daybook {path}")
    answer(options, {"written": str(path), **found}, "\n".join(lines))


def _check(options: Options) -> None:
    from forecast.daybook import check_book

    found, log = check_book(options.file)
    report = {} if log is None else log.report.to_dict()
    lines = [f"The file: {'; '.join(found) if found else 'whole'}."]
    lines.append("No course yet." if log is None else log.report.to_text())
    answer(options, {"file": found, **report}, "\n".join(lines))
    if found:
        raise RequestError(f"{options.file} is damaged.", "Restore the last backup.")


def _history(options: Options) -> None:
    from forecast.daybook import Daybook

    with Daybook(options.file) as book:
        entries = [(one, book.history(one)) for one in book.find(options.history)]
    lines = []
    for course, found in entries:
        lines.append(f"Course {course}:")
        rows = {(row["table"], row["row"]): row for one in found for row in one["rows"]}
        for one in found:
            lines.append(f"  {one['entry']}  {one['what']}, {one['at']}, by {one['by']}")
            for row in one["rows"]:
                lines.append(
                    f"      {_row_text(row, rows.get((row['table'], row['replaces']), {}))}"
                )
    data = {"history": [{"course_id": course, "entries": found} for course, found in entries]}
    answer(options, data, "\n".join(lines))


def _row_text(row: Mapping[str, Any], before: Mapping[str, Any]) -> str:
    own = ("table", "row", "entry", "replaces", "withdrawn", "course_id", "chances", "enquiry")
    told = [name for name in row if name not in own and row[name] != before.get(name)]
    cells = "".join(f", {name} {row[name]}" for name in told)
    over = f", in place of {row['replaces']}" if row["replaces"] else ""
    return f"{row['table']} {row['row']}{over}{', taken back' * row['withdrawn']}{cells}"


def _forget(options: Options) -> None:
    from forecast.daybook import Daybook

    with Daybook(options.file) as book:
        found = book.forget(options.forget, by=options.by)
    told = ", ".join(counted(found[f"{one}s"], one) for one in ("course", "promise"))
    lines = [f"Forgotten: {told}. What stays is an entry that somebody was forgotten."]
    if found["learnt_by"]:
        lines.append(f"Models learnt with them, to fit anew: {', '.join(found['learnt_by'])}.")
    answer(options, dict(found), "\n".join([*lines, CLINICS_TURN]))
