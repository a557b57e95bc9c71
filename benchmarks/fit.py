"""Speed and memory of the discrete hazard, each number as a ratio to a named peer.

    OMP_NUM_THREADS=1 python -m benchmarks.fit [--sizes 2000 20000] [--repeats 3]

One numerical thread; ours and the peer take turns, and the ratio is that of the medians. Times
are of the processor, so that a busy machine does not blur them. The spread is the range of the
pairwise ratios. ``--statsmodels`` says up to which size statsmodels is fitted too: it needs
57 kB a row, 11 GB at 200,000. ``--limit`` fits a million rows with it in 16 GiB, to see it fail.
"""

import argparse
import gc
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.data import changing_rows, dummies, fixed_rows, read
from benchmarks.goals import Notebook
from benchmarks.peers import (
    cox_fit,
    glum_fit,
    long_form,
    sklearn_fit,
    statsmodels_fit,
    statsmodels_glm,
)
from forecast._jobs import run_units, seeds
from forecast.survival import DiscreteHazard

SKLEARN_LIMIT = 200_000  # rows beyond which these take minutes
GLUM_LIMIT = SKLEARN_LIMIT if find_spec("glum") else 0
BOOTSTRAP_LIMIT = 20_000
GROWTH_FROM = 20_000
BATCH = 200  # replicates drawn at a time
Pair = tuple[float, float]


def main() -> None:
    """Print one line per measurement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="*", default=[2_000, 20_000, 200_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--refits", type=int, default=1000)
    parser.add_argument("--statsmodels", type=int, default=20_000)
    parser.add_argument("--limit", action="store_true")
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    book, seconds = Notebook(options.kept), {}
    for n in options.sizes:
        seconds[n] = measure(book, n, options)
    growth(book, seconds)
    if options.limit:
        book.keep("F5", "statsmodels within 16 GiB: 1 is out of memory", 1_000_000,
                  [float(runs_out_of_memory())])  # fmt: skip


def measure(book: Notebook, n: int, options: argparse.Namespace) -> float:
    """Keep what was measured at one size; return the seconds of our fit."""
    frame, repeats = fixed_rows(n), options.repeats
    wide = dummies(frame)
    ours = lambda: DiscreteHazard().fit(read(frame))  # noqa: E731
    logit = lambda: DiscreteHazard(link="logit").fit(read(frame))  # noqa: E731
    seconds = float(np.median([mine for mine, _ in alternate(ours, ours, 2 * repeats)]))
    print(f"\n{n:,} rows, {frame.step.mean():.1f} steps each, {frame.event.mean():.0%} events; "
          f"our fit {1e3 * seconds:.1f} ms", flush=True)  # fmt: skip
    peers: list[tuple[str, str, Callable[[], Any], Callable[[], Any], int]] = [
        ("F2", "lifelines CoxPHFitter", ours, partial(cox_fit, frame, wide), n),
        ("F2", "glum, cloglog", ours, partial(glum_fit, frame), GLUM_LIMIT),
        ("F3", "scikit-learn newton-cholesky", logit, partial(sklearn_fit, frame, wide),
         SKLEARN_LIMIT),
        ("F1", "statsmodels GLM, cloglog", ours, partial(statsmodels_fit, frame, wide, "cloglog"),
         options.statsmodels),
        ("F3", "statsmodels GLM, logit", logit, partial(statsmodels_fit, frame, wide, "logit"),
         options.statsmodels),
    ]  # fmt: skip
    for goal, peer, mine, theirs, most in peers:
        if n <= most:
            if n == min(options.sizes):
                theirs()  # what is loaded on first use is nobody's time
            book.ratios(goal, peer, n, alternate(mine, theirs, repeats))
    changing = changing_rows(n)
    plain, spells = read(frame), read(changing)
    pairs = alternate(
        lambda: DiscreteHazard().fit(plain), lambda: DiscreteHazard().fit(spells), 2 * repeats
    )
    book.ratios("F6", "without a change inside rows", n, pairs)
    book.keep("M1", "peak above the frame", n, [peak_bytes(ours) / n])
    if n <= options.statsmodels:
        agreement(book, frame, wide)
    if n <= BOOTSTRAP_LIMIT:
        bootstrap(book, n, changing, options)
    return seconds


def alternate(ours: Callable[[], Any], peer: Callable[[], Any], repeats: int) -> list[Pair]:
    """Return the seconds of ours and of the peer, in turns."""
    ours()
    return [(clock(ours), clock(peer)) for _ in range(repeats)]


def clock(work: Callable[[], Any]) -> float:
    """Return the processor seconds one call takes."""
    gc.collect()
    start = time.process_time()
    work()
    return time.process_time() - start


def agreement(book: Notebook, frame: pd.DataFrame, wide: pd.DataFrame) -> None:
    """Keep how far we are from statsmodels at its tightest."""
    design, event, _ = long_form(frame, wide)
    peer = statsmodels_glm(design, event, "cloglog").fit(tol=1e-12, maxiter=100)
    ours = DiscreteHazard().fit(read(frame))
    steps = len(ours.form.names)
    slopes = np.abs(peer.params[steps:] - ours.coefficients.to_numpy()).max()
    errors = np.abs(peer.bse[steps:] / ours.standard_errors.to_numpy() - 1).max()
    book.keep("F4", "statsmodels: coefficients", len(frame), [slopes])
    book.keep("F4", "statsmodels: standard errors", len(frame), [errors])


def peak_bytes(work: Callable[[], Any]) -> int:
    """Return the peak of memory that ``work`` allocates."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak


