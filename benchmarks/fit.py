"""Speed of the discrete hazard, as a ratio to statsmodels, and how well the two agree.

    OMP_NUM_THREADS=1 python -m benchmarks.fit [--sizes 2000 20000] [--repeats 3]

One numerical thread; ours and the peer take turns, and the ratio is that of the medians. Times
are of the processor, so that a busy machine does not blur them. The spread is the range of the
pairwise ratios. ``--statsmodels`` says up to which size statsmodels is fitted too: it needs
57 kB a row, 11 GB at 200,000.
"""

import argparse
import gc
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.data import dummies, fixed_rows, read
from benchmarks.goals import Notebook
from benchmarks.peers import long_form, statsmodels_fit, statsmodels_glm
from forecast.survival import SMOOTH_NAMES, DiscreteHazard

Pair = tuple[float, float]


def main() -> None:
    """Print one line per measurement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sizes", type=int, nargs="*", default=[2_000, 20_000, 200_000])
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--statsmodels", type=int, default=20_000)
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    book = Notebook(options.kept)
    for n in options.sizes:
        measure(book, n, options)


def measure(book: Notebook, n: int, options: argparse.Namespace) -> None:
    """Keep what was measured at one size."""
    frame, repeats = fixed_rows(n), options.repeats
    wide = dummies(frame)
    ours = lambda: DiscreteHazard().fit(read(frame))  # noqa: E731
    seconds = float(np.median([mine for mine, _ in alternate(ours, ours, 2 * repeats)]))
    print(f"\n{n:,} rows, {frame.step.mean():.1f} steps each, {frame.event.mean():.0%} events; "
          f"our fit {1e3 * seconds:.1f} ms", flush=True)  # fmt: skip
    if n <= options.statsmodels:
        theirs = partial(statsmodels_fit, frame, wide)
        if n == min(options.sizes):
            theirs()  # what is loaded on first use is nobody's time
        book.ratios("F1", "statsmodels GLM, cloglog", n, alternate(ours, theirs, repeats))
        agreement(book, frame, wide)


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
    design, event = long_form(frame, wide)
    peer = statsmodels_glm(design, event).fit(tol=1e-12, maxiter=100)
    ours = DiscreteHazard().fit(read(frame))
    steps = len(SMOOTH_NAMES)
    slopes = np.abs(peer.params - ours.parameters)[steps:].max()
    errors = np.abs(peer.bse / np.diag(ours.covariance_matrix) ** 0.5 - 1)[steps:].max()
    book.keep("F4", "statsmodels: coefficients", len(frame), [slopes])
    book.keep("F4", "statsmodels: standard errors", len(frame), [errors])


if __name__ == "__main__":
    main()
