"""`forecast reach`: which inks the clinic's lasers reach, and what another laser would change."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_command, answer
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.options import Commands

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "reach", reach, says="inks the lasers reach, and what another laser would change"
    )
    add_log(parser)
    parser.add_argument(
        "--wavelengths",
        metavar="NM",
        help="of a laser that is considered, in nm, several joined by commas",
    )
    parser.add_argument("--regime", choices=("ns", "ps"), default="ps", help="of that laser (ps)")
    parser.add_argument("--price", type=float, help="of that laser, in the clinic's money")
    parser.add_argument(
        "--worth-cleared", type=float, default=0.0, help="what one more cleared course is worth (0)"
    )
    parser.add_argument(
        "--cost-per-session", type=float, default=0.0, help="what a session costs the clinic (0)"
    )
    parser.add_argument("--on", metavar="DATE", help="the day of the question (the log's last)")
    parser.add_argument("--horizon", type=int, default=15, help="sessions counted to (15)")
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")
    parser.add_argument("--seed", type=int, default=0, help="of everything drawn at random (0)")


def reach(options: Options) -> None:
    """Print reach over the log, what it does to clearing, and what another laser would change."""
    from forecast.reach import log_reach, reach_effect

    for name in ("on", "price"):
        if getattr(options, name) is not None and not options.wavelengths:
            raise RequestError(
                f"--{name} asks about another laser, and none is given.",
                f"Name its wavelengths with --wavelengths, or leave --{name} out.",
            )
    log = read(options)
    found = log_reach(log, level=options.level)
    effect = reach_effect(log, level=options.level)
    data: dict[str, Any] = {**found.to_dict(), "effect": effect.to_dict()}
    texts = [found.to_text(), effect.to_text()]
    if options.wavelengths:
        from forecast.reach import what_would_change

        change = what_would_change(
            log,
            numbers(options.wavelengths),
            regime=options.regime,
            price=options.price,
            worth_cleared=options.worth_cleared,
            cost_per_session=options.cost_per_session,
            on=options.on,
            horizon=options.horizon,
            level=options.level,
            seed=options.seed,
        )
        data["change"] = change.to_dict()
        texts.append(change.to_text())
    answer(options, data, "\n\n".join(texts))


def numbers(text: str) -> tuple[float, ...]:
    """Return the wavelengths written with commas or semicolons, or raise RequestError."""
    try:
        return tuple(float(part) for part in text.replace(";", ",").split(",") if part.strip())
    except ValueError:
        raise RequestError(
            f"The wavelengths are {text!r}.", "Give them in nm, for example 694,755."
        ) from None
