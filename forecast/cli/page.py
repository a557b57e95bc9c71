"""`forecast page` serves the consultation page; `forecast sheet` writes the client's sheet."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.cli.files import read_gradings, read_one_enquiry, write_text
from forecast.cli.options import Options, add_command, answer
from forecast.cli.outputs import check_output
from forecast.errors import RequestError

if TYPE_CHECKING:
    import argparse

    from forecast.cli.options import Commands
    from forecast.page.asking import Asked
    from forecast.page.desk import Desk

__all__ = ["register"]

HOW_TO_PRINT = "Open it in any browser and print it, or save it as PDF from there."


def register(commands: Commands) -> None:
    """Add the commands of this module."""
    parser = add_command(
        commands, "page", page, says="serve the consultation page for a tablet or desk"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path, nargs="?")
    add_desk_options(parser)
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        help="an address of this computer in the clinic's network; its page then has an access "
        "code (127.0.0.1: this computer alone)",
    )
    parser.add_argument("--port", type=int, default=8765, help="0 takes any free one (8765)")
    parser.add_argument(
        "--template",
        metavar="CLINIC.toml",
        type=Path,
        nargs="?",
        const=Path("clinic.toml"),
        help="write a commented file for the clinic's name and wording, and stop (clinic.toml)",
    )

    parser = add_command(commands, "sheet", sheet, says="write one page for the client to keep")
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    parser.add_argument("enquiry", metavar="ENQUIRY.csv", type=Path)
    parser.add_argument(
        "-o", "--out", metavar="FILE", type=Path, help="a .pdf or .html file (sheet.pdf)"
    )
    add_desk_options(parser)
    parser.add_argument("--goal", choices=("clear", "lighten"), help="by default the model's")
    parser.add_argument("--start", metavar="YYYY-MM-DD", help="first or next session (today)")
    parser.add_argument("--spacing-weeks", type=float, metavar="W", help="between sessions")
    parser.add_argument("--sessions-done", type=int, default=0, metavar="K")
    parser.add_argument("--gradings", type=Path, metavar="G.csv", help="after_session, fading_pct")


def add_desk_options(parser: argparse.ArgumentParser) -> None:
    """Add what both commands answer from."""
    parser.add_argument(
        "--lighten", metavar="MODEL2.json", type=Path, help="a model fitted with --goal lighten"
    )
    parser.add_argument("--tariff", metavar="TARIFF.toml", type=Path, help="prices to show")
    parser.add_argument("--clinic", metavar="CLINIC.toml", type=Path, help="name, logo, wording")
    parser.add_argument("--language", default="", help="en or de (the clinic's, else en)")


def desk_of(options: Options) -> Desk:
    """Return what is answered from, or raise RequestError when the extra is missing."""
    try:
        from forecast.page.desk import open_desk
        from forecast.page.words import load_words

        load_words(options.language or "en")
    except ImportError as error:
        raise RequestError(
            f"The page needs packages that are not installed ({error.name}).",
            "Install session-forecast with its extra: pip install -e '.[page]'.",
        ) from None
    return open_desk(
        options.model, lighten=options.lighten, tariff=options.tariff, clinic=options.clinic
    )


def page(options: Options) -> None:
    """Serve the page until it is stopped."""
    if options.template is not None:
        write_template(options)
        return
    if options.model is None:
        raise RequestError("The page needs a model.", "Give MODEL.json, as fit wrote it.")
    desk = desk_of(options)
    from forecast.page.serving import serve

    def announce(address: str, local: bool) -> None:
        if options.json:
            print(json.dumps({"address": address, "local": local}), flush=True)
            return
        print(f"The consultation page is at {address}")
        if not local:
            print(
                "Anyone who has this address can open it. It travels unencrypted: use it in the "
                "clinic's own network only. The code changes at every start."
            )
        print("Stop it with Ctrl-C. Nothing that is typed there is stored.", flush=True)

    try:
        serve(
            desk,
            announce=announce,
            host=options.host,
            port=options.port,
            language=options.language,
        )
    except KeyboardInterrupt:
        if not options.json:
            print("\nStopped.")


def write_template(options: Options) -> None:
    """Write a commented clinic file to a place that is still free."""
    from forecast.page.clinic_file import clinic_template

    path: Path = options.template
    if path.exists():
        raise RequestError(f"{path} is there already.", "Name another file, or move it away.")
    write_text(path, clinic_template())
    answer(options, {"written": str(path)}, f"Wrote {path}: put your own name and words in.")


def sheet(options: Options) -> None:
    """Write the client's sheet as PDF where a browser is installed, else as HTML."""
    out: Path = options.out or Path("sheet.pdf")
    if out.suffix.lower() not in (".pdf", ".html"):
        raise RequestError(f"{out} is neither .pdf nor .html.", "Name a file with one of them.")
    desk = desk_of(options)
    from forecast.page.sheet import find_browser, html_to_pdf, is_sheet, make_sheet

    browser = find_browser() if out.suffix.lower() == ".pdf" else None
    written = out if browser else out.with_suffix(".html")
    check_output(written, what="a client's sheet", known=is_sheet)
    html = make_sheet(desk, asked_of(options, desk), language=options.language)
    if browser:
        html_to_pdf(html, written, browser=browser)
        answer(options, {"written": str(written)}, f"Wrote {written}.")
        return
    write_text(written, html)
    why = "" if out == written else "No Chromium, Chrome or Edge was found to make a PDF. "
    answer(options, {"written": str(written)}, f"{why}Wrote {written}. {HOW_TO_PRINT}")


def asked_of(options: Options, desk: Desk) -> Asked:
    """Return what the sheet is about."""
    from forecast.page.asking import Asked

    gradings = read_gradings(options.gradings) if options.gradings else []
    weeks = options.spacing_weeks
    return Asked(
        enquiry=read_one_enquiry(options.enquiry),
        goal=options.goal or next(iter(desk.forecasters)),
        sessions_done=options.sessions_done,
        gradings=tuple((row[0], row[1]) for row in gradings),
        spacing_weeks=desk.clinic.spacing_weeks if weeks is None else weeks,
        start=day_of(options.start) if options.start else None,
    )


def day_of(text: str) -> date:
    """Return a day written as YYYY-MM-DD, or raise RequestError."""
    from forecast.page.asking import FIRST_DAY, LAST_DAY

    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = date.min
    if not FIRST_DAY <= day <= LAST_DAY:
        raise RequestError(
            f"--start is {text!r}.", f"Give a date as YYYY-MM-DD, from {FIRST_DAY} to {LAST_DAY}."
        )
    return day
