"""A clinic's log, or its daybook: what was read or kept, models of it, and promises checked."""

from __future__ import annotations

import json
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import forecast
from forecast import reactions, sharing
from forecast._files import is_json_with, write_whole
from forecast._notes import Sentence, bullets, languages, problem_and_remedy, sentence, texts_of
from forecast.cli.files import (
    Options,
    answer,
    anywhere,
    check_can_write,
    check_json_output,
    check_output,
    check_register,
    given,
    progress,
    write_text,
)
from forecast.daybook import (
    Daybook,
    begin_daybook,
    check_book,
    export_daybook,
    history_lines,
    read_promises,
)
from forecast.errors import RequestError
from forecast.log.files import is_daybook

if TYPE_CHECKING:
    from forecast.log import LogReport, OutcomeLog


def read(options: Options) -> OutcomeLog:
    """Return the log that the options name, and keep for the answer what was set aside in it."""
    progress(options.language, "reading", str(options.log))
    cleared_at, columns = (getattr(options, name, None) for name in ("cleared_at", "columns"))
    log = forecast.read_log(options.log, cleared_at=cleared_at, columns=columns)
    brief = log.report.in_brief()
    by_map = f" --columns {columns}" if columns else ""
    lists = sentence("report.lists", {"brief": brief, "log": f"{options.log}{by_map}"})
    overruled = [note for note in log.report.notes if note.code == "log.cleared_at_given"]
    options.of_log = [*([lists] if brief else []), *map(Sentence, [*overruled, *log.suspicions])]
    return log


def run_workbook(options: Options) -> None:
    """Do what ``forecast workbook`` is asked."""
    from forecast.log.files import new_workbook

    path: Path = options.out
    if path.suffix != ".xlsx" or path.exists():
        code = "refused.workbook_there" if path.exists() else "refused.no_workbook"
        raise RequestError(*problem_and_remedy(code, {"path": str(path)}))
    check_can_write(path)
    write_whole(path, new_workbook())
    written = {"written": str(path)}
    answer(options, written, [sentence("text.workbook", written)])


def run_check(options: Options) -> None:
    """Do what ``forecast check`` is asked."""
    from forecast.log.files import (
        MOST_CORRECTED,
        corrected_file,
        is_map,
        propose_map,
        write_to_correct,
    )

    if options.propose_map is not None:
        out: Path = options.propose_map
        check_output(out, what="a_map", known=is_map)
        text, brief = propose_map(options.log, out, language=options.language or "en")
        write_text(out, text)
        then = sentence("report.map_written", {"log": str(options.log), "map": str(out)})
        answer(options, {"written": str(out), "found": brief}, [*brief, then])
        return
    log = read(options)
    options.of_log = []  # the report itself says it all
    warnings = [*log.suspicions, *(reactions.under_recording(log) if len(log.sessions) else ())]
    written: Path | None = None
    changed: tuple[Path, ...] = ()
    next_step: list[Sentence] = []
    report: LogReport = log.report
    if is_daybook(options.log):
        next_step = [sentence("report.next_in_page")] * any(map(len, report.to_correct.values()))
    else:
        where = options.to_correct
        written, changed = write_to_correct(report, where, language=options.language)
    if written is not None:
        kept = str(corrected_file(options.log))
        next_step = [sentence("report.next", {"written": str(written), "kept": kept})]
        if max(map(len, report.to_correct.values())) > MOST_CORRECTED:
            next_step.append(sentence("report.first_rows", {"most": MOST_CORRECTED}))
        if changed:
            left = {"files": [*map(str, changed)], "kept": kept}
            next_step.append(sentence("report.left_alone", left))
    data = {
        **report.to_dict(),
        "warnings": [str(warning) for warning in warnings],
        "written": written and str(written),
        "left_as_changed": [str(path) for path in changed],
    }
    if warnings:
        data["warning_codes"] = [warning.to_dict() for warning in warnings]
    said = report.to_text(language=options.language)
    answer(options, data, [said, *bullets(warnings), *next_step])


def run_daybook(options: Options) -> None:
    """Do what ``forecast daybook`` is asked."""
    path: Path = options.file
    if options.export is not None:
        log = export_daybook(path, options.export)
        found = {"written": str(options.export), "courses": len(log.courses)}
        answer(options, found, [sentence("book.exported", found)])
    elif options.check:
        _check(options)
    elif options.backup is not None:
        check_can_write(options.backup)
        with Daybook(path, write=False) as book:
            book.backup(options.backup)
        found = {"written": str(options.backup)}
        answer(options, found, [sentence("book.copied", {"file": str(path), **found})])
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
    answer(options, {"written": str(path), **found}, lines)


def _check(options: Options) -> None:
    found, log = check_book(options.file)
    report = {} if log is None else log.report.to_dict()
    lines: list[str] = [sentence("book.faults" if found else "book.whole", {"found": found})]
    lines += [sentence("book.no_course")] if log is None else log.lines(options.language)
    answer(options, {"file": found, **report}, lines)
    if found:
        raise RequestError(*problem_and_remedy("refused.damaged_book", {"file": str(options.file)}))


