"""Speed of what is asked of a fitted model: a distribution, a book.

    OMP_NUM_THREADS=1 python -m benchmarks.answers [--repeats 5]

Processor seconds throughout.
"""

import argparse
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.data import LAST, fixed_rows, read
from benchmarks.goals import Notebook
from forecast.prices import Package, Tariff
from forecast.prices.year import courses_of, simulate
from forecast.survival import DiscreteHazard

ENQUIRY = "skin_type,body_site,inks,ink_density,layering\nII,forearm,black,light,single\n"


def main() -> None:
    """Print one line per measurement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    book = Notebook(options.kept)
    predictions(book, options.repeats)
    caseload(book, options.repeats)


def milliseconds(work: Callable[[], Any], times: int = 1) -> float:
    """Return the processor milliseconds of one call, of ``times`` in a row."""
    start = time.process_time()
    for _ in range(times):
        work()
    return 1e3 * (time.process_time() - start) / times


def predictions(book: Notebook, repeats: int) -> None:
    """Keep the time of a distribution with its interval, of one enquiry and of a thousand."""
    frame = fixed_rows(20_000)
    fitted = DiscreteHazard().fit(read(frame))
    names = [name for name, _ in fitted.encoding.columns]
    one = {name: frame[name][0] for name in names}
    thousand = {name: frame[name][:1000].tolist() for name in names}
    for given, what, size, times in (
        (one, "one enquiry", 1, 200),
        (thousand, "1,000 enquiries", 1_000, 10),
    ):
        work = lambda given=given: fitted.predict(given, LAST).interval(0.8)  # noqa: E731
        work()
        book.keep("P1", what, size, [milliseconds(work, times) for _ in range(repeats)])


def spent(arguments: list[str], folder: Path) -> float:
    """Return the processor seconds of one Python from its start to its end."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "compiled")}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    subprocess.run(
        [sys.executable, *arguments], cwd=folder, env=environment, check=True, capture_output=True
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def caseload(book: Notebook, repeats: int) -> None:
    """Keep the time of a thousand simulated years of a thousand courses under a price."""
    n, steps = 1_000, np.arange(12)
    hazard = np.random.default_rng(1).uniform(0.05, 0.3, (200, n, 1))
    tariff = Tariff(currency="EUR", session_price=150, cap=12, cost_per_session=100)
    sold = courses_of(
        hazard * (1 - hazard) ** steps,
        np.full((n, len(steps)), 0.04),
        [Package("fixed", price=400)],
        tariff,
        area_cm2=np.full(n, 40.0),
        weights=np.ones((n, 1)),
    )
    years = lambda: simulate(sold, replicates=1_000, seed=1)  # noqa: E731
    years()
    book.keep("P3", "1,000 courses, 1,000 draws", n, [milliseconds(years) for _ in range(repeats)])


if __name__ == "__main__":
    main()
