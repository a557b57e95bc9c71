"""How many more courses would settle whether picosecond pulses save sessions.

A plan asks for all that a verdict of `compare_regimes` needs, by the same rules.
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
from forecast._checks import COMPARED_TO, YEAR, check_seed, check_whole_number
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.causal import Design, hazard_ratio_for, life_sums, schoenfeld_events, subjects_needed
from forecast.counts import eligible, latest_start
from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog, check_log
from forecast.regimes.compare import LONGEST, check_margin
from forecast.regimes.comparison import PLANNED, RegimeComparison, settling_notes
from forecast.regimes.diagnostics import diagnose
from forecast.regimes.trial import Trial, analyse_split, trial_rows
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
from forecast.regimes.weighted_curves import Engine

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
    margin = check_margin(margin)
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
