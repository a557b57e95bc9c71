"""What somebody waits for, against what they would use instead.

    OMP_NUM_THREADS=1 python -m benchmarks.waits [--only fit cold answers rooms page ...]

One process and one numerical thread; ours and the other take turns, in processor seconds, so that
a busy machine does not blur them. A cold start counts all of a process.
"""

import argparse
import os
import tempfile
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.answers import ENQUIRY, milliseconds, spent
from benchmarks.data import LAST, dummies, fixed_rows
from benchmarks.fit import alternate, clock
from benchmarks.goals import Notebook
from benchmarks.page import SYNTHETIC, burst, load, prepare, processor_s
from benchmarks.page import page as serve
from benchmarks.peers import statsmodels_fit
from benchmarks.prices import FIXED, FOUR, Made, tariff
from forecast import (
    Enquiry,
    compare_regimes,
    fit_fading,
    fit_forecaster,
    read_log,
    simulate_log,
)
from forecast.counts import COVARIATES, course_rows, durations_of
from forecast.counts.rows import fill_missing
from forecast.forecaster import refresh_forecaster
from forecast.log import TABLES
from forecast.prices import price_rows
from forecast.prices.year import courses_of, simulate
from forecast.reactions import fit_reactions
from forecast.survival import AcceleratedTime, Durations

GRADINGS = [(1, 15.0), (2, 30.0), (3, 45.0)]


def fit(book: Notebook, repeats: int) -> None:
    """Keep the time of a fit of 600 courses, and of the command, over one fit of lifelines."""
    log = simulate_log(600, seed=11)
    rows = course_rows(log)
    rows = rows[rows["step"] > rows["entry"]]
    filled = fill_missing(rows, rows[list(COVARIATES)].mean().to_dict())
    frame = durations_of(filled, {}).covariates.assign(T=filled["step"], E=filled["observed"])
    frame = frame.loc[:, frame.astype(float).std() > 0]
    theirs = lambda: lifelines_fit(frame)  # noqa: E731
    pairs = alternate(lambda: fit_forecaster(log), theirs, repeats)
    book.ratios("W1", "lifelines LogNormalAFTFitter", 600, [pair[::-1] for pair in pairs])
    yesterday = fit_forecaster(replace(log, courses=log.courses.sort_values("started_on")[:-3]))
    pairs = alternate(lambda: refresh_forecaster(yesterday, log), theirs, max(repeats, 5))
    book.ratios("W2", "lifelines LogNormalAFTFitter", 600, [pair[::-1] for pair in pairs])
    bare = ["-c", "import pandas, scipy.optimize"]
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        command = ["-m", "forecast", "fit", str(SYNTHETIC), "--out", "model.json"]
        spent(command, folder)
        taken = [(spent(bare, folder), spent(command, folder)) for _ in range(repeats)]
    book.ratios("W3", "python -c 'import pandas, scipy.optimize'", 600, taken)


def lifelines_fit(frame: pd.DataFrame) -> Any:
    """Return lifelines' log-normal fit of all columns."""
    from lifelines import LogNormalAFTFitter

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # on the way of its search
        return LogNormalAFTFitter().fit(frame, "T", "E")


def cold(book: Notebook, repeats: int) -> None:
    """Keep the processor time of commands on a saved model, over that of numpy's import."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        fit_forecaster(simulate_log(120, seed=5), seed=1).save(folder / "model.json")
        (folder / "enquiries.csv").write_text(ENQUIRY, encoding="utf-8")
        ask = ["-m", "forecast"]
        commands = {
            "estimate": [*ask, "estimate", "model.json", "enquiries.csv"],
            "update": [*ask, "update", "model.json", "enquiries.csv", "--sessions-done", "2"],
            "sheet": [*ask, "sheet", "model.json", "enquiries.csv", "--out", "sheet.html"],
        }
        for name, command in commands.items():
            spent(command, folder)  # the first start compiles what it reads
            pairs = [
                (spent(["-c", "import numpy"], folder), spent(command, folder))
                for _ in range(repeats)
            ]
            book.ratios("W4", f"python -c 'import numpy': {name}", 1, pairs)


def answers(book: Notebook, repeats: int) -> None:
    """Keep the time of one estimate and one update over lifelines' curve of one row."""
    forecaster = fit_forecaster(simulate_log(600, seed=11))
    frame = fixed_rows(600).rename(columns={"step": "T", "event": "E"})
    numbers = dummies(frame.rename(columns={"T": "step", "E": "event"}))
    peer = lifelines_fit(numbers.assign(T=frame["T"], E=frame["E"]).astype(float))
    steps, turn = np.arange(1, 31), iter(range(1, 10**6))

    def enquiry() -> Enquiry:  # never the same one twice
        size = 20 + next(turn) / 100
        return Enquiry("II", "forearm", "black;red", "medium", "single", area_cm2=size)

    ours = {
        "one estimate": lambda: forecaster.estimate(enquiry()).to_dict(),
        "one update": lambda: forecaster.update(enquiry(), sessions_done=3, gradings=GRADINGS),
    }
    theirs = lambda: peer.predict_survival_function(numbers.iloc[:1], times=steps)  # noqa: E731
    for name, work in ours.items():
        work(), theirs()
        pairs = [(milliseconds(theirs, 20), milliseconds(work, 20)) for _ in range(repeats)]
        book.ratios("W5", f"lifelines predict_survival_function: {name}", 1, pairs)


