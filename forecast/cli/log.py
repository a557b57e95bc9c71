"""A clinic's log: `check` what was read, `fit` a model, `assess` whether promises were kept."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

import forecast
from forecast import reactions, sharing
from forecast._files import is_json_with, write_whole
from forecast.cli.files import (
    Options,
    add_cluster,
    add_command,
    answer,
    anywhere,
    check_can_write,
    check_json_output,
    check_output,
    check_register,
    progress,
    write_text,
)
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.files import Commands
    from forecast.forecaster import Forecaster
    from forecast.log import OutcomeLog


def add_log(parser: argparse.ArgumentParser) -> None:
    """Add the log and how it is read."""
    parser.add_argument("log", metavar="LOG", type=Path, help="a folder, a workbook, a daybook")
    parser.add_argument(
        "--columns",
        type=Path,
        metavar="COLUMNS.toml",
        help="what the clinic's own sheets, headings and words mean (see check --propose-map)",
    )
    parser.add_argument(
        "--cleared-at",
        type=float,
        metavar="PERCENT",
        help="fading from which a grading counts as clear (the log's own, else 95)",
    )


def read(options: Options) -> OutcomeLog:
    """Return the log that the options name, and keep for the answer what was set aside in it."""
    from forecast.log import suspicions

    progress(f"Reading {options.log}")
    cleared_at = getattr(options, "cleared_at", None)
    given = {} if cleared_at is None else {"cleared_at": cleared_at}
    log = forecast.read_log(options.log, columns=getattr(options, "columns", None), **given)
    brief = log.report.in_brief()
    by_map = f" --columns {options.columns}" if getattr(options, "columns", None) else ""
    lists = f"{brief}: forecast check {options.log}{by_map} lists them."
    options.of_log = [*([lists] if brief else []), *map(str, suspicions(log))]
    return log


MODELS = {
    "loglogistic": "log-logistic",
    "lognormal": "log-normal",
    ", some never": ", with a share that never gets there",
}


def add_workbook(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(commands, "workbook", _workbook, says="an empty log to fill in")
    parser.add_argument("out", metavar="NEW.xlsx", type=Path)


def _workbook(options: Options) -> None:
    from forecast.log import new_workbook

    path: Path = options.out
    if path.suffix != ".xlsx" or path.exists():
        wrong = "is there already" if path.exists() else "is no .xlsx"
        raise RequestError(f"{path} {wrong}.", "Name a new file that ends in .xlsx.")
    check_can_write(path)
    write_whole(path, new_workbook())
    then = f"fill it in below the example rows, then: forecast check {path}"
    answer(options, {"written": str(path)}, f"Wrote {path}: {then}")


def add_check(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(commands, "check", _check, says="what was read, understood and set aside")
    add_log(parser)
    parser.add_argument(
        "--set-aside",
        type=Path,
        metavar="FOLDER",
        help="where rows set aside are written to be mended, if there are any (set-aside, or "
        "set-aside-2 where that holds the rows of another log)",
    )
    parser.add_argument(
        "--language", choices=("en", "de"), default="en", help="what the report is written in (en)"
    )
    parser.add_argument(
        "--propose-map",
        type=Path,
        metavar="COLUMNS.toml",
        help="write what the sheets, headings and words of any workbook could mean",
    )


def _propose(options: Options) -> None:
    from forecast.log import propose_map

    check_output(
        options.propose_map, what="a map", known=lambda text: text.startswith(b"# How the")
    )
    text, brief = propose_map(options.log, options.propose_map)
    write_text(options.propose_map, text)
    then = (
        f"Written to {options.propose_map}. Look through it, then: "
        f"forecast check {options.log} --columns {options.propose_map}"
    )
    answer(
        options, {"written": str(options.propose_map), "found": brief}, "\n".join([*brief, then])
    )


def _check(options: Options) -> None:
    if options.propose_map is not None:
        _propose(options)
        return
    from forecast.log import changed_files, in_words, shelf_for, suspicions, write_set_aside

    log = read(options)
    options.of_log = []  # the report itself says it all
    warnings = [*suspicions(log), *(reactions.under_recording(log) if len(log.sessions) else ())]
    folder = options.set_aside or shelf_for(log.report.source, "set-aside")
    written = write_set_aside(log.report, folder)
    changed = [path for path in changed_files(folder) if path not in written]
    data = {
        **log.report.to_dict(),
        "warnings": warnings,
        "written": [str(path) for path in written],
        "left_as_changed": [str(path) for path in changed],
    }
    language = options.language
    lines = [
        log.report.to_text(language=language),
        *(f"- {warning.say(language)}" for warning in warnings),
    ]
    if written:
        named = ", ".join(map(str, written))
        lines.append(
            f"Rows set aside from {log.report.source} are in {named}: correct the cells, save each "
            "file as mended_<table>.csv in the log's folder, and check again."
        )
    if changed:
        named = ", ".join(map(str, changed))
        lines.append(
            f"Left alone, as not as it was written: {named}. Corrections in it count once it is "
            "saved as mended_<table>.csv in the log's folder."
        )
    answer(options, data, "\n".join(in_words(line, language) for line in lines))


def add_fit(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "fit", anywhere(_fit), says="fit the clinic's session counts and save them"
    )
    add_log(parser)
    parser.add_argument("-o", "--out", type=Path, required=True, metavar="MODEL.json")
    parser.add_argument("--goal", choices=("clear", "lighten"), default="clear")
    parser.add_argument("--horizon", type=int, default=25, help="last session spoken of (25)")
    parser.add_argument("--seed", type=int, default=0, help="of everything drawn at random (0)")
    parser.add_argument(
        "--evidence",
        type=Path,
        metavar="POOLED.json",
        help="what other clinics found together (pool), in place of published evidence",
    )
    add_cluster(parser)


def _fit(options: Options) -> None:
    from forecast.counts import told
    from forecast.forecaster import KIND

    check_json_output(options.out, KIND, what="a saved forecaster")
    evidence = sharing.load_evidence(options.evidence) if options.evidence else None
    log = read(options)
    progress("Fitting (some ten seconds)")
    forecaster = forecast.fit_forecaster(
        log, goal=options.goal, horizon=options.horizon, seed=options.seed, evidence=evidence
    )
    forecaster.save(options.out)
    note_learnt(options.log, forecaster)
    data = {
        "written": str(options.out),
        "goal": forecaster.goal,
        "horizon": forecaster.horizon,
        "supported_to": forecaster.supported_to,
        "courses": forecaster.log_summary.n_courses,
        "reached": told(forecaster.log_summary.n_reached),
        "assessment": dict(forecaster.assessment),
        "notes": [str(note) for note in forecaster.notes],
        "note_codes": [note.to_dict() for note in forecaster.notes],
    }
    saved = f"Saved to {options.out}; it holds no client rows."
    answer(options, data, f"{fitted_text(forecaster)}\n{saved}")


def fitted_text(forecaster: Forecaster) -> str:
    """Return what the model rests on and how it did on clients it had not seen, in words."""
    found = forecaster.assessment
    followed, horizon = forecaster.supported_to, forecaster.horizon
    beyond = f"; beyond it, to {horizon}, the curve is extrapolated" if followed < horizon else ""
    lines = [
        *map(str, forecaster.notes),
        f"At least five courses were followed to session {followed}{beyond}.",
    ]
    if found.get("candidates"):
        n, best = len(found["candidates"]), found["model"]
        for name, words in MODELS.items():
            best = best.replace(name, words)
        lines.append(f"Best of {n} models when tested on clients it had not seen: {best}.")
    coverage = found.get("coverage")
    if coverage:
        kept, error = 100 * coverage["tie_split"], 100 * coverage["tie_split_error"]
        lines.append(
            f"On those the {100 * coverage['level']:g} % interval held the true count for "
            f"{kept:.0f} % (give or take {error:.0f})."
        )
    failing = [
        f"{row['factor']} {row['label']}"
        for row in found.get("subgroups", ())
        if row["verdict"] == "fails"
    ]
    if failing:
        lines.append(f"It did not hold for {', '.join(failing)}; their estimates say so.")
    return "\n".join(lines)


def add_refresh(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "refresh", anywhere(_refresh), says="fit a model again to a log that has grown"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    add_log(parser)
    parser.add_argument(
        "--evidence", type=Path, metavar="POOLED.json", help="the same that it was fitted with"
    )
    add_cluster(parser)


def _refresh(options: Options) -> None:
    from forecast.forecaster import refresh_forecaster

    check_can_write(options.model)
    evidence = sharing.load_evidence(options.evidence) if options.evidence else None
    old = forecast.load_forecaster(options.model)
    log = read(options)
    progress("Fitting (some ten seconds)")
    found = refresh_forecaster(old, log, evidence=evidence)
    data, lines = found.to_dict(), [found.to_text()]
    if found.changed:
        model: Path = options.model
        beside = model.with_name(f"{model.stem}.{old.fingerprint}.json")
        write_whole(beside, model.read_bytes())
        found.forecaster.save(model)
        note_learnt(options.log, found.forecaster)
        data |= {"written": str(model), "kept": str(beside)}
        lines.append(f"Saved to {model}; the old one is kept as {beside}.")
    answer(options, data, "\n".join(lines))


def note_learnt(log: Path, forecaster: Forecaster) -> None:
    """Keep in a daybook which model was learnt from it, for those who are forgotten later."""
    from forecast.daybook import Daybook
    from forecast.log import is_daybook

    if is_daybook(log):
        with Daybook(log) as book:
            book.learnt(forecaster.fingerprint)


def add_assess(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "assess", _assess, says="whether estimates have kept their promise since"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    add_log(parser)
    parser.add_argument("--level", type=float, default=0.8, help="of the interval judged (0.8)")
    parser.add_argument(
        "--register",
        type=Path,
        metavar="BOOK.sqlite",
        help="judge the promises kept in this daybook (or log) instead of the model's estimates",
    )
    parser.add_argument(
        "--card", type=Path, metavar="CARD.md", help="also write the model's card, and CARD.json"
    )


def _assess(options: Options) -> None:
    if options.card is not None:
        _check_card(options.card)
    from forecast.daybook import read_promises
    from forecast.forecaster import assess_forecaster, assess_promises

    if options.register is not None and not options.register.is_dir():
        check_register(options.register)
    forecaster = forecast.load_forecaster(options.model)
    log = read(options)
    promises = read_promises(options.register or options.log)
    if options.register is not None:
        found = assess_promises(promises, log, level=options.level)
        data, text = found.to_dict(), found.to_text()
    else:
        found = assess_forecaster(forecaster, log, level=options.level)
        data, text = found.to_dict(), found.to_text()
        if promises:
            kept = assess_promises(promises, log, level=options.level)
            data["promises"], text = kept.to_dict(), f"{text}\n\n{kept.to_text()}"
    if options.card is not None:
        _write_card(forecaster, options.card)
    answer(options, data, text)


def _check_card(path: Path) -> None:
    from forecast.forecaster import TITLE

    if path.suffix == ".json":
        raise RequestError(
            f"The card {path} would be written over by its own JSON.",
            "Name it CARD.md; CARD.json is written beside it.",
        )
    title = f"# {TITLE}".encode()
    check_output(path, what="a model card", known=lambda content: content.startswith(title))
    beside = path.with_suffix(".json")
    check_output(beside, what="a model card", known=is_json_with("title", TITLE))


def _write_card(forecaster: Forecaster, path: Path) -> None:
    from forecast.forecaster import card_text, model_card

    write_text(path, card_text(forecaster) + "\n")
    write_text(path.with_suffix(".json"), json.dumps(model_card(forecaster), indent=2) + "\n")
