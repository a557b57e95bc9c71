"""Do prices keep their promise? Simulated clinics with known truth; and how fast prices come.

    python -m benchmarks.prices --clinics 200 --out benchmarks/results/prices.json
    python -m benchmarks.prices --clinics 0      # speed and memory alone

Each clinic draws its own speed and effects, loses clients for reasons that no model here knows,
and keeps a log. A forecaster fitted to the log prices a fixed price with a cap for fresh clients
so that the stated chance of loss is 5, 10 and 20 %, one course at a time, and for a year with fixed
costs and as many clients as come.
What then really happens is simulated under that clinic's truth. Clients come in the log's last two
years, when the lasers are better than the log's average; ``--steady`` takes that change away.
"""

import argparse
import resource
import time
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import numpy as np

from benchmarks.clinics import drawn_world
from benchmarks.kept import keep
from benchmarks.truth import fresh_clients, true_deliveries
from forecast import (
    Enquiry,
    OutcomeLog,
    Package,
    Tariff,
    fit_forecaster,
    price_caseload,
    simulate_log,
)
from forecast._jobs import run_units
from forecast.invented import World
from forecast.log import enquiries_of
from forecast.prices import price_rows
from forecast.prices.quote import smallest_price

CAP, CLIENTS, INNER, BOOKS, REPLICATES = 15, 300, 400, 2_000, 4_000
STATED = (0.05, 0.10, 0.20)
FIXED = Package("fixed", cap=CAP)
FOUR = (
    Package("per_session"),
    Package("block", sessions=6, price=780, extra_price=140, refund_share=0.5),
    FIXED,
    Package("part_fixed", sessions=8, extra_price=75),
)
COSTS = {
    "currency": "EUR",
    "session_price": 150,
    "cap": CAP,
    "minutes_per_session": 20,
    "minutes_per_100_cm2": 15,
    "staff_per_hour": 45,
    "room_per_hour": 20,
    "consumables": Decimal("6.50"),
    "device_price": 90000,
    "device_life_years": 7,
    "device_sessions_per_year": 900,
    "fixed_cost": 30,
}


def tariff(**rules: object) -> Tariff:
    """Return the study's tariff."""
    return Tariff(**{**COSTS, **rules})


def steady_log(world: World, size: int, seed: int) -> OutcomeLog:
    """Return about ``size`` courses of the log's later half, when all lasers were owned."""
    log = simulate_log(2 * size, seed=seed, world=world)
    started = log.courses["started_on"]
    kept = log.courses[started >= started.min() + (started.max() - started.min()) / 2]
    tables = [
        table[table["course_id"].isin(kept["course_id"])]
        for table in (log.sessions, log.gradings, log.reactions)
    ]
    return OutcomeLog.from_frames(kept, *tables, log.lasers)


def one_clinic(unit: tuple[int, int, bool]) -> dict[str, float]:
    """Return true less stated chances of loss, price ratios and the book's factor of one clinic."""
    seed, size, changes = unit
    world = replace(drawn_world(seed), by_calendar=changes)
    frame, _ = fresh_clients(world, CLIENTS, seed=seed + 1)
    frame = frame.assign(sessions_elsewhere=0)
    true = true_deliveries(world, frame, cap=CAP, n_inner=INNER, seed=seed + 2).delivered
    log = (
        simulate_log(size, seed=seed + 3, world=world)
        if changes
        else steady_log(world, size, seed + 3)
    )
    forecaster = fit_forecaster(log, seed=seed)
    asked = enquiries_of(frame)
    draws, stop = forecaster.estimate_draws(asked)
    area = frame["area_cm2"].to_numpy(dtype=np.float64)
    found = {"sessions_true": float(true.mean())}
    for stated in STATED:
        rules = tariff(largest_chance_of_loss=stated)
        found |= single_courses(draws.mean(axis=0), stop.mean(axis=0), area, true, rules, stated)
    a_year = size / 8 if changes else size / 4
    return found | year(forecaster, log, frame, area, true, a_year, seed)


def single_courses(
    pmf: np.ndarray,
    stop: np.ndarray,
    area: np.ndarray,
    true: np.ndarray,
    rules: Tariff,
    stated: float,
) -> dict[str, float]:
    """Return what selling each client at the price for a stated chance of loss really risks."""
    cost = rules.session_costs(area)
    fixed = float(rules.fixed_cost * 100)
    own = price_rows(pmf, stop, (FIXED,), rules, area_cm2=area)[0]
    even = own.terms.break_even(cost)
    asked = smallest_price(even, own.chances, rules.largest_chance_of_loss)
    at_price = [
        price_rows(
            pmf[[row]], stop[[row]], (Package("fixed", cap=CAP, price=to_money(price)),),
            rules, area_cm2=area[[row]],
        )[0].chance_of_loss[0]
        for row, price in enumerate(asked)
    ]  # fmt: skip
    spent = fixed + cost[:, None] * true
    loses = (spent > asked[:, None] + 0.5).mean()
    shares = np.stack([(true == k).mean(axis=1) for k in range(1, CAP + 1)], axis=1)
    outcomes = fixed + cost[:, None] * np.arange(1, CAP + 1)
    right = smallest_price(outcomes, shares, stated)
    label = f"{stated:.0%}"
    return {
        f"single true - stated {label}": float(loses - np.mean(at_price)),
        f"single price / true price {label}": float(asked.mean() / right.mean()),
    }


