"""The one door through which independent pieces of work go: folds, replicates, simulated logs."""

import os
import sys
from collections.abc import Callable, Iterable
from typing import Any, TypeVar

__all__ = ["run_units", "seeds"]

Unit = TypeVar("Unit")
Result = TypeVar("Result")


def run_units(
    function: Callable[[Unit], Result],
    units: Iterable[Unit],
    *,
    workers: int | None = None,
    label: str = "",
) -> list[Result]:
    """Return ``[function(unit) for unit in units]``, worked on side by side, in order.

    ``workers=None`` takes the machine's cores, or ``FORECAST_WORKERS`` from the environment;
    1 stays in this process. Whatever the number, each unit runs with one numerical thread, so
    that results do not depend on it. With a ``label`` and a terminal, progress goes to stderr.
    Inside ``joblib.parallel_config`` the backend named there is used.
    """
    from joblib import Parallel, delayed

    units = list(units)
    workers = workers or int(os.environ.get("FORECAST_WORKERS", 0)) or os.cpu_count() or 1
    jobs = Parallel(n_jobs=min(workers, max(len(units), 1)), return_as="generator")
    results = []
    shown = label if label and sys.stderr.isatty() else ""
    for result in jobs(delayed(_single_threaded)(function, unit) for unit in units):
        results.append(result)
        if shown:
            end = "\n" if len(results) == len(units) else ""
            sys.stderr.write(f"\r{shown} {len(results)} of {len(units)}{end}")
            sys.stderr.flush()
    return results


def _single_threaded(function: Callable[[Any], Any], unit: Any) -> Any:
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        return function(unit)


def seeds(seed: int, n: int) -> list[int]:
    """Return ``n`` independent seeds that follow from one."""
    from numpy.random import SeedSequence

    return [int(child.generate_state(1)[0]) for child in SeedSequence(seed).spawn(n)]
