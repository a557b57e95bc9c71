"""Whether picosecond pulses save sessions.

The log is read as a trial that was never run (Hernán & Robins 2016, Am J Epidemiol 183:758):
each eligible course is a copy in every strategy until it departs from it; inverse-probability
weights, from the fading so far, the ink, the date and the interval, let those who stay stand
for those who were changed or stopped. A g-formula gives the same quantity by another road, and what
a session removes under each regime, as the gradings say, by a third.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Literal

import pandas as pd

from forecast._checks import (
    COMPARED_TO,
    check_kind,
    check_level,
    check_seed,
    check_whole_number,
    nearest,
)
from forecast._notes import Note, problem_and_remedy
from forecast.counts import eligible
from forecast.errors import ForecastError, RequestError
from forecast.fading import fading_rows, fit_worth
from forecast.log import OutcomeLog, check_log
from forecast.regimes.comparison import (
    RegimeComparison,
    left_out_note,
    notes_for,
    open_notes,
    protocol,
    settling_notes,
    target_trial,
)
from forecast.regimes.diagnostics import diagnose, examine, naive_readings, no_rows
from forecast.regimes.trial import CURVE_COLUMNS, SplitTrial, Trial, analyse_split, trial_rows
from forecast.regimes.verdict import LEAST_CLIENTS, LEAST_FOLLOWERS, Settings, read_strategies
from forecast.regimes.weighted_curves import (
    Answers,
    Engine,
    Followers,
    answers,
    bootstrap,
    curve_table,
    weighted_rows,
)

LONGEST = 40
MOST_LEVELS = 12
DESK_REPLICATES = 100
WIDEST_MARGIN = 10.0


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
    asked: Any = COMPARED_TO if auto else horizon
    longest = check_whole_number(asked, name="horizon", low=2, high=LONGEST)
    replicates = check_whole_number(replicates, name="replicates", low=10)
    level = check_level(level)
    check_seed(seed)
    check_log(log)
    margin = check_margin(margin)
    plans = read_strategies(strategies, horizon=longest)
    settings = Settings(plans, longest, margin, level, replicates, seed, auto, bool(looking_again))
    return _with_fading(_compared(log, settings, by), log, settings)


def check_margin(margin: float) -> float:
    """Return a margin in sessions, or raise RequestError for one that is none."""
    number = isinstance(margin, int | float) and not isinstance(margin, bool)
    if not number or not 0 < margin <= WIDEST_MARGIN:
        values = {"given": repr(margin), "high": WIDEST_MARGIN}
        raise RequestError(*problem_and_remedy("refused.widest", values))
    return float(margin)


def regime_verdict(log: OutcomeLog, *, seed: int = 0) -> Note | None:
    """Return one line on always ps against always ns, for those who advise clients.

    A hundred resamples go by ``seed``. None where the log has no sessions, one regime only, or
    nothing that can be fitted.

    Examples
    --------
    >>> print(regime_verdict(log))
    Faster pulses: our own courses cannot say yet.
    """
    plans = read_strategies(("ns", "ps"), horizon=COMPARED_TO)
    settings = Settings(plans, COMPARED_TO, 1.0, 0.95, DESK_REPLICATES, seed, auto=True, second=25)
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
        found = Answers.missing(settings, reasons=dict.fromkeys(settings.pairs, ("none_eligible",)))
        notes = [Note("regimes.none_eligible", "serious", {"least": LEAST_FOLLOWERS})]
        notes += left_out_note(eligible(log, set(halves))[2])
        said = {"split": split, "target_trial": target_trial(None, settings)}
        noted = (*notes, *settling_notes(found.reasons))
        return _result(log, settings, found, notes=noted, **said)
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
    drawn, names = bootstrap(engine, settings), settings.names
    support = [diagnostics.supported_to[name] for name in names]
    lacking = {
        key: diagnostics.lacking([names[place] for place in pair], settings.horizon_of(key))
        for key, pair in settings.pairs.items()
    }
    found = answers(engine, drawn, support, lacking, settings)
    curves = curve_table(engine, drawn, settings)
    return _result(
        log,
        settings,
        found,
        by=by,
        curves=curves,
        diagnostics=diagnostics,
        sensitivity=examine(trial, engine, drawn, found, settings),
        target_trial=target_trial(trial, settings),
        split=split,
        notes=notes_for(log, trial, diagnostics, found, curves, settings, by),
        rows=weighted_rows(engine, settings),
    )


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
        apart = weighted.disagrees(own)
        code = "fading_disagrees" if apart else "fading_agrees"
        values = {"pair": key, "said": own.spoken("sessions")}
        notes.append(Note(f"regimes.{code}", "serious" if apart else "info", values))
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
    found = replace(found, means=split.means)
    trial = protocol(settings, {"pairs": split.n_pairs, "horizon": split.horizon}, "split_")
    notes += [*split.notes, *open_notes(found, split.curves, settings)]
    noted = (*notes, *settling_notes(found.reasons, halves=True))
    empty = no_rows(log, settings)
    counts = {"courses": 2 * split.n_pairs, "clients": split.n_clients, **split.ends}
    at_risk, cleared_at = (
        one.reindex(columns=settings.names, fill_value=0)  # no half changes its regime
        for one in (split.at_risk, split.cleared_at)
    )
    before = cleared_at.loc[: split.horizon - 1]
    cleared = {name: int(before[name].sum()) for name in settings.names}
    last = at_risk.loc[split.horizon]
    each = Followers(split.n_pairs, split.n_clients, float(split.n_pairs), 0.0, 0.0)
    halves = [name for name in settings.names if name in split.at_risk]
    diagnostics = replace(
        empty,
        followers={name: n + int(last[name]) for name, n in cleared.items()},
        cleared=cleared,
        supported_to=empty.supported_to | dict.fromkeys(halves, split.supported_to),
        at_risk=at_risk,
        cleared_at=cleared_at,
        counts=empty.counts | counts,
        carried=empty.carried | dict.fromkeys(halves, each),
    )
    said = {"split": split, "target_trial": trial, "notes": noted, "diagnostics": diagnostics}
    return _result(log, settings, found, curves=split.curves, **said)


def _result(log: OutcomeLog, settings: Settings, found: Answers, **parts: Any) -> RegimeComparison:
    if "rows" not in parts:
        parts = {
            "curves": pd.DataFrame(columns=list(CURVE_COLUMNS)),
            "diagnostics": no_rows(log, settings),
            "sensitivity": None,
            "by": None,
            "rows": pd.DataFrame(columns=["course", "client", "session", "regime", "cleared"]),
        } | parts
    return RegimeComparison(
        **vars(found),
        strategies=settings.names,
        horizon=max(settings.horizon_of(key) for key in settings.pairs),
        horizons={key: settings.horizon_of(key) for key in settings.pairs},
        margin=settings.margin,
        level=settings.level,
        replicates=settings.replicates,
        naive=naive_readings(log, settings, found.unadjusted),
        **parts,
    )
