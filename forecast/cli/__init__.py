"""The command line: thin functions over the public face; the only room that prints."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import forecast
from forecast.cli.files import typed
from forecast.errors import ForecastError

__all__ = ["main"]

DONE, AT_FAULT, INTERRUPTED = 0, 1, 130
HOMES = {  # the file of each command, as the help lists them
    **{"tour": "tour", "workbook": "log", "daybook": "daybook", "check": "log", "fit": "log"},
    **{"estimate": "estimate", "update": "estimate", "price": "price", "appointments": "price"},
    **{"assess": "log", "refresh": "log"},
    **dict.fromkeys(("compare", "fading", "reactions", "reach"), "compare"),
    **{"page": "page", "sheet": "page", "share": "compare", "pool": "compare"},
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 the data or the request is at fault.

    A command that cannot be understood leaves with code 2 and its usage, as argparse does.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a console that lacks a character shows a substitute instead of failing
            stream.reconfigure(errors="replace")
    given = sys.argv[1:] if arguments is None else list(arguments)
    options = build_parser(*given[:1]).parse_args(given)
    try:
        options.run(options)
        sys.stdout.flush()
    except ForecastError as error:
        return _at_fault(typed(str(error)))
    except BrokenPipeError:
        # the reader of a pipe has left; let the interpreter's last flush go nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        named = f"{error.filename}: " if error.filename else ""
        return _at_fault(f"{named}{error.strerror or error}. Check the path and try again.")
    except KeyboardInterrupt:
        sys.stderr.write("\nforecast: stopped, nothing was written.\n")
        return INTERRUPTED
    return DONE


def _at_fault(message: str) -> int:
    sys.stderr.write(f"forecast: {message}\n")
    return AT_FAULT


def build_parser(only: str = "") -> argparse.ArgumentParser:
    """Return the parser of one command, or of all of them where there is none of that name."""
    parser = argparse.ArgumentParser(
        prog="forecast",
        usage="forecast COMMAND ...   (forecast --help lists the commands)",
        description="Session counts, prices and regime comparisons from a clinic's own log.",
        epilog="Estimates, never settings. Local regulation and licensed practice decide.",
    )
    parser.add_argument("--version", action="version", version=f"forecast {forecast.__version__}")
    commands = parser.add_subparsers(
        prog="forecast", title="commands", metavar="COMMAND", required=True
    )
    for name in [only] if only in HOMES else HOMES:  # the others would only take time to load
        getattr(import_module(f"forecast.cli.{HOMES[name]}"), f"add_{name}")(commands)
    return parser
