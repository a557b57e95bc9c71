"""The courses of a log in money: what past ones would have earned, what open ones will cost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from forecast._arrays import FloatArray, cluster_counts, shares
from forecast._checks import check_kind, check_level, check_seed, check_whole_number, refusal
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result, fields_of
from forecast.counts import PRIOR_STOPS, Estimate, of_100
from forecast.errors import ForecastError, RequestError
from forecast.log import OutcomeLog, check_log, enquiry_of
from forecast.prices.package import Package, from_cents, round_cents
from forecast.prices.quote import draws_of, outcome_chances
from forecast.prices.tariff import Tariff, check_sold, terms_of
from forecast.prices.year import Fates, simulate

if TYPE_CHECKING:
    import pandas as pd

LONGEST = 100  # sessions; the log's own limit is lower
NOTES = (
    Note("prices.own_updates"),
    Note("prices.may_be_over"),
    Note("prices.only_recorded_prepaid", "caution"),
)


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
    log: OutcomeLog, package: Package, tariff: Tariff, *, resamples: int = 500, seed: int = 0
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
    resamples, seed : int
        Of the clients drawn anew for the interval.

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
    mean, loses = past.means(np.ones(len(past.ended)))
    drawn = clients_drawn(log, resamples, seed)
    again = [past.means(counts)[0] for counts in drawn if counts[past.ended].any()]
    low, high = np.quantile(again, [0.025, 0.975])
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
        spent=cost * terms.so_far[column] + terms.fixed_cost,
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


@dataclass(frozen=True, slots=True)
class OpenCourse:
    """One course under way: expected sessions, cost and income from now on, and prepaid money."""

    course_id: str
    package: str
    sessions_given: int
    expected_sessions: float
    expected_cost: Decimal
    expected_income: Decimal
    prepaid_left: Decimal  # of what was paid before, by expected sessions it covers; net of tax


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class OpenBook(Result):
    """All courses under way; money net of tax, exact to the cent."""

    currency: str
    courses: tuple[OpenCourse, ...]
    expected_cost: Decimal  # of all, still to be spent
    expected_income: Decimal  # still to come
    prepaid_left: Decimal  # prepaid and not yet worked off
    cost_one_in_twenty: Decimal  # that 1 in 20 such books exceeds
    expected_result: Decimal  # income and prepaid money less cost
    result_one_in_twenty: Decimal  # that 1 in 20 falls below
    chance_of_loss: float  # that the result is below zero
    chance_sd: Decimal  # spread of the result from chance
    model_sd: Decimal  # and from the model, which all courses share
    left_out: tuple[tuple[str, str], ...]  # courses that could not be valued, with the reason
    notes: tuple[Note, ...]  # how it was computed

    def lines(self, language: str) -> list[str]:
        """Return the book in words."""
        values = fields_of(self) | {"n": len(self.courses), "code": self.currency}
        values["share"] = of_100(self.chance_of_loss)
        lines = [sentence(f"open.{one}", values) for one in ("cost", "income", "result")]
        done = sum(not row.expected_sessions for row in self.courses)
        lines += [sentence("open.done", {"n": done})] * bool(done)
        for reason, count in Counter(reason for _, reason in self.left_out).items():
            first = next(name for name, why in self.left_out if why == reason)
            lines.append(sentence("open.left_out", {"n": count, "first": first, "reason": reason}))
        return [*lines, *bullets(self.notes)]

    def to_frame(self) -> pd.DataFrame:
        """Return one row per course."""
        import pandas as pd

        return pd.DataFrame(list(self.courses))


def value_open_book(
    forecaster: Any, log: OutcomeLog, tariff: Tariff, *, replicates: int = 4000, seed: int = 0
) -> OpenBook:
    """Return what the log's courses under way will still cost and bring in.

    Parameters
    ----------
    forecaster : Forecaster
        Offers ``update``.
    log : OutcomeLog
        Its ongoing courses are valued; ``package`` is matched to the tariff's packages by name,
        ``sessions_prepaid`` and ``price_paid`` say what was sold.
    tariff : Tariff
        Costs, rules and packages.
    replicates, seed : int
        Simulated books; the same seed gives the same numbers.

    Raises
    ------
    RequestError
        No ongoing course can be valued.

    Examples
    --------
    >>> _ = (folder / "tariff.toml").write_text(forecast.tariff_template(), encoding="utf-8")
    >>> priced = forecast.read_tariff(folder / "tariff.toml")
    >>> value_open_book(forecaster, log, priced, replicates=500).currency
    'EUR'
    """
    check_kind(tariff, Tariff, name="tariff", give="a Tariff")
    graded = gradings_by_course(check_log(log))
    valued, left_out = [], []
    courses = log.courses.assign(judged=log.judged_sessions)
    for course in courses[courses["outcome"] == "ongoing"].to_dict("records"):
        name = str(course["course_id"])
        try:
            valued.append(_value(forecaster, course, graded.get(name, []), tariff))
        except ForecastError as error:
            left_out.append((name, refusal(error)))
    if not valued and not left_out:
        raise RequestError(*problem_and_remedy("refused.none_running"))
    if not valued:
        values = {"n": len(left_out), "reason": left_out[0][1]}
        raise RequestError(*problem_and_remedy("refused.none_valued", values))
    rows = [row for row, _, _ in valued]
    n_draws = max(len(own) for _, own, _ in valued)  # of a course at the cap there is one
    chances = np.zeros((n_draws, len(rows), max(own.shape[1] for _, own, _ in valued)))
    amounts = np.zeros((2, *chances.shape[1:]))  # results and costs
    for at, (_, own, money) in enumerate(valued):
        chances[:, at, : own.shape[1]], amounts[:, at, : own.shape[1]] = own, money
    run = {"replicates": replicates, "seed": check_seed(seed)}
    simulated, means, variances = simulate(Fates(chances, amounts[0]), **run)
    spent = simulate(Fates(chances, amounts[1]), **run)[0]
    cost, income, prepaid = (
        sum((getattr(row, name) for row in rows), Decimal(0))
        for name in ("expected_cost", "expected_income", "prepaid_left")
    )
    return OpenBook(
        currency=tariff.currency,
        courses=tuple(rows),
        expected_cost=cost,
        expected_income=income,
        prepaid_left=prepaid,
        cost_one_in_twenty=from_cents(float(np.quantile(spent, 0.95))),
        expected_result=income + prepaid - cost,
        result_one_in_twenty=from_cents(float(np.quantile(simulated, 0.05))),
        chance_of_loss=float((simulated < 0).mean()),
        chance_sd=from_cents(float(variances.mean()) ** 0.5),
        model_sd=from_cents(float(means.std())),
        left_out=tuple(left_out),
        notes=NOTES,
    )


def gradings_by_course(log: OutcomeLog) -> dict[str, list[tuple[int, float]]]:
    """Return the gradings of each course, as (after session, percent)."""
    found: dict[str, list[tuple[int, float]]] = {}
    rows = log.graded.sort_values("after_session")
    for course, after, percent in rows[["course_id", "after_session", "fading_pct"]].to_numpy():
        found.setdefault(str(course), []).append((int(after), float(percent)))
    return found


def match_package(name: object, packages: Sequence[Package]) -> Package:
    """Return the package that the log calls ``name``, or raise RequestError."""

    def simply(text: object) -> str:
        return str(text).lower().replace("_", " ").strip()

    for package in packages:
        if simply(package.name) == simply(name):
            return package
    known = ", ".join(package.name for package in packages) or "none"
    raise RequestError(*problem_and_remedy("refused.not_in_tariff", {"name": name, "known": known}))


def _value(
    forecaster: Any, course: dict[Any, Any], gradings: list[tuple[int, float]], tariff: Tariff
) -> tuple[OpenCourse, FloatArray, FloatArray]:
    # the course, the chance of each outcome by draw, and the result and cost of each, in cents
    package = match_package(course["package"], tariff.packages)
    enquiry = enquiry_of(course, getattr(forecaster, "extra", ()))
    given, judged = int(course["sessions_given"]), int(course["judged"])
    if given >= max(package.cap or tariff.cap, int(_number(course.get("sessions_prepaid")))):
        nothing = OpenCourse(str(course["course_id"]), package.name, given, 0.0, *[Decimal(0)] * 3)
        return nothing, np.ones((1, 1)), np.zeros((2, 1))
    later = forecaster.update(enquiry, sessions_done=judged, gradings=gradings).remaining
    over, law = from_now(later, waiting=given > judged)
    horizon = law[0].shape[1]
    left, in_the_bank = _remainder(package, course, given, horizon, tariff)
    terms = terms_of(left, tariff, horizon, started=True)
    going = 1 - over.sum(axis=1, keepdims=True)
    chances = np.hstack([over, going * outcome_chances(terms, *law)])
    revenue = tariff.price_of(left, enquiry.area_cm2)[0] * terms.paid + terms.extra
    received = in_the_bank / (1 + tariff.tax_rate)
    share = tariff.refund_share if left.refund_share is None else left.refund_share
    # first of a course that is over: refunds if cleared and if given up
    over_income = [-share * received if left.kind == "block" else 0.0, -share * received]
    income = np.concatenate([over_income, revenue - received])
    costs = np.pad(tariff.session_costs(enquiry.area_cm2)[0] * terms.treated, (2, 0))
    delivered = np.pad(terms.delivered, (2, 0))
    mean = chances.mean(axis=0)
    covered = float(mean @ np.minimum(delivered, terms.block))
    prepaid = left.kind not in ("per_session", "part_fixed")
    paid = 100 * _number(course.get("price_paid"))
    worked_for = paid * covered / (given + covered) if prepaid else 0.0
    prepaid_left = worked_for / (1 + tariff.tax_rate)
    row = OpenCourse(
        course_id=str(course["course_id"]),
        package=package.name,
        sessions_given=given,
        expected_sessions=float(mean @ delivered),
        expected_cost=from_cents(float(mean @ costs)),
        expected_income=from_cents(float(mean @ income)),
        prepaid_left=from_cents(prepaid_left),
    )
    return row, chances, np.round([income - costs + prepaid_left, costs])


def from_now(
    later: Estimate, *, waiting: bool
) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray | None]]:
    """Return the chances that a course is over, (n_draws, 2), and what ends it if it is not.

    While its last session waits to be judged, a course may be over without anyone knowing, cleared
    by that session, or given up after it.
    """
    (draws, stop), pull = draws_of(later), later.stop_pull
    if not waiting:
        return np.zeros((len(draws), 2)), (draws, stop, pull)
    cleared = draws[:, 0]
    stopped = (1 - cleared) * stop[:, 0]
    going = np.maximum(1 - cleared, 1e-9)[:, None]
    rest = (draws[:, 1:] / going, stop[:, 1:], pull if pull is None else pull[1:])
    return np.column_stack([cleared, stopped]), rest


def _remainder(
    package: Package, course: dict[Any, Any], given: int, horizon: int, tariff: Tariff
) -> tuple[Package, float]:
    # What is left of a package, as a package, and the prepaid cents that belong to it, which are
    # received already and matter for refunds. Once the prepaid sessions are used up, what follows
    # is paid per session: at the package's extra price, or the tariff's.
    most = (package.cap or tariff.cap) - given
    if package.kind == "per_session":
        return replace(package, cap=most), 0.0
    sold = int(_number(course.get("sessions_prepaid")))
    whole = package.sessions or package.cap or tariff.cap
    if package.kind != "part_fixed" and sold >= 1:
        whole = sold
    left = min(whole - given, horizon)
    if left < 1:
        each, currency = package.extra_price, package.currency
        return Package("per_session", price=each, cap=most, currency=currency), 0.0
    if package.kind == "part_fixed":
        return replace(package, sessions=left, cap=most), 0.0
    price = from_cents(100 * _number(course.get("price_paid")) * left / whole)
    if package.kind == "block":
        block = replace(package.sold_at(price, cap=max(most, left)), sessions=left)
        return block, float(100 * price)
    return package.sold_at(price, cap=left), float(100 * price)


def _number(cell: Any) -> float:
    return 0.0 if cell is None or cell != cell else float(cell)
