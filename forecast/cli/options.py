"""What every command has in common: its parser, its two ways of answering, its progress."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

__all__ = ["Options", "add_cluster", "add_command", "answer", "anywhere", "progress", "typed"]

ARGUMENT = re.compile(
    r"\b(horizon|goal|level|seed|margin|replicates|strategies|sessions_done)=('[^']*'|[\w.>:]*\w)"
)

Options = argparse.Namespace


def add_command(
    commands: Commands, name: str, run: Callable[[Options], None], *, says: str
) -> argparse.ArgumentParser:
    """Return the parser of a new command that takes ``--json`` and calls ``run``."""
    parser = commands.add_parser(name, help=says, description=says)
    parser.add_argument("--json", action="store_true", help="print JSON instead of words")
    parser.set_defaults(run=run)
    return parser


def typed(text: str) -> str:
    """Return a text that names arguments as Python does with the options of the command line.

    Examples
    --------
    >>> typed("Ask again with horizon=12, goal='lighten'.")
    'Ask again with --horizon 12, --goal lighten.'
    """
    return ARGUMENT.sub(
        lambda found: f"--{found[1].replace('_', '-')} {found[2].strip(chr(39))}", text
    )


def answer(options: Options, data: Mapping[str, Any], text: str) -> None:
    """Print the answer: ``data`` as JSON when asked for, else ``text``.

    What `forecast.cli.log.read` had to say of the log is said with it, unless the text does.
    """
    of_log = [line for line in getattr(options, "of_log", ()) if line not in text]
    if options.json:
        said = {"log_notes": of_log} if of_log else {}
        print(json.dumps({**data, **said}, indent=2, allow_nan=False))
    else:
        print("\n".join([*of_log, *([""] if of_log else []), typed(text)]))


def progress(message: str) -> None:
    """Say on stderr what is being done, when somebody is watching a terminal."""
    if sys.stderr.isatty():
        sys.stderr.write(f"{message}\n")
        sys.stderr.flush()


def add_cluster(parser: argparse.ArgumentParser) -> None:
    """Add where the long work is done."""
    parser.add_argument(
        "--cluster",
        metavar="tcp://HOST:PORT",
        help="do the long work on the Dask cluster of this scheduler (this machine)",
    )


def anywhere(run: Callable[[Options], None]) -> Callable[[Options], None]:
    """Return ``run`` so that its long work is done where the options say."""

    def run_there(options: Options) -> None:
        if options.cluster is None:
            run(options)
            return
        from forecast._jobs import on_cluster

        with on_cluster(
            options.cluster, say=lambda text: print(f"forecast: {text}", file=sys.stderr)
        ):
            run(options)

    return run_there
