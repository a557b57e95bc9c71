"""Mid-course updates, regime shares and stalls, on clinics whose truth is known.

    OMP_NUM_THREADS=1 python benchmarks/fading.py --clinics 40 --out benchmarks/results/fading.json
    OMP_NUM_THREADS=1 python benchmarks/fading.py --part nothing --mechanism waning --clinics 40

*updates*: each clinic draws its own speed and effects (standard deviation 0.15 on the log speed);
600 courses are logged, a forecaster is fitted, and fresh clients with complete follow-up are asked
about after 2, 4 and 6 sessions, with the gradings that the clinic would have written down.
*regimes*: the share of the remaining ink that ps removes beyond ns, by ink group, against its
truth, and stalls.
*nothing*: the same share where ps does nothing, under each mechanism and each way of a clinic to
choose (see ``regimes``).
*covered*: intervals of that difference, of shares and of curves where ps does nothing, in usual
clinics of every mechanism: how often they hold the truth, and their errors over how far estimates
vary. A difference is truly nought. A share's truth is the mean of the estimates, so that only its
spread is judged; a curve's is the middle grading of the courses if all go on, by mechanism.
"""

import argparse
from dataclasses import replace
from itertools import product
from pathlib import Path
from statistics import NormalDist

import numpy as np
import pandas as pd

from benchmarks.clinics import drawn_world, simulate_clinic
from benchmarks.kept import keep
from benchmarks.regimes import CLINICS, MECHANISMS, world_of
from forecast import fit_fading, fit_forecaster, simulate_log
from forecast._checks import YEAR
from forecast._jobs import run_units
from forecast.assess import Outcomes, brier, tie_split_coverage
from forecast.errors import ForecastError
from forecast.forecaster import Forecaster
from forecast.invented import World
from forecast.invented.simulate import Paths, arrive, hide, simulate
from forecast.invented.world import CaseMix, Crew
from forecast.log import Enquiry, OutcomeLog, enquiries_of
from forecast.survival import CountDistribution
from forecast.tattoo import INK_GROUPS

HORIZON, LEVEL, MOST, LANDMARKS = 25, 0.8, 60, (2, 4, 6)
BLACK = replace(World(), mix=CaseMix(colour=0.0), resistant_rate=0.0)
BIG_REMNANT = 0.08
PARTS = ("updates", "regimes", "nothing", "covered")
CURVE_AT = (2, 4, 7)  # sessions
KINDS = ("black", "default", "quartiles")  # the last: default, gradings in quarters
STALLS = ("found", "false", "remnant")
Numbers = dict[str, float]


def fresh_courses(world: World, n: int, seed: int) -> tuple[list[Enquiry], Paths]:
    """Return clients of the clinic's last two years, and what happens if they go on."""
    rng = np.random.default_rng([seed, 1])
    cohort, _, paths = arrive(n, world, rng, (6 * YEAR, 8 * YEAR), MOST)
    return enquiries_of(hide(cohort.attributes.enquiries(), rng)), paths


def updated_clinic(unit: tuple[int, int]) -> dict[str, Numbers]:
    """Return what one clinic's updates are worth after each landmark."""
    seed, n = unit
    world = drawn_world(seed)
    forecaster = fit_forecaster(simulate_log(600, seed=seed, world=world), seed=seed)
    enquiries, paths = fresh_courses(world, n, seed + 1)
    needed = paths.first_at(world.cleared_at)
    found: dict[str, Numbers] = {}
    for done in LANDMARKS:
        rows = updates_at(forecaster, enquiries, paths, needed, done)
        found[str(done)] = judged(*rows)
    scores = forecaster.midcourse.scores if forecaster.midcourse else {}
    found["law"] = {"landmarks": forecaster.midcourse.weight, **scores}
    return found


