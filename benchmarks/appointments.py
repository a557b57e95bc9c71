"""Do the appointments that were forecast come? Invented clinics, each followed a year past its log.

    python -m benchmarks.appointments --clinics 10 --keep benchmarks/results/fitted

Of every mechanism clinics are drawn, each with its own speed and effects. A clinic's log ends after
eight years; what came in the year after it is known and never shown. Judged are the 90 % band by
month and for the year, and the CRPS, against the same month of the year before (taken as sure, and
with Poisson chance around it) and against exponential smoothing with seasons (statsmodels) of the
monthly counts. Beside it stands who could not do better: who knows every further session of the
open courses, and the law of new ones. Of the same clinics, what a year is stated to risk (see
``benchmarks.prices``).
``--closed``: clinics that close in August, whose visits then are put off to September.
"""

import argparse
import warnings
from dataclasses import replace
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd

from benchmarks.clinics import drawn_world
from benchmarks.kept import keep
from benchmarks.prices import CAP, CLIENTS, INNER, table_of, year
from benchmarks.truth import fresh_clients, true_deliveries
from forecast import OutcomeLog, fit_forecaster, load_forecaster
from forecast._checks import YEAR
from forecast._jobs import run_units
from forecast.forecaster import Forecaster
from forecast.invented import World, usual_world
from forecast.invented.simulate import DAY_ONE, MOST, Luck, Paths, arrive, frames, live
from forecast.invented.world import Cohort, Mechanism
from forecast.log import LATEST
from forecast.prices import forecast_appointments

CUT = 2920  # days: the last of 2024
SMALLEST_PART = 15  # days of a month, to be judged alone
SMOOTHED_YEARS, PATHS = 5, 2000
POOL, BOUND_DRAWS = 4000, 400  # new courses to draw from, and years drawn


def closed_in_august(cohort: Cohort, paths: Paths) -> tuple[Cohort, Paths]:
    """Return courses whose visits of August are put off to September, and all later ones with them.

    They come in the first two weeks, as those of August had come in its first or second half.
    """
    late, days = np.zeros(len(cohort)), []
    for planned in paths.day.T:
        dates = DAY_ONE.astype("datetime64[D]") + (planned + late).astype("timedelta64[D]")
        months = dates.astype("datetime64[M]")
        of_month = (dates - months).astype(int)
        wait = np.where(months.astype(int) % 12 == 7, 31 - of_month + of_month % 14, 0)
        late = late + wait
        days.append(planned + late)
    day = np.stack(days, axis=1)
    after = np.hstack([day[:, 1:], paths.next_day[:, -1:] + late[:, None]])
    return replace(cohort, start=day[:, 0]), replace(paths, day=day, next_day=after)


def followed_clinic(
    world: World, size: int, seed: int, *, closed: bool = False
) -> tuple[OutcomeLog, np.ndarray, np.ndarray]:
    """Return a log of about ``size`` courses in eight years, the dates of all sessions, and whose.

    Of a session, whether its course had begun when the log ends.
    """
    years = CUT / YEAR
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence([seed, 31]).spawn(3)]
    n = round(size * (years + 1) / years)
    cohort, _, paths = arrive(n, world, streams[0], (0.0, (years + 1) * YEAR), MOST)
    if closed:
        cohort, paths = closed_in_august(cohort, paths)
    luck = Luck.draw(n, MOST, streams[1])
    known = np.flatnonzero(cohort.start <= CUT)
    seen = (cohort.take(known), paths.take(known))
    course = live(*seen, world, luck.take(known), CUT)
    tables = frames(*seen, course, world, streams[2])
    log = OutcomeLog.from_frames(**tables, cleared_at=world.cleared_at, today=LATEST)
    held = live(cohort, paths, world, luck, np.inf).given
    on = np.arange(MOST) < held[:, None]
    begun = np.broadcast_to((cohort.start <= CUT)[:, None], on.shape)[on]
    return log, DAY_ONE + paths.day[on].astype("timedelta64[D]"), begun


def new_sessions(world: World, rate: float, cuts: np.ndarray, seed: int) -> np.ndarray:
    """Return draws of the sessions of new courses between days after the log, (draws, periods).

    ``rate`` new courses a year are expected, ``cuts`` are days from the first, increasing.
    """
    rng = np.random.default_rng([seed, 5])
    cohort, _, paths = arrive(POOL, world, rng, (0.0, YEAR), MOST)
    held = live(cohort, paths, world, Luck.draw(POOL, MOST, rng), np.inf).given
    on = np.arange(MOST) < held[:, None]
    period = np.digitize(paths.day, cuts) - 1
    each = np.stack([((period == k) & on).sum(axis=1) for k in range(len(cuts) - 1)], axis=1)
    counts = rng.poisson(rate, BOUND_DRAWS)
    return np.array([each[rng.integers(POOL, size=count)].sum(axis=0) for count in counts])


def fitted(log: OutcomeLog, name: str, keep: Path | None) -> Forecaster:
    """Return the forecaster of a log, kept in a folder for the next time."""
    path = keep and keep / f"{name}.json"
    if path and path.exists():
        return load_forecaster(path)
    forecaster = fit_forecaster(log, seed=1)
    if path:
        path.parent.mkdir(parents=True, exist_ok=True)
        forecaster.save(path)
    return forecaster


