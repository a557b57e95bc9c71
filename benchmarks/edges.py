"""Do answers hold where somebody must decide? By mechanism, landmark and pace, colour, seed.

    python -m benchmarks.edges midcourse --clinics 40 --sizes 300,600 --seed 20000
    python -m benchmarks.edges consultation --clinics 40 --sizes 100,300,600 --seed 20000
    python -m benchmarks.edges stable --clinics 4 --seed 20000

Each clinic is drawn around the usual one of its mechanism; the courses asked about are fresh, of
its last two years, and followed until they end.
"""

import argparse
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.clinics import drawn_world, simulate_clinic
from benchmarks.estimates import crps, predicted
from benchmarks.kept import keep
from benchmarks.truth import fresh_clients, true_distribution
from forecast import Enquiry, fit_forecaster, simulate_log
from forecast._jobs import run_units
from forecast.assess import tie_split_coverage
from forecast.forecaster import Forecaster
from forecast.invented import World, usual_world
from forecast.log import OutcomeLog, enquiries_of
from forecast.midcourse import remaining_draws
from forecast.survival import CountDistribution
from forecast.tattoo import REGIONS

MECHANISMS = ("share", "noisy", "waning", "leaving")
HORIZON, LEVEL, WITHIN = 25, 0.8, 25
LANDMARKS = (2, 3, 4, 5, 6, 8, 10, 12)
THIRDS = ("slow", "middle", "quick")
FRESH = 300
LIGHT = {"white", "flesh", "yellow", "light_blue", "turquoise", "pink"}

Unit = tuple[str, int, int]


def clinic_of(mechanism: str, seed: int, **changes: Any) -> World:
    """Return a clinic drawn around the usual one of a mechanism."""
    return drawn_world(seed, base=replace(usual_world(mechanism), **changes))


def graded_courses(world: World, seed: int) -> tuple[OutcomeLog, pd.Series]:
    """Return fresh courses that nobody leaves, begun in the last two years, and what they need."""
    clinic = simulate_clinic(4 * FRESH, seed=seed, world=world, dropout=False)
    courses = clinic.log.courses
    late = courses["started_on"] >= courses["started_on"].max() - pd.Timedelta(days=4 * 365)
    keep = late & (courses["goal"] == "clear") & (courses["sessions_elsewhere"] == 0)
    courses = courses[keep].iloc[:FRESH]
    needed = clinic.truth.set_index("course_id")["needed_clear"].reindex(courses["course_id"])
    log = replace(clinic.log, courses=courses.reset_index(drop=True))
    return log, needed.fillna(np.inf)


def midcourse(unit: Unit) -> list[dict[str, Any]]:
    """Return one row per fresh course and landmark: what was said, and what came."""
    mechanism, size, seed = unit
    world = clinic_of(mechanism, seed)
    forecaster = fit_forecaster(simulate_log(size, seed=seed + 1, world=world))
    log, needed = graded_courses(world, seed + 2)
    gradings = log.gradings.sort_values(["course_id", "after_session"])
    by_course = dict(list(gradings.groupby("course_id")))
    rows = []
    for record in log.courses.to_dict("records"):
        course = str(record["course_id"])
        enquiry = Enquiry(**{k: record[k] for k in Enquiry.__slots__ if k in record})
        graded = by_course.get(course)
        if graded is None:
            continue
        for done in LANDMARKS:
            if not needed[course] > done or record["sessions_given"] < done:
                continue
            seen = graded[(graded["after_session"] <= done) & (graded["after_session"] > 0)]
            if seen.empty:
                continue
            pairs = list(zip(seen["after_session"], seen["fading_pct"], strict=True))
            row = {"mechanism": mechanism, "size": size, "seed": seed, "landmark": done}
            row["pace"] = -np.log1p(-min(pairs[-1][1], 97) / 100) / pairs[-1][0]
            row["quick"] = bool(enquiry.inks == "black" and needed[course] <= 15)
            left = needed[course] - done
            row["true_within"] = float(left <= WITHIN)
            both = remaining_draws(
                forecaster, forecaster.midcourse, enquiry, sessions_done=done, gradings=pairs
            )
            came = np.arange(1, HORIZON + 1) >= left
            for name, draws in zip(("without", "with"), both, strict=True):
                found = CountDistribution(draws.mean(axis=0, keepdims=True))
                row[f"covered_{name}"] = float(tie_split_coverage(found, [left], level=LEVEL)[0])
                row[f"said_{name}"] = float(found.pmf[0, :WITHIN].sum())
                row[f"crps_{name}"] = float(((found.cdf()[0] - came) ** 2).sum())
            rows.append(row)
    return rows


