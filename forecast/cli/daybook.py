"""`forecast daybook`: make one from a log, write it out, check, copy, look back, forget."""

from __future__ import annotations

from pathlib import Path

from forecast._checks import counted
from forecast._notes import texts_of
from forecast.cli.files import Options, answer, check_can_write, progress
from forecast.errors import RequestError

CLINICS_TURN = "Backups, exports, copies and models fitted to those are the clinic's to replace."


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
    from forecast.daybook import Daybook, history_lines

    with Daybook(options.file) as book:
        entries = [(one, book.history(one)) for one in book.find(options.history)]
    lines = []
    for course, found in entries:
        lines.append(f"{texts_of(options.language)['book']['course']} {course}:")
        lines += [f"  {line}" for line in history_lines(found, options.language)]
    data = {"history": [{"course_id": course, "entries": found} for course, found in entries]}
    answer(options, data, "\n".join(lines))


def _forget(options: Options) -> None:
    from forecast.daybook import Daybook

    with Daybook(options.file) as book:
        found = book.forget(options.forget, by=options.by)
    told = ", ".join(counted(found[f"{one}s"], one) for one in ("course", "promise"))
    lines = [f"Forgotten: {told}. What stays is an entry that somebody was forgotten."]
    if found["learnt_by"]:
        lines.append(f"Models learnt with them, to fit anew: {', '.join(found['learnt_by'])}.")
    answer(options, dict(found), "\n".join([*lines, CLINICS_TURN]))
