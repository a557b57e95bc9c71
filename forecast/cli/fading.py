"""`forecast fading`: what share of the remaining ink a session removes, and for whom."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_command, answer, progress

if TYPE_CHECKING:
    from forecast.cli.options import Commands

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "fading", fading, says="fading per session by regime and ink, graders, stalls"
    )
    add_log(parser)
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")


def fading(options: Options) -> None:
    """Print the shares, their differences, and what intervals, graders and stalls say."""
    from forecast import fit_fading

    log = read(options)
    progress("Fitting fading curves")
    found = fit_fading(log, level=options.level)
    answer(options, found.to_dict(), found.to_text())
