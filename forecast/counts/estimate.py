"""The answer to one enquiry: how many sessions, how sure, and how a course ends.

The hazard is the chance of giving up after a session that has not reached the goal.

Those who need many sessions are also readier to give up after any of them, so the hazard depends on
how many sessions an enquiry is expected to need. A hazard that is the same for everybody stops the
quick tattoos too often and the slow ones not often enough. What counts is how slowly the ink goes:
also who wants lightening only goes by the sessions to clearing. It may drift over the years, as
the count does; what is said holds for the last two years of the log.

Beside what an enquiry tells, the slower of two alike tattoos is given up sooner. Stopping and
needing so have one joint law: the hazard of those still coming is spread over them in proportion
to a power of the sessions that each needs, which the ends of the log's courses say.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import SHOWN_AT, check_kind, check_whole_number
from forecast._notes import Note, Sentence, bullets, notes_as_json, problem_and_remedy, sentence
from forecast._plain import Result
from forecast.counts.attributes import LIGHTEN
from forecast.errors import RequestError
from forecast.log import Enquiry
from forecast.survival import CountDistribution

if TYPE_CHECKING:
    import pandas as pd

    from forecast.survival import FittedCountModel

LENGTH = "length"  # the covariate: log of the expected sessions, over ten
DRIFT = "four_years_on"
TYPICAL = 10.0
PRIOR_STOPS = 5.0  # as if by 5 more stops what few say is drawn to what is expected
MOST_SLOW = 3.0  # the largest power that is looked at

# Mean and standard deviation of the log hazard of stopping after a session: about one in 16, as
# 37 % of 57 (Taylor et al. 1990) and 29 % of 98 (cosmetic eyebrows) did not finish; wide. Nothing
# is published about the length, nor about clinics' habits, which may drift as their counts do.
EVIDENCE = {
    "baseline[level]": (-2.8, 1.0),
    "baseline[slope]": (0.0, 0.5),
    "baseline[curve]": (0.0, 0.25),
    LENGTH: (0.0, 1.0),
    DRIFT: (0.0, 0.4),
}


def competing_ends(
    pmf: FloatArray, stop: FloatArray, pull: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the chances that a course ends after each session, at its goal and given up.

    Reaching the goal at a session comes before stopping after it; what is missing to one is the
    chance that neither has happened by the horizon.

    Parameters
    ----------
    pmf : ndarray of shape (..., horizon)
        Chance that the goal is reached at each session if treatment goes on; it may look further
        than ``stop``.
    stop : ndarray of shape (..., horizon)
        Chance of stopping after each session that has not reached it, over all who still come.
    pull : ndarray of shape (horizon of pmf + 1,), optional
        How readily those stop, one against another, who need 1, 2, … sessions, and more than that.
        None is all alike.

    Examples
    --------
    >>> reached, given_up = competing_ends(np.array([0.5, 0.25]), np.array([0.2, 0.2]))
    >>> reached.tolist(), given_up.round(9).tolist()
    ([0.5, 0.2], [0.1, 0.04])
    """
    if pull is None:
        pmf = pmf[..., : stop.shape[-1]]
        present = np.ones(stop.shape)
        np.cumprod(1 - stop[..., :-1], axis=-1, out=present[..., 1:])
        left = np.maximum(1 - np.cumsum(pmf, axis=-1), 0)
        return pmf * present, left * present * stop
    steps, shape = stop.shape[-1], np.broadcast_shapes(pmf.shape[:-1], stop.shape[:-1])
    more = np.maximum(1 - pmf.sum(axis=-1, keepdims=True), 0)
    coming = np.concatenate([pmf, more], axis=-1)  # who still come, by the sessions they need
    coming = np.broadcast_to(coming, (*shape, coming.shape[-1])).copy()
    given_up = np.empty((*shape, steps))
    for k in range(steps):
        left = coming[..., k + 1 :]
        given_up[..., k] = stop[..., k] * left.sum(axis=-1)
        each = given_up[..., k] / np.maximum(left @ pull[k + 1 :], 1e-300)
        left *= np.maximum(1 - each[..., None] * pull[k + 1 :], 0)
    return coming[..., :steps], given_up


def to_clearing(covariates: pd.DataFrame | Mapping[str, Any]) -> pd.DataFrame | Mapping[str, Any]:
    """Return the covariates with clearing as the goal of every row."""
    if LIGHTEN not in covariates:
        return covariates
    if isinstance(covariates, Mapping):
        return {**covariates, LIGHTEN: [0.0] * len(covariates[LIGHTEN])}
    return covariates.assign(**{LIGHTEN: 0.0})


