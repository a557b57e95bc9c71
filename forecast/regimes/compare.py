"""Do picosecond pulses save sessions? A comparison, and how many more courses settle it.

The log is read as a trial that was never run (Hernán & Robins 2016, Am J Epidemiol 183:758):
each eligible course is a copy in every strategy until it departs from it; inverse-probability
weights, from the fading so far, the ink, the date and the interval, let those who stay stand
for those who were changed or stopped. A g-formula gives the same quantity by another road, and what
a session removes under each regime, as the gradings say, by a third.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import gammainc

from forecast._arrays import FloatArray, shares
from forecast._checks import (
    COMPARED_TO,
    YEAR,
    check_kind,
    check_level,
    check_seed,
    check_whole_number,
    nearest,
)
from forecast._notes import Note, Severity, bullets, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.causal import (
    Design,
    hazard_ratio_for,
    life_sums,
    schoenfeld_events,
    subjects_needed,
)
from forecast.counts import eligible, latest_start
from forecast.errors import DataError, ForecastError, RequestError
from forecast.fading import fading_rows, fit_worth
from forecast.log import OutcomeLog, check_log
from forecast.regimes.comparison import (
    PLANNED,
    RegimeComparison,
    left_out_note,
    notes_for,
    open_notes,
    protocol,
    settling_notes,
    target_trial,
)
from forecast.regimes.diagnostics import diagnose, examine, naive_readings, no_rows
from forecast.regimes.trial import SplitTrial, Trial, analyse_split, trial_rows
from forecast.regimes.verdict import (
    AUTO_AT_RISK,
    COUNTED,
    FOLLOWERS,
    LEAST_AT_RISK,
    LEAST_CLIENTS,
    LEAST_FOLLOWERS,
    LEAST_PAIRS,
    Settings,
    half_width,
    read_strategies,
    short_of,
)
from forecast.regimes.weighted_curves import (
    CURVE_COLUMNS,
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
    margin = _check_margin(margin)
    plans = read_strategies(strategies, horizon=longest)
    settings = Settings(plans, longest, margin, level, replicates, seed, auto, bool(looking_again))
    return _with_fading(_compared(log, settings, by), log, settings)


def _check_margin(margin: float) -> float:
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
        none = Note("regimes.none_eligible", "serious", {"least": LEAST_FOLLOWERS})
        notes = (
            none,
            *left_out_note(eligible(log, set(halves))[2]),
            *settling_notes(found.reasons),
        )
        said: dict[str, Any] = {"target_trial": target_trial(None, settings), "notes": notes}
        return _result(log, settings, found, split=split, **said)
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


POWERS = (0.8, 0.9)
RECENT_YEARS = 2.0
LEAST_YEARS = 1 / 12  # to take a rate over
OUT_OF_USE = 183  # days since a regime was last in regular use
ENOUGH_CLEARED = 20  # to know the clinic's own pace
FEWEST_LEFT = 0.25  # of the courses, for a session to be planned to: of those that ps saves fewer
LIKELY = 0.95  # chance of having what a verdict needs, below which it is said to bind


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ComparisonPlan(Result):
    """How many courses settle a difference; mappings are by the chance of settling it."""

    difference: float  # sessions saved that should be found, in the mean up to ``horizon``
    horizon: int
    hazard_ratio: float  # of clearing, that makes this difference
    share_ps: float  # of eligible courses, begun with ps
    design_effect: float  # courses that, weighted and changed, do the work of one in a trial
    eligible_now: int
    courses: Mapping[float, int]  # eligible ones needed in all
    more: Mapping[float, int]  # of them, still to come
    # At the rate of the last two, or of as long as the log goes back; infinite where none came.
    years: Mapping[float, float]
    cleared: Mapping[float, float]  # among the simulated ones, before the design effect
    schoenfeld: Mapping[float, float]  # his number of events for the same ratio and share
    notes: tuple[Note, ...]

    def lines(self, language: str) -> list[str]:
        """Return the answer in words, a line per chance, and the notes."""
        values: dict[str, Any] = {"difference": self.difference, "horizon": self.horizon}
        lines = [sentence("plan.head", values)]
        for chance, more in self.more.items():
            years = self.years[chance]
            code = "reached" if not more else "more" if math.isfinite(years) else "never"
            values = {"chance": 10 * chance, "courses": self.courses[chance], "more": more}
            values |= {"years": max(years, 0.1), "digits": int(years < 10)}
            lines.append(sentence(f"plan.{code}", values))
        return [*lines, *bullets(self.notes)]

    def to_frame(self) -> pd.DataFrame:
        """Return one row per chance."""
        names = ("courses", "more", "years", "cleared", "schoenfeld")
        by_chance = pd.DataFrame({name: getattr(self, name) for name in names})
        by_chance = by_chance.rename_axis("chance").reset_index()
        by_chance.insert(0, "difference", self.difference)
        return by_chance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        years = {str(c): (y if math.isfinite(y) else None) for c, y in self.years.items()}
        return Result.to_dict(self) | {"years": years}


def plan_comparison(
    log: OutcomeLog,
    *,
    difference: float = 1.0,
    horizon: int | Literal["auto"] = "auto",
    simulations: int = 400,
    seed: int = 0,
    present: RegimeComparison | None = None,
    margin: float = 1.0,
    looking_again: bool = False,
) -> ComparisonPlan:
    """Return how many more courses settle a difference between always ps and always ns.

    Studies of a growing size are simulated from the log's own clearing, stopping and change of
    regime, with a hazard ratio that makes the difference, and analysed by the difference in mean
    sessions; "settled" means that its 95 % interval excludes 0 on the right side, and that there
    are as many courses cleared, clients and so on as `compare_regimes` gives a verdict for. What
    the weights cost (the design effect) comes from the log too.

    Parameters
    ----------
    log : OutcomeLog
    difference : float
        Sessions that ps saves, above 0. By symmetry nearly the same number finds it costing
        as many.
    horizon : int or "auto"
        Of the mean. With "auto" the last session, up to 15, that both strategies carry in this
        log, or, where that is too early for such a difference, by which three in four are done.
    simulations : int
        Studies simulated per size tried.
    seed : int
    present : RegimeComparison, optional
        The comparison of the log as it is: where it has a verdict, the plan says that it stands.
    margin, looking_again : float, bool
        As of `compare_regimes`: the plan is for intervals that hold at every look together.

    Raises
    ------
    DataError
        If fewer than 20 courses were cleared, so that the clinic's own pace is not known, or if
        no number of courses, chosen as so far, gives a verdict.
    RequestError
        If the difference is out of range, or the horizon beyond what both strategies carry: how
        many stay that long is not in the log, and more courses alone may not give an answer there.

    Examples
    --------
    >>> plan_comparison(log, simulations=50).difference
    1.0
    """
    asked = check_planned(difference, horizon)
    check_whole_number(simulations, name="simulations", low=50)
    check_seed(seed)
    margin = _check_margin(margin)
    both = len(check_log(log).sessions["regime"].dropna().unique()) > 1
    trial = trial_rows(log, horizon=asked) if both else None
    plans = read_strategies(("ns", "ps"), horizon=asked)
    engine = None if trial is None else Engine(trial, plans, horizon=asked)
    auto = horizon == "auto"
    horizon, reach = _planned_to(log, engine, asked, float(difference), auto=auto)
    settings = Settings(plans, horizon, margin, 0.95, 400, seed, auto, bool(looking_again))
    hazard, loss, notes = _pace(log, horizon)
    notes += _plan_notes(log, trial, engine, settings, reach)
    notes += _pairs_needed(log, settings, float(difference))
    now = 0 if trial is None else trial.panel.n_subjects
    share, effect, switching = _practice(engine)
    ratio = hazard_ratio_for(hazard, -float(difference))
    leaving = 1 - (1 - loss) * (1 - switching)
    wide = partial(half_width, level=settings.level, again=settings.again())
    design = Design(hazard, leaving, ratio, share, wide)
    needs = _needs(engine, design, effect, carried=reach >= 2, auto=auto)
    design = replace(design, enough=lambda n: math.prod(_chances(needs, n * effect).values()))
    needed = subjects_needed(design, powers=POWERS, simulations=simulations, seed=seed)
    courses = {one.power: math.ceil(one.n * effect) for one in needed}
    chances = _chances(needs, courses[POWERS[0]])
    if few := [Note(f"regimes.because_{code}") for code, p in chances.items() if p < LIKELY]:
        notes.append(Note("regimes.plan_least", "info", {"reasons": few}))
    rate = _rate(log, eligible(log, set())[1] if both else None)
    more = {power: max(0, n - now) for power, n in courses.items()}
    years = {p: (n / rate if rate > 0 else math.inf) if n else 0.0 for p, n in more.items()}
    notes += _stands(present, float(difference))
    return ComparisonPlan(
        difference=float(difference),
        horizon=horizon,
        hazard_ratio=ratio,
        share_ps=share,
        design_effect=effect,
        eligible_now=now,
        courses=courses,
        more=more,
        years=years,
        cleared={one.power: one.events for one in needed},
        schoenfeld={p: schoenfeld_events(ratio, power=p, share=share) for p in POWERS},
        notes=tuple(notes),
    )


def check_planned(difference: float, horizon: int | Literal["auto"]) -> int:
    """Return the last session that a plan up to a ``horizon`` goes to.

    Raises RequestError where that is out of range, or cannot hold a ``difference`` in sessions.

    Examples
    --------
    >>> check_planned(1.0, "auto")
    15
    """
    asked: Any = COMPARED_TO if horizon == "auto" else horizon
    check_whole_number(asked, name="horizon", low=2, high=LONGEST)
    if not isinstance(difference, int | float) or not 0 < difference < asked:
        values = {"given": difference, "horizon": asked}
        raise RequestError(*problem_and_remedy("refused.plan_difference", values))
    return int(asked)


# What the log does not say yet; refused where no number of courses says it, chosen as so far.
def _plan_notes(
    log: OutcomeLog, trial: Trial | None, engine: Engine | None, settings: Settings, reach: int
) -> Iterator[Note]:
    if engine is None or trial is None:
        both = len(log.sessions["regime"].dropna().unique()) > 1
        yield Note(f"regimes.{'none_yet' if both else 'one_regime'}", "caution")
    else:
        found = diagnose(log, trial, engine, settings).lacking(settings.names, settings.horizon)
        if codes := [code for code in found if code not in COUNTED]:
            because = [Note(f"regimes.because_{code}") for code in codes]
            values = {"reasons": because, "what": [*settling_notes({"ps - ns": codes})]}
            raise DataError(*problem_and_remedy("refused.plan_held_back", values))
        if reach < 2:
            yield Note("regimes.plan_unfollowed", "caution")
    if settings.looking_again:
        yield Note("regimes.plan_again", "info", {"margin": settings.margin})


# The session planned to, and the last that both strategies carry so far, 0 where too early for such
# a difference. Where it is not in the log, the first goes as far as the clinic's own pace leaves
# a quarter.
def _planned_to(
    log: OutcomeLog, engine: Engine | None, asked: int, difference: float, *, auto: bool
) -> tuple[int, int]:
    reach = min((engine.supported_to(place, auto=auto) for place in (0, 1)) if engine else (0,))
    if not auto:
        if 2 <= reach < asked:
            values = {"horizon": reach, "asked": asked, "least": LEAST_AT_RISK}
            raise RequestError(*problem_and_remedy("refused.plan_horizon", values))
        return asked, reach
    hazard, loss, _ = _pace(log, asked)
    left = np.append(1.0, np.cumprod(1 - hazard)[:-1])
    possible = (left - left**50).cumsum() > difference  # by each session
    if reach >= 2 and possible[reach - 1]:
        return reach, reach
    carried = np.flatnonzero(possible & (left * (1 - loss[0]) ** np.arange(asked) >= FEWEST_LEFT))
    return (int(carried[-1]) + 1 if len(carried) else asked), 0


# Courses a year that could be eligible, of late, or for as long as the log, and the use of both
# regimes, go back.
def _rate(log: OutcomeLog, window: tuple[str, str] | None) -> float:
    here = log.courses[(log.courses["goal"] == "clear") & (log.courses["sessions_elsewhere"] == 0)]
    last = latest_start(here["started_on"])
    first, until = (here["started_on"].min(), last) if window is None else map(pd.Timestamp, window)
    if (last - until).days > OUT_OF_USE:
        return 0.0
    before = (last - here.loc[here["started_on"] >= first, "started_on"]).dt.days / YEAR
    over = max(min(RECENT_YEARS, (last - first).days / YEAR), LEAST_YEARS)
    return float((before < RECENT_YEARS).sum() / over)


# That the verdict of the log as it is stands, where it has one.
def _stands(present: RegimeComparison | None, difference: float) -> Iterator[Note]:
    for key in PLANNED.intersection(present.verdict if present is not None else ()):
        if present is None or present.verdict[key] == "cannot say":
            return
        stands: dict[str, Any] = {"pair": key, "verdict": present.verdict[key]}
        stands |= {"difference": difference, "horizon": present.horizons[key]}
        shares = present.open_at_horizon.get(key, ())
        code = "plan_verdict_so_far" if shares else "plan_verdict_stands"
        yield Note(f"regimes.{code}", "info", stands | ({"shares": shares} if shares else {}))


# The clinic's hazard of clearing and of stopping at each session.
def _pace(log: OutcomeLog, horizon: int) -> tuple[FloatArray, FloatArray, list[Note]]:
    courses = log.courses.assign(sessions_given=log.judged_sessions)
    courses = courses[(courses["goal"] == "clear") & (courses["sessions_given"] > 0)]
    entry = courses["sessions_elsewhere"].to_numpy(dtype=np.int64)
    given = courses["sessions_given"].to_numpy(dtype=np.int64) + entry
    cleared = (courses["outcome"] == "cleared").to_numpy(dtype=bool)
    if cleared.sum() < ENOUGH_CLEARED:
        values = {"n": int(cleared.sum()), "least": ENOUGH_CLEARED}
        raise DataError(*problem_and_remedy("refused.pace_unknown", values))
    at_risk, events = life_sums(given, cleared, entry, np.ones(len(given)), horizon)
    thin = np.flatnonzero(at_risk < LEAST_AT_RISK)
    reach = int(thin[0]) if thin.size else horizon
    hazard = shares(events, at_risk)
    late = slice(max(0, reach - 5), reach)
    hazard[reach:] = shares(events[late].sum(), at_risk[late].sum())
    stopped = (courses["outcome"] == "stopped").to_numpy(dtype=bool)
    loss = np.full(horizon, stopped.sum() / max((given - entry).sum() - cleared.sum(), 1))
    notes = []
    if reach < horizon:
        values = {"session": reach, "least": LEAST_AT_RISK}
        notes.append(Note("regimes.pace_carried_on", "info", values))
    return np.clip(hazard, 1e-4, 0.999), np.clip(loss, 0.0, 0.9), notes


# The share begun with ps, the design effect, and the chance of a change per session.
def _practice(engine: Engine | None) -> tuple[float, float, float]:
    if engine is None:
        return 0.5, 1.0, 0.0
    panel = engine.panel
    share = float(np.clip(panel.group[panel.first].mean(), 0.05, 0.95))
    later = ~panel.first
    changes = float((panel.group != panel.previous)[later].mean()) if later.any() else 0.0
    followers = [engine.carried(place) for place in (0, 1)]
    useful = sum(one.effective for one in followers)
    started = sum(one.courses for one in followers)
    effect = max(1.0, started / useful) if useful > 0 else 1.0
    return share, float(effect), changes


# What a verdict needs under each strategy besides its interval: code, least, and what a course
# brings of it, in the study that is planned or, as far as the log carries both, so far.
def _needs(
    engine: Engine | None, design: Design, effect: float, *, carried: bool, auto: bool
) -> list[tuple[str, float, float]]:
    found: list[tuple[str, float, float]] = []
    faster = 1 - (1 - design.hazard) ** design.ratio
    for place, hazard in enumerate((design.hazard, faster)):
        part = design.share if place else 1 - design.share
        brings = {"too_few_clients": part, "too_few_effective": part / effect}
        at_risk = part * np.append(1.0, np.cumprod((1 - hazard) * (1 - design.loss))[:-1])
        cleared = float(at_risk[:-1] @ hazard[:-1])
        if engine is not None:
            now = engine.panel.n_subjects
            brings = {code: n / now for code, n in engine.carried(place).held.items()}
        if engine is not None and carried:
            risk, events = (counts[: len(hazard) - 1] for counts in engine.counts(place))
            few = short_of({"too_few_cleared": int(events.sum())})
            most = COUNTED["too_few_cleared"] if few else math.inf
            cleared = min(float(risk @ design.hazard[:-1]), most) / now
        else:
            found.append((FOLLOWERS, AUTO_AT_RISK if auto else LEAST_AT_RISK, at_risk[-1]))
            found.append((FOLLOWERS, LEAST_FOLLOWERS, at_risk[-1] + cleared))
        brings["too_few_cleared"] = cleared
        found += [(code, least, brings[code]) for code, least in COUNTED.items()]
    return found


# The chance that so many courses have it, by code and Poisson's law.
def _chances(needs: Sequence[tuple[str, float, float]], courses: float) -> dict[str, float]:
    found = dict.fromkeys((code for code, *_ in needs), 1.0)
    for code, least, brings in needs:
        found[code] *= float(gammainc(least, courses * brings))
    return found


# Split tattoos are no courses of one regime each: what they need is said beside.
def _pairs_needed(log: OutcomeLog, settings: Settings, difference: float) -> Iterator[Note]:
    split = analyse_split(log, settings)
    if split is None:
        return
    error = split.difference.error
    if not error or settings.looking_again:
        yield Note("regimes.plan_without_pairs", "caution")
        return
    times = (split.difference.detectable / difference) ** 2
    times = max(times, LEAST_CLIENTS / split.n_clients)
    pairs = max(LEAST_PAIRS, math.ceil(split.n_pairs * times))
    values = {"pairs": pairs, "now": split.n_pairs, "difference": difference}
    yield Note("regimes.plan_pairs", "caution", values)
