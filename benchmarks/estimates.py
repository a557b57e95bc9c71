"""Do estimates keep their promise? Simulated clinics with known truth, several sizes of log.

    python -m benchmarks.estimates --clinics 40 --out benchmarks/results/estimates.json

Each clinic draws its own speed and effects around the default ones (standard deviation 0.15 on
the log speed) and has what no model here knows: frailty, informative drop-out, remnants. A log of
each size is fitted and asked about 2,000 fresh clients with complete follow-up.
"""

import argparse
import time
from pathlib import Path

import numpy as np

from benchmarks.clinics import drawn_world
from benchmarks.kept import keep
from benchmarks.score import score_distribution
from benchmarks.truth import fresh_clients, true_distribution
from forecast import fit_forecaster, simulate_log
from forecast._jobs import run_units
from forecast.assess import Outcomes, brier, tie_split_coverage
from forecast.forecaster import Forecaster
from forecast.log import Enquiry, enquiries_of
from forecast.survival import CountDistribution
from forecast.tattoo import groups_of

HORIZON, LEVEL, FRESH, MANY = 25, 0.8, 2_000, 20_000


def predicted(forecaster: Forecaster, enquiries: list[Enquiry]) -> CountDistribution:
    """Return the forecaster's distribution for each enquiry."""
    parts = [
        forecaster.estimate_draws(enquiries[first : first + 200])[0].mean(axis=0)
        for first in range(0, len(enquiries), 200)
    ]
    return CountDistribution(np.vstack(parts))


def crps(found: CountDistribution, counts: np.ndarray) -> float:
    """Return the mean ranked probability score of predictions whose counts are known."""
    seen = Outcomes(np.minimum(counts, found.horizon), counts <= found.horizon)
    return float(brier(found, seen).sum())


def judged(
    found: CountDistribution, counts: np.ndarray, by: dict[str, np.ndarray]
) -> dict[str, object]:
    """Return CRPS, coverage and width of predictions whose counts are known."""
    split = tie_split_coverage(found, counts, level=LEVEL)
    interval = found.interval(LEVEL)
    return {
        "crps": crps(found, counts),
        "tie_split": float(split.mean()),
        "plain": float(((interval[:, 0] <= counts) & (counts <= interval[:, 1])).mean()),
        "width": float(np.ptp(np.minimum(interval, HORIZON + 1), axis=1).mean()),
        "groups": {
            f"{name}: {label}": (int((labels == label).sum()), float(split[labels == label].mean()))
            for name, labels in by.items()
            for label in np.unique(labels)
        },
    }


def one_clinic(unit: tuple[int, tuple[int, ...], int, float, int]) -> dict[str, object]:
    """Return what one simulated clinic shows at every size of log."""
    seed, sizes, n_inner, between, others = unit
    world = drawn_world(seed, between_sd=between)
    frame, needed = fresh_clients(world, FRESH, seed=seed + 1, horizon=HORIZON)
    counts = np.where(needed > HORIZON, np.inf, needed)
    _, many = fresh_clients(world, MANY, seed=seed + 2, horizon=HORIZON)
    table = np.array([(many == k).mean() for k in range(1, HORIZON + 1)])
    life_table = CountDistribution(np.tile(table, (FRESH, 1)))
    by = {
        "skin": frame["skin_type"].to_numpy(),
        "inks": groups_of(frame.itertuples())["inks"],
    }
    truth = true_distribution(world, frame, HORIZON, n_inner=n_inner, seed=seed + 3)
    base = crps(life_table, counts)
    # a distribution simulated with n_inner paths scores too high by one part in n_inner
    best = crps(truth, counts) * n_inner / (n_inner + 1)
    found: dict[str, object] = {
        "seed": seed,
        "life_table_crps": base,
        "true_crps": best,
        "true": judged(truth, counts, by),
        "score": judged(score_distribution(frame, HORIZON), counts, by),
    }
    if others:
        pmfs = [
            true_distribution(
                drawn_world(seed + 5 + k, between_sd=between), frame, HORIZON, n_inner=15, seed=k
            ).pmf
            for k in range(others)
        ]
        known = crps(CountDistribution(np.mean(pmfs, axis=0)), counts)
        found["law_known"] = (base - known) / (base - best)
    enquiries = enquiries_of(frame)
    for size in sizes:
        began = time.perf_counter()
        forecaster = (
            fit_forecaster(simulate_log(size, seed=seed + 4, world=world), seed=seed)
            if size
            else evidence_only(seed)
        )
        took = time.perf_counter() - began
        result = judged(predicted(forecaster, enquiries), counts, by)
        result["skill"] = (base - float(str(result["crps"]))) / (base - best)
        result["seconds"] = took
        result["model"] = forecaster.assessment.get("model", "evidence")
        found[str(size)] = result
    return found