def to_money(cents: float) -> Decimal:
    """Return cents as an amount, rounded up so that the outcome at the price still breaks even."""
    return Decimal(int(np.ceil(cents - 1e-6))) / 100


def year(
    forecaster: object,
    log: OutcomeLog,
    frame: object,
    area: np.ndarray,
    true: np.ndarray,
    a_year: float,
    seed: int,
) -> dict[str, float]:
    """Return how often a year with fixed costs, stated to lose so often, really does.

    The book draws its clients' number around the log's own yearly count; truly ``a_year`` come, as
    chance has it. The fixed costs are such that the book states a loss of 5, 10 and 20 %.
    """
    rules, price = tariff(), 1000
    sold = Package("fixed", cap=CAP, price=Decimal(price))
    book = price_caseload(forecaster, frame, sold, rules, log=log, replicates=REPLICATES, seed=seed)
    fixed = float(rules.yearly_costs * 100)
    rng = np.random.default_rng(seed)
    counts = rng.poisson(a_year, BOOKS)
    who, which = (rng.integers(size, size=counts.sum()) for size in true.shape)
    running = rules.session_costs(area, running=True)
    earned = 100 * price - float(rules.fixed_cost * 100) - running[who] * true[who, which]
    years = np.bincount(np.repeat(np.arange(BOOKS), counts), earned, minlength=BOOKS)
    found = {
        "year courses / true": book.n_courses / a_year,
        "year margin per course / true": float(book.margin_per_course) * 100 / earned.mean(),
        "year break-even / true": book.break_even / (fixed / earned.mean()),
        "year model share": float(book.model_sd / book.margin_sd) ** 2,
    }
    for stated in STATED:
        for name, totals in (("shared", book.totals), ("known", book.totals_model_known)):
            costs = np.quantile(100 * totals + fixed, stated)
            found[f"year true - stated {stated:.0%} {name}"] = float(
                (years < costs).mean() - stated
            )
    return found


def table_of(results: list[dict[str, float]]) -> str:
    """Return mean, 95 % interval of the mean, and spread over clinics."""
    lines = ["| quantity | mean | 95 % interval | sd over clinics |", "|---|---|---|---|"]
    for name in results[0]:
        values = np.array([result[name] for result in results])
        half = 1.96 * values.std(ddof=1) / len(values) ** 0.5
        lines.append(
            f"| {name} | {values.mean():.4f} | {values.mean() - half:.4f} to "
            f"{values.mean() + half:.4f} | {values.std(ddof=1):.4f} |"
        )
    return "\n".join(lines)


class Made:
    """A forecaster with 200 draws of a smooth hazard; costs nothing, for timing."""

    def estimate_draws(self, enquiries: list[object]) -> tuple[np.ndarray, np.ndarray]:
        """Return draws of shape (200, n, 25) and stopping hazards."""
        rng = np.random.default_rng(1)
        log_odds = rng.normal(-2.2, 0.25, (200, 1, 1)) + rng.normal(0, 0.5, (1, len(enquiries), 1))
        hazard = 1 / (1 + np.exp(-log_odds - 0.1 * np.arange(25)))
        still = np.cumprod(1 - hazard, axis=2)
        before = np.concatenate([np.ones((*still.shape[:2], 1)), still[..., :-1]], axis=2)
        stop = rng.uniform(0.04, 0.06, (200, 1, 1)) * rng.uniform(0.5, 1.5, (1, len(enquiries), 1))
        return before * hazard, np.repeat(stop, 25, axis=2)


def speed() -> str:
    """Return the times of 100,000 enquiries x 4 packages and of 2,000 courses x 10,000 years."""
    rng = np.random.default_rng(0)
    draws, stop = Made().estimate_draws([None] * 500)
    pmf = np.repeat(draws[0], 200, axis=0)
    area = np.round(rng.gamma(2, 30, len(pmf)), 1)
    rules = tariff(tax_rate=0.2, round_to=5)
    began = time.perf_counter()
    price_rows(pmf, np.repeat(stop[0], 200, axis=0), FOUR, rules, area_cm2=area)
    many = time.perf_counter() - began
    plain = Enquiry("II", "forearm", "black", "medium", "single")
    asked = [replace(plain, area_cm2=max(float(one), 1.0)) for one in area[:2000]]
    began = time.perf_counter()
    price_caseload(Made(), asked, FIXED, rules, replicates=10_000, seed=1)
    book = time.perf_counter() - began
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return (
        f"{len(pmf)} enquiries x 4 packages: {many:.2f} s; 2,000 courses x 10,000 years: "
        f"{book:.2f} s; largest memory of this process {own:.0f} MB"
    )


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clinics", type=int, default=200)
    parser.add_argument("--courses", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--steady", action="store_true", help="lasers that never change")
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    print(speed())
    if not options.clinics:
        return
    units = [
        (options.seed + 1000 * k, options.courses, not options.steady)
        for k in range(options.clinics)
    ]
    results = run_units(one_clinic, units, workers=options.workers, label="clinics")
    keep(options.out, results)
    print(table_of(results))


if __name__ == "__main__":
    main()
