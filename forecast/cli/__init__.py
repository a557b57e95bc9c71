"""The command line: thin functions over the public face; the only room that prints."""

from __future__ import annotations

import argparse
import errno
import gc
import os
import sys
from collections.abc import Sequence
from functools import cache, partial
from importlib import import_module
from pathlib import Path
from typing import Any

import forecast
from forecast import _checks
from forecast._notes import Note, in_language, languages, problem_and_remedy, texts_of, why
from forecast._shipped import shipped
from forecast.errors import ForecastError, RequestError

__all__ = ["main"]

DONE, AT_FAULT, INTERRUPTED = 0, 1, 130
UNMEASURED = partial(argparse.HelpFormatter, width=80)  # while options are added


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 the data or the request is at fault.

    A command that cannot be understood leaves with code 2 and its usage, as argparse does.

    Examples
    --------
    >>> main(["estimate", "not-there.json", "enquiries.csv"])
    1
    """
    # before numpy is loaded: its threads only wait for each other over matrices as small as ours
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    gc.set_threshold(200_000)  # nearly all that a short command makes stays until it ends
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # a console that lacks a character shows a substitute instead of failing
            stream.reconfigure(errors="replace")
    given = sys.argv[1:] if arguments is None else list(arguments)
    # known before the rest is read: the help, and what is wrong with the rest, are in it too
    first = argparse.ArgumentParser(add_help=False)
    first.add_argument("--language", nargs="?")
    wanted = first.parse_known_args(given)[0].language
    language = wanted if wanted in languages() else "en"
    options = build_parser(*given[:1], language=language).parse_args(given)
    options.language = wanted or options.language  # it may stand before the command too
    try:
        if wanted and wanted != language:
            values = {"language": wanted, "known": languages(), "hint": ""}
            raise RequestError(*problem_and_remedy("refused.no_language", values))
        options.run(options)
        sys.stdout.flush()
    except ForecastError as error:
        parts = (error.problem, error.remedy)
        return _at_fault(" ".join(in_language(part, language, typed=True) for part in parts))
    except BrokenPipeError:
        # the reader of a pipe has left; let the interpreter's last flush go nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except OSError as error:
        named = f"{error.filename}: " if error.filename else ""
        full = error.errno in (errno.ENOSPC, errno.EFBIG)
        remedy = Note("refused.disk_full" if full else "refused.check_path").say(language)
        return _at_fault(f"{named}{in_language(why(error), language)}. {remedy}")
    except KeyboardInterrupt:
        sys.stderr.write(f"\nforecast: {Note('refused.interrupted').say(language)}\n")
        return INTERRUPTED
    return DONE


def _at_fault(message: str) -> int:
    sys.stderr.write(f"forecast: {message}\n")
    return AT_FAULT


def build_parser(only: str = "", *, language: str = "en") -> argparse.ArgumentParser:
    """Return the parser of one command, or of all of them where there is none of that name."""
    says, usual = texts_of(language)["help"], _options()["usual"]
    described, words = _options()["commands"], texts_of(language).get("command_line", {})
    words = words | {"LANGUAGES": "|".join(sorted(languages(), key="en".__ne__))}
    vars(argparse)["_"] = lambda text: words.get(text, text)  # through which it says all it says
    parser = argparse.ArgumentParser(
        prog="forecast",
        usage=says["usage"],
        description=says["about"],
        epilog=says["closing"],
        formatter_class=UNMEASURED,
    )
    version = f"forecast {forecast.__version__}"
    parser.add_argument("--version", action="version", version=version, help=says["version"])
    parser.add_argument("--language", metavar=words["LANGUAGES"], help=says["usual"]["--language"])
    listed = {"title": says["commands"], "metavar": words.get("COMMAND", "COMMAND")}
    commands = parser.add_subparsers(prog="forecast", required=True, **listed)
    for name in [only] if only in described else described:  # the others would only take time
        own, told_of = described[name], says["usual"] | says[name]
        said = {"help": told_of["says"], "description": told_of["says"]}
        command = commands.add_parser(name, **said, formatter_class=UNMEASURED)
        one_of = command.add_mutually_exclusive_group() if "one_of" in own else command
        for option in (*own["takes"], "--json", "--details"):
            told = usual.get(option, {}) | own.get("own", {}).get(option, {})
            if "metavar" in told:
                told["metavar"] = words.get(told["metavar"], told["metavar"])
            if "default" in told:
                told["default"] = vars(_checks).get(told["default"], told["default"])
            kind = {"type": TYPES[told["type"]]} if "type" in told else {}
            place = one_of if option in own.get("one_of", ()) else command
            place.add_argument(*option.split("/"), **told | kind, help=told_of[option])
        command.set_defaults(run=partial(_run, own["home"], name))
        command.formatter_class = argparse.HelpFormatter
    parser.formatter_class = argparse.HelpFormatter
    return parser


@cache
def _options() -> dict[str, Any]:
    return dict(shipped(Path(__file__).with_name("options.toml")))


def _run(home: str, name: str, options: argparse.Namespace) -> None:
    getattr(import_module(f"forecast.cli.{home}"), f"run_{name}")(options)


def _sessions(text: str) -> int | str:
    return text if text == "auto" else int(text)


TYPES = {"path": Path, "int": int, "float": float, "sessions": _sessions}
