"""What past sessions did: `compare`, `fading`, `reactions`, `reach`, `share` and `pool`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import reach, reactions, sharing
from forecast._files import read_json, sealed, unsealed
from forecast._notes import Sentence, in_language, sentence
from forecast.cli.files import (
    CLOSING,
    Options,
    answer,
    anywhere,
    check_folder,
    check_json_output,
    in_layers,
    progress,
    write_text,
)
from forecast.cli.log import read
from forecast.errors import RequestError

if TYPE_CHECKING:
    from forecast._plain import Result

TELLING = "target_trial.txt"
REPORT = ("report.md", "report.html")
PLANNED_TO = 15  # sessions, where no horizon is asked for
WRITTEN = (
    *(f"{name}.csv" for name in ("comparison", "curves", "weighted_rows", "weights", "balance")),
    *(f"{name}.csv" for name in ("overlap", "followers", "tipping")),
    TELLING,
)


@anywhere
def run_compare(options: Options) -> None:
    """Do what ``forecast compare`` is asked."""
    if options.out is not None:
        check_folder(options.out, WRITTEN, what="a comparison", by=TELLING, mark=b"Eligib")
    if options.report is not None:
        title = b"# Pulse regimes compared"
        check_folder(options.report, REPORT, what="a report", by=REPORT[0], mark=title)
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


def run_fading(options: Options) -> None:
    """Do what ``forecast fading`` is asked."""
    log = read(options)
    progress("Fitting fading curves")
    found = forecast.fit_fading(log, level=options.level)
    answer(options, found.to_dict(), in_layers(options, found.to_text()))


def run_reactions(options: Options) -> None:
    """Do what ``forecast reactions`` is asked."""
    report = reactions.fit_reactions(read(options), outcome=options.outcome, level=options.level)
    answer(options, report.to_dict(), in_layers(options, report.to_text()))


def run_reach(options: Options) -> None:
    """Do what ``forecast reach`` is asked."""
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
    results: list[Result] = [found, effect]
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
        results.insert(0, change)
    lines = [line for one in results for line in one.lines(options.language)]
    rests_on = [line for line in lines if line.startswith("- ")]
    said = [line for line in lines if line not in rests_on]
    whole = [*said, "", sentence("text.rests_on"), *rests_on, "", Sentence(CLOSING)]
    answer(options, data, "\n".join(in_language(line, options.language) for line in whole))


def _numbers(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.replace(";", ",").split(",") if part.strip())
    except ValueError:
        raise RequestError(
            f"The wavelengths are {text!r}.", "Give them in nm, for example 694,755."
        ) from None


def run_share(options: Options) -> None:
    """Do what ``forecast share`` is asked."""
    if options.answer is not None:
        check_json_output(options.out, sharing.ANSWER, what="an answer")
        question = _read_json(options.answer)
        log = read(options)
        found = sharing.answer_question(log, question)
        text = f"Answer written to {options.out}: sums over all courses, no rows."
    else:
        from forecast.counts import plainly

        check_json_output(options.out, sharing.KIND, what="a share")
        log = read(options)
        found = sharing.share_log(log, goal=options.goal)
        left_out = ", ".join(dict.fromkeys(map(plainly, found["left_out"]))) or "none"
        text = (
            f"Share written to {options.out}: {len(found['parameters'])} effects, learnt from "
            f"about {found['counts']['courses']} courses; no rows, dates or ids.\n"
            f"With the noise that hides single courses it tells as much as {found['worth']} "
            "would.\n"
            f"Left out, as too few courses have them: {left_out}."
        )
    write_text(options.out, _as_text(found))
    answer(options, {"written": str(options.out), "share": found}, text)


def run_pool(options: Options) -> None:
    """Do what ``forecast pool`` is asked."""
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
