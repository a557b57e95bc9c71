"""`forecast assess`: were the promises kept, on a later log or by the register of promises."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from forecast._checks import LEVEL
from forecast._files import is_json_with
from forecast.cli.files import write_text
from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_command, answer
from forecast.cli.outputs import check_output
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.options import Commands
    from forecast.forecaster import Forecaster

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "assess", assess, says="whether estimates have kept their promise since"
    )
    parser.add_argument("model", metavar="MODEL.json", type=Path)
    add_log(parser)
    parser.add_argument(
        "--level", type=float, default=LEVEL, help=f"of the interval judged ({LEVEL:g})"
    )
    parser.add_argument(
        "--register", type=Path, metavar="R.jsonl", help="judge the promises issued in this file"
    )
    parser.add_argument(
        "--card", type=Path, metavar="CARD.md", help="also write the model's card, and CARD.json"
    )


def assess(options: Options) -> None:
    """Print how a saved model's estimates turned out on courses it was not fitted to."""
    if options.card is not None:
        check_card(options.card)
    from forecast import load_forecaster
    from forecast.forecaster import assess_forecaster, assess_register

    forecaster = load_forecaster(options.model)
    log = read(options)
    if options.register is not None:
        found = assess_register(options.register, log, level=options.level)
    else:
        found = assess_forecaster(forecaster, log, level=options.level)
    if options.card is not None:
        write_card(forecaster, options.card)
    answer(options, found.to_dict(), found.to_text())


def check_card(path: Path) -> None:
    """Raise RequestError when the card or its JSON could not be written, or would destroy."""
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


def write_card(forecaster: Forecaster, path: Path) -> None:
    """Write the model card as Markdown, and beside it as JSON."""
    import json

    from forecast.forecaster import card_text, model_card

    write_text(path, card_text(forecaster) + "\n")
    write_text(path.with_suffix(".json"), json.dumps(model_card(forecaster), indent=2) + "\n")
