"""Mid-course updates, regime shares and the mixed model, on clinics whose truth is known.

    OMP_NUM_THREADS=1 python benchmarks/fading.py --clinics 40 --out benchmarks/results/fading.json
    OMP_NUM_THREADS=1 python benchmarks/fading.py --part updates --clinics 20

*updates*: each clinic draws its own speed and effects (standard deviation 0.15 on the log speed);
600 courses are logged, a forecaster is fitted, and fresh clients with complete follow-up are asked
about after 2, 4 and 6 sessions, with the gradings that the clinic would have written down.
*regimes*: the share of the remaining ink that ps removes beyond ns, by ink group, against its
truth, and stalls.
*speed*: the plain mixed model against statsmodels and, where Rscript and lme4 are at hand (never
needed otherwise), against lmer; processor time, in turns.
"""

import argparse
import json
import shutil
import subprocess
import tempfile
import time
import warnings
from dataclasses import replace
from pathlib import Path
from statistics import NormalDist

import numpy as np

from forecast import fit_fading, fit_forecaster, simulate_log
from forecast._jobs import run_units
from forecast.assess import Outcomes, brier, tie_split_coverage
from forecast.causal.mixed import LinearMixed
from forecast.forecaster import Forecaster
from forecast.invented import YEAR, CaseMix, Crew, World, arrive, hide, simulate_clinic
from forecast.invented.sessions import Paths
from forecast.log import Enquiry, OutcomeLog
from forecast.survival import CountDistribution
from forecast.tattoo import INK_GROUPS

HORIZON, LEVEL, MOST, LANDMARKS = 25, 0.8, 60, (2, 4, 6)
BLACK = replace(World(), mix=CaseMix(colour=0.0), resistant_rate=0.0)
BIG_REMNANT = 0.08
KINDS = ("black", "default", "quartiles")  # the last: default, gradings in quarters
STALLS = ("found", "false", "remnant")
Numbers = dict[str, float]


def fresh_courses(world: World, n: int, seed: int) -> tuple[list[Enquiry], Paths]:
    """Return clients of the clinic's last two years, and what happens if they go on."""
    rng = np.random.default_rng([seed, 1])
    cohort, _, paths = arrive(n, world, rng, (6 * YEAR, 8 * YEAR), MOST)
    frame = hide(cohort.attributes.enquiries(), rng)
    return [Enquiry(**row) for row in frame.to_dict("records")], paths


def updated_clinic(unit: tuple[int, int]) -> dict[str, Numbers]:
    """Return what one clinic's updates are worth after each landmark."""
    seed, n = unit
    world = World.draw(seed)
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


def in_quartiles(log: OutcomeLog) -> OutcomeLog:
    """Return a log whose gradings are rounded to quarters, as clinics grade by eye."""
    tables = {name: getattr(log, name) for name in ("courses", "sessions", "lasers")}
    quarters = 25 * (log.gradings["fading_pct"] / 25).round()
    return OutcomeLog.from_frames(**tables, gradings=log.gradings.assign(fading_pct=quarters))


def measured_rows(n: int, irregular: bool) -> tuple[np.ndarray, ...]:
    """Return design, response, subject and random columns of n subjects: 13 levels, 9 slopes."""
    rng = np.random.default_rng(n)
    sizes = rng.integers(3, 15, n)
    subject = np.repeat(np.arange(n), sizes)
    step = np.concatenate([np.arange(size, dtype=np.float64) for size in sizes])
    step += irregular * rng.uniform(-0.3, 0.3, len(step))
    level = (rng.random((n, 12)) < 0.3).astype(np.float64)[subject]
    design = np.column_stack([np.ones(len(step)), level, step, step[:, None] * level[:, :8]])
    effects = rng.multivariate_normal([0, 0], [[0.02, -0.002], [-0.002, 0.01]], n)[subject]
    slopes = np.r_[0, rng.normal(0, 0.05, 12), -0.4, rng.normal(0, 0.05, 8)]
    response = design @ slopes + effects[:, 0] + effects[:, 1] * step
    response += rng.normal(0, 0.1, len(step))
    return design, response, subject, np.column_stack([np.ones(len(step)), step])


def lmer(folder: Path, rows: tuple[np.ndarray, ...]) -> np.ndarray | None:
    """Return what R's lme4 finds: seconds, REML criterion, four variances, then coefficients.

    None where Rscript or lme4 is not at hand.
    """
    if shutil.which("Rscript") is None:
        return None
    design, response, subject, random = rows
    parts = {"design": design, "response": response, "subject": subject, "step": random[:, 1]}
    for name, values in parts.items():
        np.ascontiguousarray(values, dtype=np.float64).tofile(folder / name)
    script = Path(__file__).with_name("fading_lmer.R")
    command = ["Rscript", str(script), str(folder), *(str(size) for size in design.shape)]
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    if said.returncode:
        return None
    return np.array(said.stdout.split(), dtype=np.float64)


