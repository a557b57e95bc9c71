"""What one more laser would change: who comes within reach, and what that is worth."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from forecast._arrays import FloatArray
from forecast._checks import (
    COMPARED_TO,
    YEAR,
    check_kind,
    check_level,
    check_seed,
    check_whole_number,
)
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result, plain
from forecast.causal.rates import poisson_interval
from forecast.counts import COVARIATES, durations_of, lasers_in_use
from forecast.errors import DataError, RequestError
from forecast.log import OutcomeLog, check_log
from forecast.reach.reach import fit_reach, reach_evidence, reach_spells
from forecast.tattoo import Laser, unreached_inks

Interval = tuple[float | None, float | None]
LONGEST_LIFE = 15.0  # years that a laser is kept at most, a judgement
RECENT_YEARS = 2.0
N_DRAWS = 500


@dataclass(frozen=True, slots=True, repr=False)
class LaserChange(Result):
    """What a ``laser`` at given wavelengths would change; None where nothing is known.

    Attributes
    ----------
    laser : Laser
    per_year, per_year_interval : float, tuple of float
        Courses whose every ink would be reached and is not now, from the log's last two years, and
        their exact Poisson interval.
    partly_per_year : float
        Those with some ink newly reached and another still not.
    sessions_change, sessions_interval : float or None, tuple of these
        Per newly reached course, of the mean sessions needed, counted to the horizon.
    cleared_change, cleared_interval : float or None, tuple of these
        Likewise of the share cleared by the horizon, a fraction.
    gain_per_course, gain_interval : float or None, tuple of these
        Likewise in the money of the request.
    break_even_courses, break_even_interval, break_even_years : float or None, tuple of these, float
        Courses that earn the price, and the years that they take at the rate above; None where it
        never is.
    horizon, level : int, float
        Sessions counted to; of the intervals.
    notes : tuple of Note
        Doubts.

    Examples
    --------
    >>> what_would_change(log, [755], on="2020-01-01").gain_per_course is None
    True
    """

    laser: Laser
    per_year: float
    per_year_interval: tuple[float, float]
    partly_per_year: float
    sessions_change: float | None
    sessions_interval: Interval
    cleared_change: float | None
    cleared_interval: Interval
    gain_per_course: float | None
    gain_interval: Interval
    break_even_courses: float | None
    break_even_interval: Interval
    break_even_years: float | None
    horizon: int
    level: float
    notes: tuple[Note, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        found = {**plain(self), **notes_as_json(self.notes)}
        laser = found.pop("laser")
        return {name: laser[name] for name in ("regime", "wavelengths_nm")} | found

    def lines(self, language: str) -> list[str]:
        """Return the answer in words."""
        low, high = self.per_year_interval
        partly = round(self.partly_per_year, 1)
        values: dict[str, Any] = {"n": self.per_year, "low": low, "high": high}
        values["partly"] = sentence("reach.partly", {"n": partly}) if partly else ""
        values["nm"] = [f"{nm:g}" for nm in self.laser.wavelengths_nm]
        values["regime"] = self.laser.regime
        lines = [sentence("reach.one_more", values)]
        if self.sessions_change is not None and self.cleared_change is not None:
            values = {"horizon": self.horizon, "sessions": self.sessions_change}
            values |= {"points": 100 * self.cleared_change}
            values["range"] = _span(self.sessions_interval, "signed")
            values["points_range"] = _span(self.cleared_interval, "points", 100)
            lines.append(sentence("reach.each", values))
        if self.gain_per_course is not None:
            earned = sentence("reach.never_earned")
            if self.break_even_courses is not None:
                years = self.break_even_years or 0.0
                values = {"courses": np.ceil(self.break_even_courses), "years": years}
                code = "reach.earned" if years <= LONGEST_LIFE else "reach.earned_late"
                earned = sentence(code, values)
            values = {"gain": self.gain_per_course, "earned": earned}
            values["range"] = _span(self.gain_interval, "whole")
            values["courses"] = _span(self.break_even_interval, "whole")
            lines.append(sentence("reach.worth", values))
        grave = [note for note in self.notes if note.severity != "info"]
        rest = [note for note in self.notes if note.severity == "info"]
        return [*lines, *map(Sentence, grave), *bullets(rest)]


def what_would_change(
    log: OutcomeLog,
    wavelengths_nm: Sequence[float],
    *,
    regime: str = "ps",
    price: float | None = None,
    worth_cleared: float = 0.0,
    cost_per_session: float = 0.0,
    on: pd.Timestamp | str | None = None,
    horizon: int = COMPARED_TO,
    level: float = 0.95,
    seed: int = 0,
) -> LaserChange:
    """Return what a laser would change for those whose inks are out of reach now.

    Parameters
    ----------
    log : OutcomeLog
        A log with a lasers table.
    wavelengths_nm : sequence of float
        What the laser emits, nm.
    regime : str
        Its pulse regime, ``ns`` or ``ps``.
    price : float, optional
        What the laser costs; without it no money is worked out.
    worth_cleared : float
        What one more cleared course is worth to the clinic, same money.
    cost_per_session : float
        What one session costs the clinic; sessions saved count as gain, sessions added as loss.
    on : Timestamp or text, optional
        The day of the question: lasers in use then and the two years before it. By default the
        last day of the log. The effect of reach is learnt from the whole log either way.
    horizon : int
        Sessions counted to.
    level : float
        Of the intervals.
    seed : int
        Of the parameter draws.

    Raises
    ------
    DataError
        If the log names no lasers or nobody cleared.
    RequestError
        If a wavelength, the regime or the price is not usable.

    Notes
    -----
    The log-normal model of the sessions needed (`reach_effect`), the clinic's own courses
    watched as unreached until the day a laser for their inks came into use. Newly reached
    courses are predicted as unreached and as reached under the same parameter draws.

    Examples
    --------
    >>> what_would_change(log, [755], on="2020-01-01").laser.regime
    'ps'
    """
    check_level(level)
    check_whole_number(horizon, name="horizon", low=2, high=100)
    check_seed(seed)
    if price is not None and not price > 0:
        raise RequestError(*problem_and_remedy("refused.laser_price", {"given": price}))
    check_kind(wavelengths_nm, Iterable, name="wavelengths_nm", give="numbers, such as [755]")
    laser = Laser(regime, tuple(wavelengths_nm))
    newly, partly, years = _newly_reached(log, laser, on)
    per_year = len(newly) / years
    fewest, most = poisson_interval(len(newly), level=level)
    spells = reach_spells(log)
    notes = [reach_evidence(log, spells)]
    sessions = cleared = np.zeros(0)
    if newly:
        sessions, cleared = _draws(spells, newly, horizon, seed)
    else:
        notes.append(Note("reach.nobody_newly", "caution"))
        notes += [Note("reach.never_pays", "caution")] * (price is not None)
    sessions_change, sessions_interval = _centre(sessions, level)
    cleared_change, cleared_interval = _centre(cleared, level)
    gains = worth_cleared * cleared - cost_per_session * sessions
    gain, (low, high) = _centre(np.zeros(0) if price is None else gains, level)
    even, first, last = (price / g if price and g and g > 0 else None for g in (gain, high, low))
    return LaserChange(
        laser=laser,
        per_year=per_year,
        per_year_interval=(fewest / years, most / years),
        partly_per_year=partly / years,
        sessions_change=sessions_change,
        sessions_interval=sessions_interval,
        cleared_change=cleared_change,
        cleared_interval=cleared_interval,
        gain_per_course=gain,
        gain_interval=(low, high),
        break_even_courses=even,
        break_even_interval=(first, last),
        break_even_years=None if even is None else even / per_year,
        horizon=horizon,
        level=level,
        notes=tuple(notes),
    )


# The recent courses newly reached, how many are partly, and the years they span.
def _newly_reached(
    log: OutcomeLog, laser: Laser, on: pd.Timestamp | str | None
) -> tuple[list[str], int, float]:
    if check_log(log).lasers.empty:
        raise DataError(*problem_and_remedy("refused.no_lasers"))
    started = log.courses["started_on"]
    dates = pd.concat([started, log.sessions["treated_on"]])
    asked = pd.Timestamp(dates.max())
    if on is not None:
        try:
            day = date.fromisoformat(on) if isinstance(on, str) else on
            asked = pd.Timestamp(day).normalize()
        except (TypeError, ValueError):
            raise RequestError(*problem_and_remedy("refused.laser_day", {"given": on})) from None
    since = asked - pd.Timedelta(days=RECENT_YEARS * YEAR)
    recent = log.courses[(started > since) & (started <= asked)]
    if recent.empty:
        values = {"low": str(started.min().date()), "high": str(started.max().date())}
        values["day"] = str(asked.date())
        raise RequestError(*problem_and_remedy("refused.none_recent", values))
    years = max((asked - max(since, started.min())).days / YEAR, 0.25)
    now = lasers_in_use(log.lasers, asked)
    newly, partly = [], 0
    for course, inks in zip(recent["course_id"], recent["inks"], strict=True):
        before, after = unreached_inks(inks, now), unreached_inks(inks, (*now, laser))
        if before and not after:
            newly.append(str(course))
        elif len(after) < len(before):
            partly += 1
    return newly, partly, years


# The mean change in sessions and in the share cleared, a parameter draw each. Each draw weighs the
# courses anew (Bayesian bootstrap, Rubin 1981): those to come are like these, not these.
def _draws(
    spells: pd.DataFrame, newly: list[str], horizon: int, seed: int
) -> tuple[FloatArray, FloatArray]:
    fitted = fit_reach(spells)
    chosen = (spells["course_id"].isin(newly) & ~spells["course_id"].duplicated()).to_numpy()
    covariates = durations_of(spells, dict.fromkeys(COVARIATES)).covariates[chosen]
    weights = np.random.default_rng(seed).dirichlet(np.ones(len(covariates)), N_DRAWS)
    totals = []
    for unreached in (0.0, 1.0):
        frame = covariates.assign(ink_unreached=unreached)
        pmf = fitted.predict_draws(frame, horizon, n_draws=N_DRAWS, seed=seed)
        survival = 1 - np.cumsum(pmf, axis=2)
        sessions = 1 + survival[:, :, :-1].sum(axis=2)
        by_horizon = 1 - survival[:, :, -1]
        totals.append(((weights * sessions).sum(axis=1), (weights * by_horizon).sum(axis=1)))
    (reached_k, reached_share), (missed_k, missed_share) = totals
    return reached_k - missed_k, reached_share - missed_share


def _centre(draws: FloatArray, level: float) -> tuple[float | None, Interval]:
    if not len(draws):
        return None, (None, None)
    low, high = np.quantile(draws, [(1 - level) / 2, (1 + level) / 2])
    return float(draws.mean()), (float(low), float(high))


def _span(interval: Interval, form: str, times: int = 1) -> Sentence:
    said = [
        sentence("reach.at_no_time") if n is None else sentence(f"reach.{form}", {"n": times * n})
        for n in interval
    ]
    return sentence("headline.span", dict(zip(("low", "high"), said, strict=True)))
