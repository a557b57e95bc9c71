"""What past sessions did: `compare`, `fading`, `reactions`, `reach`, `share` and `pool`."""

from __future__ import annotations

import json
import math
from argparse import ArgumentTypeError
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import reach, reactions, sharing
from forecast._checks import counted
from forecast._files import read_json, sealed, unsealed
from forecast.cli.files import (
    CLOSING,
    Options,
    add_cluster,
    add_command,
    answer,
    anywhere,
    check_folder,
    check_json_output,
    in_layers,
    progress,
    write_text,
)
from forecast.cli.log import add_log, read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.files import Commands
    from forecast.regimes import ComparisonPlan, RegimeComparison

TELLING = "target_trial.txt"
REPORT = ("report.md", "report.html")
PLANNED_TO = 15  # sessions, where no horizon is asked for
WRITTEN = (
    *(f"{name}.csv" for name in ("comparison", "curves", "weighted_rows", "weights", "balance")),
    *(f"{name}.csv" for name in ("overlap", "followers", "tipping")),
    TELLING,
)


def add_compare(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "compare", anywhere(_compare), says="what a pulse regime saves, compared fairly"
    )
    add_log(parser)
    parser.add_argument(
        "--strategies",
        default="ns,ps",
        metavar="A,B",
        help='"ns", "ps", or "ns:4-ps" for ns in the first 4 sessions and then ps (ns,ps)',
    )
    parser.add_argument(
        "--horizon",
        type=_horizon,
        default="auto",
        metavar="N",
        help="sessions compared over (auto: as far as the log carries each pair, up to 15)",
    )
    parser.add_argument("--by", metavar="COLUMN", help="also within the levels of this column")
    parser.add_argument(
        "--looking-again",
        action="store_true",
        help="intervals that hold at every look at a growing log; needs the same --horizon at each",
    )
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
    parser.add_argument(
        "--report", type=Path, metavar="FOLDER", help="also write it up as a paper would"
    )
    add_cluster(parser)


def _compare(options: Options) -> None:
    if options.out is not None:
        check_folder(options.out, WRITTEN, what="a comparison", by=TELLING, mark=_is_trial)
    if options.report is not None:
        check_folder(options.report, REPORT, what="a report", by=REPORT[0], mark=_is_report)
    log = read(options)
    progress("Comparing (resamples take a while)")
    comparison = forecast.compare_regimes(
        log,
        strategies=[name.strip() for name in options.strategies.split(",")],
        horizon=options.horizon,
        margin=options.margin,
        level=options.level,
        replicates=options.replicates,
        seed=options.seed,
        by=options.by,
        looking_again=options.looking_again,
    )
    written = [str(path) for path in comparison.write(options.out)] if options.out else []
    if options.report is not None:
        from forecast.figures import write_report

        written += map(str, write_report(comparison, log, options.report))
    data = {**comparison.to_dict(), "written": written}
    lines = [in_layers(options, compared_text(comparison))]
    if options.plan is not None:
        progress("Planning (simulated studies)")
        horizon = PLANNED_TO if options.horizon == "auto" else options.horizon
        plan = forecast.plan_comparison(
            log, difference=options.plan, horizon=horizon, seed=options.seed, present=comparison
        )
        data["plan"] = plan.to_dict()
        lines += ["", _plan_text(plan)]
    lines += ["", "Written:", *written] if written else []
    answer(options, data, "\n".join(lines))


def _horizon(text: str) -> int | str:
    if text != "auto" and not text.isdecimal():
        raise ArgumentTypeError(f"{text!r} is neither a number of sessions nor auto")
    return text if text == "auto" else int(text)


def _is_trial(content: bytes) -> bool:
    return b"Eligib" in content


def _is_report(content: bytes) -> bool:
    return content.startswith(b"# Pulse regimes compared")


