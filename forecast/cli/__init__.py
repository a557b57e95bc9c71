"""The command line: thin functions over the public face; the only room that prints."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from forecast.cli import (
    assess,
    compare,
    estimate,
    fading,
    log,
    page,
    price,
    reach,
    reactions,
    share,
    tour,
)
from forecast.cli.options import typed
from forecast.errors import ForecastError

__all__ = ["main"]

DONE, AT_FAULT, INTERRUPTED = 0, 1, 130


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
        return at_fault(typed(str(error)))
    except BrokenPipeError:
        # the reader of a pipe has left; let the interpreter's last flush go nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        named = f"{error.filename}: " if error.filename else ""
        return at_fault(f"{named}{error.strerror or error}. Check the path and try again.")
    except KeyboardInterrupt:
        sys.stderr.write("\nforecast: stopped, nothing was written.\n")
        return INTERRUPTED
    return DONE


def at_fault(message: str) -> int:
    """Write the message for people and return the exit code for it."""
    sys.stderr.write(f"forecast: {message}\n")
    return AT_FAULT


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands."""
    from forecast import __version__

    parser = argparse.ArgumentParser(
        prog="forecast",
        usage="forecast COMMAND ...   (forecast --help lists the commands)",
        description="Session counts, prices and regime comparisons from a clinic's own log.",
        epilog="Estimates, never settings. Local regulation and licensed practice decide.",
    )
    parser.add_argument("--version", action="version", version=f"forecast {__version__}")
    commands = parser.add_subparsers(
        prog="forecast", title="commands", metavar="COMMAND", required=True
    )
    rooms = (tour, log, estimate, price, assess, compare, fading, reactions, reach, page, share)
    for room in rooms:
        room.register(commands)
    return parser
