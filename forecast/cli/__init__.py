"""The command line: thin functions over the public face; the only room that prints."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

import forecast
from forecast.cli.compare import (
    add_compare,
    add_fading,
    add_pool,
    add_reach,
    add_reactions,
    add_share,
)
from forecast.cli.daybook import add_daybook
from forecast.cli.estimate import add_estimate, add_update
from forecast.cli.files import typed
from forecast.cli.log import add_assess, add_check, add_fit, add_refresh, add_workbook
from forecast.cli.page import add_page, add_sheet
from forecast.cli.price import add_appointments, add_price
from forecast.cli.tour import add_tour
from forecast.errors import ForecastError

__all__ = ["main"]

DONE, AT_FAULT, INTERRUPTED = 0, 1, 130
COMMANDS = (  # as the help lists them
    *(add_tour, add_workbook, add_daybook, add_check, add_fit, add_estimate, add_update),
    *(add_price, add_appointments, add_assess, add_refresh, add_compare, add_fading),
    *(add_reactions, add_reach, add_page, add_sheet, add_share, add_pool),
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 the data or the request is at fault.

    A command that cannot be understood leaves with code 2 and its usage, as argparse does.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a console that lacks a character shows a substitute instead of failing
            stream.reconfigure(errors="replace")
    options = build_parser().parse_args(arguments)
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


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
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
    for add in COMMANDS:
        add(commands)
    return parser
