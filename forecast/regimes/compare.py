"""Do picosecond pulses save sessions? A comparison that a reviewer would accept.

The log is read as a trial that was never run (Hernán & Robins 2016, Am J Epidemiol 183:758):
each eligible course is a copy in every strategy until it departs from it; inverse-probability
weights, from the fading so far, the ink, the date and the interval, let those who stay stand
for those who were changed or stopped. A g-formula gives the same quantity by another road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from forecast._checks import SHOWN_AT, check_level, check_seed, check_whole_number
from forecast._notes import Note
from forecast._types import BoolArray, FloatArray
from forecast.causal import restricted_mean
from forecast.counts import split_halves
from forecast.errors import RequestError
from forecast.log import check_log
from forecast.regimes.comparison import RegimeComparison, notes_for, split_protocol, target_trial
from forecast.regimes.diagnostics import (
    CURVE_COLUMNS,
    Diagnostics,
    answers,
    curves,
    diagnose,
    no_rows,
    weighted_rows,
)
from forecast.regimes.sensitivity import examine
from forecast.regimes.split_trial import SplitTrial, analyse_split
from forecast.regimes.trial import Settings, Strategy, Trial, read_strategies, trial_rows
from forecast.regimes.verdict import (
    LEAST_CLIENTS,
    LEAST_FOLLOWERS,
    Contrast,
    NaiveReading,
    Supported,
    Verdict,
    reasons_for,
    shortfalls_of,
    verdict_of,
    words_for,
)
from forecast.regimes.weighted_curves import Engine, bootstrap
from forecast.tattoo import INK_GROUPS

if TYPE_CHECKING:
    from forecast.log import OutcomeLog

Summary = tuple[float, float] | None

EVER = (
    "Immortal time: a course must last long enough to be changed to ps, and stalled courses are "
    "the ones that are changed, so the changed look slow whatever ps does."
)
FINISHED = (
    "Survivorship: slow courses are those still running or given up, so each regime is judged by "
    "its quick courses only, the newer regime most of all."
)
UNADJUSTED = (
    "Courses count as long as they follow a strategy, but who starts and who stays with a regime "
    "depends on the ink, the date and the fading so far, and nothing makes up for that."
)
LEAST = 5


def naive_readings(
    log: OutcomeLog, settings: Settings, unadjusted: Mapping[str, Contrast]
) -> tuple[NaiveReading, ...]:
    """Return the naive readings of the whole log for each pair of strategies."""
    classes, given, cleared = _classes(log, settings.plans)
    ever: list[Summary] = []
    finished: list[Summary] = []
    for inside in classes:
        ever.append(_mean_up_to(given[inside], cleared[inside], settings.horizon))
        finished.append(_mean_of(given[inside & cleared]))

    def table(found: Sequence[Summary]) -> dict[str, Contrast]:
        return {
            key: _minus(found[a], found[b], settings.level)
            for key, (a, b) in settings.pairs.items()
        }

    return (
        NaiveReading("ever changed against never", table(ever), EVER),
        NaiveReading("finished courses only", table(finished), FINISHED),
        NaiveReading("unadjusted", unadjusted, UNADJUSTED),
    )


def _classes(
    log: OutcomeLog, strategies: Sequence[Strategy]
) -> tuple[list[BoolArray], FloatArray, BoolArray]:
    """Sort courses by what happened in the end: never ps, ever ps, or changed."""
    import pandas as pd

    sessions = log.sessions.sort_values(["course_id", "session_no"])
    is_ps = (sessions["regime"] == "ps").groupby(sessions["course_id"])
    seen = pd.DataFrame({"any": is_ps.any(), "all": is_ps.all(), "first": is_ps.first()})
    courses = log.courses.set_index("course_id")
    courses = courses[(courses["goal"] == "clear") & courses.index.isin(seen.index)]
    seen = seen.reindex(courses.index)
    any_ps, all_ps, first_ps = (seen[name].to_numpy(dtype=bool) for name in ("any", "all", "first"))
    mixed = any_ps & ~all_ps
    classes = []
    for strategy in strategies:
        if len(strategy.plan) > 1:
            classes.append(mixed & (first_ps == bool(strategy.plan[0])))
        else:
            classes.append(any_ps if strategy.plan[0] else ~any_ps)
    given = courses["sessions_given"].to_numpy(dtype=np.float64)
    return classes, given, (courses["outcome"] == "cleared").to_numpy(dtype=bool)


def _mean_up_to(given: FloatArray, cleared: BoolArray, horizon: int) -> Summary:
    if len(given) < LEAST:
        return None
    try:
        mean = restricted_mean(given, cleared, horizon=float(horizon))
    except RequestError:  # nobody of this class was watched that long
        return None
    return mean.estimate, mean.error


def _mean_of(given: FloatArray) -> Summary:
    if len(given) < LEAST:
        return None
    return float(given.mean()), float(given.std(ddof=1) / len(given) ** 0.5)


def _minus(left: Summary, right: Summary, level: float) -> Contrast:
    if left is None or right is None:
        return Contrast.missing(level)
    return Contrast.normal(left[0] - right[0], float(np.hypot(left[1], right[1])), level)


LONGEST = 40
WIDEST_MARGIN = 10.0


def compare_regimes(
    log: OutcomeLog,
    *,
    strategies: Sequence[str] = ("ns", "ps"),
    horizon: int = 15,
    margin: float = 1.0,
    level: float = 0.95,
    replicates: int = 1000,
    seed: int = 0,
) -> RegimeComparison:
    """Return the comparison of strategies that the log supports.

    Parameters
    ----------
    log : OutcomeLog
        With sessions; gradings let the weights see the fading that a clinic acts on.
    strategies : sequence of str
        "ns", "ps", or "ns:4>ps" for ns in the first 4 sessions and then ps.
    horizon : int
        Sessions up to which the mean is counted, 2 to 40. Nothing is extrapolated: where fewer
        than 5 courses are at risk at the horizon, or fewer than 10 followed a strategy to it,
        the answer is "cannot say", with the horizon that could be answered. Followers of a
        strategy with a change are those still at risk when it came. Verdicts need the worth of
        30 courses, of 20 clients, under each strategy.
    margin : float
        Sessions below which a difference does not matter, above 0 and up to 10.
    level : float
        Of the intervals shown. Verdicts always use 95 % and 90 %.
    replicates : int
        Resamples of clients, at least 10; 1,000 for an answer to act on.
    seed : int
        Of the resamples.

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
    >>> from forecast import simulate_log
    >>> small = simulate_log(150, seed=1)
    >>> compare_regimes(small, horizon=6, replicates=10).verdict
    {'ps - ns': 'cannot say'}
    """
    horizon = check_whole_number(horizon, name="horizon", low=2, high=LONGEST)
    replicates = check_whole_number(replicates, name="replicates", low=10)
    level = check_level(level)
    check_seed(seed)
    check_log(log)
    number = isinstance(margin, int | float) and not isinstance(margin, bool)
    if not number or not 0 < margin <= WIDEST_MARGIN:
        raise RequestError(
            f"margin is {margin!r}.", f"Give sessions above 0 and up to {WIDEST_MARGIN:g}."
        )
    plans = read_strategies(strategies, horizon=horizon)
    split = analyse_split(log, horizon=horizon, level=level, replicates=replicates, seed=seed)
    halves = _halves(log) if split is not None else set()
    trial = trial_rows(log, horizon=horizon, set_apart=halves)
    settings = Settings(plans, horizon, float(margin), level, replicates, seed)
    if split is not None and (trial is None or trial.panel.n_subjects < len(halves)):
        return _from_split(log, settings, split)
    if trial is None:
        return _unanswered(log, settings, split)
    return _compare(log, trial, settings, split)


def _halves(log: OutcomeLog) -> set[str]:
    pairs = split_halves(log)
    return {*pairs["course_id_ps"], *pairs["course_id_ns"]}


def _compare(
    log: OutcomeLog, trial: Trial, settings: Settings, split: SplitTrial | None
) -> RegimeComparison:
    engine = Engine(trial, settings.plans, horizon=settings.horizon, seed=settings.seed)
    diagnostics = diagnose(log, trial, engine, settings.plans)
    point = engine.run()
    draws = bootstrap(engine, replicates=settings.replicates, seed=settings.seed)
    support = [diagnostics.supported_to[name] for name in settings.names]
    found = answers(engine, point, draws, support, settings)
    reasons = {
        key: _reasons(key, contrast, diagnostics, settings)
        for key, contrast in found.difference.items()
    }
    verdict = {
        key: _verdict(contrast, reasons[key], settings.margin)
        for key, contrast in found.difference.items()
    }
    reach = {}
    for key, one in found.supported.items():
        kept_back = _reasons(key, one.contrast, diagnostics, settings)
        reach[key] = replace(one, verdict=_verdict(one.contrast, kept_back, settings.margin))
    return RegimeComparison(
        strategies=settings.names,
        horizon=settings.horizon,
        margin=settings.margin,
        level=settings.level,
        difference=found.difference,
        cleared_by=found.cleared_by,
        by_ink=found.by_ink,
        unadjusted=found.unadjusted,
        naive=naive_readings(log, settings, found.unadjusted),
        second_route=found.second_route,
        verdict=verdict,
        reasons=reasons,
        supported=reach,
        words=_words(found.difference, verdict, settings, reach),
        curves=curves(engine, point, draws, settings),
        diagnostics=diagnostics,
        sensitivity=examine(trial, engine, point, draws, found.difference, settings),
        target_trial=target_trial(trial, settings),
        split=split,
        notes=notes_for(log, trial, diagnostics, found, verdict, settings),
        rows=weighted_rows(engine, settings),
    )


def _reasons(
    key: str, contrast: Contrast, diagnostics: Diagnostics, settings: Settings
) -> tuple[str, ...]:
    names = [settings.names[place] for place in settings.pairs[key]]
    lacking = shortfalls_of(
        [diagnostics.cleared[name] for name in names],
        [diagnostics.clients[name] for name in names],
        [diagnostics.effective[name] for name in names],
        apart=diagnostics.operators_apart,
    )
    return reasons_for(contrast, settings.margin, shortfalls=lacking)


def _verdict(contrast: Contrast, reasons: Sequence[str], margin: float) -> Verdict:
    return "cannot say" if reasons else verdict_of(contrast, margin)


def _words(
    difference: Mapping[str, Contrast],
    verdict: Mapping[str, str],
    settings: Settings,
    reach: Mapping[str, Supported],
) -> dict[str, str]:
    found = {}
    for key, contrast in difference.items():
        found[key] = words_for(
            key, contrast, verdict[key], horizon=settings.horizon, margin=settings.margin
        )
        if contrast.estimate is None and key in reach:
            last = reach[key]
            found[key] += " " + words_for(
                key, last.contrast, last.verdict, horizon=last.horizon, margin=settings.margin
            )
    return found


def _unanswered(
    log: OutcomeLog,
    settings: Settings,
    split: SplitTrial | None,
    *,
    difference: Mapping[str, Contrast] | None = None,
    n_clients: int = 0,
    notes: tuple[Note, ...] = (),
) -> RegimeComparison:
    """Return a comparison without curves: nothing could be weighted, or the split trial answers."""
    import pandas as pd

    empty = {key: Contrast.missing(settings.level) for key in settings.pairs}
    shown = empty if difference is None else difference
    few = ("too_few_clients",) if n_clients < LEAST_CLIENTS else ()
    reasons = {
        key: reasons_for(contrast, settings.margin, shortfalls=few)
        for key, contrast in shown.items()
    }
    verdict = {
        key: _verdict(contrast, reasons[key], settings.margin) for key, contrast in shown.items()
    }
    if not notes:
        notes = (Note("regimes.none_eligible", "serious", {"least": LEAST_FOLLOWERS}),)
    return RegimeComparison(
        strategies=settings.names,
        horizon=settings.horizon,
        margin=settings.margin,
        level=settings.level,
        difference=shown,
        cleared_by={n: dict(empty) for n in SHOWN_AT},
        by_ink={name: dict(empty) for name in INK_GROUPS},
        unadjusted=empty,
        naive=naive_readings(log, settings, empty),
        second_route=empty,
        verdict=verdict,
        reasons=reasons,
        supported={},
        words=_words(shown, verdict, settings, {}),
        curves=pd.DataFrame(columns=list(CURVE_COLUMNS)),
        diagnostics=no_rows(log, settings.plans, settings.horizon),
        sensitivity=None,
        target_trial=target_trial(None, settings),
        split=split,
        notes=notes,
        rows=pd.DataFrame(columns=["course", "client", "session", "regime", "cleared"]),
    )


def _from_split(log: OutcomeLog, settings: Settings, split: SplitTrial) -> RegimeComparison:
    """Return the comparison that a log of split tattoos gives: the paired one."""
    missing = Contrast.missing(settings.level)
    paired = split.difference
    turned = missing
    if paired.estimate is not None and paired.error is not None:
        turned = Contrast.normal(-paired.estimate, paired.error, settings.level)
    by_key = {"ps - ns": paired, "ns - ps": turned}
    difference = {key: by_key.get(key, missing) for key in settings.pairs}
    notes = [Note("regimes.split_answers", "info", {"pairs": split.n_pairs})]
    if split.n_clients < LEAST_CLIENTS:
        few = {"clients": split.n_clients, "least": LEAST_CLIENTS}
        notes.append(Note("regimes.split_few_clients", "serious", few))
    found = _unanswered(
        log,
        settings,
        split,
        difference=difference,
        n_clients=split.n_clients,
        notes=(*notes, *split.notes),
    )
    return replace(found, target_trial=split_protocol(settings, split.n_pairs))