def _plan_text(plan: ComparisonPlan) -> str:
    lines = [f"To find a difference of {counted(plan.difference, 'session')} by {plan.horizon}:"]
    for chance, more in plan.more.items():
        lines.append(
            f"  with a chance of {10 * chance:g} in 10: {plan.courses[chance]} courses in all, "
            + (f"{more} more than now, {_years_text(plan.years[chance])}." if more else "reached.")
        )
    return "\n".join([*lines, *(f"- {note}" for note in plan.notes)])


def _years_text(years: float) -> str:
    if not math.isfinite(years):
        return "and none has come in the last two years"
    return f"about {years:.1f} years at the rate of the last two"


def compared_text(comparison: RegimeComparison) -> str:
    """Return the answer in words, the trial it stands in for, plain readings, and the doubts."""
    lines = [*map(str, comparison.words.values()), "", "The trial that this stands in for:"]
    lines += [f"  {item}: {text}" for item, text in comparison.target_trial]
    if comparison.by_group:
        lines += ["", f"Within the levels of {comparison.by}:"]
    for group, table in comparison.by_group.items():
        said = "; ".join(f"{key} {one.spoken('sessions')}" for key, one in table.items())
        lines.append(f"  {group}: {said}.")
    if comparison.naive:
        lines += ["", "What plain readings of the same log say, and why they differ:"]
    for reading in comparison.naive:
        said = "; ".join(
            f"{key} {one.spoken('sessions')}" for key, one in reading.difference.items()
        )
        lines.append(f"  {reading.name}: {said}. {reading.why}")
    if comparison.sensitivity is not None and comparison.sensitivity.tipping_point:
        lines += ["", "How wrong the assumptions may be:"]
        lines += [f"  {sentence}" for sentence in comparison.sensitivity.words]
    return "\n".join([*lines, "", *(f"- {note}" for note in comparison.notes)])


def add_fading(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "fading", _fading, says="fading per session by regime and ink, graders, stalls"
    )
    add_log(parser)
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")


def _fading(options: Options) -> None:
    log = read(options)
    progress("Fitting fading curves")
    found = forecast.fit_fading(log, level=options.level)
    answer(options, found.to_dict(), in_layers(options, found.to_text()))


def add_reactions(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "reactions", _reactions, says="adverse reactions by regime and operator"
    )
    add_log(parser)
    parser.add_argument(
        "--outcome", default="any", help="any, lasting, transient, or one kind of reaction (any)"
    )
    parser.add_argument("--level", type=float, default=0.95, help="what intervals cover (0.95)")


def _reactions(options: Options) -> None:
    report = reactions.fit_reactions(read(options), outcome=options.outcome, level=options.level)
    answer(options, report.to_dict(), in_layers(options, report.to_text()))


