"""Do picosecond pulses save sessions? A comparison that a reviewer would accept.

The log is read as a trial that was never run (Hernán & Robins 2016, Am J Epidemiol 183:758):
each eligible course is a copy in every strategy until it departs from it; inverse-probability
weights, from the fading so far, the ink, the date and the interval, let those who stay stand
for those who were changed or stopped. A g-formula gives the same quantity by another road.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._checks import check_level, check_seed, check_whole_number
from forecast._notes import Note
from forecast._types import BoolArray, FloatArray
from forecast.causal import restricted_mean
from forecast.counts import split_halves
from forecast.errors import RequestError
from forecast.log import check_log
from forecast.regimes.comparison import RegimeComparison, notes_for, split_protocol, target_trial
from forecast.regimes.diagnostics import diagnose, examine, no_rows
from forecast.regimes.split_trial import SplitTrial, analyse_split
from forecast.regimes.trial import Settings, Strategy, Trial, read_strategies, trial_rows
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

if TYPE_CHECKING:
    import pandas as pd

    from forecast.log import OutcomeLog

LONGEST = 40
WIDEST_MARGIN = 10.0
LEAST_IN_CLASS = 5  # courses, for a plain reading

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
    settings = Settings(plans, horizon, float(margin), level, replicates, seed)
    split = analyse_split(
        log, horizon=horizon, level=level, replicates=replicates, seed=seed, margin=margin
    )
    halves: set[str] = set()
    if split is not None:
        pairs = split_halves(log)
        halves = {*pairs["course_id_ps"], *pairs["course_id_ns"]}
    trial = trial_rows(log, horizon=horizon, set_apart=halves)
    if split is not None and (trial is None or trial.panel.n_subjects < len(halves)):
        return _from_split(log, settings, split)
    if trial is None:
        none = Note("regimes.none_eligible", "serious", {"least": LEAST_FOLLOWERS})
        protocol: dict[str, Any] = {"target_trial": target_trial(None, settings), "notes": (none,)}
        return _result(log, settings, Answers.missing(settings), split=split, **protocol)
    return _from_trial(log, trial, settings, split)


def _from_trial(
    log: OutcomeLog, trial: Trial, settings: Settings, split: SplitTrial | None
) -> RegimeComparison:
    engine = Engine(trial, settings.plans, horizon=settings.horizon, seed=settings.seed)
    diagnostics = diagnose(log, trial, engine, settings.plans)
    point = engine.run()
    draws = bootstrap(engine, replicates=settings.replicates, seed=settings.seed)
    names = settings.names
    support = [diagnostics.supported_to[name] for name in names]
    lacking = {
        key: diagnostics.lacking([names[place] for place in pair])
        for key, pair in settings.pairs.items()
    }
    found = answers(engine, point, draws, support, lacking, settings)
    return _result(
        log,
        settings,
        found,
        curves=curve_table(engine, point, draws, settings),
        diagnostics=diagnostics,
        sensitivity=examine(trial, engine, point, draws, found.difference, settings),
        target_trial=target_trial(trial, settings),
        split=split,
        notes=notes_for(log, trial, diagnostics, found, settings),
        rows=weighted_rows(engine, settings),
    )


# The comparison that a log of split tattoos gives: the paired one.
def _from_split(log: OutcomeLog, settings: Settings, split: SplitTrial) -> RegimeComparison:
    paired = turned = split.difference
    if paired.estimate is not None and paired.error is not None:
        turned = Contrast.normal(-paired.estimate, paired.error, settings.level)
    both = {"ps - ns": paired, "ns - ps": turned}
    difference = {key: one for key, one in both.items() if key in settings.pairs}
    notes = [Note("regimes.split_answers", "info", {"pairs": split.n_pairs})]
    if split.n_clients < LEAST_CLIENTS:
        few = {"clients": split.n_clients, "least": LEAST_CLIENTS}
        notes.append(Note("regimes.split_few_clients", "serious", few))
    found = Answers.missing(settings, difference, dict.fromkeys(difference, split.reasons))
    protocol = split_protocol(settings, split.n_pairs)
    noted = (*notes, *split.notes)
    return _result(log, settings, found, split=split, target_trial=protocol, notes=noted)


def _result(log: OutcomeLog, settings: Settings, found: Answers, **parts: Any) -> RegimeComparison:
    import pandas as pd

    without_curves: dict[str, Any] = {
        "curves": pd.DataFrame(columns=list(CURVE_COLUMNS)),
        "diagnostics": no_rows(log, settings.plans, settings.horizon),
        "sensitivity": None,
        "rows": pd.DataFrame(columns=["course", "client", "session", "regime", "cleared"]),
    }
    return RegimeComparison(
        **vars(found),
        strategies=settings.names,
        horizon=settings.horizon,
        margin=settings.margin,
        level=settings.level,
        naive=_naive_readings(log, settings, found.unadjusted),
        **(without_curves | parts),
    )


def _naive_readings(
    log: OutcomeLog, settings: Settings, unadjusted: Mapping[str, Contrast]
) -> tuple[NaiveReading, ...]:
    courses, classes = _classes(log, settings.plans)
    given = courses["sessions_given"].to_numpy(dtype=np.float64)
    cleared = (courses["outcome"] == "cleared").to_numpy(dtype=bool)
    ever = [_mean_up_to(given[one], cleared[one], settings.horizon) for one in classes]
    finished = [_mean_of(given[one & cleared]) for one in classes]

    def table(found: Sequence[tuple[float, float] | None]) -> dict[str, Contrast]:
        contrasts = {}
        for key, (a, b) in settings.pairs.items():
            left, right, contrasts[key] = found[a], found[b], Contrast.missing(settings.level)
            if left is not None and right is not None:
                error = float(np.hypot(left[1], right[1]))
                contrasts[key] = Contrast.normal(left[0] - right[0], error, settings.level)
        return contrasts

    return (
        NaiveReading("ever changed against never", table(ever), EVER),
        NaiveReading("finished courses only", table(finished), FINISHED),
        NaiveReading("unadjusted", unadjusted, UNADJUSTED),
    )


# Courses by what happened in the end: never ps, ever ps, or changed.
def _classes(
    log: OutcomeLog, strategies: Sequence[Strategy]
) -> tuple[pd.DataFrame, list[BoolArray]]:
    import pandas as pd

    sessions = log.each_session.sort_values(["course_id", "session_no"])
    mixed = sessions.loc[sessions["regime"] == "mixed", "course_id"]
    sessions = sessions[~sessions["course_id"].isin(mixed)]
    is_ps = (sessions["regime"] == "ps").groupby(sessions["course_id"])
    seen = pd.DataFrame({"any": is_ps.any(), "all": is_ps.all(), "first": is_ps.first()})
    courses = log.courses.set_index("course_id")
    courses = courses[(courses["goal"] == "clear") & courses.index.isin(seen.index)]
    seen = seen.reindex(courses.index)
    any_ps, all_ps, first_ps = (seen[name].to_numpy(dtype=bool) for name in ("any", "all", "first"))
    classes = []
    for strategy in strategies:
        if len(strategy.plan) > 1:
            classes.append(any_ps & ~all_ps & (first_ps == bool(strategy.plan[0])))
        else:
            classes.append(any_ps if strategy.plan[0] else ~any_ps)
    return courses, classes


def _mean_up_to(given: FloatArray, cleared: BoolArray, horizon: int) -> tuple[float, float] | None:
    if len(given) < LEAST_IN_CLASS:
        return None
    try:
        mean = restricted_mean(given, cleared, horizon=float(horizon))
    except RequestError:  # nobody of this class was watched that long
        return None
    return mean.estimate, mean.error


def _mean_of(given: FloatArray) -> tuple[float, float] | None:
    if len(given) < LEAST_IN_CLASS:
        return None
    return float(given.mean()), float(given.std(ddof=1) / len(given) ** 0.5)
