"""`forecast share` and `forecast pool`: several clinics learn from each other, no client leaves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast import sharing
from forecast.cli.files import Options, add_command, answer, check_json_output, write_text
from forecast.cli.log import add_log, read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.files import Commands


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
            f"{found['counts']['courses']} courses or a few more; no rows, dates or ids.\n"
            f"Left out, as fewer than five courses speak of them: {left_out}."
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
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def _read_json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        raise RequestError(f"{path.name} is not JSON.", "Give a file that share wrote.") from None