def evidence_only(seed: int) -> Forecaster:
    """Return the forecaster of a clinic without a finished course."""
    log = simulate_log(2, seed=seed, years=0.1)
    empty = log.from_frames(log.courses.assign(sessions_given=1, outcome="ongoing"))
    return fit_forecaster(empty)


def table_of(results: list[dict[str, object]], sizes: tuple[int, ...]) -> str:
    """Return the results as a Markdown table, mean ± standard deviation over clinics."""
    lines = [
        "| courses | skill | below 0 | tie-split coverage | plain coverage (true's own) | width | "
        "lowest group | fit s |",
        "|---|---|---|---|---|---|---|---|",
    ]
    own = np.mean([result["true"]["plain"] for result in results])
    for size in sizes:
        rows = [result[str(size)] for result in results]
        skill = np.array([row["skill"] for row in rows])
        split = np.array([row["tie_split"] for row in rows])
        plain = np.array([row["plain"] for row in rows])
        lows = lowest_group(rows)
        lines.append(
            f"| {size} | {skill.mean():.3f} ± {skill.std():.3f} (se "
            f"{skill.std() / len(rows) ** 0.5:.3f}) | {(skill < 0).mean():.0%} | "
            f"{split.mean():.3f} ± {split.std():.3f} | {plain.mean():.3f} ({own:.3f}) | "
            f"{np.mean([row['width'] for row in rows]):.1f} | {lows[0]} {lows[1]:.3f} | "
            f"{np.median([row['seconds'] for row in rows]):.1f} |"
        )
    if "law_known" in results[0]:
        law = np.array([result["law_known"] for result in results])
        lines.append(
            f"\nWho knows how clinics differ but not which this is: skill {law.mean():.3f} ± "
            f"{law.std():.3f}, {(law < 0).mean():.0%} below 0."
        )
    score = [result["score"] for result in results]
    lines += [
        "",
        f"True distribution: CRPS {np.mean([r['true_crps'] for r in results]):.3f}, tie-split "
        f"{np.mean([r['true']['tie_split'] for r in results]):.3f}; life table CRPS "
        f"{np.mean([r['life_table_crps'] for r in results]):.3f}. Point score ± 2.5: CRPS "
        f"{np.mean([row['crps'] for row in score]):.3f}, its interval covers "
        f"{np.mean([row['plain'] for row in score]):.3f}.",
    ]
    return "\n".join(lines)


def lowest_group(rows: list[dict[str, object]]) -> tuple[str, float]:
    """Return the group with the lowest mean coverage among those of 1,000 clients or more."""
    sums: dict[str, list[float]] = {}
    for row in rows:
        for name, (n, coverage) in row["groups"].items():
            total = sums.setdefault(name, [0.0, 0.0])
            total[0] += n
            total[1] += n * coverage
    means = {name: hit / n for name, (n, hit) in sums.items() if n >= 1000}
    worst = min(means, key=means.get)
    return worst, means[worst]


def main() -> None:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clinics", type=int, default=40)
    parser.add_argument("--sizes", default="0,100,300,600")
    parser.add_argument("--inner", type=int, default=200, help="paths behind a true distribution")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--between", type=float, default=0.15, help="spread between clinics")
    parser.add_argument("--others", type=int, default=0, help="clinics behind the law known")
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    sizes = tuple(int(size) for size in options.sizes.split(","))
    units = [
        (options.seed + 1000 * k, sizes, options.inner, options.between, options.others)
        for k in range(options.clinics)
    ]
    results = run_units(one_clinic, units, workers=options.workers, label="clinics")
    keep(options.out, results)
    print(table_of(results, sizes))


if __name__ == "__main__":
    main()