def midcourse_table(rows: list[dict[str, Any]]) -> str:
    """Return the cells as a Markdown table, and the three lines that go with it."""
    frame = pd.DataFrame(rows)
    frame["quick"] = frame["quick"].astype(bool)
    rank = frame.groupby(["mechanism", "seed", "size", "landmark"])["pace"].rank(pct=True)
    frame["third"] = pd.cut(rank, [0, 1 / 3, 2 / 3, 1], labels=list(THIRDS)).astype(str)
    lines = ["| mechanism | courses | after | pace | n | coverage | clear within 25, said − true |"]
    lines += ["|---|---|---|---|---|---|---|"]
    for at, part in frame.groupby(["mechanism", "size", "landmark", "third"]):
        if at[2] not in (3, 5, 8, 12):
            continue
        gap, error = clustered(part["said_with"] - part["true_within"], part["seed"])
        covered, spread = clustered(part["covered_with"], part["seed"])
        lines.append(
            f"| {at[0]} | {at[1]} | {at[2]} | {at[3]} | {len(part)} | {covered:.3f} (se "
            f"{spread:.3f}) | {gap:+.3f} (se {error:.3f}) |"
        )
    for at, part in frame.groupby(["mechanism", "size"]):
        said = []
        for done in (2, 4, 6):
            own = part[part["landmark"] == done]
            gain = 1 - own["crps_with"].sum() / own["crps_without"].sum()
            said.append(f"{gain:.0%} after {done}")
        lines.append(f"\n{at[0]}, {at[1]}: CRPS below the count's by {', '.join(said)}; ")
        for done in (8, 10):
            own = part[part["quick"] & (part["landmark"] == done)]
            if len(own):
                missed = 1 - own["said_without"]
                lines.append(f"ungraded quick black after {done}: {missed.mean():.3f} ({len(own)})")
    return "\n".join(lines)


def clustered(values: pd.Series, seed: pd.Series) -> tuple[float, float]:
    """Return the mean, and its standard error with each clinic as one."""
    parts = (values - values.mean()).groupby(seed).sum()
    return float(values.mean()), float(np.sqrt((parts**2).sum()) / len(values))


def as_a_user_would(courses: pd.DataFrame) -> pd.DataFrame:
    """Return the attributes as an analyst codes them for lifelines: dummies, logs, fills."""
    region = {site: name for name, sites in REGIONS.items() for site in sites}
    inks = courses["inks"].str.split(";")
    frame = pd.DataFrame(index=courses.index)
    frame["skin"] = courses["skin_type"].map(
        {s: k for k, s in enumerate(["I", "II", "III", "IV", "V", "VI"])}
    )
    for name, column in {
        "region": courses["body_site"].map(region),
        "density": courses["ink_density"],
        "layering": courses["layering"],
        "origin": courses["origin"],
        "scarring": courses["scarring"],
        "smoker": courses["smoker"],
    }.items():
        known = column.astype(object).where(column.notna(), "unknown").astype(str)
        frame = frame.join(pd.get_dummies(known, prefix=name, drop_first=True, dtype=float))
    colours = sorted({ink for row in inks for ink in row} - {"black"})
    for ink in colours:
        frame[f"ink_{ink}"] = [float(ink in row) for row in inks]
    for name in ("age_years", "area_cm2", "tattoo_age_years"):
        number = pd.to_numeric(courses[name]).astype(float)
        frame[name] = np.log(number.clip(lower=0.5)).fillna(np.log(number.clip(lower=0.5)).median())
    return frame.fillna(0.0)


