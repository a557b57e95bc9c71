"""A clinic's log: `check` what was read, `fit` a model, `assess` whether promises were kept."""

from __future__ import annotations

import json
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import forecast
from forecast import reactions, sharing
from forecast._files import is_json_with, write_whole
from forecast._notes import Sentence, in_language, languages, problem_and_remedy, sentence, text_of
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
from forecast.daybook import Daybook, read_promises
from forecast.errors import RequestError
from forecast.log.files import is_daybook

if TYPE_CHECKING:
    from forecast.forecaster import Forecaster
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
    answer(options, written, sentence("text.workbook", written).say(options.language))


def _propose(options: Options) -> None:
    from forecast.log.files import propose_map

    out: Path = options.propose_map
    check_output(out, what="a map", known=lambda text: text.startswith(b"# How the"))
    text, brief = propose_map(options.log, out)
    write_text(out, text)
    then = sentence("report.map_written", {"log": str(options.log), "map": str(out)})
    lines = (in_language(line, options.language) for line in (*brief, then))
    answer(options, {"written": str(out), "found": brief}, "\n".join(lines))


def run_check(options: Options) -> None:
    """Do what ``forecast check`` is asked."""
    if options.propose_map is not None:
        _propose(options)
        return
    log = read(options)
    options.of_log = []  # the report itself says it all
    warnings = [*log.suspicions, *(reactions.under_recording(log) if len(log.sessions) else ())]
    language = options.language
    written, changed, next_step = _to_correct(log.report, options)
    data = {
        **log.report.to_dict(),
        "warnings": warnings,
        "written": written and str(written),
        "left_as_changed": [str(path) for path in changed],
    }
    lines = [
        log.report.to_text(language=language),
        *(f"- {warning.say(language)}" for warning in warnings),
        *(in_language(line, language) for line in next_step),
    ]
    answer(options, data, "\n".join(lines))


def _to_correct(
    report: LogReport, options: Options
) -> tuple[Path | None, tuple[Path, ...], list[Sentence]]:
    from forecast.log.files import MOST_CORRECTED, corrected_file, write_to_correct

    if is_daybook(options.log):
        said = [sentence("report.next_in_page")]
        return None, (), said * any(map(len, report.to_correct.values()))
    written, changed = write_to_correct(report, options.to_correct, language=options.language)
    kept = corrected_file(options.log)
    if written is None:
        return None, changed, []
    lines = [sentence("report.next", {"written": str(written), "kept": str(kept)})]
    if max(map(len, report.to_correct.values())) > MOST_CORRECTED:
        lines.append(sentence("report.first_rows", {"most": MOST_CORRECTED}))
    if changed:
        left = [*map(str, changed)]
        lines.append(sentence("report.left_alone", {"files": left, "kept": str(kept)}))
    return written, changed, lines


@anywhere
def run_fit(options: Options) -> None:
    """Do what ``forecast fit`` is asked."""
    from forecast.forecaster import KIND

    check_json_output(options.out, KIND, what="a saved forecaster")
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
    data = {"written": str(options.out), **forecaster.to_dict()}
    saved = sentence("fitted.saved", {"file": str(options.out)})
    answer(options, data, text_of([*forecaster.lines(options.language), saved], options.language))


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
    language: str = options.language
    data, lines = found.to_dict(), found.lines(language)
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
    answer(options, data, text_of(lines, language))


def _book_of(log: Path) -> Daybook | nullcontext[None]:
    """Open a log that is a daybook: it knows what was learnt from it, and who was forgotten."""
    return Daybook(log) if is_daybook(log) else nullcontext()


def run_assess(options: Options) -> None:
    """Do what ``forecast assess`` is asked."""
    if options.card is not None:
        _check_card(options.card)
    from forecast.forecaster import assess_forecaster, assess_promises

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
    if options.card is not None:
        _write_card(forecaster, options.card, language)
    answer(options, data, text_of(lines, language))


def _check_card(path: Path) -> None:
    from forecast.forecaster import TITLE

    if path.suffix == ".json":
        raise RequestError(*problem_and_remedy("refused.card", {"path": str(path)}))
    titles = tuple(f"# {TITLE.say(language)}".encode() for language in languages())
    check_output(path, what="a model card", known=lambda content: content.startswith(titles))
    beside = path.with_suffix(".json")
    check_output(beside, what="a model card", known=is_json_with("title", TITLE))


def _write_card(forecaster: Forecaster, path: Path, language: str) -> None:
    from forecast.forecaster import card_text, model_card

    write_text(path, card_text(forecaster, language=language) + "\n")
    write_text(path.with_suffix(".json"), json.dumps(model_card(forecaster), indent=2) + "\n")
