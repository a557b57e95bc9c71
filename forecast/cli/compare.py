"""What past sessions did: `compare`, `fading`, `reactions`, `reach`, `share` and `pool`."""

from __future__ import annotations

import json
from argparse import ArgumentTypeError
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import reach, reactions, sharing
from forecast._files import read_json, sealed, unsealed
from forecast.cli.files import (
    CLOSING,
    Options,
    add_cluster,
    add_command,
    add_out,
    add_usual,
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
        commands, "compare", anywhere(_compare), says="What a pulse regime saves, compared fairly."
    )
    add_log(parser)
    parser.add_argument(
        "--strategies",
        default="ns,ps",
        metavar="A,B",
        help="Compare these (ns,ps); ns:4-ps is ns in the first 4 sessions and then ps.",
    )
    parser.add_argument(
        "--horizon",
        type=_horizon,
        default="auto",
        metavar="N",
        help="Compare up to this session; auto is as far as the log carries each pair, up to 15.",
    )
    parser.add_argument("--by", metavar="COLUMN", help="Compare also by the levels of this.")
    parser.add_argument(
        "--looking-again",
        action="store_true",
        help="Make intervals hold at every look at a growing log; name the same --horizon each.",
    )
    parser.add_argument(
        "--margin",
        type=float,
        default=1.0,
        metavar="SESSIONS",
        help="The smallest difference that matters, in sessions (1).",
    )
    add_usual(parser, "--level")
    parser.set_defaults(level=0.95)
    parser.add_argument(
        "--replicates", type=int, default=1000, metavar="N", help="Draw so many resamples (1000)."
    )
    add_usual(parser, "--seed")
    parser.add_argument(
        "--plan",
        type=float,
        metavar="SESSIONS",
        help="Say also how many more courses would settle a difference of this size.",
    )
    parser.add_argument(
        "--out",
        type=Path,
        metavar="FOLDER",
        help="Write also tables to redo it from.",
    )
    parser.add_argument(
        "--report", type=Path, metavar="FOLDER", help="Write it up, item by item, as a paper would."
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
    lines = [in_layers(options, comparison.to_text())]
    if options.plan is not None:
        progress("Planning (simulated studies)")
        horizon = PLANNED_TO if options.horizon == "auto" else options.horizon
        plan = forecast.plan_comparison(
            log, difference=options.plan, horizon=horizon, seed=options.seed, present=comparison
        )
        data["plan"] = plan.to_dict()
        lines += ["", plan.to_text()]
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


def add_fading(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "fading", _fading, says="Fading per session by regime and ink, graders, stalls."
    )
    add_log(parser)
    add_usual(parser, "--level")
    parser.set_defaults(level=0.95)


def _fading(options: Options) -> None:
    log = read(options)
    progress("Fitting fading curves")
    found = forecast.fit_fading(log, level=options.level)
    answer(options, found.to_dict(), in_layers(options, found.to_text()))


def add_reactions(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "reactions", _reactions, says="Adverse reactions by regime and operator."
    )
    add_log(parser)
    parser.add_argument(
        "--outcome",
        default="any",
        metavar="KIND",
        help="Count these: any, lasting, transient, or one kind of reaction (any).",
    )
    add_usual(parser, "--level")
    parser.set_defaults(level=0.95)


def _reactions(options: Options) -> None:
    report = reactions.fit_reactions(read(options), outcome=options.outcome, level=options.level)
    answer(options, report.to_dict(), in_layers(options, report.to_text()))


def add_reach(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands,
        "reach",
        _reach,
        says="Inks the lasers reach, and what another would change.",
    )
    add_log(parser)
    parser.add_argument(
        "--wavelengths",
        metavar="NM",
        help="Ask what one more laser of these wavelengths would bring; in nm, joined by commas.",
    )
    parser.add_argument(
        "--regime", choices=("ns", "ps"), default="ps", help="The pulses of that laser (ps)."
    )
    parser.add_argument("--price", type=float, metavar="MONEY", help="What that laser costs.")
    parser.add_argument(
        "--worth-cleared",
        type=float,
        default=0.0,
        metavar="MONEY",
        help="What one more cleared course is worth (0).",
    )
    parser.add_argument(
        "--cost-per-session",
        type=float,
        default=0.0,
        metavar="MONEY",
        help="What a session costs the clinic (0).",
    )
    parser.add_argument("--on", metavar="DATE", help="When it comes (the log's last day).")
    parser.add_argument(
        "--horizon", type=int, default=15, metavar="N", help="Count up to this session (15)."
    )
    add_usual(parser, "--level")
    parser.set_defaults(level=0.95)
    add_usual(parser, "--seed")


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
        texts.insert(0, change.to_text())
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
        commands,
        "share",
        _share,
        says="What may be given away: effects and counts, no rows.",
    )
    add_log(parser)
    add_out(parser, "SHARE.json")
    add_usual(parser, "--goal")
    parser.add_argument(
        "--answer",
        type=Path,
        metavar="QUESTION.json",
        help="Answer a question of an exact joint fit instead.",
    )


def add_pool(commands: Commands) -> None:
    """Add the command to the parser."""
    parser = add_command(
        commands, "pool", _pool, says="One common model from the shares of several clinics."
    )
    parser.add_argument(
        "shares", metavar="SHARE.json", type=Path, nargs="*", help="What each clinic's share wrote."
    )
    add_out(parser, "POOLED.json")
    add_usual(parser, "--goal")
    parser.add_argument(
        "--rounds",
        type=Path,
        metavar="ROUNDS.json",
        help="Take a step of an exact joint fit, kept in this file. The files given are the "
        "clinics' answers to the last question; the next one, or the model, is written.",
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
            f"{found['counts']['courses']} courses or a few more; no rows, dates or ids.\n"
            f"Left out, as fewer than five courses have them: {left_out}."
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