def updates_at(
    forecaster: Forecaster, enquiries: list[Enquiry], paths: Paths, needed: np.ndarray, done: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return predictions without and with gradings, and the sessions then still needed."""
    alone, told, left = [], [], []
    for row, enquiry in enumerate(enquiries):
        written = np.flatnonzero(paths.graded[row, :done])
        if needed[row] <= done or enquiry.sessions_elsewhere or not len(written):
            continue
        gradings = [(int(k) + 1, float(paths.grade[row, k])) for k in written]
        alone.append(forecaster.draws_after(enquiry, done)[0].mean(axis=0))
        later = forecaster.update(enquiry, sessions_done=done, gradings=gradings)
        told.append(later.remaining.distribution.pmf[0])
        left.append(needed[row] - done if needed[row] <= MOST else np.inf)
    return np.array(alone), np.array(told), np.array(left, dtype=np.float64)


def judged(alone: np.ndarray, told: np.ndarray, left: np.ndarray) -> Numbers:
    """Return scores and coverage; ``claimed`` is the chance that the intervals give themselves.

    Claimed less the level is what whole sessions alone add to the coverage of a perfect answer.
    """
    count, update = CountDistribution(alone), CountDistribution(told)
    interval = update.interval(LEVEL)
    padded = np.hstack([np.zeros((len(told), 1)), update.cdf(), np.ones((len(told), 1))])
    low, high = (np.minimum(end, HORIZON + 1).astype(int) for end in interval.T)
    rows = np.arange(len(told))
    seen = Outcomes(np.minimum(left, update.horizon), left <= update.horizon)
    return {
        "n": float(len(left)),
        "count": float(brier(count, seen).sum()),
        "update": float(brier(update, seen).sum()),
        "plain": float(((interval[:, 0] <= left) & (left <= interval[:, 1])).mean()),
        "claimed": float((padded[rows, high] - padded[rows, low - 1]).mean()),
        "tie_split": float(tie_split_coverage(update, left, level=LEVEL).mean()),
    }


def regime_clinic(unit: tuple[int, str]) -> dict[str, Numbers]:
    """Return one clinic's differences of shares by ink group, with their truth, and its stalls."""
    seed, kind = unit
    world = BLACK if kind == "black" else World()
    clinic = simulate_clinic(600, seed=seed, world=world)
    fading = fit_fading(in_quartiles(clinic.log) if kind == "quartiles" else clinic.log)
    courses = fading.rows.courses
    truth = clinic.truth.set_index("course_id").loc[courses["course_id"]]
    pace = np.exp(truth["log_speed"].to_numpy()) * np.exp(world.session_sd**2 / 2)
    pace *= np.exp(Crew.of(world).speed).mean()
    found: dict[str, Numbers] = {}
    for row in fading.differences.itertuples():
        inside = (courses["ink_group"] == row.ink_group) | (row.ink_group == "all")
        fall = pace[inside].mean()
        found[str(row.ink_group)] = {
            "estimate": float(row.difference),
            "low": float(row.low),
            "high": float(row.high),
            "truth": float(np.exp(-fall) - np.exp(-fall * np.exp(world.regime_effect))),
        }
    looks = fading.stalls.looks.groupby("course_id")["stalled"].any()
    remnant = truth["remnant"].reindex(looks.index)
    found["stalls"] = {
        "found": float(looks[remnant > BIG_REMNANT].mean()),
        "false": float(looks[remnant < 0.01].mean()),
        "remnant": float((remnant > BIG_REMNANT).sum()),
    }
    return found


def idle_clinic(unit: tuple[int, str, str, int]) -> dict[str, float]:
    """Return what one clinic says ps removes beyond ns, where it does nothing."""
    seed, mechanism, kind, courses = unit
    world = world_of(mechanism, kind, "none", seed)
    found = fit_fading(simulate_log(courses, seed=seed, world=world)).differences
    (row,) = found[found["ink_group"] == "all"].to_dict("records") or [{}]
    return {name: 100 * float(row.get(name, np.nan)) for name in ("difference", "low", "high")}


def covered_clinic(unit: tuple[int, str, int]) -> dict[str, tuple[float, float, float, float]]:
    """Return estimate, interval and own truth of each quantity of one clinic."""
    seed, mechanism, courses = unit
    behind = simulate(courses, seed=seed, world=world_of(mechanism, "usual", "none", seed))
    try:
        fading = fit_fading(behind.log)
    except ForecastError:
        return {}
    told = [fading.differences.rename(columns={"difference": "value"}).assign(of="difference")]
    told.append(
        fading.shares.assign(of="share, " + fading.shares["regime"], value=fading.shares["share"])
    )
    curves = fading.curves[fading.curves["session"].isin(CURVE_AT)]
    of = "curve, " + curves["regime"] + ", " + curves["session"].astype(str)
    told.append(curves.assign(of=of, value=curves["faded"]))
    table = pd.concat(told).query("ink_group == 'all'")
    rows = [int(name[1:]) - 1 for name in fading.rows.courses["course_id"]]
    own = np.median(behind.paths.grade[rows], axis=0)
    return {
        of: (value, low, high, own[int(session) - 1] if session > 0 else np.nan)
        for of, value, low, high, session in table[
            ["of", "value", "low", "high", "session"]
        ].to_numpy()
    }


def covered_lines(results: dict[str, list[dict[str, tuple[float, ...]]]]) -> list[str]:
    """Return, of the clinics of each mechanism, one line per quantity."""
    names = {of: None for found in results.values() for one in found for of in one}
    lines = []
    for of in names:
        inside, off, error = [], [], []
        for found in results.values():
            known = [one[of] for one in found if of in one]
            if not known:
                continue
            value, low, high, own = np.array(known, dtype=np.float64).T
            truth = own.mean() if of.startswith("curve") else value.mean() * of.startswith("share")
            inside.append((low <= truth) & (truth <= high))
            off.append(np.column_stack([value - truth, value - value.mean()]))
            error.append((high - low) / 2 / 1.96)
        held, (bias, apart) = np.concatenate(inside), np.concatenate(off).T
        spread = (apart @ apart / (len(apart) - len(inside))) ** 0.5
        over = (np.concatenate(error) ** 2).mean() ** 0.5 / spread
        least, most = min(one.mean() for one in inside), max(one.mean() for one in inside)
        points = 1 if of.startswith("curve") else 100
        lines.append(
            f"| {of} | {len(held)} | {held.mean():.1%} (se {held.std() / len(held) ** 0.5:.1%}) | "
            f"{least:.0%} to {most:.0%} | {points * bias.mean():+.2f} | {points * spread:.2f} | "
            f"{over:.2f} (se {over / (2 * len(held)) ** 0.5:.2f}) |"
        )
    return lines


def in_quartiles(log: OutcomeLog) -> OutcomeLog:
    """Return a log whose gradings are rounded to quarters, as clinics grade by eye."""
    tables = {name: getattr(log, name) for name in ("courses", "sessions", "lasers")}
    quarters = 25 * (log.gradings["fading_pct"] / 25).round()
    return OutcomeLog.from_frames(**tables, gradings=log.gradings.assign(fading_pct=quarters))


def updates_table(results: list[dict[str, Numbers]]) -> list[str]:
    """Return one line per landmark, means over clinics and their standard error."""
    lines = [
        "| after | courses | CRPS, count given not cleared | CRPS, with gradings | lower by | "
        "plain 80 % coverage | that a perfect answer would have | tie-split coverage |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for done in LANDMARKS:
        rows = {
            name: np.array([result[str(done)][name] for result in results])
            for name in results[0][str(done)]
        }
        gain = 1 - rows["update"] / rows["count"]
        error = gain.std(ddof=1) / len(gain) ** 0.5
        lines.append(
            f"| {done} | {rows['n'].sum():.0f} | {rows['count'].mean():.2f} | "
            f"{rows['update'].mean():.2f} | {gain.mean():.1%} (se {error:.1%}) | "
            f"{rows['plain'].mean():.3f} | {rows['claimed'].mean():.3f} | "
            f"{rows['tie_split'].mean():.3f} ± {rows['tie_split'].std(ddof=1):.3f} |"
        )
    weight = np.mean([result["law"]["landmarks"] for result in results])
    return [
        *lines,
        "",
        f"Landmarks had a weight of {weight:.2f} on average over {len(results)} clinics.",
    ]


def regimes_table(kind: str, results: list[dict[str, Numbers]]) -> list[str]:
    """Return coverage and bias of the regime difference by ink group, and what stalls found."""
    lines = [
        "| clinic | inks | clinics | covered | truth | off by | sd | stated error | width |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    reach = NormalDist().inv_cdf(0.975)
    for group in ("all", *INK_GROUPS):
        told = [result[group] for result in results if group in result]
        if len(told) < 2:
            continue
        rows = {name: np.array([one[name] for one in told]) for name in told[0]}
        inside = (rows["low"] < rows["truth"]) & (rows["truth"] < rows["high"])
        error = (inside.mean() * (1 - inside.mean()) / len(told)) ** 0.5
        off = 100 * (rows["estimate"] - rows["truth"])
        width = 100 * (rows["high"] - rows["low"])
        lines.append(
            f"| {kind} | {group} | {len(told)} | {inside.mean():.1%} (se {error:.1%}) | "
            f"{100 * rows['truth'].mean():.2f} | {off.mean():+.2f} "
            f"(se {off.std(ddof=1) / len(off) ** 0.5:.2f}) | {off.std(ddof=1):.2f} | "
            f"{(width / 2 / reach).mean():.2f} | {width.mean():.2f} |"
        )
    rows = {name: np.array([one["stalls"][name] for one in results]) for name in STALLS}
    share = np.nansum(rows["found"] * rows["remnant"]) / max(rows["remnant"].sum(), 1)
    said = f"Stalls: {share:.0%} of {rows['remnant'].sum():.0f} remnants over 8 % flagged, and "
    return [*lines, "", said + f"{np.nanmean(rows['false']):.1%} of the courses without."]


def idle_line(mechanism: str, kind: str, results: list[dict[str, float]]) -> str:
    """Return mean, spread and false alarms of the differences of idle clinics."""
    rows = {name: np.array([one[name] for one in results]) for name in results[0]}
    known = ~np.isnan(rows["difference"])
    off, low, high = (rows[name][known] for name in ("difference", "low", "high"))
    false = (low > 0) | (high < 0)
    return (
        f"| {kind} | {mechanism} | {known.sum()} | {off.mean():+.2f} "
        f"(se {off.std(ddof=1) / len(off) ** 0.5:.2f}) | {off.std(ddof=1):.2f} | "
        f"{((high - low) / 2 / 1.96).mean():.2f} | {false.mean():.1%} |"
    )


def main() -> None:
    """Run one part and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=PARTS, default="updates")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS[:2])
    parser.add_argument("--clinics", type=int, default=40)
    parser.add_argument("--fresh", type=int, default=200, help="fresh clients of each clinic")
    parser.add_argument("--courses", type=int, default=600)
    parser.add_argument("--mechanism", nargs="+", choices=MECHANISMS, default=MECHANISMS)
    parser.add_argument("--clinic", nargs="+", choices=CLINICS, default=list(CLINICS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    numbers = [options.seed + 1000 * k for k in range(options.clinics)]
    kept: dict[str, object] = {}
    if options.part == "updates":
        results = run_units(updated_clinic, [(k, options.fresh) for k in numbers], label="clinics")
        print("\n".join(updates_table(results)))
        kept["updates"] = results
    for kind in options.kinds if options.part == "regimes" else ():
        found = run_units(regime_clinic, [(k, kind) for k in numbers], label=kind)
        print("\n".join(regimes_table(kind, found)))
        kept[kind] = found
    if options.part == "nothing":
        print("| clinic | mechanism | clinics | mean | sd | stated error | false alarms |")
        print("|---|---|---|---|---|---|---|")
        rows = product(options.clinic, options.mechanism)
        for place, (kind, mechanism) in enumerate(rows, start=1):  # no two rows share a seed
            units = [(k + place, mechanism, kind, options.courses) for k in numbers]
            idle = run_units(idle_clinic, units, label=f"{mechanism}, {kind}")
            print(idle_line(mechanism, kind, idle), flush=True)
            kept[f"{mechanism}, {kind}"] = idle
    if options.part == "covered":
        by_mechanism = {
            mechanism: run_units(
                covered_clinic,
                [(number + 1 + place, mechanism, options.courses) for number in numbers],
                label=mechanism,
            )
            for place, mechanism in enumerate(options.mechanism)
        }
        print("| quantity | logs | covered | by mechanism | off by | sd | stated error over sd |")
        print("|---|---|---|---|---|---|---|", *covered_lines(by_mechanism), sep="\n")
        kept["covered"] = by_mechanism
    keep(options.out, kept)


if __name__ == "__main__":
    main()
