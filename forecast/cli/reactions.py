"""`forecast reactions`: how often, after which regime, in whose hands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_command, answer

if TYPE_CHECKING:
    from forecast.cli.options import Commands

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "reactions", reactions, says="adverse reactions by regime and operator"
    )
    add_log(parser)
    parser.add_argument(
        "--outcome", default="any", help="any, lasting, transient, or one kind of reaction (any)"
    )
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")


def reactions(options: Options) -> None:
    """Print the rates, the regime's odds ratio and the operators' funnel."""
    from forecast.reactions import fit_reactions

    report = fit_reactions(read(options), outcome=options.outcome, level=options.level)
    answer(options, report.to_dict(), report.to_text())
