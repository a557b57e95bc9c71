"""`forecast compare`: pulse regimes as a trial that was never run would have compared them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_cluster, add_command, answer, anywhere, progress
from forecast.cli.outputs import check_folder

if TYPE_CHECKING:
    from forecast.cli.options import Commands
    from forecast.regimes import ComparisonPlan, Contrast, RegimeComparison

__all__ = ["compared_text", "register"]

TELLING = "target_trial.txt"
WRITTEN = (
    *(f"{name}.csv" for name in ("comparison", "curves", "weighted_rows", "weights", "balance")),
    *(f"{name}.csv" for name in ("overlap", "followers", "tipping")),
    TELLING,
)


def register(commands: Commands) -> None:
    """Add the command of this module."""
    parser = add_command(
        commands, "compare", anywhere(compare), says="what a pulse regime saves, compared fairly"
    )
    add_log(parser)
    parser.add_argument(
        "--strategies",
        default="ns,ps",
        metavar="A,B",
        help='"ns", "ps", or "ns:4>ps" for ns in the first 4 sessions and then ps (ns,ps)',
    )
    parser.add_argument("--horizon", type=int, default=15, help="sessions compared over (15)")
    parser.add_argument(
        "--margin", type=float, default=1.0, help="sessions below which it does not matter (1)"
    )
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")
    parser.add_argument("--replicates", type=int, default=1000, help="resamples (1000)")
    parser.add_argument("--seed", type=int, default=0, help="of the resamples (0)")
    parser.add_argument(
        "--plan",
        type=float,
        metavar="SESSIONS",
        help="also how many more courses would settle a difference of this size",
    )
    parser.add_argument(
        "--out", type=Path, metavar="FOLDER", help="also write tables to redo the comparison from"
    )
    add_cluster(parser)


def compare(options: Options) -> None:
    """Print the comparison, and write its tables when asked to."""
    from forecast import compare_regimes, plan_comparison

    if options.out is not None:
        check_folder(options.out, WRITTEN, what="a comparison", by=TELLING, mark=is_trial)
    log = read(options)
    progress("Comparing (resamples take a while)")
    comparison = compare_regimes(
        log,
        strategies=[name.strip() for name in options.strategies.split(",")],
        horizon=options.horizon,
        margin=options.margin,
        level=options.level,
        replicates=options.replicates,
        seed=options.seed,
    )
    written = [str(path) for path in comparison.write(options.out)] if options.out else []
    data = {**comparison.to_dict(), "written": written}
    lines = [compared_text(comparison)]
    if options.plan is not None:
        progress("Planning (simulated studies)")
        plan = plan_comparison(
            log, difference=options.plan, horizon=options.horizon, seed=options.seed
        )
        data["plan"] = plan.to_dict()
        lines += ["", plan_text(plan)]
    lines += ["", "Written:", *written] if written else []
    answer(options, data, "\n".join(lines))


def is_trial(content: bytes) -> bool:
    """Return whether a file describes the trial that a comparison stands in for."""
    return b"Eligib" in content


def plan_text(plan: ComparisonPlan) -> str:
    """Return how many more courses would settle the difference, in words."""
    lines = [f"To settle a difference of {plan.difference:g} session(s) up to {plan.horizon}:"]
    for chance, more in plan.more.items():
        lines.append(
            f"  with a chance of {10 * chance:g} in 10: {plan.courses[chance]} courses in all, "
            + (f"{more} more than now, {years_text(plan.years[chance])}." if more else "reached.")
        )
    return "\n".join([*lines, *(f"- {note}" for note in plan.notes)])


def years_text(years: float) -> str:
    """Return when that many courses will have come, in words."""
    if not math.isfinite(years):
        return "and none has come in the last two years"
    return f"about {years:.1f} years at the rate of the last two"


def compared_text(comparison: RegimeComparison) -> str:
    """Return the answer in words, the trial it stands in for, plain readings, and the doubts."""
    lines = [*comparison.words.values(), "", "The trial that this stands in for:"]
    lines += [f"  {item}: {text}" for item, text in comparison.target_trial]
    if comparison.naive:
        lines += ["", "What plain readings of the same log say, and why they differ:"]
    for reading in comparison.naive:
        said = "; ".join(f"{key} {shown(one)}" for key, one in reading.difference.items())
        lines.append(f"  {reading.name}: {said}. {reading.why}")
    if comparison.sensitivity is not None and comparison.sensitivity.tipping_point:
        lines += ["", "How wrong the assumptions may be:"]
        lines += [f"  {sentence}" for sentence in comparison.sensitivity.words]
    return "\n".join([*lines, "", *(f"- {note}" for note in comparison.notes)])


def shown(contrast: Contrast) -> str:
    """Return a difference in sessions with its interval, in words."""
    low, high = contrast.interval
    if contrast.estimate is None or low is None or high is None:
        return "cannot say"
    return f"{contrast.estimate:+.1f} sessions ({low:+.1f} to {high:+.1f})"