def add_reach(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "reach", _reach, says="inks the lasers reach, and what another laser would change"
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


def _reach(options: Options) -> None:
    for name in ("on", "price"):
        if getattr(options, name) is not None and not options.wavelengths:
            raise RequestError(
                f"--{name} asks about another laser, and none is given.",
                f"Name its wavelengths with --wavelengths, or leave --{name} out.",
            )
    log = read(options)
    found = reach.log_reach(log, level=options.level)
    effect = reach.reach_effect(log, level=options.level)
    data: dict[str, Any] = {**found.to_dict(), "effect": effect.to_dict()}
    texts = [found.to_text(), effect.to_text()]
    if options.wavelengths:
        change = reach.what_would_change(
            log,
            _numbers(options.wavelengths),
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
    answer(options, data, "\n\n".join([*texts, CLOSING]))


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.replace(";", ",").split(",") if part.strip())
    except ValueError:
        raise RequestError(
            f"The wavelengths are {text!r}.", "Give them in nm, for example 694,755."
        ) from None


def add_share(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "share", _share, says="what may be given away: effects and coarse counts, no rows"
    )
    add_log(parser)
    parser.add_argument("-o", "--out", type=Path, required=True, metavar="SHARE.json")
    parser.add_argument("--goal", choices=("clear", "lighten"), default="clear")
    parser.add_argument(
        "--answer",
        type=Path,
        metavar="QUESTION.json",
        help="answer a question of an exact joint fit instead",
    )


def add_pool(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "pool", _pool, says="one common model from the shares of several clinics"
    )
    parser.add_argument("shares", metavar="SHARE.json", type=Path, nargs="*")
    parser.add_argument("-o", "--out", type=Path, required=True, metavar="POOLED.json")
    parser.add_argument("--goal", choices=("clear", "lighten"), default="clear")
    parser.add_argument(
        "--rounds",
        type=Path,
        metavar="ROUNDS.json",
        help="take a step of an exact joint fit, kept in this file: the files given are the "
        "clinics' answers to the last question, and the next one, or the model, is written",
    )


def _share(options: Options) -> None:
    if options.answer is not None:
        check_json_output(options.out, sharing.ANSWER, what="an answer")
        question = _read_json(options.answer)
        log = read(options)
        found = sharing.answer_question(log, question)
        text = f"Answer written to {options.out}: sums over all courses, no rows."
    else:
        check_json_output(options.out, sharing.KIND, what="a share")
        log = read(options)
        found = sharing.share_log(log, goal=options.goal)
        left_out = ", ".join(found["left_out"]) or "none"
        text = (
            f"Share written to {options.out}: {len(found['parameters'])} effects, learnt from "
            f"about {found['counts']['courses']} courses; no rows, dates or ids.\n"
            f"With the noise that hides single courses it tells as much as {found['worth']} "
            "would.\n"
            f"Left out, as too few courses speak of them: {left_out}."
        )
    write_text(options.out, _as_text(found))
    answer(options, {"written": str(options.out), "share": found}, text)


def _pool(options: Options) -> None:
    if options.rounds is not None:
        _step(options)
        return
    check_json_output(options.out, sharing.POOLED, what="what pool wrote")
    pooled = sharing.pool_shares([_read_json(path) for path in options.shares])
    write_text(options.out, _as_text(pooled.to_dict()))
    said = f"Saved to {options.out}: give it to fit with --evidence."
    data = {"written": str(options.out), "pooled": pooled.to_dict()}
    answer(options, data, f"{pooled.to_text()}\n{said}")


def _step(options: Options) -> None:
    check_json_output(options.out, sharing.QUESTION, sharing.POOLED, what="what pool wrote")
    check_json_output(options.rounds, sharing.STATE, what="the rounds of a joint fit")
    rounds = sharing.JointRounds(options.goal)
    if options.rounds.exists():
        rounds = sharing.JointRounds.from_dict(_read_json(options.rounds))
    if options.shares:
        rounds = rounds.with_answers([_read_json(path) for path in options.shares])
    question, pooled = rounds.advance()
    write_text(options.rounds, _as_text(rounds.to_dict()))
    done = pooled is not None
    found: dict[str, Any] = pooled.to_dict() if pooled is not None else question or {}
    write_text(options.out, _as_text(found))
    if pooled is not None:
        text = f"{pooled.to_text()}\nDone after {len(rounds.answers)} rounds: {options.out}."
    else:
        text = (
            f"Round {len(rounds.answers) + 1}: send {options.out} to every clinic, which answers "
            f"with share --answer {options.out.name}."
        )
    data = {"written": str(options.out), "rounds": len(rounds.answers), "done": done}
    answer(options, data, text)


def _as_text(data: dict[str, Any]) -> str:
    return json.dumps(sealed(data), indent=1, allow_nan=False) + "\n"


def _read_json(path: Path) -> Any:
    stored = read_json(path)
    if stored is None:
        raise RequestError(f"{path.name} is not JSON.", "Give a file that share wrote.")
    if not isinstance(stored, dict):
        return stored
    return unsealed(stored, named=path.name, remedy="Have it sent or written again.")
