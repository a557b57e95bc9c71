"""`forecast daybook`: make one from a log, write it out, check, copy, look back, forget."""

from __future__ import annotations

from pathlib import Path

from forecast._notes import problem_and_remedy, sentence, text_of, texts_of
from forecast.cli.files import Options, answer, check_can_write, progress
from forecast.daybook import Daybook, begin_daybook, check_book, export_daybook, history_lines
from forecast.errors import RequestError


def run_daybook(options: Options) -> None:
    """Do what ``forecast daybook`` is asked."""
    path: Path = options.file
    if options.export is not None:
        log = export_daybook(path, options.export)
        found = {"written": str(options.export), "courses": len(log.courses)}
        answer(options, found, sentence("book.exported", found).say(options.language))
    elif options.check:
        _check(options)
    elif options.backup is not None:
        check_can_write(options.backup)
        with Daybook(path) as book:
            book.backup(options.backup)
        found = {"written": str(options.backup)}
        said = sentence("book.copied", {"file": str(path), **found})
        answer(options, found, said.say(options.language))
    elif options.history is not None:
        _history(options)
    elif options.forget is not None:
        _forget(options)
    else:
        _make(options)


def _make(options: Options) -> None:
    path, source = options.file, options.source
    if not path.exists():
        check_can_write(path)
    progress(options.language, "making", str(path))
    found = begin_daybook(path, source)
    values = {"file": str(path), "source": str(source), **found}
    codes = ["made" if source is None else "made_from"]
    codes += [name for name in ("set_aside", "torn") if found.get(name)]
    lines = [sentence(f"book.{code}", values) for code in (*codes, "next")]
    data = {"written": str(path), **found}
    answer(options, data, text_of(lines, options.language))


def _check(options: Options) -> None:
    found, log = check_book(options.file)
    report = {} if log is None else log.report.to_dict()
    lines: list[str] = [sentence("book.faults" if found else "book.whole", {"found": found})]
    language: str = options.language
    lines += [sentence("book.no_course")] if log is None else log.lines(language)
    answer(options, {"file": found, **report}, text_of(lines, language))
    if found:
        values = {"file": str(options.file)}
        raise RequestError(*problem_and_remedy("refused.damaged_book", values))


def _history(options: Options) -> None:
    with Daybook(options.file) as book:
        entries = [(one, book.history(one)) for one in book.find(options.history)]
    lines = []
    for course, found in entries:
        lines.append(f"{texts_of(options.language)['book']['course']} {course}:")
        lines += [f"  {line}" for line in history_lines(found, options.language)]
    data = {"history": [{"course_id": course, "entries": found} for course, found in entries]}
    answer(options, data, "\n".join(lines))


def _forget(options: Options) -> None:
    with Daybook(options.file) as book:
        found = book.forget(options.forget, by=options.by)
    lines = [sentence("book.forgotten", found)]
    for one in found["models"]:
        values = {**one, "day": one["learnt_at"][:10]}
        lines.append(sentence("book.learnt" if one["file"] else "book.learnt_by", values))
    lines.append(sentence("book.clinics_turn"))
    answer(options, dict(found), text_of(lines, options.language))
