"""`forecast check` and `forecast fit`: from a clinic's log to a checked log and a saved model."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.cli.options import Options, add_cluster, add_command, answer, anywhere, progress
from forecast.cli.outputs import check_json_output

if TYPE_CHECKING:
    from forecast.cli.options import Commands
    from forecast.forecaster import Forecaster
    from forecast.log import OutcomeLog

__all__ = ["add_log", "fitted_text", "read", "register"]


def register(commands: Commands) -> None:
    """Add the commands of this module."""
    parser = add_command(commands, "check", check, says="what was read, understood and set aside")
    add_log(parser)
    parser.add_argument(
        "--set-aside",
        type=Path,
        metavar="FOLDER",
        help="where rows set aside are written to be mended, if there are any (set-aside, or "
        "set-aside-2 where that holds the rows of another log)",
    )

    parser = add_command(
        commands, "fit", anywhere(fit), says="fit the clinic's session counts and save them"
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


def add_log(parser: argparse.ArgumentParser) -> None:
    """Add the log and how it is read."""
    parser.add_argument("log", metavar="LOG", type=Path, help="a folder, or an .xlsx workbook")
    parser.add_argument(
        "--cleared-at",
        type=float,
        metavar="PERCENT",
        help="fading from which a grading counts as clear (the log's own, else 95)",
    )


def read(options: Options) -> OutcomeLog:
    """Return the log that the options name, and keep for the answer what was set aside in it."""
    from forecast import read_log
    from forecast.log import suspicions

    progress(f"Reading {options.log}")
    cleared_at = getattr(options, "cleared_at", None)
    given = {} if cleared_at is None else {"cleared_at": cleared_at}
    log = read_log(options.log, **given)
    brief = log.report.in_brief()
    lists = f"{brief}: forecast check {options.log} lists them."
    options.of_log = [*([lists] if brief else []), *map(str, suspicions(log))]
    return log


def check(options: Options) -> None:
    """Print the report of a log, and write the rows set aside so that they can be mended."""
    from forecast.log import changed_files, shelf_for, suspicions, write_set_aside
    from forecast.reactions import under_recording

    log = read(options)
    options.of_log = []  # the report itself says it all
    warnings = [*map(str, suspicions(log)), *(under_recording(log) if len(log.sessions) else ())]
    folder = options.set_aside or shelf_for(log.report.source, "set-aside")
    written = write_set_aside(log.report, folder)
    changed = [path for path in changed_files(folder) if path not in written]
    data = {
        **log.report.to_dict(),
        "warnings": warnings,
        "written": [str(path) for path in written],
        "left_as_changed": [str(path) for path in changed],
    }
    lines = [log.report.to_text(), *(f"- {warning}" for warning in warnings)]
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
    answer(options, data, "\n".join(lines))


def fit(options: Options) -> None:
    """Fit a forecaster to a log and save it."""
    from forecast import fit_forecaster
    from forecast.forecaster import KIND

    check_json_output(options.out, KIND, what="a saved forecaster")

    evidence = None
    if options.evidence is not None:
        from forecast.sharing import load_evidence

        evidence = load_evidence(options.evidence)
    log = read(options)
    progress("Fitting (about a minute)")
    forecaster = fit_forecaster(
        log, goal=options.goal, horizon=options.horizon, seed=options.seed, evidence=evidence
    )
    forecaster.save(options.out)
    data = {
        "written": str(options.out),
        "goal": forecaster.goal,
        "horizon": forecaster.horizon,
        "supported_to": forecaster.supported_to,
        "courses": forecaster.reference.n_courses,
        "reached": forecaster.reference.n_reached,
        "assessment": dict(forecaster.assessment),
        "notes": list(forecaster.notes),
    }
    saved = f"Saved to {options.out}; it holds no client rows."
    answer(options, data, f"{fitted_text(forecaster)}\n{saved}")


def fitted_text(forecaster: Forecaster) -> str:
    """Return what the model rests on and how it did on clients it had not seen, in words."""
    found = forecaster.assessment
    lines = [
        *forecaster.notes,
        f"Supported to session {forecaster.supported_to}, spoken of to {forecaster.horizon}.",
    ]
    if found.get("candidates"):
        n = len(found["candidates"])
        lines.append(f"Chosen of {n} models on clients left out of the fit: {found['model']}.")
    coverage = found.get("coverage")
    if coverage:
        kept, error = 10 * coverage["tie_split"], 10 * coverage["tie_split_error"]
        lines.append(
            f"The promise of {10 * coverage['level']:g} of 10 held for {kept:.1f} of 10 such "
            f"clients (give or take {error:.1f})."
        )
    failing = [
        f"{row['factor']} {row['label']}"
        for row in found.get("subgroups", ())
        if row["verdict"] == "fails"
    ]
    if failing:
        lines.append(f"It did not hold for: {', '.join(failing)}; their estimates say so.")
    return "\n".join(lines)
