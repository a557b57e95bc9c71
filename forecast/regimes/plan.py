"""How many more courses until the log can say which regime saves sessions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray, shares
from forecast._checks import check_seed, check_whole_number
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.causal import Design, hazard_ratio_for, life_sums, schoenfeld_events, subjects_needed
from forecast.counts import latest_start
from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog, check_log
from forecast.regimes.comparison import RegimeComparison
from forecast.regimes.trial import Trial, read_strategies, trial_rows
from forecast.regimes.verdict import LEAST_AT_RISK
from forecast.regimes.weighted_curves import Engine

POWERS = (0.8, 0.9)
RECENT_YEARS = 2.0
ENOUGH_CLEARED = 20  # to know the clinic's own pace


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
    years: Mapping[float, float]  # at the rate of the last two; infinite where none came
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
            values |= {"years": years, "digits": int(years < 10)}
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
    horizon: int = 15,
    simulations: int = 400,
    seed: int = 0,
    present: RegimeComparison | None = None,
) -> ComparisonPlan:
    """Return how many more courses settle a difference between always ps and always ns.

    Studies of a growing size are simulated from the log's own clearing, stopping and change of
    regime, with a hazard ratio that makes the difference, and analysed by the difference in mean
    sessions; "settled" means that its 95 % interval excludes 0 on the right side. What the
    weights cost (the design effect) comes from the log too.

    Parameters
    ----------
    log : OutcomeLog
    difference : float
        Sessions that ps saves, above 0. By symmetry nearly the same number finds it costing
        as many.
    horizon : int
        Of the mean.
    simulations : int
        Studies simulated per size tried.
    seed : int
    present : RegimeComparison, optional
        The comparison of the log as it is: where it has a verdict, the plan says that it stands.

    Raises
    ------
    DataError
        If fewer than 20 courses were cleared, so that the clinic's own pace is not known.
    RequestError
        If the difference is out of range.

    Examples
    --------
    >>> plan_comparison(log, simulations=50).difference
    1.0
    """
    horizon = check_whole_number(horizon, name="horizon", low=2, high=40)
    check_whole_number(simulations, name="simulations", low=50)
    if not isinstance(difference, int | float) or not 0 < difference < horizon:
        values = {"given": difference, "horizon": horizon}
        raise RequestError(*problem_and_remedy("refused.plan_difference", values))
    hazard, loss, notes = _pace(check_log(log), horizon)
    both = len(log.sessions["regime"].dropna().unique()) > 1
    trial = trial_rows(log, horizon=horizon) if both else None
    share, effect, switching, more_notes = _practice(trial, horizon)
    notes += more_notes
    ratio = hazard_ratio_for(hazard, -float(difference))
    leaving = 1 - (1 - loss) * (1 - switching)
    design = Design(hazard=hazard, loss=leaving, ratio=ratio, share=share)
    needed = subjects_needed(design, powers=POWERS, simulations=simulations, seed=check_seed(seed))
    now = 0 if trial is None else trial.panel.n_subjects
    here = log.courses[(log.courses["goal"] == "clear") & (log.courses["sessions_elsewhere"] == 0)]
    recent = pd.Timedelta(days=365.25 * RECENT_YEARS)
    came = here["started_on"] > latest_start(here["started_on"]) - recent
    rate = float(came.sum() / RECENT_YEARS)
    courses = {one.power: math.ceil(one.n * effect) for one in needed}
    more = {power: max(0, n - now) for power, n in courses.items()}
    years = {p: (n / rate if rate > 0 else math.inf) if n else 0.0 for p, n in more.items()}
    verdict = "cannot say" if present is None else present.verdict.get("ps - ns", "cannot say")
    if present is not None and verdict != "cannot say":
        stands = {"verdict": verdict, "horizon": present.horizons["ps - ns"]}
        size = {"difference": float(difference)}
        notes.append(Note("regimes.plan_verdict_stands", "info", {**stands, **size}))
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


# The share begun with ps, the design effect and the chance of a change per session.
def _practice(trial: Trial | None, horizon: int) -> tuple[float, float, float, list[Note]]:
    if trial is None:
        return 0.5, 1.0, 0.0, [Note("regimes.one_regime", "caution")]
    panel = trial.panel
    share = float(np.clip(panel.group[panel.first].mean(), 0.05, 0.95))
    later = ~panel.first
    changes = float((panel.group != panel.previous)[later].mean()) if later.any() else 0.0
    plans = read_strategies(("ns", "ps"), horizon=horizon)
    engine = Engine(trial, plans, horizon=horizon)
    followers = [engine.carried(place) for place in range(len(plans))]
    useful = sum(one.effective for one in followers)
    started = sum(one.courses for one in followers)
    effect = max(1.0, started / useful) if useful > 0 else 1.0
    return share, float(effect), changes, []