def lifelines_laws(train: pd.DataFrame, asked: pd.DataFrame) -> dict[str, CountDistribution]:
    """Return what lifelines' Cox and log-normal models say of the enquiries, over the horizon."""
    from lifelines import CoxPHFitter, LogNormalAFTFitter

    both = as_a_user_would(pd.concat([train, asked], ignore_index=True))
    own, other = both.iloc[: len(train)], both.iloc[len(train) :]
    used = own.columns[(own.std() > 0) & ((own != 0).sum() >= 3)]
    data = own[used].assign(
        T=train["sessions_given"].to_numpy(dtype=float),
        E=(train["outcome"] == "cleared").to_numpy(dtype=float),
    )
    steps = np.arange(1, HORIZON + 1)
    found = {}
    for name, fitter in (
        ("Cox", CoxPHFitter(penalizer=0.05)),
        ("log-normal AFT", LogNormalAFTFitter(penalizer=0.05)),
    ):
        fitter.fit(data, "T", "E")
        times = steps if name == "Cox" else steps + 0.5
        survival = fitter.predict_survival_function(other[used], times=times).to_numpy().T
        found[name] = CountDistribution(
            -np.diff(np.minimum.accumulate(survival, axis=1), prepend=1.0)
        )
    return found


def consultation(unit: tuple[str, int, int]) -> list[dict[str, Any]]:
    """Return one row per model: skill, coverage, the hard colours and the chance by ten."""
    mechanism, size, seed = unit
    rows = []
    for drop_out in ("usual", "strong"):
        strong = {"dropout_base": usual_world(mechanism).dropout_base + 1.0}
        if drop_out == "strong" and size != 300:
            continue
        world = clinic_of(mechanism, seed, **(strong if drop_out == "strong" else {}))
        frame, needed = fresh_clients(world, 4 * FRESH, seed=seed + 1, horizon=HORIZON)
        counts = np.where(needed > HORIZON, np.inf, needed)
        _, many = fresh_clients(world, 20_000, seed=seed + 2, horizon=HORIZON)
        table = np.array([(many == k).mean() for k in range(1, HORIZON + 1)])
        base = crps(CountDistribution(np.tile(table, (len(frame), 1))), counts)
        truth = true_distribution(world, frame, HORIZON, n_inner=100, seed=seed + 3)
        best = crps(truth, counts) * 100 / 101
        log = simulate_log(size, seed=seed + 4, world=world)
        laws = {"own": predicted(fit_forecaster(log), enquiries_of(frame))}
        if drop_out == "usual":
            train = log.courses[
                (log.courses["sessions_elsewhere"] == 0) & (log.courses["goal"] == "clear")
            ]
            laws |= lifelines_laws(train, frame)
        hard = frame["inks"].str.split(";").map(lambda inks: bool(LIGHT & set(inks))).to_numpy()
        for name, law in laws.items():
            split = tie_split_coverage(law, counts, level=LEVEL)
            said = law.cdf()[:, 9].mean()
            rows.append(
                {
                    "mechanism": mechanism,
                    "size": size,
                    "seed": seed,
                    "drop_out": drop_out,
                    "model": name,
                    "skill": (base - crps(law, counts)) / (base - best),
                    "coverage": float(split.mean()),
                    "hard": float(split[hard].sum()),
                    "n_hard": int(hard.sum()),
                    "by_ten": float(said - truth.cdf()[:, 9].mean()),
                }
            )
    return rows


def consultation_table(rows: list[dict[str, Any]]) -> str:
    """Return skill, coverage and the chance by ten as a Markdown table."""
    frame = pd.DataFrame(rows)
    lines = [
        "| mechanism | courses | drop-out | model | skill | coverage | hard colours | by 10, "
        "said − true |"
    ]
    lines += ["|---|---|---|---|---|---|---|---|"]
    for at, part in frame.groupby(["mechanism", "size", "drop_out", "model"]):
        n = len(part)

        def shown(name: str, part: pd.DataFrame = part, n: int = n) -> str:
            return f"{part[name].mean():+.3f} (se {part[name].std() / n**0.5:.3f})"

        hard = part["hard"].sum() / max(part["n_hard"].sum(), 1)
        lines.append(
            f"| {at[0]} | {at[1]} | {at[2]} | {at[3]} | {shown('skill')} | "
            f"{part['coverage'].mean():.3f} | {hard:.3f} | {shown('by_ten')} |"
        )
    return "\n".join(lines)