def crps(draws: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """Return the CRPS of draws, (n_draws, months), at what was seen."""
    n = len(draws)
    ordered = np.sort(draws, axis=0)
    weights = (2 * np.arange(1, n + 1) - n - 1)[:, None]
    return np.abs(draws - seen).mean(axis=0) - (weights * ordered).sum(axis=0) / n**2


def smoothed(dates: np.ndarray, months: pd.PeriodIndex, rng: np.random.Generator) -> np.ndarray:
    """Return draws of monthly counts by exponential smoothing with a damped trend and seasons."""
    from statsmodels.tsa.exponential_smoothing.ets import ETSModel

    counts = pd.Series(dates).dt.to_period("M").value_counts()
    past = pd.period_range(months[0] - 12 * SMOOTHED_YEARS, months[0] - 1, freq="M")
    series = pd.Series(counts.reindex(past, fill_value=0).to_numpy(float), index=past)
    model = ETSModel(series, error="add", trend="add", damped_trend=True,
                     seasonal="add", seasonal_periods=12)  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of statsmodels, on the way of its search
        fit = model.fit(disp=False)
    paths = fit.simulate(len(months), repetitions=PATHS, anchor="end", rng=rng)
    return np.maximum(np.asarray(paths).T, 0)


def one_clinic(unit: tuple[str, int, int, Path | None, bool]) -> dict[str, float]:
    """Return whether the bands of one clinic held, and the scores."""
    mechanism, seed, size, keep, closed = unit
    world = drawn_world(seed, base=usual_world(mechanism))
    log, dates, begun = followed_clinic(world, size, seed, closed=closed)
    forecaster = fitted(log, f"{mechanism}-{seed}{'-closed' * closed}", keep)
    load = forecast_appointments(forecaster, log, seed=seed)
    first = np.array(load.first_days, dtype="datetime64[D]")
    last = first + np.array(load.days)
    dates = dates.astype("datetime64[D]")
    seen, known, before = (
        np.array([((of >= a) & (of < b)).sum() for a, b in zip(first, last, strict=True)])
        for of in (dates, dates[begun], dates + np.timedelta64(365, "D"))
    )
    cuts = (np.append(first, last[-1]) - first[0]).astype(int)
    best = known + new_sessions(world, size * YEAR / CUT, cuts, seed)
    draws = load.tallies["sessions"]
    whole = np.array(load.days) >= SMALLEST_PART
    rng = np.random.default_rng(seed)
    months = pd.PeriodIndex(first[whole], freq="M")
    ets = smoothed(dates[dates < first[whole][0]], months, rng)
    poisson = rng.poisson(before, (PATHS, len(before)))
    low, high = np.quantile(draws, [0.05, 0.95], axis=0)
    inside = (np.floor(low) <= seen) & (seen <= np.ceil(high))
    total, (mean, least, most) = seen.sum(), load.total
    own = crps(draws[:, whole], seen[whole]).mean()
    frame, _ = fresh_clients(world, CLIENTS, seed=seed + 1)
    frame = frame.assign(sessions_elsewhere=0)
    true = true_deliveries(world, frame, cap=CAP, n_inner=INNER, seed=seed + 2).delivered
    area = frame["area_cm2"].to_numpy(dtype=np.float64)
    return {
        **year(forecaster, log, frame, area, true, size * YEAR / CUT, seed),
        "months inside the 90 % band": float(inside[whole].mean()),
        "first 3 months": float(inside[whole][:3].mean()),
        "August, expected / seen": august(draws.mean(axis=0), first) / max(august(seen, first), 1),
        "September, seen less expected": -august(draws.mean(axis=0) - seen, first, month=9),
        "year inside": float(round(least) <= total <= round(most)),
        "year, expected / seen": mean / total,
        "year, width of the band / seen": (most - least) / total,
        "CRPS": own,
        "CRPS / same month last year, sure": own / np.abs(before - seen)[whole].mean(),
        "CRPS / same month last year, Poisson": own / crps(poisson, seen)[whole].mean(),
        "CRPS / smoothing with seasons": own / crps(ets, seen[whole]).mean(),
        "CRPS of who cannot do better / smoothing": crps(best, seen)[whole].mean()
        / crps(ets, seen[whole]).mean(),
        "CRPS of last year, sure": float(np.abs(before - seen)[whole].mean()),
        "CRPS of last year, Poisson": float(crps(poisson, seen)[whole].mean()),
        "CRPS of smoothing": float(crps(ets, seen[whole]).mean()),
    }


def august(values: np.ndarray, first: np.ndarray, *, month: int = 8) -> float:
    """Return the sum of the values of the months that are August, or another."""
    return float(values[first.astype("datetime64[M]").astype(int) % 12 == month - 1].sum())


def main() -> None:
    """Run the study and print a table for each mechanism and for all."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clinics", type=int, default=10, help="of each mechanism")
    parser.add_argument("--courses", type=int, default=600)
    parser.add_argument("--seed", type=int, default=7001)
    parser.add_argument("--closed", action="store_true", help="in August")
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--keep", type=Path, default=None, help="folder of fitted models")
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    names = get_args(Mechanism)
    units = [
        (name, options.seed + k * len(names) + place, options.courses, options.keep, options.closed)
        for k in range(options.clinics)
        for place, name in enumerate(names)
    ]
    results = run_units(one_clinic, units, workers=options.workers, label="clinics")
    keep(options.out, results)
    for place, name in enumerate(names):
        print(f"\n{name}\n\n{table_of(results[place :: len(names)])}")
    print(f"\nall\n\n{table_of(results)}")


if __name__ == "__main__":
    main()