def rooms(book: Notebook, repeats: int) -> None:
    """Keep the seconds of a comparison, of fading and of reactions on the shipped log."""
    log = read_log(SYNTHETIC)
    works: dict[str, Callable[[], Any]] = {
        "compare_regimes, 1,000 resamples": lambda: compare_regimes(log, replicates=1_000),
        "fit_fading": lambda: fit_fading(log),
        "fit_reactions": lambda: fit_reactions(log),
    }
    for name, work in works.items():
        work()
        book.keep("W6", name, 600, [clock(work) for _ in range(repeats)])
    frame = fixed_rows(600)
    glm = lambda: statsmodels_fit(frame, dummies(frame))  # noqa: E731
    book.keep("W6", "statsmodels GLM on the person-session rows", 600, [
        clock(glm) for _ in range(repeats)
    ])  # fmt: skip


def page(book: Notebook, repeats: int) -> None:
    """Keep the processor time of an answer of the page, and the median wait of fifty tablets.

    In a burst each asks once; at once, each asks again as soon as it has its answer.
    """
    with tempfile.TemporaryDirectory() as scratch:
        prepare(Path(scratch))
        with serve(Path(scratch)) as (address, pid):
            load(address, 1, 2.0)
            each, once, waits = [], [], []
            for _ in range(repeats):
                before = processor_s(pid)
                alone, _ = load(address, 1, 3.0)
                each.append(1e3 * (processor_s(pid) - before) / len(alone))
                once.append(float(np.median(burst(address, 50))))
                waits.append(float(np.median(load(address, 50, 3.0)[0])))
    book.keep("W7", "an answer of the page", 1, each)
    book.keep("W7", "median wait in a burst of fifty", 50, once)
    book.keep("W7", "median wait of fifty at once", 50, waits)


def reading(book: Notebook, repeats: int) -> None:
    """Keep the time of reading the shipped log over that of pandas reading its files."""
    files = [SYNTHETIC / f"{name}.csv" for name in TABLES]
    plainly = lambda: [pd.read_csv(file) for file in files]  # noqa: E731
    plainly(), read_log(SYNTHETIC)
    ours = lambda: read_log(SYNTHETIC)  # noqa: E731
    pairs = [(milliseconds(plainly, 3), milliseconds(ours)) for _ in range(repeats)]
    book.ratios("R2", "pandas.read_csv of the shipped log", 600, pairs)


def prices(book: Notebook, repeats: int) -> None:
    """Keep the time of prices over that of numpy's draws of as many uniforms.

    One for each chance of an outcome, or for each course of each year; the memory they go into has
    been used before, for a machine may take ten times as long to hand out fresh one.
    """
    rng, made = np.random.default_rng(0), Made()
    draws, stop = made.estimate_draws([None] * 500)
    pmf, stop = np.repeat(draws[0], 200, axis=0), np.repeat(stop[0], 200, axis=0)
    area = np.round(rng.gamma(2, 30, len(pmf)), 1)
    rules = tariff(tax_rate=0.2, round_to=5)
    many = lambda: price_rows(pmf, stop, FOUR, rules, area_cm2=area)  # noqa: E731
    sizes = [one.chances.shape for one in many()]
    uniforms = lambda: [rng.random(size) for size in sizes]  # noqa: E731
    pairs = [(milliseconds(uniforms), milliseconds(many)) for _ in range(repeats)]
    book.ratios("S1", "uniforms: 100,000 enquiries by four packages", 100_000, pairs)
    pmf, stop = made.estimate_draws([None] * 2_000)
    sold = {"area_cm2": area[:2000], "weights": np.ones((2_000, 1))}
    courses = courses_of(pmf, stop, [FIXED], rules, **sold)
    year = lambda: simulate(courses, replicates=10_000, seed=1)  # noqa: E731
    uniforms = lambda: [rng.random(2_000) for _ in range(10_000)]  # noqa: E731
    pairs = [(milliseconds(uniforms), milliseconds(year)) for _ in range(repeats)]
    book.ratios("S1", "uniforms: a year of 2,000 courses, 10,000 times", 2_000, pairs)


def accelerated(book: Notebook, repeats: int, largest: int = 20_000) -> None:
    """Keep the time of the accelerated-time fit with errors over lifelines', 12 numbers each."""
    for n in (size for size in (2_000, 20_000, 200_000, 1_000_000) if size <= largest):
        rng = np.random.default_rng(1)
        columns = [f"x{k}" for k in range(12)]
        frame = pd.DataFrame(rng.normal(size=(n, 12)), columns=columns)
        latent = np.exp(2 + frame.to_numpy() @ rng.normal(0, 0.1, 12) + 0.5 * rng.normal(size=n))
        frame["T"] = np.minimum(np.ceil(latent), LAST)
        frame["E"] = latent <= LAST
        read = lambda frame=frame, columns=columns: Durations.from_frame(  # noqa: E731
            frame, step="T", observed="E", covariates=columns
        )
        ours = lambda read=read: AcceleratedTime("lognormal").fit(read())  # noqa: E731
        pairs = alternate(ours, lambda frame=frame: lifelines_fit(frame.astype(float)), repeats)
        book.ratios("A1", "lifelines LogNormalAFTFitter", n, pairs)


PARTS = {
    part.__name__: part for part in (fit, cold, answers, rooms, page, reading, prices, accelerated)
}


def main() -> None:
    """Print one line per measurement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="+", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--largest", type=int, default=20_000, help="accelerated-time fit, rows")
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    os.environ.setdefault("FORECAST_WORKERS", "1")
    book = Notebook(options.kept)
    for name in options.only:
        more = {"largest": options.largest} if name == "accelerated" else {}
        PARTS[name](book, options.repeats, **more)


if __name__ == "__main__":
    main()
