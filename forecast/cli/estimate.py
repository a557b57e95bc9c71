"""`forecast estimate` and `forecast update`: a saved model answers, with numpy alone."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast._checks import LEVEL
from forecast.cli.files import read_enquiries, read_gradings, read_one_enquiry
from forecast.cli.options import Options, add_command, answer

if TYPE_CHECKING:
    from forecast.cli.options import Commands
    from forecast.forecaster import Forecaster
    from forecast.log import Enquiry
    from forecast.midcourse import Update
    from forecast.tattoo import Caution

__all__ = ["CLOSING", "as_dict", "look_out_for", "own_lines", "register"]

CLOSING = "Estimates from past courses: not a promise, and never a treatment setting."


def register(commands: Commands) -> None:
    """Add the commands of this module."""
    parser = add_command(
        commands, "estimate", estimate, says="how many sessions each enquiry is likely to need"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiries", metavar="ENQUIRIES.csv", type=Path)
    parser.add_argument(
        "--level", type=float, default=LEVEL, help=f"what the interval covers ({LEVEL:g})"
    )
    parser.add_argument("--strategy", help="a pulse strategy instead of the log's own practice")
    parser.add_argument(
        "--drivers",
        action="store_true",
        help="also say what each attribute does to the count, and how past courses like it went",
    )
    parser.add_argument(
        "--register",
        type=Path,
        metavar="R.jsonl",
        help="append each estimate to a register of promises, to be judged by assess later",
    )

    parser = add_command(
        commands, "update", update, says="how many sessions are still needed, mid-course"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiry", metavar="ENQUIRY.csv", type=Path)
    parser.add_argument("--sessions-done", type=int, required=True, metavar="K")
    parser.add_argument("--gradings", type=Path, metavar="G.csv", help="after_session, fading_pct")
    parser.add_argument(
        "--tariff", type=Path, metavar="TARIFF.toml", help="also price the sessions still needed"
    )
    parser.add_argument(
        "--level", type=float, default=LEVEL, help=f"what the interval covers ({LEVEL:g})"
    )


def estimate(options: Options) -> None:
    """Print the estimate of every enquiry, with the cautions that apply to it."""
    from forecast import load_forecaster

    forecaster = load_forecaster(options.model)
    results: list[dict[str, Any]] = []
    texts: list[str] = []
    always: dict[str, Caution] = {}
    if options.register is not None:
        from forecast.cli.outputs import check_register

        check_register(options.register)
    enquiries = read_enquiries(options.enquiries, named=options.register is not None)
    for label, enquiry in enquiries.items():
        result = forecaster.estimate(enquiry, level=options.level, strategy=options.strategy)
        if options.register is not None:
            from forecast.forecaster import record_promise

            record_promise(options.register, result, enquiry_id=label, issued_on=date.today())
        cautions = look_out_for(enquiry)
        why, lines = (
            what_drives(forecaster, enquiry, options.level) if options.drivers else ({}, [])
        )
        results.append({"enquiry_id": label, **result.to_dict(), **why, **as_dict(cautions)})
        texts.append(
            "\n".join([f"Enquiry {label}", result.to_text(), *lines, *own_lines(cautions)])
        )
        always |= {caution.key: caution for caution in cautions if caution.kind == "always"}
    texts.append("\n".join([CLOSING, *(f"- {item.to_text()}" for item in always.values())]))
    answer(options, {"estimates": results}, "\n\n".join(texts))


def what_drives(
    forecaster: Forecaster, enquiry: Enquiry, level: float
) -> tuple[dict[str, Any], list[str]]:
    """Return what drives an estimate and counts of past courses like it, as JSON and in words."""
    found = forecaster.drivers(enquiry, level=level)
    similar = forecaster.log_summary.similar(enquiry)
    lines = ["What drives it (associations in the log, not effects of changing anything):"]
    lines += [f"  {driver.to_text()}" for driver in found] or ["  nothing: it is the reference"]
    if similar is None:
        lines.append("Fewer than five past courses are alike in ink group, density and layers.")
    else:
        half = f"; half are there by session {similar['half_by']}" if similar["half_by"] else ""
        unlike = ", ".join(name.replace("_", " ") for name in similar["unlike"])
        lines.append(
            f"Past courses with {similar['like']}: {similar['n']}, of which {similar['reached']} "
            f"reached the goal so far{half}. They are alike in this alone, not in {unlike}."
        )
    alike = similar and {**similar, "like": str(similar["like"])}
    return {"drivers": [driver.to_dict() for driver in found], "similar": alike}, lines


def update(options: Options) -> None:
    """Print what is still needed and the total, given the sessions done and the gradings."""
    from forecast import load_forecaster

    forecaster = load_forecaster(options.model)
    enquiry = read_one_enquiry(options.enquiry)
    gradings = read_gradings(options.gradings) if options.gradings else []
    later = forecaster.update(
        enquiry, sessions_done=options.sessions_done, gradings=gradings, level=options.level
    )
    cautions = look_out_for(enquiry)
    priced: dict[str, Any] = {}
    lines: list[str] = []
    if options.tariff:
        priced, lines = price_remaining(later, options.tariff, options.sessions_done)
    data = {
        "remaining": later.remaining.to_dict(),
        "total": later.total.to_dict(),
        **as_dict(cautions),
        **priced,
    }
    text = [
        f"After {options.sessions_done} session(s), still needed:",
        later.remaining.to_text(),
        "",
        "In total:",
        *(line for line in later.total.to_text().splitlines() if not line.startswith("- ")),
        *lines,
        *own_lines(cautions),
        "",
        CLOSING,
    ]
    answer(options, data, "\n".join(text))


def price_remaining(later: Update, path: Path, done: int) -> tuple[dict[str, Any], list[str]]:
    """Return prices of what is left of each package, as JSON values and in words."""
    from forecast.prices import left_of, price_package, quotes_text, read_tariff

    tariff = read_tariff(path)
    left = [(package.name, left_of(package, tariff, done)) for package in tariff.packages]
    quotes = [
        price_package(later.remaining, *found, started=bool(done))
        for _, found in left
        if found is not None
    ]
    gone = [name for name, found in left if found is None]
    lines = ["", "For the sessions from the next one on; those had count towards what is sold:"]
    lines += [quotes_text(quotes)] if quotes else []
    lines += [
        f"{name}: not offered any more, more than is left of the most sessions in a course."
        for name in gone
    ]
    return {"quotes": [quote.to_dict() for quote in quotes], "not_offered": gone}, lines


def look_out_for(enquiry: Enquiry) -> tuple[Caution, ...]:
    """Return the cautions that apply to ``enquiry``."""
    from forecast.tattoo import cautions_for

    return cautions_for(enquiry)


def as_dict(cautions: tuple[Caution, ...]) -> Mapping[str, Any]:
    """Return the cautions as plain JSON values."""
    return {"cautions": [caution.to_dict() for caution in cautions]}


def own_lines(cautions: tuple[Caution, ...]) -> list[str]:
    """Return the cautions that this enquiry has and others may not, a line each."""
    return [f"! {caution.to_text()}" for caution in cautions if caution.kind != "always"]