def timed(rows: tuple[np.ndarray, ...]) -> tuple[float, np.ndarray]:
    """Return our own seconds and the numbers that `lmer` returns after its seconds."""
    design, response, subject, random = rows
    began = time.process_time()
    fitted = LinearMixed().fit(design, response, subject, random=random)
    took = time.process_time() - began
    spread = fitted.random_covariance[np.tril_indices(2)]
    found = [fitted.deviance, fitted.residual_variance, *spread]
    return took, np.array([*found, *fitted.coefficients])


def mixed_lm(rows: tuple[np.ndarray, ...]) -> tuple[float, np.ndarray]:
    """Return the same of statsmodels' MixedLM."""
    import statsmodels.api as sm

    design, response, subject, random = rows
    began = time.process_time()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*boundary.*")
        peer = sm.MixedLM(response, design, subject, exog_re=random).fit(reml=True)
    took = time.process_time() - began
    spread = np.asarray(peer.cov_re)[np.tril_indices(2)]
    return took, np.array([-2 * peer.llf, peer.scale, *spread, *peer.fe_params])


def compared(peer: str, ours: list[float], theirs: list[float], gaps: np.ndarray) -> str:
    """Return the line of one peer: seconds, ratio with its range, and the largest differences."""
    ratios = np.array(theirs) / np.array(ours)
    return (
        f"{peer} | {1000 * np.median(ours):.0f} | {np.median(theirs):.2f} | "
        f"{np.median(ratios):.0f} ({ratios.min():.0f} to {ratios.max():.0f}) | {gaps[0]:+.1e} | "
        f"{gaps[1]:.0e} | {gaps[2]:.0e} |"
    )


def speed(n: int, repeats: int) -> list[str]:
    """Return a line per kind of data and peer: seconds, their ratio, and how far they agree."""
    lines = []
    timed(measured_rows(50, False))  # so that nobody's time holds what is loaded on first use
    for irregular in (False, True):
        rows = measured_rows(n, irregular)
        taken: dict[str, list[float]] = {"ours": [], "MixedLM": [], "lmer": []}
        gaps: dict[str, np.ndarray] = {}
        with tempfile.TemporaryDirectory() as folder:
            for _ in range(repeats):
                took, found = timed(rows)
                taken["ours"].append(took)
                peers = {"MixedLM": np.hstack(mixed_lm(rows)), "lmer": lmer(Path(folder), rows)}
                for peer, said in peers.items():
                    if said is None:
                        continue
                    taken[peer].append(float(said[0]))
                    apart = np.abs(found - said[1:])
                    variances = apart[1:5] / np.abs(said[2:6])
                    gaps[peer] = np.array([found[0] - said[1], apart[5:].max(), variances.max()])
        kind = f"| {n} | {'irregular' if irregular else 'grid'} | "
        for peer in ("MixedLM", "lmer"):
            if taken[peer]:
                lines.append(kind + compared(peer, taken["ours"], taken[peer], gaps[peer]))
            else:
                lines.append(kind + "lme4 not at hand |")
    return lines


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


def main() -> None:
    """Run one part and print its table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=("updates", "regimes", "speed", "all"), default="all")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS[:2])
    parser.add_argument("--clinics", type=int, default=40)
    parser.add_argument("--fresh", type=int, default=200, help="fresh clients of each clinic")
    parser.add_argument("--subjects", type=int, default=5000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    parts = ("updates", "regimes", "speed") if options.part == "all" else (options.part,)
    numbers = [options.seed + 1000 * k for k in range(options.clinics)]
    kept: dict[str, object] = {}
    if "updates" in parts:
        results = run_units(updated_clinic, [(k, options.fresh) for k in numbers], label="clinics")
        print("\n".join(updates_table(results)))
        kept["updates"] = results
    for kind in options.kinds if "regimes" in parts else ():
        found = run_units(regime_clinic, [(k, kind) for k in numbers], label=kind)
        print("\n".join(regimes_table(kind, found)))
        kept[kind] = found
    if "speed" in parts:
        print("\n".join(speed(options.subjects, options.repeats)))
    if options.out:
        options.out.parent.mkdir(parents=True, exist_ok=True)
        options.out.write_text(json.dumps(kept, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
