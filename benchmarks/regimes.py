"""Does the regime comparison tell the truth? Invented clinics with known effects.

    python benchmarks/regimes.py --clinics 200 --replicates 200 --mechanism waning --clinic usual

Four scenarios (no effect, about one session saved, about two, harm; in the mean to 15 sessions)
under each mechanism of the invented clinic, each confounded by calendar time and density, with
switching on stalled fading and informative stopping. ``--clinic`` names how it differs from the
usual one:

- stalled only: no course that had not stalled is ever changed to ps.
- changed at random: who is changed does not depend on the fading, and many are in session 5.
- quick like ps: operators differ in speed (sd 0.2) and in taste (sd 1), and the quick like ps.

The horizon of each pair is its own ("auto"). The truth is what would have happened to the clinic's
own eligible courses under each strategy. Besides bias, coverage and verdicts the table shows what
the plain readings would have said. ``--looks N`` compares each clinic as it was at N monthly looks
instead, with intervals for one look and for every look, to a fixed horizon.
"""

import argparse
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.clinics import SimulatedClinic, simulate_clinic, study_world
from benchmarks.kept import keep
from forecast._jobs import run_units
from forecast.invented import World, usual_world
from forecast.invented.world import Crew
from forecast.log import OutcomeLog
from forecast.regimes import RegimeComparison, compare_regimes, trial_rows

HERE = Path(__file__).parent
SCENARIOS = ("none", "one saved", "two saved", "harm")
MECHANISMS = ("share", "noisy", "waning", "leaving", "practised")
CLINICS: dict[str, dict[str, Any]] = {
    "usual": {},
    "stalled only": {"stalled_only": True},
    "changed at random": {"by_stalled": False, "review_effect": 2.5},
    "quick like ps": {"operator_speed_sd": 0.2, "operator_habit_sd": 1.0},
}
ALIKE = 0.75  # correlation of speed and taste from which the quick are said to like ps
NEEDED = {"ns": "needed_ns", "ps": "needed_ps", "ns:4>ps": "needed_ns4_ps"}
READINGS = {"ever changed against never": "ever", "finished courses only": "finished"}


def world_of(mechanism: str, clinic: str, scenario: str, seed: int) -> World:
    """Return the world of one clinic; the seed chooses its operators where they matter."""
    base = study_world(scenario, base=usual_world(mechanism))
    world = replace(base, **CLINICS[clinic])
    if clinic != "quick like ps":
        return world
    crews = (replace(world, operator_seed=number) for number in range(200))
    fitting = [one for one in crews if _alike(one) > ALIKE]
    return fitting[seed % len(fitting)]


def _alike(world: World) -> float:
    crew = Crew.of(world)
    return float(np.corrcoef(crew.speed, crew.habit)[0, 1])


def true_difference(clinic: SimulatedClinic, pair: tuple[str, str], horizon: int) -> float:
    """Return the difference in mean sessions had the eligible courses followed each strategy."""
    trial = trial_rows(clinic.log, horizon=horizon)
    if trial is None:
        return 0.0
    truth = clinic.truth.set_index("course_id").loc[trial.courses["course_id"]]
    left, right = (truth[NEEDED[name]].fillna(99).clip(upper=horizon).mean() for name in pair)
    return float(left - right)


def one_clinic(
    unit: tuple[str, int, int],
    *,
    replicates: int,
    fixed: int | str,
    mechanism: str,
    kind: str,
    strategies: tuple[str, str],
) -> dict[str, Any]:
    """Return what one clinic's comparison said, and the truth."""
    scenario, courses, seed = unit
    world = world_of(mechanism, kind, scenario, seed)
    clinic = simulate_clinic(courses, seed=seed, world=world)
    asked = dict.fromkeys(["ns", "ps", *strategies])
    found = compare_regimes(
        clinic.log, strategies=tuple(asked), horizon=fixed, replicates=replicates, seed=seed
    )
    key = next(k for k in found.difference if set(k.split(" - ")) == set(strategies))
    contrast, second = found.difference[key], found.second_route[key]
    left, right = key.split(" - ")
    row = {
        "scenario": scenario,
        "mechanism": mechanism,
        "clinic": kind,
        "courses": courses,
        "seed": seed,
        "horizon": found.horizons[key],
        "truth": true_difference(clinic, (left, right), found.horizons[key]),
        "estimate": contrast.estimate,
        "error": contrast.error,
        "low": contrast.interval[0],
        "high": contrast.interval[1],
        "second": second.estimate,
        "second_error": second.error,
        "unadjusted": found.unadjusted[key].estimate,
        **dict(zip(("fading", "fading_low", "fading_high"), from_fading(found, key), strict=True)),
        "verdict": found.verdict[key],
        "reasons": list(found.reasons[key]),
        "followers": min(found.diagnostics.followers[name] for name in (left, right)),
    }
    if found.sensitivity is not None:
        row["without_operator"] = found.sensitivity.without_operator[key].estimate
    for reading in found.naive:
        if reading.name in READINGS:
            row[READINGS[reading.name]] = reading.difference[key].estimate
    return row


