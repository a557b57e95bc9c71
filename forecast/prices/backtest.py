"""What past courses tell: what a tariff would have earned, and who stops under which package."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, cluster_counts, shares
from forecast._checks import check_level, check_seed, check_whole_number
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result, fields_of
from forecast.counts import of_100
from forecast.errors import RequestError
from forecast.log import OutcomeLog, check_log
from forecast.prices.money import from_cents, round_cents
from forecast.prices.payoff import terms_of
from forecast.prices.tariff import Package, Tariff, check_sold

LONGEST = 100  # sessions; the log's own limit is lower
PRIOR_STOPS = 5.0  # a package with few stops is drawn to 1 as if 5 more had come as expected


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Backtest(Result):
    """What one package would have earned per past course; money net of tax."""

    package: Package
    currency: str
    n_ended: int  # courses whose margin is known
    n_ongoing: int  # those still running within the cap
    margin_per_course: Decimal  # mean, ongoing courses counted as censored
    interval: tuple[Decimal, Decimal]  # of that mean, by resampling clients
    chance_of_loss: float  # share of courses that would have lost money
    total: Decimal  # ``margin_per_course`` times all courses
    earned_by_ended: Decimal  # certain already
    spent_on_ongoing: Decimal  # so far
    notes: tuple[Note, ...]  # how it was computed

    def lines(self, language: str) -> list[str]:
        """Return the result in words."""
        low, high = self.interval
        values = fields_of(self)
        values |= {"name": self.package.said, "code": self.currency, "low": low, "high": high}
        values["share"] = of_100(self.chance_of_loss)
        said = [sentence(f"past.{one}", values) for one in ("margin", "so_far")]
        return [*said, *bullets(self.notes)]


def backtest_package(
    log: OutcomeLog,
    package: Package,
    tariff: Tariff,
    *,
    level: float = 0.95,
    resamples: int = 500,
    seed: int = 0,
) -> Backtest:
    """Return what a package would have earned on the log's courses.

    An ongoing course is censored at its last session: courses that ended later stand in for it
    (inverse probability of being followed, Robins and Rotnitzky 1992). Clients are taken to come
    and stop as they did under what they really bought.

    Parameters
    ----------
    log, tariff : OutcomeLog, Tariff
        Past courses; costs and rules.
    package : Package
        With a price.
    level, resamples, seed : float, int, int
        Of the interval, for which clients are drawn anew.

    Raises
    ------
    RequestError
        A package without a price, or no course that ended.

    Examples
    --------
    >>> package = forecast.Package("fixed", price=900)
    >>> backtest_package(log, package, tariff, resamples=50).currency
    'EUR'
    """
    check_sold(package, tariff)
    terms = terms_of(package, tariff, LONGEST)
    if np.isnan(tariff.price_of(package, np.nan)[0]):
        raise RequestError(*problem_and_remedy("refused.unpriced", {"name": package.name}))
    past = past_courses(check_log(log), package, tariff)
    if not past.ended.any():
        raise RequestError(*problem_and_remedy("refused.none_ended"))
    resamples = check_whole_number(resamples, name="resamples", low=2)
    tail = (1 - check_level(level)) / 2
    mean, loses = past.means(np.ones(len(past.ended)))
    again = [
        past.means(counts)[0]
        for counts in clients_drawn(log, resamples, seed)
        if counts[past.ended].any()
    ]
    low, high = np.quantile(again, [tail, 1 - tail])
    return Backtest(
        package=package,
        currency=tariff.currency,
        n_ended=int(past.ended.sum()),
        n_ongoing=int((~past.ended).sum()),
        margin_per_course=from_cents(mean),
        interval=(from_cents(float(low)), from_cents(float(high))),
        chance_of_loss=loses,
        total=from_cents(mean * len(past.ended)),
        earned_by_ended=from_cents(float(past.margins[past.ended].sum())),
        spent_on_ongoing=from_cents(float(past.spent[~past.ended].sum())),
        notes=_notes(past, terms.cap),
    )


def clients_drawn(log: OutcomeLog, n: int, seed: int) -> FloatArray:
    """Return how often each course of ``log`` counts when clients are drawn anew, (n, n_courses).

    Raises RequestError on a ``seed`` that is none.

    Examples
    --------
    >>> clients_drawn(log, 2, seed=0).shape
    (2, 150)
    """
    clients = np.unique(log.courses["client_id"].to_numpy(dtype=str), return_inverse=True)[1]
    counts = cluster_counts(int(clients.max()) + 1, n, seed=check_seed(seed))
    return counts[:, clients].astype(np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class PastCourses:
    """Past courses under a package, arrays of shape (n,), money in cents net of tax."""

    ongoing: npt.NDArray[np.bool_]  # as the log has it
    delivered: npt.NDArray[np.int64]  # sessions within the cap
    ended: npt.NDArray[np.bool_]  # whether the course ended there
    margins: FloatArray
    spent: FloatArray  # on each so far

    def weights(self, counts: FloatArray) -> FloatArray:
        """Return weights of the courses, each so many times, that let ended ones stand for all.

        ``1 / G(k)`` for a course that ended at session k, with ``G`` the chance of being followed
        past it: that a running course ended at its last session would be seen at the next visit
        only, so at one session the end of follow-up comes before ends. 0 for ongoing courses.
        """
        steps = int(self.delivered.max()) + 1
        at = np.bincount(self.delivered, weights=counts, minlength=steps)[1:]
        ends = np.bincount(self.delivered, weights=counts * self.ended, minlength=steps)[1:]
        lost = shares(at - ends, at[::-1].cumsum()[::-1])
        followed = np.asarray(np.cumprod(1 - lost), dtype=np.float64)
        return np.asarray(counts * self.ended * shares(1.0, followed)[self.delivered - 1])

    def means(self, counts: FloatArray) -> tuple[float, float]:
        """Return the mean margin and the share that loses, each course so many times."""
        weights = self.weights(counts)
        weights = weights / weights.sum()
        return float(weights @ self.margins), float(weights @ (self.margins < 0))


def past_courses(
    log: OutcomeLog, package: Package, tariff: Tariff, price: FloatArray | None = None
) -> PastCourses:
    """Return the courses of ``log`` as they would have been under ``package`` and ``tariff``.

    ``price``, shape (n,), in cents, is what each is sold at, instead of the package's own.

    Examples
    --------
    >>> past = past_courses(log, Package("fixed", price=900), tariff)
    >>> int(past.ended.sum()), int(past.ongoing.sum())
    (124, 29)
    """
    courses, terms = log.courses, terms_of(package, tariff, LONGEST)
    outcome = courses["outcome"].to_numpy(dtype=str)
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    delivered, ongoing = np.minimum(given, terms.cap), outcome == "ongoing"
    reached = np.isin(outcome, ["cleared", "lightened"]) & (given <= terms.cap)
    column = delivered - 1 + np.where(terms.splits_endings & ~reached, terms.cap, 0)
    area = courses["area_cm2"].to_numpy(dtype=np.float64)
    cost = tariff.session_costs(area)
    asked = tariff.price_of(package, area) if price is None else price
    every = round_cents(terms.margins(asked, cost))
    return PastCourses(
        ongoing=ongoing,
        delivered=delivered,
        # a course that had all that the package holds is complete, whatever came later
        ended=~ongoing | (given >= terms.cap),
        margins=every[np.arange(len(cost)), column],
        spent=cost * terms.treated[column] + terms.fixed_cost,
    )


def _notes(past: PastCourses, cap: int) -> tuple[Note, ...]:
    notes = [Note("prices.come_as_they_did")]
    outlived = int((past.ongoing & past.ended).sum())
    if outlived:
        values = {"outlived": outlived, "ongoing": int(past.ongoing.sum()), "cap": cap}
        notes.append(Note("prices.outlived", "info", values))
    last_ended, last_seen = int(past.delivered[past.ended].max()), int(past.delivered.max())
    if last_seen > last_ended:
        values = {"ended": last_ended, "seen": last_seen}
        notes.append(Note("prices.longest_still_running", "serious", values))
    if last_seen < cap:
        notes.append(Note("prices.none_so_long", "caution", {"seen": last_seen, "cap": cap}))
    return tuple(notes)


@dataclass(frozen=True, slots=True)
class StopFactor:
    """How much more or less often clients of one package stop, sessions held alike."""

    package: str  # as the log's column calls it
    factor: float  # for ``stop_factor`` of a package: below 1 where its clients keep coming
    low: float  # interval
    high: float
    stops: int  # clients who stopped
    expected: float  # how many would have, had they stopped like all clients of the log


def stop_factors(log: OutcomeLog, *, level: float = 0.9) -> tuple[StopFactor, ...]:
    """Return how often clients stop by package, against all clients at the same session.

    Observed over expected stops (indirect standardisation by session number), shrunk towards 1
    as a gamma-Poisson mean (Clayton and Kaldor 1987) and so with a gamma interval. It describes
    who chose which package; it does not say what the package would do to others.

    Parameters
    ----------
    log : OutcomeLog
        With the column ``package`` filled.
    level : float
        Of the interval.

    Raises
    ------
    RequestError
        No package is recorded.

    Examples
    --------
    >>> [one.package for one in stop_factors(log)]
    ['block_6', 'fixed_price', 'pay_per_session']
    """
    from scipy.stats import gamma

    courses = check_log(log).courses.dropna(subset="package")
    if courses.empty:
        raise RequestError(*problem_and_remedy("refused.none_sold"))
    given = courses["sessions_given"].to_numpy(dtype=np.int64)
    stopped = (courses["outcome"] == "stopped").to_numpy()
    # whether a client comes back after the last session is known of those who stopped only
    chances = np.where(stopped, given, given - 1)
    # the share of clients that stop after each session they could have stopped after
    longest = int(max(chances.max(), 1))
    at_risk = (chances[:, None] >= np.arange(1, longest + 1)).sum(axis=0)
    stops_after = np.bincount(given[stopped], minlength=longest + 1)[1:]
    expected_by = np.concatenate([[0.0], np.cumsum(stops_after / np.maximum(at_risk, 1))])[chances]
    tail = (1 - check_level(level)) / 2
    found = []
    packages = courses["package"].astype(str).to_numpy()
    for package in sorted(set(packages)):
        mine = packages == package
        stops, expected = int(stopped[mine].sum()), float(expected_by[mine].sum())
        shape, rate = stops + PRIOR_STOPS, expected + PRIOR_STOPS
        low, high = gamma.ppf([tail, 1 - tail], shape, scale=1 / rate)
        factor = StopFactor(package, shape / rate, float(low), float(high), stops, expected)
        found.append(factor)
    return tuple(found)