def bootstrap(book: Notebook, n: int, changing: pd.DataFrame, options: argparse.Namespace) -> None:
    """Keep the time of refits with standardised curves, in statsmodels fits, and who agrees."""
    durations = read(changing)
    refitter = DiscreteHazard(penalty=1e-3).refitter(durations)
    start = refitter.fit()
    rows = [refitter.encoding.encode(durations.covariates.assign(device=d)) for d in (0, 1)]

    def refits() -> None:
        rng = np.random.default_rng(1)
        for low in range(0, options.refits, BATCH):
            weights = drawn(rng, len(changing), min(BATCH, options.refits - low))
            many = refitter.fit_many(weights, start=start)
            for matrix in rows:
                many.mean_survival(matrix, weights)

    plain = fixed_rows(n)
    peer = partial(statsmodels_fit, plain, dummies(plain), "cloglog")
    pairs = [(clock(peer), clock(refits)) for _ in range(options.repeats)]
    book.ratios("B1", "one statsmodels GLM fit", n, pairs)
    replicate_agreement(book, n, changing)
    if n == 2_000:
        differing = sum(
            not np.array_equal(one, two)
            for one, two in zip(*(replicates(changing, workers) for workers in (1, 2)), strict=True)
        )
        book.keep("B2", "one and two workers: bits that differ", n, [differing])


def drawn(rng: np.random.Generator, n: int, replicates: int) -> np.ndarray:
    """Return how often each row is drawn, with replacement, in each replicate."""
    return np.array([np.bincount(rng.integers(0, n, n), minlength=n) for _ in range(replicates)],
                    dtype=np.float64)  # fmt: skip


def replicates(changing: pd.DataFrame, workers: int) -> list[np.ndarray]:
    """Return the slopes of a few batches of refits, each with a seed of its own."""
    units = [(changing, seed) for seed in seeds(3, 4)]
    return run_units(one_batch, units, workers=workers)


def one_batch(unit: tuple[pd.DataFrame, int]) -> np.ndarray:
    """Return the slopes of ten refits."""
    changing, seed = unit
    weights = drawn(np.random.default_rng(seed), len(changing), 10)
    return DiscreteHazard(penalty=1e-3).refitter(read(changing)).fit_many(weights).slopes


def replicate_agreement(book: Notebook, n: int, frame: pd.DataFrame, refits: int = 3) -> None:
    """Keep how far refits are from weighted statsmodels fits."""
    wide = dummies(frame)
    weights = drawn(np.random.default_rng(5), len(frame), refits)
    many = DiscreteHazard().refitter(read(frame)).fit_many(weights)
    apart = []
    for weight, slopes in zip(weights, many.slopes, strict=True):
        design, event, row = long_form(frame, wide, weight)
        peer = statsmodels_glm(design, event, "cloglog", freq_weights=weight[row])
        params = peer.fit(tol=1e-12, maxiter=100).params
        # ours follow the frame: categories, then numbers, then the device
        apart.append(float(np.abs(params[-len(slopes) :] - slopes).max()))
    book.keep("B2", "weighted statsmodels fits", n, apart)


def growth(book: Notebook, seconds: dict[int, float]) -> None:
    """Keep how our time grows with the number of rows."""
    sizes = sorted(size for size in seconds if size >= GROWTH_FROM)
    if len(sizes) > 1:
        power = np.log(seconds[sizes[-1]] / seconds[sizes[0]]) / np.log(sizes[-1] / sizes[0])
        book.keep("F5", f"growth exponent from {sizes[0]:,}", sizes[-1], [float(power)])


LIMITED = """
import resource
resource.setrlimit(resource.RLIMIT_AS, (2**34, 2**34))
from benchmarks.data import dummies, fixed_rows, read
from forecast.survival import DiscreteHazard
from benchmarks.peers import statsmodels_fit
frame = fixed_rows(1_000_000)
DiscreteHazard().fit(read(frame))
try:
    statsmodels_fit(frame, dummies(frame), "cloglog")
except MemoryError:
    print("out of memory")
"""


def runs_out_of_memory() -> bool:
    """Return whether statsmodels needs more than 16 GiB for a million rows, where we do not."""
    done = subprocess.run(
        [sys.executable, "-c", LIMITED], capture_output=True, text=True, check=True
    )
    return "out of memory" in done.stdout


if __name__ == "__main__":
    main()