def from_fading(found: RegimeComparison, key: str) -> tuple[float | None, ...]:
    """Return the third route's difference and the ends of its interval, None where it has none."""
    one = found.by_fading.get(key)
    return (None, None, None) if one is None else (one.estimate, *one.interval)


def looks_at(
    unit: tuple[str, int, int], *, replicates: int, horizon: int, mechanism: str, n_looks: int
) -> dict[str, Any]:
    """Return whether each interval left the truth out at any monthly look, and the last widths."""
    scenario, courses, seed = unit
    clinic = simulate_clinic(courses, seed=seed, world=world_of(mechanism, "usual", scenario, seed))
    days = clinic.log.sessions["treated_on"]
    last = days.max()
    missed: dict[str, bool] = {"fixed": False, "ever": False}
    widths: dict[str, float] = {}
    n_answered, wrong = 0, False
    for months in reversed(range(n_looks)):
        log = as_of(clinic.log, last - pd.DateOffset(months=months))
        found = compare_regimes(
            log, horizon=horizon, replicates=replicates, seed=months, looking_again=True
        )
        ever = found.difference["ps - ns"]
        fixed = replace(ever, again=None)
        trial = trial_rows(log, horizon=horizon)
        if trial is None or ever.interval[0] is None:
            continue
        n_answered += 1
        rows = clinic.truth.set_index("course_id").loc[trial.courses["course_id"]]
        means = rows[["needed_ps", "needed_ns"]].fillna(99).clip(upper=horizon).mean()
        truth = float(means["needed_ps"] - means["needed_ns"])
        for name, one in (("fixed", fixed), ("ever", ever)):
            low, high = one.at_level(0.95)
            missed[name] |= not low <= truth <= high
            widths[name] = high - low
        claims = {"saves": truth >= 0, "costs": truth <= 0, "equivalent": abs(truth) >= 1}
        wrong |= claims.get(found.verdict["ps - ns"], False)
    return {
        "seed": seed,
        "mechanism": mechanism,
        "scenario": scenario,
        "looks": n_answered,
        **{f"missed_{name}": value for name, value in missed.items()},
        "wrong_verdict": wrong,
        "width_ratio": widths["ever"] / widths["fixed"] if widths else float("nan"),
    }


def as_of(log: OutcomeLog, day: pd.Timestamp) -> OutcomeLog:
    """Return the log as it stood on a day: later rows are not yet written, courses still go on."""
    sessions = log.sessions[log.sessions["treated_on"] <= day]
    given = sessions.groupby("course_id").size()
    courses = log.courses[log.courses["course_id"].isin(given.index)].copy()
    held = courses["course_id"].map(given).to_numpy()
    going = held < courses["sessions_given"].to_numpy()
    ends = sessions.groupby("course_id")["treated_on"].max()
    recent = courses["course_id"].map(ends) > day - pd.Timedelta(days=60)
    open_ = going | recent.to_numpy() & (courses["outcome"] != "cleared").to_numpy()
    courses["sessions_given"] = held
    courses["outcome"] = courses["outcome"].where(~open_, "ongoing")
    gradings = log.gradings[log.gradings["graded_on"] <= day]
    reactions = log.reactions[log.reactions["course_id"].isin(given.index)]
    return OutcomeLog.from_frames(courses, sessions, gradings, reactions, log.lasers)