def length_of(distribution: CountDistribution) -> FloatArray:
    """Return the log of the expected sessions, over ten, shape (n,).

    Sessions beyond the horizon count as the horizon.
    """
    expected = distribution.mean_capped(distribution.horizon)
    return np.asarray(np.log(expected / TYPICAL), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Stopping:
    """The fitted hazard of stopping, for courses whose length is known.

    Attributes
    ----------
    model : FittedCountModel
        With the length and the drift as covariates.
    by_session : tuple of float
        What the hazard is multiplied by at each session: more where what was prepaid is used up.
    slow : float
        The power of the sessions needed that clients still coming stop in proportion to.

    Examples
    --------
    >>> quick_and_slow = np.log([0.5, 2.0])  # tattoos of 5 and of 20 sessions
    >>> forecaster.stopping.hazard(quick_and_slow, done=0, steps=3).round(3).tolist()
    [[0.006, 0.01, 0.009], [0.013, 0.023, 0.02]]
    """

    model: FittedCountModel
    by_session: tuple[float, ...] = ()
    slow: float = 0.0

    def pull(self, steps: int, done: int = 0) -> FloatArray | None:
        """Return how readily those stop who need 1, 2, … ``steps``, or more, after ``done``.

        Shape (steps + 1,); None where all alike.
        """
        return (done + np.arange(1.0, steps + 2)) ** self.slow if self.slow else None

    def hazard(self, length: FloatArray, done: int, steps: int) -> FloatArray:
        """Return the chance of stopping after each of ``steps`` sessions that follow ``done``.

        Shape (n, steps), one row per length.
        """
        hazard = self.model.predict(now(length), done + steps).hazard()
        return self._by_session(hazard)[:, done:]

    def _by_session(self, hazard: FloatArray) -> FloatArray:
        factor = np.ones(hazard.shape[-1])
        known = self.by_session[: len(factor)]
        factor[: len(known)] = known
        return np.asarray(1 - (1 - hazard) ** factor)

    def draws(
        self, length: FloatArray, done: int, steps: int, *, n_draws: int, seed: int
    ) -> FloatArray:
        """Return the same under draws of the parameters, shape (n_draws, n, steps)."""
        pmfs = self.model.predict_draws(now(length), done + steps, n_draws=n_draws, seed=seed)
        hazard = CountDistribution(pmfs.reshape(-1, done + steps)).hazard()
        return self._by_session(hazard).reshape(pmfs.shape)[..., done:]

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return {**self.model.to_dict(), "by_session": list(self.by_session), "slow": self.slow}


def fit_stopping(rows: pd.DataFrame, length: FloatArray, pmf: FloatArray | None = None) -> Stopping:
    """Return the hazard of stopping after a session, by the length of the course to be expected.

    A course that reaches its goal at a session is not at risk of stopping after it; of one that
    is still running nobody knows yet whether the client comes back after the last session.
    ``rows`` are of ``course_rows``; ``length``, (n,), is ``length_of`` their predicted distribution
    and ``pmf`` that itself, to see whether the slower of alike courses are given up sooner.
    """
    from forecast.survival import DiscreteHazard, Durations

    until = rows["given"] - (~rows["stopped"]).astype(int)
    at_risk = rows.assign(until=until, **{LENGTH: length})
    spec = DiscreteHazard(prior=EVIDENCE)
    if not (until > 0).any():
        return Stopping(spec.from_prior((LENGTH, DRIFT), horizon=1))
    spells = Durations.from_frame(
        at_risk[until > 0],
        step="until",
        observed="stopped",
        covariates=[LENGTH, DRIFT],
        subject="client_id",
    )
    fitted: Any = spec.fit(spells)
    given, longest = rows["given"].to_numpy(), int(until.max())
    steps = max(longest, 0 if pmf is None else pmf.shape[1])
    hazard = fitted.predict({LENGTH: length, DRIFT: rows[DRIFT].to_numpy()}, steps).hazard()
    at_each = until.to_numpy()[:, None] >= np.arange(1, longest + 1)
    expected = (hazard[:, :longest] * at_each).sum(axis=0)
    seen = np.bincount(given[rows["stopped"]], minlength=longest + 1)[1:]
    # a gamma-Poisson mean (Clayton and Kaldor 1987, Biometrics 43:671)
    factors = tuple(((seen + PRIOR_STOPS) / (expected + PRIOR_STOPS)).round(4).tolist())
    found = Stopping(fitted, factors)
    if pmf is None:
        return found
    return replace(found, slow=_slow_of(rows, pmf, found._by_session(hazard)))


def _slow_of(rows: pd.DataFrame, pmf: FloatArray, hazard: FloatArray) -> float:
    # the power under which the ends of the courses are likeliest, drawn to 0 by a standard normal
    from scipy.optimize import minimize_scalar

    horizon, step = pmf.shape[1], rows["step"].to_numpy()
    used = np.flatnonzero((rows["entry"] == 0) & (step >= 1) & (step <= horizon))
    if not len(used):
        return 0.0
    at = (np.arange(len(used)), step[used] - 1)
    reached, stopped = (rows[name].to_numpy()[used] for name in ("observed", "stopped"))
    pmf, hazard = pmf[used], hazard[used, :horizon]

    def unlikely(slow: float) -> float:
        pull = np.arange(1.0, horizon + 2) ** slow
        ends = competing_ends(pmf, hazard, pull)
        going = 1 - np.cumsum(ends[0] + ends[1], axis=1) + ends[1]
        seen = np.where(reached, ends[0][at], np.where(stopped, ends[1][at], going[at]))
        return float(slow**2 / 2 - np.log(np.maximum(seen, 1e-12)).sum())

    best = minimize_scalar(
        unlikely, bounds=(0, MOST_SLOW), method="bounded", options={"xatol": 0.01}
    )
    return round(float(best.x), 2)


def now(length: FloatArray) -> dict[str, FloatArray]:
    """Return the covariates of courses of the last two years."""
    return {LENGTH: length, DRIFT: np.zeros_like(length)}


def of_100(chance: float) -> Sentence:
    """Return a chance as a natural frequency.

    Examples
    --------
    >>> of_100(0.034), of_100(0.002), of_100(0.9971)
    ('3 of 100', 'fewer than 1 of 100', 'more than 99 of 100')
    """
    count = round(100 * chance)
    if count in (0, 100):
        return sentence(f"prices.{'more_than_99' if count else 'fewer_than_1'}_of_100")
    return sentence("prices.of_100", {"count": count})


@dataclass(frozen=True, slots=True, eq=False)
class Delivered:
    """Sessions delivered and how the course ends, as one joint distribution."""

    cleared: FloatArray  # (horizon,): chance that the course reaches its goal at session n
    stopped: FloatArray  # (horizon,): that the client stops after it, goal not reached
    going: float  # that neither has happened by the horizon

    def expected_sessions(self, cap: int) -> float:
        """Return the expected number of sessions delivered when at most ``cap`` are given."""
        cap = check_whole_number(cap, name="cap", low=1, high=len(self.cleared))
        present = 1 - np.concatenate([[0.0], np.cumsum(self.cleared + self.stopped)])
        return float(present[:cap].sum())


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Estimate(Result):
    """The predicted distribution of the sessions needed here by one enquiry.

    Attributes
    ----------
    enquiry : Enquiry
        The attributes asked about.
    distribution : CountDistribution
        One row: chance that the goal is reached at session 1, 2, …, horizon if treatment goes
        on until then. What is missing is the chance that more are needed, or that it never is.
    level : float
        What the interval is meant to cover, for example 0.8.
    stops : callable
        Gives ``stop_hazard``, (horizon,), the chance that a client stops after a session that has
        not reached the goal: of which only a price and what is delivered have need.
    draws : ndarray of shape (n_draws, horizon)
        The distribution under draws of the model's parameters; draw d is the same draw for
        every enquiry of this forecaster.
    goal : str
        ``clear`` or ``lighten``.
    support : str
        ``well covered``, ``thin`` or ``outside``: how much of the log is like this enquiry.
    support_reasons : tuple of str
        Why it is not well covered, as codes: ``too_few_like_it``, ``none_finished``,
        ``level_not_in_log`` and the like.
    own_share : float
        Share of the information that comes from the clinic's own log, 0 to 1; the rest is
        published evidence.
    supported_to : int
        The last session with at least five courses of the log at risk; beyond it the smooth
        baseline is extrapolated.
    notes : tuple of Note
        What it rests on, and the doubts.
    stopping : callable or None
        Gives ``stop_draws``, (n_draws, 1, horizon), of which only a price has need.
    stop_pull : ndarray of shape (horizon + 1,) or None
        How readily those stop who need 1, 2, … sessions, or more; None is all alike.
    evidence_alone : Estimate or None
        What the evidence says without this log and without gradings; None where the model leans
        on no evidence.
    reached : Estimate or None
        Of the inks that some laser in use takes up well; None where that is all of them or none.
    unreached : tuple of str
        The inks that none does.
    instead : Estimate or None
        Of the goal ``lighten``, where more than half do not clear within the horizon.
    leads : tuple of Note
        What belongs beside the number, before any doubt: see ``doubts.leads_of``.
    sessions_done : int
        Sessions had here before those that are counted.

    Examples
    --------
    >>> estimate = forecaster.estimate(enquiry, level=0.8)
    >>> estimate.interval[0] <= estimate.median, 0 < estimate.chance_by(10) < 1
    (True, True)
    """

    enquiry: Enquiry
    distribution: CountDistribution
    level: float
    stops: Callable[[], FloatArray]
    draws: FloatArray
    goal: str
    support: str
    own_share: float
    supported_to: int
    support_reasons: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()
    stopping: Callable[[], FloatArray] | None = None
    stop_pull: FloatArray | None = None
    evidence_alone: Estimate | None = None
    reached: Estimate | None = None
    unreached: tuple[str, ...] = ()
    instead: Estimate | None = None
    leads: tuple[Note, ...] = ()
    sessions_done: int = 0

    @property
    def horizon(self) -> int:
        """The last session the distribution speaks of."""
        return self.distribution.horizon

    @property
    def stop_hazard(self) -> FloatArray:
        """The chance that a client stops after each session without the goal, (horizon,)."""
        return self.stops()

    @property
    def stop_draws(self) -> FloatArray | None:
        """The stopping hazard under draws, (n_draws, horizon); None takes it as known."""
        return None if self.stopping is None else self.stopping()[:, 0]

    @property
    def median(self) -> int | None:
        """The session by which half of clients like this are there; None beyond the horizon."""
        return _ends(self.distribution, None)[0]

    @property
    def interval(self) -> tuple[int | None, int | None]:
        """Equal-tailed interval at ``level``; an end beyond the horizon is None."""
        low, high = _ends(self.distribution, self.level)
        return low, high

    @property
    def not_within_horizon(self) -> float:
        """Chance that the goal is not reached by the horizon."""
        return float(self.distribution.not_yet()[0])

    @property
    def if_reached(self) -> Estimate:
        """The count of those who reach the goal within the horizon, who alone are counted.

        Apart from it, ``not_within_horizon`` is the chance not to be among them.
        """
        return _among(self)

    def with_draws(self, draws: FloatArray) -> Estimate:
        """Return the same question answered by other draws, with nothing beside the count."""
        return replace(
            self,
            distribution=CountDistribution(draws.mean(axis=0, keepdims=True)),
            draws=draws,
            notes=(),
            leads=(),
            evidence_alone=None,
            reached=None,
            unreached=(),
            instead=None,
        )

    @property
    def delivered(self) -> Delivered:
        """Joint distribution of sessions delivered and how the course ends."""
        cleared, stopped = competing_ends(
            self.distribution.pmf[0], self.stop_hazard, self.stop_pull
        )
        return Delivered(cleared, stopped, float(1 - cleared.sum() - stopped.sum()))

    def chance_by(self, n: int) -> float:
        """Return the chance that the goal is reached within ``n`` sessions, 0 to the horizon."""
        n = check_whole_number(n, name="n", low=0, high=self.horizon)
        return float(self.distribution.cdf()[0, n - 1]) if n else 0.0

    def calendar(self, spacing_weeks: float, start: date) -> dict[str, date | None]:
        """Return when the median and the interval's ends fall, first session at ``start``."""
        check_kind(start, date, name="start", give="a datetime.date")
        if not isinstance(spacing_weeks, int | float) or not 1 <= spacing_weeks <= 104:
            raise RequestError(*problem_and_remedy("refused.spacing", {"given": spacing_weeks}))
        low, high = self.interval
        ends = {"low": low, "median": self.median, "high": high}
        return {
            name: None if n is None else start + timedelta(weeks=spacing_weeks * (n - 1))
            for name, n in ends.items()
        }

    def to_dict(self) -> dict[str, Any]:
        """Return plain JSON values; an end or a chance beyond the horizon is None."""
        missing = round(self.not_within_horizon, 4)
        chances = {n: round(self.chance_by(n), 4) for n in SHOWN_AT if n <= self.horizon}
        return {
            "median": self.median,
            "interval": list(self.interval),
            "level": self.level,
            "chance_by": {str(n): chances.get(n) for n in SHOWN_AT},
            "not_within_horizon": missing,
            "horizon": self.horizon,
            "goal": self.goal,
            "support": self.support,
            "support_reasons": list(self.support_reasons),
            "supported_to": self.supported_to,
            "own_share": round(self.own_share, 3),
            **notes_as_json(self.notes),
            **notes_as_json(self.leads, "lead"),
            "if_reached": {**self.if_reached.in_short(), "not_within_horizon": missing},
            "evidence_alone": self.evidence_alone and self.evidence_alone.in_short(),
            "moved": self.moved,
            "reached": self.reached
            and {"inks": self.reached.enquiry.inks, **self.reached.in_short()},
            "unreached": list(self.unreached),
            "instead": self.instead and self.instead.in_short(),
        }

    def in_short(self) -> dict[str, Any]:
        """Return the count alone as plain JSON values."""
        return {
            "median": self.median,
            "interval": list(self.interval),
            "not_within_horizon": round(self.not_within_horizon, 4),
        }

    @property
    def moved(self) -> int | None:
        """How many sessions the log moved the median of the evidence; None beyond the horizon."""
        alone = None if self.evidence_alone is None else self.evidence_alone.median
        return None if alone is None or self.median is None else self.median - alone

    @property
    def headline(self) -> tuple[Sentence, ...]:
        """The answer alone, a line each: natural frequencies, both sides, what lies beside them."""
        more = "_more" * bool(self.sessions_done)
        code, values = "beyond", {"horizon": self.horizon}
        if self.median is not None:
            code, values = "about", {"n": self.median}
        count = sentence(f"headline.{code}{more}", values)
        need = "need" if self.interval[0] is not None else "most"
        beside = {"count": count, "of_ten": self.level * 10, "span": self.range_text()}
        share = of_100(self.not_within_horizon)
        one = round(100 * self.not_within_horizon) == 1
        who = sentence("headline.is" if one else "headline.are", {"share": share})
        there = {"who": who, "goal": sentence(f"headline.{self.goal}"), "horizon": self.horizon}
        return (
            sentence(f"headline.{need}", beside),
            sentence(f"headline.not_there{more}", there),
            *map(Sentence, self.leads),
            *(sentence(f"headline.{one}") for one in ("thin", "outside") if one == self.support),
        )

    def lines(self, language: str) -> list[str]:
        """Return the answer in words, and all that it rests on."""
        return [*self.headline, *bullets(self.notes)]

    def range_text(self) -> Sentence:
        """Return the interval in words; one number where both ends are the same."""
        low, high = self.interval
        if low == high:
            return self.spoken(low) if low is None else sentence("headline.sessions", {"n": low})
        return sentence("headline.span", {"low": self.spoken(low), "high": self.spoken(high)})

    def spoken(self, n: int | None) -> Sentence:
        """Return a session count in words; None reads "more than" the horizon."""
        if n is None:
            return sentence("headline.more_than", {"horizon": self.horizon})
        return sentence("headline.number", {"n": n})


def learnt_share(now: FloatArray, before: FloatArray) -> float:
    """Return the share of the evidence's uncertainty that the own log has removed, 0 to 1.

    Uncertainty is the variance over parameter draws of log(-log S(k)) at the step k nearest
    to the middle of both distributions; each is given as draws of shape (n_draws, horizon).
    """
    middle = int(np.argmin(np.abs(np.cumsum(now.mean(axis=0) + before.mean(axis=0)) - 1.0)))
    spread = []
    for pmfs in (now, before):
        survival = np.clip(1 - pmfs[:, : middle + 1].sum(axis=1), 1e-9, 1 - 1e-9)
        spread.append(float(np.log(-np.log(survival)).var()))
    return float(np.clip(1 - spread[0] / max(spread[1], 1e-12), 0, 1))


@lru_cache(maxsize=32)  # its leads ask, and its JSON
def _among(whole: Estimate) -> Estimate:
    each, pmf = whole.draws, whole.distribution.pmf
    alike = whole.with_draws(each / np.maximum(each.sum(axis=1, keepdims=True), 1e-12))
    return replace(alike, distribution=CountDistribution(pmf / max(float(pmf.sum()), 1e-12)))


@lru_cache(maxsize=256)  # its sentences ask again and again
def _ends(distribution: CountDistribution, level: float | None) -> tuple[int | None, ...]:
    """Return the ends of the interval at ``level``, or the median, of the one row."""
    row = distribution.median() if level is None else distribution.interval(level)[0]
    return tuple(int(end) if end < np.inf else None for end in row.tolist())
