"""The courses already sold: what they will still cost, each by its own update."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np

from forecast._arrays import FloatArray
from forecast._checks import check_kind, check_seed
from forecast._notes import Note, bullets, problem_and_remedy, sentence
from forecast._plain import Result, fields_of
from forecast.counts import Estimate, of_100
from forecast.errors import ForecastError, RequestError
from forecast.log import OutcomeLog, check_log, enquiry_of
from forecast.prices.money import from_cents
from forecast.prices.payoff import outcome_chances, terms_of
from forecast.prices.quote import draws_of
from forecast.prices.shared_risk import Fates, simulate
from forecast.prices.tariff import Package, Tariff

if TYPE_CHECKING:
    import pandas as pd

NOTES = (
    Note("prices.own_updates"),
    Note("prices.may_be_over"),
    Note("prices.only_recorded_prepaid", "caution"),
)


@dataclass(frozen=True, slots=True)
class OpenCourse:
    """One course under way: expected sessions, cost and income from now on, and prepaid money.

    ``prepaid_left`` is the part of what was paid in advance that belongs to sessions still to
    come: by expected sessions that the prepayment covers, net of tax.
    """

    course_id: str
    package: str
    sessions_given: int
    expected_sessions: float
    expected_cost: Decimal
    expected_income: Decimal
    prepaid_left: Decimal


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


@dataclass(frozen=True, slots=True, eq=False)
class _Valued:
    row: OpenCourse
    chances: FloatArray
    results: FloatArray
    costs: FloatArray


def value_open_book(
    forecaster: Any,
    log: OutcomeLog,
    tariff: Tariff,
    *,
    replicates: int = 4000,
    seed: int = 0,
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
            left_out.append((name, str(error)))
    if not valued:
        reason = left_out[0][1] if left_out else "There is none."
        values = {"n": len(left_out), "reason": reason}
        raise RequestError(*problem_and_remedy("refused.none_valued", values))
    run = {"replicates": replicates, "seed": check_seed(seed)}
    return _sum(valued, tuple(left_out), tariff, run)


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
) -> _Valued:
    package = match_package(course["package"], tariff.packages)
    enquiry = enquiry_of(course, getattr(forecaster, "extra", ()))
    given, judged = int(course["sessions_given"]), int(course["judged"])
    if given >= max(package.cap or tariff.cap, int(_number(course.get("sessions_prepaid")))):
        nothing = OpenCourse(str(course["course_id"]), package.name, given, 0.0, *[Decimal(0)] * 3)
        return _Valued(nothing, np.ones((1, 1)), np.zeros(1), np.zeros(1))
    later = forecaster.update(enquiry, sessions_done=judged, gradings=gradings).remaining
    over, law = from_now(later, waiting=given > judged)
    horizon = law[0].shape[1]
    left, in_the_bank = _remainder(package, course, given, horizon, tariff)
    terms = terms_of(left, tariff, horizon, started=True)
    going = 1 - over.sum(axis=1, keepdims=True)
    chances = np.hstack([over, going * outcome_chances(terms, *law)])
    area = np.nan if enquiry.area_cm2 is None else float(enquiry.area_cm2)
    cost = tariff.session_costs(area)
    costs = (cost[:, None] * terms.treated)[0]
    revenue = terms.margins(tariff.price_of(left, area), cost)[0] + costs
    received = in_the_bank / (1 + tariff.tax_rate)
    share = tariff.refund_share if left.refund_share is None else left.refund_share
    # of a course that is over: refunds if cleared and if given up
    over_income = [-share * received if left.kind == "block" else 0.0, -share * received]
    costs = np.concatenate([[0.0, 0.0], costs])
    income = np.concatenate([over_income, revenue - received])
    delivered = np.concatenate([[0.0, 0.0], terms.delivered])
    mean = chances.mean(axis=0)
    covered = float(mean @ np.minimum(delivered, terms.block))
    prepaid = left.kind not in ("per_session", "part_fixed")
    worked_for = _paid(course) * covered / (given + covered) if prepaid else 0.0
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
    return _Valued(row, chances, np.round(income - costs + prepaid_left), np.round(costs))


def from_now(
    later: Estimate, *, waiting: bool
) -> tuple[FloatArray, tuple[FloatArray, FloatArray, FloatArray | None]]:
    """Return the chances that a course is over, (n_draws, 2), and what may come if it is not.

    That is as ``competing_ends`` takes it: pmfs, hazards, and who stops. While its last session
    waits to be judged, a course may be over without anyone knowing, cleared by that session, or
    given up after it.
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
    sold = course.get("sessions_prepaid")
    whole = package.sessions or package.cap or tariff.cap
    if package.kind != "part_fixed" and sold is not None and sold == sold and sold >= 1:
        whole = int(sold)
    left = min(whole - given, horizon)
    if left < 1:
        then = Package("per_session", price=package.extra_price, currency=package.currency)
        return replace(then, cap=most), 0.0
    if package.kind == "part_fixed":
        return replace(package, sessions=left, cap=most), 0.0
    price = from_cents(_paid(course) * left / whole)
    if package.kind == "block":
        block = replace(package.sold_at(price, cap=max(most, left)), sessions=left)
        return block, float(100 * price)
    return package.sold_at(price, cap=left), float(100 * price)


def _paid(course: dict[Any, Any]) -> float:
    return 100 * _number(course.get("price_paid"))


def _number(cell: Any) -> float:
    return 0.0 if cell is None or cell != cell else float(cell)


def _sum(
    valued: list[_Valued],
    left_out: tuple[tuple[str, str], ...],
    tariff: Tariff,
    run: dict[str, int],
) -> OpenBook:
    widest = max(one.chances.shape[1] for one in valued)
    n_draws = max(len(one.chances) for one in valued)  # of a course at the cap there is one
    padded = [_padded(one.chances, widest) for one in valued]
    chances = np.stack([np.broadcast_to(one, (n_draws, widest)) for one in padded], axis=1)
    results = Fates(chances, np.stack([_padded(one.results, widest) for one in valued]))
    costs = Fates(chances, np.stack([_padded(one.costs, widest) for one in valued]))
    (simulated, means, variances), spent = simulate(results, **run), simulate(costs, **run)[0]
    rows = tuple(one.row for one in valued)
    cost, income, prepaid = (
        sum((getattr(row, name) for row in rows), Decimal(0))
        for name in ("expected_cost", "expected_income", "prepaid_left")
    )
    return OpenBook(
        currency=tariff.currency,
        courses=rows,
        expected_cost=cost,
        expected_income=income,
        prepaid_left=prepaid,
        cost_one_in_twenty=from_cents(float(np.quantile(spent, 0.95))),
        expected_result=income + prepaid - cost,
        result_one_in_twenty=from_cents(float(np.quantile(simulated, 0.05))),
        chance_of_loss=float((simulated < 0).mean()),
        chance_sd=from_cents(float(variances.mean()) ** 0.5),
        model_sd=from_cents(float(means.std())),
        left_out=left_out,
        notes=NOTES,
    )


def _padded(values: FloatArray, width: int) -> FloatArray:
    empty = [(0, 0)] * (values.ndim - 1)
    return np.pad(values, [*empty, (0, width - values.shape[-1])])