def column(rows: list[dict[str, Any]], name: str) -> np.ndarray:
    """Return one value per clinic, NaN where there is none."""
    return np.array([np.nan if row[name] is None else row[name] for row in rows], dtype=float)


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return bias, coverage and verdicts over the clinics of one scenario."""
    truth, estimate = column(rows, "truth"), column(rows, "estimate")
    known = ~np.isnan(column(rows, "low"))
    gap = (estimate - truth)[known]
    inside = (column(rows, "low") <= truth) & (truth <= column(rows, "high"))
    second = column(rows, "second") - truth
    reach = 1.96 * column(rows, "second_error")
    third = column(rows, "fading") - truth
    has_third = ~np.isnan(third)
    held = (column(rows, "fading_low") <= truth) & (truth <= column(rows, "fading_high"))
    verdicts = [row["verdict"] for row in rows]
    spread = float(gap.std(ddof=1)) if len(gap) > 1 else float("nan")
    return {
        "scenario": rows[0]["scenario"],
        "mechanism": rows[0]["mechanism"],
        "clinic": rows[0]["clinic"],
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
        "third": int(has_third.sum()),
        "third_bias": float(third[has_third].mean()) if has_third.any() else float("nan"),
        "third_spread": float(third[has_third].std()) if has_third.any() else float("nan"),
        "third_coverage": float(held[has_third].mean()) if has_third.any() else float("nan"),
        **{
            f"{name}_bias": float(np.nanmean(column(rows, name) - truth))
            for name in ("unadjusted", "without_operator", "ever", "finished")
        },
        **{code: verdicts.count(code) for code in ("saves", "costs", "equivalent", "cannot say")},
    }


def table(found: list[dict[str, Any]]) -> str:
    """Return the summaries as a Markdown table."""
    lines = [
        "| mechanism, clinic | scenario | courses | clinics | horizon | truth | bias (error) "
        "| spread | 95 % covers | g-formula bias, covers "
        "| from fading: clinics, bias, spread, covers | unadjusted bias "
        "| without operator bias | ever changed bias | finished only bias "
        "| saves / costs / equivalent / cannot say |",
        "|---" * 16 + "|",
    ]
    for one in found:
        lines.append(
            f"| {one['mechanism']}, {one['clinic']} | {one['scenario']} | {one['courses']} "
            f"| {one['clinics']} | {one['horizon']:.0f} "
            f"| {one['truth']:+.2f} | {one['bias']:+.2f} ({one['bias_error']:.2f}) "
            f"| {one['spread']:.2f} | {one['coverage']:.0%} "
            f"| {one['second_bias']:+.2f}, {one['second_coverage']:.0%} "
            f"| {one['third']}, {one['third_bias']:+.2f}, {one['third_spread']:.2f}, "
            f"{one['third_coverage']:.0%} "
            f"| {one['unadjusted_bias']:+.2f} | {one['without_operator_bias']:+.2f} "
            f"| {one['ever_bias']:+.2f} "
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
    parser.add_argument("--mechanism", default="share", choices=MECHANISMS)
    parser.add_argument("--clinic", default="usual", choices=list(CLINICS))
    parser.add_argument("--pair", nargs=2, default=["ns", "ps"], choices=list(NEEDED))
    parser.add_argument("--looks", type=int, help="monthly looks at each clinic instead of one")
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--workers", type=int)
    parser.add_argument("--out", type=Path, default=HERE / "results" / "regimes.json")
    asked = parser.parse_args()
    if asked.looks:
        work = partial(
            looks_at,
            replicates=asked.replicates,
            horizon=asked.horizon or 8,
            mechanism=asked.mechanism,
            n_looks=asked.looks,
        )
    else:
        work = partial(
            one_clinic,
            replicates=asked.replicates,
            fixed=asked.horizon or "auto",
            mechanism=asked.mechanism,
            kind=asked.clinic,
            strategies=tuple(asked.pair),
        )
    found, kept = [], []
    for courses in asked.courses:
        for scenario in asked.scenarios:
            units = [(scenario, courses, asked.seed + place) for place in range(asked.clinics)]
            rows = run_units(work, units, workers=asked.workers, label=scenario)
            kept += rows
            if asked.looks:
                means = pd.DataFrame(rows).mean(numeric_only=True).drop("seed")
                print(asked.mechanism, scenario, courses, means.round(3).to_dict(), flush=True)
                continue
            found.append(summary(rows))
            print(table([found[-1]]).splitlines()[-1], flush=True)
    keep(asked.out, {"summary": found, "rows": kept})
    print(table(found))


if __name__ == "__main__":
    main()