def _history(options: Options) -> None:
    with Daybook(options.file, write=False) as book:
        entries = [(one, book.history(one)) for one in book.find(options.history)]
    lines = []
    for course, found in entries:
        lines.append(f"{texts_of(options.language)['book']['course']} {course}:")
        lines += [f"  {line}" for line in history_lines(found, options.language)]
    data = {"history": [{"course_id": course, "entries": found} for course, found in entries]}
    answer(options, data, lines)


def _forget(options: Options) -> None:
    with Daybook(options.file) as book:
        found = book.forget(options.forget, by=options.by)
    lines = [sentence("book.forgotten", found)]
    for one in found["models"]:
        values = {**one, "day": one["learnt_at"][:10]}
        lines.append(sentence("book.learnt" if one["file"] else "book.learnt_by", values))
    answer(options, dict(found), [*lines, sentence("book.clinics_turn")])


@anywhere
def run_fit(options: Options) -> None:
    """Do what ``forecast fit`` is asked."""
    from forecast.forecaster import KIND

    check_json_output(options.out, KIND, what="a_forecaster")
    evidence = sharing.load_evidence(options.evidence) if options.evidence else None
    log = read(options)
    progress(options.language, "fitting")
    extra = [name.strip() for name in options.extra.split(",") if name.strip()]
    asked = given(options, "goal", "horizon", "seed")
    forecaster = forecast.fit_forecaster(log, extra=extra, evidence=evidence, **asked)
    forecaster.save(options.out)
    with _book_of(options.log) as book:
        if book:
            book.learnt(forecaster.fingerprint, options.out.name)
    written = str(options.out)
    saved = sentence("fitted.saved", {"file": written})
    data = {"written": written, **forecaster.to_dict()}
    answer(options, data, [*forecaster.lines(options.language), saved])


@anywhere
def run_refresh(options: Options) -> None:
    """Do what ``forecast refresh`` is asked."""
    from forecast.forecaster import refresh_forecaster

    check_can_write(options.model)
    evidence = sharing.load_evidence(options.evidence) if options.evidence else None
    old = forecast.load_forecaster(options.model)
    log = read(options)
    progress(options.language, "refreshing")
    with _book_of(options.log) as book:
        anew = options.anew or bool(book and book.forgotten_since(old.fingerprint))
    found = refresh_forecaster(old, log, evidence=evidence, anew=anew)
    data, lines = found.to_dict(), found.lines(options.language)
    if found.changed:
        model: Path = options.model
        beside = model.with_name(f"{model.stem}.{old.fingerprint}.json")
        write_whole(beside, model.read_bytes())
        found.forecaster.save(model)
        with _book_of(options.log) as book:
            if book:
                kept = (old.fingerprint, beside.name)
                book.learnt(found.forecaster.fingerprint, model.name, before=kept)
        data |= {"written": str(model), "kept": str(beside)}
        lines.append(sentence("refreshed.saved", {"file": str(model), "kept": str(beside)}))
    answer(options, data, lines)


def _book_of(log: Path) -> Daybook | nullcontext[None]:
    """Open a log that is a daybook: it knows what was learnt from it, and who was forgotten."""
    return Daybook(log) if is_daybook(log) else nullcontext()


def run_assess(options: Options) -> None:
    """Do what ``forecast assess`` is asked."""
    from forecast.forecaster import TITLE, assess_forecaster, assess_promises, card_text, model_card

    card: Path | None = options.card
    if card is not None:
        if card.suffix == ".json":
            raise RequestError(*problem_and_remedy("refused.card", {"path": str(card)}))
        titles = tuple(f"# {TITLE.say(language)}".encode() for language in languages())
        check_output(card, what="a_card", known=lambda content: content.startswith(titles))
        beside, known = card.with_suffix(".json"), is_json_with("title", TITLE)
        check_output(beside, what="a_card", known=known)
    if options.register is not None and not options.register.is_dir():
        check_register(options.register)
    forecaster = forecast.load_forecaster(options.model)
    tariff = options.tariff and forecast.read_tariff(options.tariff)
    log = read(options)
    promises = read_promises(options.register or options.log)
    language: str = options.language
    if options.register is not None:
        found = assess_promises(promises, log, level=options.level)
    else:
        found = assess_forecaster(forecaster, log, level=options.level)
    data, lines = found.to_dict(), found.lines(language)
    lines[1:1] = forecaster.own_check() * found.used_for_fit
    if promises and options.register is None:
        kept = assess_promises(promises, log, level=options.level)
        data["promises"], lines = kept.to_dict(), [*lines, "", *kept.lines(language)]
    if tariff is not None:
        progress(options.language, "quoting")
        sold = [each for each in tariff.packages if each.kind == "fixed"]
        package = sold[0] if sold else forecast.Package("fixed")
        value = forecast.value_of_quoting(log, package, tariff)
        data["quoting"], lines = value.to_dict(), [*lines, "", *value.lines(language)]
    if card is not None:
        write_text(card, card_text(forecaster, language=language) + "\n")
        write_text(beside, json.dumps(model_card(forecaster), indent=2) + "\n")
    answer(options, data, lines)
