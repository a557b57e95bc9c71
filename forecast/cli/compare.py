"""What past sessions did: `compare`, `fading`, `reactions`, `reach`, `share` and `pool`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import forecast
from forecast import reach, reactions, sharing
from forecast._checks import refusal
from forecast._files import read_json, sealed, unsealed
from forecast._notes import is_bullet, problem_and_remedy, sentence
from forecast.cli.files import (
    ANSWER,
    CLOSING,
    RESTS_ON,
    Options,
    answer,
    anywhere,
    check_folder,
    check_json_output,
    given,
    in_layers,
    progress,
    write_text,
)
from forecast.cli.log import read
from forecast.errors import ForecastError, RequestError
from forecast.regimes import check_planned

if TYPE_CHECKING:
    from forecast._plain import Result
    from forecast.log import OutcomeLog
    from forecast.regimes import RegimeComparison

TELLING = "target_trial.txt"
REPORT = ("report.md", "report.html")
TABLES = "comparison curves weighted_rows weights balance overlap followers tipping"
WRITTEN = (*(f"{name}.csv" for name in TABLES.split()), TELLING)


@anywhere
def run_compare(options: Options) -> None:
    """Do what ``forecast compare`` is asked."""
    if options.out is not None:
        check_folder(options.out, WRITTEN, what="a_comparison", by=TELLING, mark=b"Eligib")
    if options.report is not None:
        check_folder(options.report, REPORT, what="a_report", by=REPORT[0], mark=b"TARGET 2025")
    strategies = [name.strip() for name in options.strategies.split(",")]
    if options.plan is not None:
        check_planned(options.plan, options.horizon)
        if not {"ns", "ps"} <= {*strategies}:
            raise RequestError(*problem_and_remedy("refused.plan_pair", {"given": strategies}))
    log = read(options)
    progress(options.language, "comparing")
    comparison = forecast.compare_regimes(
        log,
        strategies=strategies,
        **given(options, "horizon", "margin", "level", "replicates", "seed", "by", "looking_again"),
    )
    written = [str(path) for path in comparison.write(options.out)] if options.out else []
    if options.report is not None:
        from forecast.figures import write_report

        paths = write_report(comparison, log, options.report, language=options.language)
        written += map(str, paths)
    data = {**comparison.to_dict(), "written": written}
    lines = in_layers(options, comparison)
    if options.plan is not None:
        found, said = _planned(options, log, comparison)
        data, lines = data | found, [*lines, "", *said]
    lines += ["", sentence("text.written"), *written] if written else []
    answer(options, data, lines)


# what the JSON has of a plan, and its lines; where it is refused the comparison stands
def _planned(
    options: Options, log: OutcomeLog, comparison: RegimeComparison
) -> tuple[dict[str, Any], list[str]]:
    progress(options.language, "planning")
    asked = {"difference": options.plan, "horizon": options.horizon, "seed": options.seed}
    asked |= given(options, "margin", "looking_again")
    try:
        plan = forecast.plan_comparison(log, **asked, present=comparison)
    except ForecastError as refused:
        return {"plan": None, "plan_refused": str(refused)}, [refusal(refused)]
    return {"plan": plan.to_dict()}, [*plan.lines(options.language)]


def run_fading(options: Options) -> None:
    """Do what ``forecast fading`` is asked."""
    log = read(options)
    progress(options.language, "fading")
    found = forecast.fit_fading(log, level=options.level)
    answer(options, found.to_dict(), in_layers(options, found))


def run_reactions(options: Options) -> None:
    """Do what ``forecast reactions`` is asked."""
    report = reactions.fit_reactions(read(options), outcome=options.outcome, level=options.level)
    answer(options, report.to_dict(), in_layers(options, report))


def run_reach(options: Options) -> None:
    """Do what ``forecast reach`` is asked."""
    for name in ("on", "price"):
        if getattr(options, name) is not None and not options.wavelengths:
            raise RequestError(*problem_and_remedy("refused.no_laser", {"name": name}))
    log = read(options)
    found = reach.log_reach(log, level=options.level)
    effect = reach.reach_effect(log, level=options.level)
    data: dict[str, Any] = {**found.to_dict(), "effect": effect.to_dict()}
    results: list[Result] = [found, effect]
    if options.wavelengths:
        asked = given(options, "regime", "price", "worth_cleared", "cost_per_session", "on")
        asked |= given(options, "horizon", "level", "seed")
        parts = options.wavelengths.replace(";", ",").split(",")
        try:
            emitted = [float(part) for part in parts if part.strip()]
        except ValueError:
            values = {"given": options.wavelengths}
            raise RequestError(*problem_and_remedy("refused.wavelengths", values)) from None
        change = reach.what_would_change(log, emitted, **asked)
        data["change"] = change.to_dict()
        results.insert(0, change)
    lines = [line for one in results for line in one.lines(options.language)]
    rests_on = list(dict.fromkeys(filter(is_bullet, lines)))
    said = [line for line in lines if line not in rests_on]
    if not options.details:
        cut = len(said) > ANSWER or len(rests_on) > RESTS_ON
        said, rests_on = said[:ANSWER], rests_on[:RESTS_ON] + [sentence("text.rest")] * cut
    answer(options, data, [*said, "", sentence("text.rests_on"), *rests_on, "", CLOSING])


def run_share(options: Options) -> None:
    """Do what ``forecast share`` is asked."""
    if options.answer is not None:
        check_json_output(options.out, sharing.ANSWER, what="an_answer")
        question = _read_json(options.answer)
        log = read(options)
        found = sharing.answer_question(log, question)
        lines = [sentence("sharing.answered", {"file": str(options.out)})]
    else:
        from forecast.counts import plainly

        check_json_output(options.out, sharing.KIND, what="a_share")
        log = read(options)
        found = sharing.share_log(log, goal=options.goal)
        left_out = list(dict.fromkeys(map(plainly, found["left_out"])))
        values = {"file": str(options.out), "effects": len(found["parameters"])}
        values |= {"courses": found["counts"]["courses"], "worth": found["worth"]}
        lines = [sentence("sharing.written", values), sentence("sharing.worth", values)]
        lines += [sentence("sharing.left_out", {"names": left_out})] * bool(left_out)
    write_text(options.out, _as_text(found))
    answer(options, {"written": str(options.out), "share": found}, lines)


def run_pool(options: Options) -> None:
    """Do what ``forecast pool`` is asked."""
    if options.rounds is not None:
        _step(options)
        return
    check_json_output(options.out, sharing.POOLED, what="a_pool")
    names = [path.name for path in options.shares]
    if len(set(names)) < len(names):
        names = [str(path) for path in options.shares]
    pooled = sharing.pool_shares([*map(_read_json, options.shares)], names=names)
    write_text(options.out, _as_text(pooled.to_dict()))
    lines = [*pooled.lines(options.language), sentence("sharing.saved", {"file": str(options.out)})]
    answer(options, {"written": str(options.out), "pooled": pooled.to_dict()}, lines)


def _step(options: Options) -> None:
    check_json_output(options.out, sharing.QUESTION, sharing.POOLED, what="a_pool")
    check_json_output(options.rounds, sharing.STATE, what="joint_rounds")
    rounds = sharing.JointRounds(options.goal)
    if options.rounds.exists():
        rounds = sharing.JointRounds.from_dict(_read_json(options.rounds))
    if options.shares:
        rounds = rounds.with_answers([_read_json(path) for path in options.shares])
    question, pooled = rounds.advance()
    write_text(options.rounds, _as_text(rounds.to_dict()))
    n, done = len(rounds.answers), pooled is not None
    found: dict[str, Any] = pooled.to_dict() if pooled is not None else question or {}
    write_text(options.out, _as_text(found))
    values = {"file": str(options.out), "name": options.out.name, "rounds": n, "next": n + 1}
    lines = [] if pooled is None else pooled.lines(options.language)
    lines.append(sentence("sharing.done" if done else "sharing.round", values))
    answer(options, {"written": str(options.out), "rounds": n, "done": done}, lines)


def _as_text(data: dict[str, Any]) -> str:
    return json.dumps(sealed(data), indent=1, allow_nan=False) + "\n"


def _read_json(path: Path) -> Any:
    stored = read_json(path)
    if stored is None:
        raise RequestError(*problem_and_remedy("refused.no_share", {"file": path.name}))
    if not isinstance(stored, dict):
        return stored
    return unsealed(stored, named=path.name, remedy=sentence("refused.changed_do"))