def stable(unit: Unit) -> list[dict[str, Any]]:
    """Return by how much medians move with the seed, with names and order, and without a course."""
    mechanism, size, seed = unit
    world = clinic_of(mechanism, seed)
    log = simulate_log(size, seed=seed + 1, world=world)
    fresh, needed = graded_courses(world, seed + 2)
    whole = medians(fit_forecaster(log), fresh, needed)
    rng = np.random.default_rng(seed)
    changed: dict[str, Callable[[], Forecaster]] = {
        "seed": lambda: fit_forecaster(log, seed=1),
        "names and order": lambda: fit_forecaster(renamed(log, rng)),
        "one course": lambda: fit_forecaster(without(log, int(rng.integers(size)))),
    }
    rows = []
    for what, refit in changed.items():
        moved = np.abs(medians(refit(), fresh, needed) - whole)
        half = len(moved) // 2
        for kind, part in (("estimates", moved[:half]), ("updates", moved[half:])):
            rows.append(
                {
                    "mechanism": mechanism,
                    "seed": seed,
                    "what": what,
                    "kind": kind,
                    "moved": float((part > 0).mean()),
                    "most": float(part.max()),
                }
            )
    return rows


def medians(forecaster: Forecaster, log: OutcomeLog, needed: pd.Series) -> np.ndarray:
    """Return medians of 200 estimates, then of as many updates; those beyond count as one more."""
    found: list[list[float]] = [[], []]
    by_course = dict(list(log.gradings.groupby("course_id")))
    for record in log.courses.to_dict("records")[:200]:
        enquiry = Enquiry(**{k: record[k] for k in Enquiry.__slots__ if k in record})
        found[0].append(float(forecaster.estimate(enquiry).distribution.median()[0]))
        done = int(min(4, max(needed[record["course_id"]] - 1, 0)))
        graded = by_course.get(record["course_id"], log.gradings.iloc[:0])
        seen = graded[(graded["after_session"] <= done) & (graded["after_session"] > 0)]
        pairs = list(zip(seen["after_session"], seen["fading_pct"], strict=True))
        law = forecaster.update(enquiry, sessions_done=done, gradings=pairs)
        found[1].append(float(law.remaining.distribution.median()[0]))
    return np.minimum(np.concatenate(found), HORIZON + 1)


def renamed(log: OutcomeLog, rng: np.random.Generator) -> OutcomeLog:
    """Return the log with its courses and clients called otherwise, in another order."""
    course = {old: f"N{k}" for k, old in enumerate(rng.permutation(log.courses["course_id"]))}
    clients = rng.permutation(log.courses["client_id"].unique())
    client = {old: f"P{k}" for k, old in enumerate(clients)}
    tables = {}
    for name in ("courses", "sessions", "gradings", "reactions"):
        table = getattr(log, name).copy()
        table["course_id"] = table["course_id"].map(course)
        if name == "courses":
            table["client_id"] = table["client_id"].map(client)
        tables[name] = table.iloc[rng.permutation(len(table))].reset_index(drop=True)
    return OutcomeLog.from_frames(**tables, lasers=log.lasers)


def without(log: OutcomeLog, place: int) -> OutcomeLog:
    """Return the log without one course."""
    gone = log.courses["course_id"].iloc[place]
    tables = {
        name: getattr(log, name)[getattr(log, name)["course_id"] != gone]
        for name in ("courses", "sessions", "gradings", "reactions")
    }
    return OutcomeLog.from_frames(**tables, lasers=log.lasers)


def stable_table(rows: list[dict[str, Any]]) -> str:
    """Return what moved as a Markdown table."""
    frame = pd.DataFrame(rows)
    lines = ["| mechanism | changed | kind | clinics | medians that move | most |"]
    lines += ["|---|---|---|---|---|---|"]
    for at, part in frame.groupby(["mechanism", "what", "kind"]):
        lines.append(
            f"| {at[0]} | {at[1]} | {at[2]} | {len(part)} | {part['moved'].mean():.1%} | "
            f"{part['most'].max():.0f} |"
        )
    return "\n".join(lines)


STUDIES = {
    "midcourse": (midcourse, midcourse_table),
    "consultation": (consultation, consultation_table),
    "stable": (stable, stable_table),
}


def main() -> None:
    """Run a study and print its table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("study", choices=list(STUDIES))
    parser.add_argument("--clinics", type=int, default=40)
    parser.add_argument("--sizes", default="300")
    parser.add_argument("--mechanisms", default=",".join(MECHANISMS))
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    run, table = STUDIES[options.study]
    units = [
        (mechanism, int(size), options.seed + 1000 * k)
        for mechanism in options.mechanisms.split(",")
        for size in options.sizes.split(",")
        for k in range(options.clinics)
    ]
    parts = run_units(run, units, workers=options.workers, label="clinics")
    rows = [row for part in parts for row in part]
    keep(options.out, rows)
    print(table(rows))


if __name__ == "__main__":
    sys.exit(main())
