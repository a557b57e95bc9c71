"""Do picosecond pulses save sessions? A comparison that a reviewer would accept.

The log is read as a trial that was never run (Hernán & Robins 2016, Am J Epidemiol 183:758):
each eligible course is a copy in every strategy until it departs from it; inverse-probability
weights, from the fading so far, the ink, the date and the interval, let those who stay stand
for those who were changed or stopped. A g-formula gives the same quantity by another road, and what
a session removes under each regime, as the gradings say, by a third.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from forecast._arrays import BoolArray, shares
from forecast._checks import check_kind, check_level, check_seed, check_whole_number, nearest
from forecast._notes import Note, Severity, problem_and_remedy, sentence
from forecast.causal import life_sums, restricted_mean
from forecast.errors import ForecastError, RequestError
from forecast.fading import fading_rows, fit_worth
from forecast.log import OutcomeLog, check_log
from forecast.regimes.comparison import (
    RegimeComparison,
    notes_for,
    settling_notes,
    split_protocol,
    target_trial,
)
from forecast.regimes.diagnostics import diagnose, examine, no_rows
from forecast.regimes.split_trial import SplitTrial, analyse_split
from forecast.regimes.trial import Settings, Trial, read_strategies, trial_rows
from forecast.regimes.verdict import LEAST_CLIENTS, LEAST_FOLLOWERS, Contrast, NaiveReading
from forecast.regimes.weighted_curves import (
    CURVE_COLUMNS,
    Answers,
    Engine,
    answers,
    bootstrap,
    curve_table,
    weighted_rows,
)

MeanOf: TypeAlias = Callable[[BoolArray, int], tuple[float, float] | None]
LONGEST = 40
LONGEST_AUTO = 15
MOST_LEVELS = 12
DESK_REPLICATES = 100
WIDEST_MARGIN = 10.0
LEAST_IN_CLASS = 5  # courses, for a plain reading


def compare_regimes(
    log: OutcomeLog,
    *,
    strategies: Sequence[str] = ("ns", "ps"),
    horizon: int | Literal["auto"] = "auto",
    margin: float = 1.0,
    level: float = 0.95,
    replicates: int = 1000,
    seed: int = 0,
    by: str | None = None,
    looking_again: bool = False,
) -> RegimeComparison:
    """Return the comparison of strategies that the log supports.

    Parameters
    ----------
    log : OutcomeLog
        With sessions; gradings let the weights see the fading that a clinic acts on.
    strategies : sequence of str
        "ns", "ps", or "ns:4>ps" for ns in the first 4 sessions and then ps; "ns:4-ps" is the same.
    horizon : int or "auto"
        Sessions up to which the mean is counted, 2 to 40. With "auto" each pair has its own: the
        last session, up to 15, at which 10 courses are still at risk under both strategies.
        Nothing is extrapolated: where fewer than 5 courses are at risk at a horizon asked for, or
        fewer than 10 followed a strategy to it, the answer is "cannot say", with the horizon that
        could be answered. Followers of a strategy with a change are those still at risk when it
        came. Verdicts need the worth of 30 courses, of 20 clients, under each strategy, and a
        change for which most courses at risk had a chance of 2 in 100 or more.
    margin : float
        Sessions below which a difference does not matter, above 0 and up to 10.
    level : float
        Of the intervals shown. Verdicts always use 95 % and 90 %.
    replicates : int
        Resamples of clients, at least 10; 1,000 for an answer to act on.
    seed : int
        Of the resamples.
    by : str, optional
        A column of ``log.courses`` with 2 to 12 levels: the difference within each, and a test of
        whether they differ.
    looking_again : bool
        Intervals and verdicts that hold at every look together, for an analyst who compares a
        growing log again and again, each time with the same horizon, which must be given, and
        the same margin. They are about 1.6 times as wide; see `Contrast`.

    Returns
    -------
    RegimeComparison
        Keys are "later - earlier"; negative means that the left strategy needs fewer sessions.

    Raises
    ------
    DataError
        If the log has no sessions table or only one regime.
    RequestError
        If a strategy cannot be read or a number is out of range.

    Examples
    --------
    >>> compare_regimes(log, horizon=6, replicates=10).verdict
    {'ps - ns': 'cannot say'}
    """
    auto = horizon == "auto"
    if auto and looking_again:
        raise RequestError(*problem_and_remedy("refused.looking_again"))
    asked: Any = LONGEST_AUTO if auto else horizon
    longest = check_whole_number(asked, name="horizon", low=2, high=LONGEST)
    replicates = check_whole_number(replicates, name="replicates", low=10)
    level = check_level(level)
    check_seed(seed)
    check_log(log)
    number = isinstance(margin, int | float) and not isinstance(margin, bool)
    if not number or not 0 < margin <= WIDEST_MARGIN:
        values = {"given": repr(margin), "high": WIDEST_MARGIN}
        raise RequestError(*problem_and_remedy("refused.widest", values))
    plans = read_strategies(strategies, horizon=longest)
    settings = Settings(
        plans, longest, float(margin), level, replicates, seed, auto, bool(looking_again)
    )
    return _with_fading(_compared(log, settings, by), log, settings)


def regime_verdict(log: OutcomeLog, *, seed: int = 0) -> Note | None:
    """Return one line on always ps against always ns, for those who advise clients.

    A hundred resamples go by ``seed``. None where the log has no sessions, one regime only, or
    nothing that can be fitted.

    Examples
    --------
    >>> print(regime_verdict(log))
    Faster pulses: our own courses cannot say yet.
    """
    plans = read_strategies(("ns", "ps"), horizon=LONGEST_AUTO)
    settings = Settings(plans, LONGEST_AUTO, 1.0, 0.95, DESK_REPLICATES, seed, auto=True, second=25)
    try:
        return _compared(log, settings).desk_line
    except ForecastError:
        return None


def _compared(log: OutcomeLog, settings: Settings, by: str | None = None) -> RegimeComparison:
    split = analyse_split(log, settings)
    halves = frozenset() if split is None else split.course_ids
    trial = trial_rows(log, horizon=settings.horizon, set_apart=halves)
    levels = _levels(log, trial, by)
    if split is not None and (trial is None or trial.panel.n_subjects < len(halves)):
        return _from_split(log, settings, split)
    if trial is None:
        none = Note("regimes.none_eligible", "serious", {"least": LEAST_FOLLOWERS})
        said: dict[str, Any] = {"target_trial": target_trial(None, settings), "notes": (none,)}
        return _result(log, settings, Answers.missing(settings), split=split, **said)
    return _from_trial(log, trial, settings, split, by, levels)


# The level of each eligible course in a column, None where it is not recorded.
def _levels(log: OutcomeLog, trial: Trial | None, by: str | None) -> list[str | None]:
    if by is None:
        return []
    check_kind(by, str, name="by", give="the name of a column of the courses")
    columns = [str(name) for name in log.courses if not str(name).endswith("_id")]
    if by not in columns:
        values = {"by": by, "known": columns, "hint": nearest(by, columns)}
        raise RequestError(*problem_and_remedy("refused.no_by", values))
    courses = log.courses if trial is None else trial.courses
    cells = zip(courses[by], courses[by].isna(), strict=True)
    found = [None if missing else str(one) for one, missing in cells]
    levels = {one for one in found if one is not None}
    if not 2 <= len(levels) <= MOST_LEVELS:
        found_of = {"by": by, "n": len(levels), "most": MOST_LEVELS}
        raise RequestError(*problem_and_remedy("refused.by_levels", found_of))
    return [None if one is None else f"{by} {one}" for one in found]


def _from_trial(
    log: OutcomeLog,
    trial: Trial,
    settings: Settings,
    split: SplitTrial | None,
    by: str | None,
    levels: Sequence[str | None],
) -> RegimeComparison:
    engine = Engine(trial, settings.plans, horizon=settings.horizon, seed=settings.seed, by=levels)
    if settings.auto:
        # the last session that both strategies of a pair carry, and at least the first at which
        # both are what their names say
        reach = [engine.supported_to(place, auto=True) for place in range(len(settings.plans))]
        own = {
            key: max(min(reach[left], reach[right]), settings.shortest(left, right))
            for key, (left, right) in settings.pairs.items()
        }
        settings = replace(settings, own=own)
    diagnostics = diagnose(log, trial, engine, settings)
    point = engine.run()
    draws = bootstrap(engine, settings)
    names = settings.names
    support = [diagnostics.supported_to[name] for name in names]
    lacking = {
        key: diagnostics.lacking([names[place] for place in pair], settings.horizon_of(key))
        for key, pair in settings.pairs.items()
    }
    found = answers(engine, point, draws, support, lacking, settings)
    curves = curve_table(engine, point, draws, settings)
    return _result(
        log,
        settings,
        found,
        by=by,
        curves=curves,
        diagnostics=diagnostics,
        sensitivity=examine(trial, engine, point, draws, found, settings),
        target_trial=target_trial(trial, settings),
        split=split,
        notes=notes_for(log, trial, diagnostics, found, curves, settings, by),
        rows=weighted_rows(engine, settings),
    )


# The third route: what a session removes under each regime, turned into sessions.
def _with_fading(found: RegimeComparison, log: OutcomeLog, settings: Settings) -> RegimeComparison:
    if log.gradings.empty or all(one.estimate is None for one in found.difference.values()):
        return found
    try:
        rows = fading_rows(log)
        if len(rows.regimes) < 2:
            return found
        worth = fit_worth(rows)
    except ForecastError:
        return found
    by_fading, notes = {}, list(found.notes)
    for key, pair in settings.pairs.items():
        weighted = found.difference[key]
        if weighted.estimate is None or any(settings.plans[place].begins > 1 for place in pair):
            continue  # of a change its interval is too narrow, see benchmarks
        if weighted.without_width:
            continue  # nothing can agree with it, or not
        plans = [settings.plans[place].plan for place in pair]
        by_fading[key] = own = settings.contrast(*worth.saved(plans, found.horizons[key]))
        code = "disagrees" if weighted.disagrees(own) else "agrees"
        severity: Severity = "serious" if code == "disagrees" else "info"
        notes.append(
            Note(f"regimes.fading_{code}", severity, {"pair": key, "said": own.spoken("sessions")})
        )
    return replace(found, by_fading=by_fading, notes=tuple(notes))


# The comparison that a log of split tattoos gives: the paired one.
def _from_split(log: OutcomeLog, settings: Settings, split: SplitTrial) -> RegimeComparison:
    settings = replace(settings, own=dict.fromkeys(settings.pairs, split.horizon))
    paired = turned = split.difference
    if paired.estimate is not None and paired.error is not None:
        turned = settings.contrast(-paired.estimate, paired.error)
    both = {"ps - ns": paired, "ns - ps": turned}
    difference = {key: one for key, one in both.items() if key in settings.pairs}
    notes = [Note("regimes.split_answers", "info", {"pairs": split.n_pairs})]
    if split.n_clients < LEAST_CLIENTS:
        few = {"clients": split.n_clients, "least": LEAST_CLIENTS}
        notes.append(Note("regimes.split_few_clients", "serious", few))
    found = Answers.missing(settings, difference, dict.fromkeys(difference, split.reasons))
    trial = split_protocol(settings, split.n_pairs, split.horizon)
    noted = (*notes, *split.notes, *settling_notes(found.reasons))
    return _result(log, settings, found, split=split, target_trial=trial, notes=noted)


def _result(log: OutcomeLog, settings: Settings, found: Answers, **parts: Any) -> RegimeComparison:
    if "curves" not in parts:
        parts |= {
            "curves": pd.DataFrame(columns=list(CURVE_COLUMNS)),
            "diagnostics": no_rows(log, settings.plans, settings.horizon),
            "sensitivity": None,
            "by": None,
            "rows": pd.DataFrame(columns=["course", "client", "session", "regime", "cleared"]),
        }
    return RegimeComparison(
        **vars(found),
        strategies=settings.names,
        horizon=max(settings.horizon_of(key) for key in settings.pairs),
        horizons={key: settings.horizon_of(key) for key in settings.pairs},
        margin=settings.margin,
        level=settings.level,
        naive=_naive_readings(log, settings, found.unadjusted),
        **parts,
    )


def _naive_readings(
    log: OutcomeLog, settings: Settings, unadjusted: Mapping[str, Contrast]
) -> tuple[NaiveReading, ...]:
    # courses by what happened in the end: never ps, ever ps, or changed
    sessions = log.each_session.sort_values(["course_id", "session_no"])
    mixed = sessions.loc[sessions["regime"] == "mixed", "course_id"]
    sessions = sessions[~sessions["course_id"].isin(mixed)]
    is_ps = (sessions["regime"] == "ps").groupby(sessions["course_id"])
    seen = pd.DataFrame({"any": is_ps.any(), "all": is_ps.all(), "first": is_ps.first()})
    courses = log.courses.set_index("course_id")
    courses = courses[(courses["goal"] == "clear") & courses.index.isin(seen.index)]
    table = seen.reindex(courses.index)
    ever, always, first = (table[name].to_numpy(dtype=bool) for name in ("any", "all", "first"))
    classes = [
        ever & ~always & (first == bool(plan[0])) if len(plan) > 1 else ever == bool(plan[0])
        for plan in (strategy.plan for strategy in settings.plans)
    ]
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    cleared = (courses["outcome"] == "cleared").to_numpy(dtype=bool)

    def up_to(inside: BoolArray, horizon: int) -> tuple[float, float] | None:
        start, each = np.zeros(inside.sum(), dtype=np.int64), np.ones(inside.sum())
        at_risk, events = life_sums(given[inside], cleared[inside], start, each, horizon)
        watched = at_risk[-1] > 0 or (shares(events, at_risk) == 1).any()
        if len(each) < LEAST_IN_CLASS or not watched:
            return None
        mean, variance = restricted_mean(at_risk, events)
        return float(mean), float(variance) ** 0.5

    def of_finished(inside: BoolArray, _: int) -> tuple[float, float] | None:
        some = given[inside & cleared]
        if len(some) < LEAST_IN_CLASS:
            return None
        return float(some.mean()), float(some.std(ddof=1) / len(some) ** 0.5)

    def compared(mean_of: MeanOf) -> dict[str, Contrast]:
        found = {}
        for key, pair in settings.pairs.items():
            left, right = (mean_of(classes[at], settings.horizon_of(key)) for at in pair)
            found[key] = Contrast.missing(settings.level)
            if left is not None and right is not None:
                error = float(np.hypot(left[1], right[1]))
                found[key] = Contrast.normal(left[0] - right[0], error, settings.level)
        return found

    readings = {
        "ever": compared(up_to),
        "finished": compared(of_finished),
        "unadjusted": unadjusted,
    }
    return tuple(
        NaiveReading(sentence(f"naive.{name}"), found, sentence(f"naive.{name}_why"))
        for name, found in readings.items()
    )
