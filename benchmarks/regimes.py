"""Does the regime comparison tell the truth? Invented clinics with known effects.

    python benchmarks/regimes.py --clinics 200 --replicates 200

Four scenarios (no effect, about one session saved, about two, harm; in the mean to 15 sessions),
each confounded by calendar time and density, with switching on stalled fading and informative
stopping. The horizon of each clinic is the last session, at most 15, to which at least 20
courses of 600 (10 of 150) still follow each strategy. The truth is what would have happened to
the clinic's own eligible courses under each strategy. Besides bias, coverage and verdicts the
table shows what the plain readings would have said.
"""

import argparse
import json
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from forecast._jobs import run_units
from forecast.invented import SimulatedClinic, World, simulate_clinic
from forecast.regimes import Engine, compare_regimes, read_strategies, trial_rows

HERE = Path(__file__).parent
SCENARIOS = ("none", "one saved", "two saved", "harm")
KEY, LONGEST = "ps - ns", 15
WISHED = {600: 20, 150: 10}
READINGS = {"ever changed against never": "ever", "finished courses only": "finished"}


def followed_to(clinic: SimulatedClinic, least: int) -> int:
    """Return the last session to which at least ``least`` courses follow ns, and ps."""
    trial = trial_rows(clinic.log, horizon=LONGEST)
    if trial is None:
        return 2
    engine = Engine(trial, read_strategies(("ns", "ps"), horizon=LONGEST), horizon=LONGEST)
    steps = [np.bincount(trial.panel.step[mask], minlength=LONGEST + 1) for mask in engine.masks]
    enough = np.minimum(*steps)[1:] >= least
    return max(2, int(np.argmin(enough)) if not enough.all() else LONGEST)


def true_difference(clinic: SimulatedClinic, horizon: int) -> float:
    """Return the difference in mean sessions had the eligible courses followed ps, and ns."""
    trial = trial_rows(clinic.log, horizon=horizon)
    if trial is None:
        return 0.0
    truth = clinic.truth.set_index("course_id").loc[trial.courses["course_id"]]
    means = truth[["needed_ps", "needed_ns"]].fillna(99).clip(upper=horizon).mean()
    return float(means["needed_ps"] - means["needed_ns"])


def one_clinic(unit: tuple[str, int, int], *, replicates: int, fixed: int | None) -> dict[str, Any]:
    """Return what one clinic's comparison said, and the truth."""
    scenario, courses, seed = unit
    clinic = simulate_clinic(courses, seed=seed, world=World.scenario(scenario))
    horizon = fixed or followed_to(clinic, WISHED.get(courses, 20))
    found = compare_regimes(clinic.log, horizon=horizon, replicates=replicates, seed=seed)
    contrast, second = found.difference[KEY], found.second_route[KEY]
    row = {
        "scenario": scenario,
        "courses": courses,
        "seed": seed,
        "horizon": horizon,
        "truth": true_difference(clinic, horizon),
        "estimate": contrast.estimate,
        "error": contrast.error,
        "low": contrast.interval[0],
        "high": contrast.interval[1],
        "second": second.estimate,
        "second_error": second.error,
        "unadjusted": found.unadjusted[KEY].estimate,
        "verdict": found.verdict[KEY],
        "followers": min(found.diagnostics.followers.values()),
    }
    for reading in found.naive:
        if reading.name in READINGS:
            row[READINGS[reading.name]] = reading.difference[KEY].estimate
    return row


def column(rows: list[dict[str, Any]], name: str) -> np.ndarray:
    """Return one value per clinic, NaN where there is none."""
    return np.array([np.nan if row[name] is None else row[name] for row in rows], dtype=float)


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return bias, coverage and verdicts over the clinics of one scenario."""
    truth, estimate = column(rows, "truth"), column(rows, "estimate")
    known = ~np.isnan(estimate)
    gap = (estimate - truth)[known]
    inside = (column(rows, "low") <= truth) & (truth <= column(rows, "high"))
    second = column(rows, "second") - truth
    reach = 1.96 * column(rows, "second_error")
    verdicts = [row["verdict"] for row in rows]
    spread = float(gap.std(ddof=1)) if len(gap) > 1 else float("nan")
    return {
        "scenario": rows[0]["scenario"],
        "courses": rows[0]["courses"],
        "clinics": len(rows),
        "answered": int(known.sum()),
        "horizon": float(np.median(column(rows, "horizon"))),
        "truth": float(truth.mean()),
        "bias": float(gap.mean()),
        "bias_error": spread / max(len(gap), 1) ** 0.5,
        "spread": spread,
        "coverage": float(inside[known].mean()),
        "second_bias": float(np.nanmean(second)),
        "second_coverage": float((np.abs(second) <= reach)[known].mean()),
        **{
            f"{name}_bias": float(np.nanmean(column(rows, name) - truth))
            for name in ("unadjusted", "ever", "finished")
        },
        **{code: verdicts.count(code) for code in ("saves", "costs", "equivalent", "cannot say")},
    }


def table(found: list[dict[str, Any]]) -> str:
    """Return the summaries as a Markdown table."""
    lines = [
        "| scenario | courses | clinics | horizon | truth | bias (error) | spread | 95 % covers "
        "| g-formula bias, covers | unadjusted bias | ever changed bias | finished only bias "
        "| saves / costs / equivalent / cannot say |",
        "|---" * 13 + "|",
    ]
    for one in found:
        lines.append(
            f"| {one['scenario']} | {one['courses']} | {one['clinics']} | {one['horizon']:.0f} "
            f"| {one['truth']:+.2f} | {one['bias']:+.2f} ({one['bias_error']:.2f}) "
            f"| {one['spread']:.2f} | {one['coverage']:.0%} "
            f"| {one['second_bias']:+.2f}, {one['second_coverage']:.0%} "
            f"| {one['unadjusted_bias']:+.2f} | {one['ever_bias']:+.2f} "
            f"| {one['finished_bias']:+.2f} "
            f"| {one['saves']} / {one['costs']} / {one['equivalent']} / {one['cannot say']} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run the study and write its rows and its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clinics", type=int, default=200)
    parser.add_argument("--replicates", type=int, default=200)
    parser.add_argument("--courses", type=int, nargs="+", default=[600, 150])
    parser.add_argument("--scenarios", nargs="+", default=list(SCENARIOS), choices=SCENARIOS)
    parser.add_argument("--horizon", type=int, help="the same for all, instead of each its own")
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--out", type=Path, default=HERE / "results" / "regimes.json")
    asked = parser.parse_args()
    work = partial(one_clinic, replicates=asked.replicates, fixed=asked.horizon)
    found, kept = [], []
    for courses in asked.courses:
        for scenario in asked.scenarios:
            units = [(scenario, courses, asked.seed + place) for place in range(asked.clinics)]
            rows = run_units(work, units, workers=asked.workers, label=scenario)
            kept += rows
            found.append(summary(rows))
            print(table([found[-1]]).splitlines()[-1], flush=True)
    asked.out.parent.mkdir(parents=True, exist_ok=True)
    asked.out.write_text(json.dumps({"summary": found, "rows": kept}, indent=1), encoding="utf-8")
    print(table(found))


if __name__ == "__main__":
    main()
