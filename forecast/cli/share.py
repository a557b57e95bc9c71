"""`forecast share` and `forecast pool`: several clinics learn from each other, no client leaves."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from forecast.cli.files import write_text
from forecast.cli.log import add_log, read
from forecast.cli.options import Options, add_command, answer
from forecast.cli.outputs import check_json_output
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast.cli.options import Commands

__all__ = ["register"]


def register(commands: Commands) -> None:
    """Add the commands of this module."""
    parser = add_command(
        commands, "share", share, says="what may be given away: effects and coarse counts, no rows"
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

    parser = add_command(
        commands, "pool", pool, says="one common model from the shares of several clinics"
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


def share(options: Options) -> None:
    """Write what a clinic may give away, or its answer to a question of a joint fit."""
    if options.answer is not None:
        from forecast.sharing import ANSWER, answer_question

        check_json_output(options.out, ANSWER, what="an answer")
        question = read_json(options.answer)
        log = read(options)
        found = answer_question(log, question)
        text = f"Answer written to {options.out}: sums over all courses, no rows."
    else:
        from forecast.sharing import KIND, share_log

        check_json_output(options.out, KIND, what="a share")
        log = read(options)
        found = share_log(log, goal=options.goal)
        left_out = ", ".join(found["left_out"]) or "none"
        text = (
            f"Share written to {options.out}: {len(found['parameters'])} effects, learnt from "
            f"{found['counts']['courses']} courses or a few more; no rows, dates or ids.\n"
            f"Left out, as fewer than five courses speak of them: {left_out}."
        )
    write_text(options.out, as_text(found))
    answer(options, {"written": str(options.out), "share": found}, text)


def pool(options: Options) -> None:
    """Pool shares, or take one step of an exact joint fit."""
    if options.rounds is not None:
        step(options)
        return
    from forecast.sharing import KIND, pool_shares

    check_json_output(options.out, KIND, what="what pool wrote")
    pooled = pool_shares([read_json(path) for path in options.shares])
    write_text(options.out, as_text(pooled.to_dict()))
    said = f"Saved to {options.out}: give it to fit with --evidence."
    data = {"written": str(options.out), "pooled": pooled.to_dict()}
    answer(options, data, f"{pooled.to_text()}\n{said}")


def step(options: Options) -> None:
    """Take the answers of one round and write the next question, or the common model."""
    from forecast.sharing import KIND, QUESTION, STATE, JointRounds

    check_json_output(options.out, QUESTION, KIND, what="what pool wrote")
    check_json_output(options.rounds, STATE, what="the rounds of a joint fit")
    rounds = JointRounds(options.goal)
    if options.rounds.exists():
        rounds = JointRounds.from_dict(read_json(options.rounds))
    if options.shares:
        rounds = rounds.with_answers([read_json(path) for path in options.shares])
    question, pooled = rounds.advance()
    write_text(options.rounds, as_text(rounds.to_dict()))
    done = pooled is not None
    found: dict[str, Any] = pooled.to_dict() if pooled is not None else question or {}
    write_text(options.out, as_text(found))
    if pooled is not None:
        text = f"{pooled.to_text()}\nDone after {len(rounds.answers)} rounds: {options.out}."
    else:
        text = (
            f"Round {len(rounds.answers) + 1}: send {options.out} to every clinic, which answers "
            f"with share --answer {options.out.name}."
        )
    data = {"written": str(options.out), "rounds": len(rounds.answers), "done": done}
    answer(options, data, text)


def as_text(data: dict[str, Any]) -> str:
    """Return plain values as the text of a file."""
    return json.dumps(data, indent=1, allow_nan=False) + "\n"


def read_json(path: Path) -> Any:
    """Return the plain values of a file, or raise RequestError."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        raise RequestError(f"{path.name} is not JSON.", "Give a file that share wrote.") from None
