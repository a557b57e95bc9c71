"""The one door through which independent pieces of work go: folds, replicates, simulated logs."""

import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any, TypeVar

from forecast.errors import RequestError

__all__ = ["on_cluster", "one_thread", "run_units", "seeds"]

Unit = TypeVar("Unit")
Result = TypeVar("Result")
PATIENCE = 2.0  # seconds of work; to start workers takes as long
ANSWERS_WITHIN = 4  # seconds in which a scheduler must answer
LONGEST_GREETING = 1 << 20  # bytes


def run_units(
    function: Callable[[Unit], Result],
    units: Iterable[Unit],
    *,
    workers: int | None = None,
    label: str = "",
) -> list[Result]:
    """Return ``[function(unit) for unit in units]``, worked on side by side, in order.

    ``workers=None`` takes the machine's cores, or ``FORECAST_WORKERS`` from the environment, once
    ``PATIENCE`` seconds in this process were not enough; 1 stays in this process. Whatever the
    number, each unit runs with one numerical thread, so that results do not depend on it. With a
    ``label`` and a terminal, progress goes to stderr. Inside ``joblib.parallel_config`` the
    backend named there is used.
    """
    units = list(units)
    results: list[Result] = []
    shown = label if label and sys.stderr.isatty() else ""
    for result in _worked(function, units, workers):
        results.append(result)
        if shown:
            end = "\n" if len(results) == len(units) else ""
            sys.stderr.write(f"\r{shown} {len(results)} of {len(units)}{end}")
            sys.stderr.flush()
    return results


def _worked(
    function: Callable[[Unit], Result], units: list[Unit], asked: int | None
) -> Iterator[Result]:
    """Yield the results in order: of this process first, and of workers if it takes long."""
    workers = asked or int(os.environ.get("FORECAST_WORKERS", 0)) or os.cpu_count() or 1
    done, begun = 0, time.process_time()
    if not asked and not _sent_elsewhere():
        while done < len(units) and (workers == 1 or time.process_time() - begun < PATIENCE):
            yield _single_threaded(function, units[done])
            done += 1
    if done < len(units):
        from joblib import Parallel, delayed

        jobs = Parallel(n_jobs=min(workers, len(units) - done), return_as="generator")
        yield from jobs(delayed(_single_threaded)(function, unit) for unit in units[done:])


def _sent_elsewhere() -> bool:
    """Say whether joblib was told to use another backend than its own."""
    joblib = sys.modules.get("joblib.parallel")
    return joblib is not None and type(joblib.get_active_backend()[0]).__name__ != "LokyBackend"


def _single_threaded(function: Callable[[Any], Any], unit: Any) -> Any:
    with one_thread():
        return function(unit)


def one_thread() -> Any:
    """Return a context in which numpy works in one thread.

    Several make small matrices no faster, and many times slower where others use the cores.
    """
    return _thread_pools(len(sys.modules)).limit(limits=1)


@lru_cache(maxsize=1)
def _thread_pools(_: int) -> Any:
    """Return the thread pools in use; to look takes longer than many a unit.

    They are looked up again once more modules are loaded, which may have brought some.
    """
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def seeds(seed: int, n: int) -> list[int]:
    """Return ``n`` independent seeds that follow from one."""
    from numpy.random import SeedSequence

    return [int(child.generate_state(1)[0]) for child in SeedSequence(seed).spawn(n)]


@contextmanager
def on_cluster(address: str, *, say: Callable[[str], None] | None = None) -> Iterator[None]:
    """Send the units of ``run_units`` to the workers of a Dask cluster, as long as this is open.

    Each unit carries its own seed, so that the answer is the same to the last bit as here, and
    whatever becomes of a worker: what it had not given back is done again by another. ``say`` is
    told afterwards when workers were lost.

    Parameters
    ----------
    address : str
        Of the scheduler, for example ``tcp://10.0.0.5:8786``.

    Raises
    ------
    RequestError
        If the scheduler does not answer within five seconds, has no workers, its workers have
        another version of this package, or the extra ``scale`` is not installed.
    """
    from joblib import parallel_config

    client = connect(address)
    try:
        before = workers_of(client)
        if not before:
            raise RequestError(
                f"The cluster at {address} has no workers.",
                f"Start one with: dask worker {address}; or leave --cluster out to run here.",
            )
        check_versions(client, address)
        with parallel_config(backend="dask", wait_for_workers_timeout=ANSWERS_WITHIN):
            yield
        lost = before - workers_of(client)
        if lost and say:
            say(f"Workers lost on the way: {len(lost)}; their work was done again.")
    finally:
        client.close(timeout=ANSWERS_WITHIN)


def connect(address: str) -> Any:
    """Return a client of the scheduler at ``address``, or raise RequestError."""
    try:
        from distributed import Client
    except ImportError:
        raise RequestError(
            "A cluster needs the packages dask and distributed, which are not installed.",
            'Install them with: pip install "session-forecast[scale]"; or leave --cluster out.',
        ) from None
    try:
        knock(address)
        made: Any = Client
        return made(address, timeout=ANSWERS_WITHIN)
    except (OSError, ValueError) as error:
        raise RequestError(
            f"The cluster at {address} cannot be reached ({error or type(error).__name__}).",
            "Check the address and that a scheduler runs there, or leave --cluster out to run "
            "on this machine.",
        ) from None


def knock(address: str) -> None:
    """Raise OSError or ValueError unless a scheduler answers: the client would wait for ever.

    A scheduler speaks first: eight bytes that say how long its greeting is.
    """
    import socket
    from urllib.parse import urlsplit

    place = urlsplit(address)
    if place.scheme not in ("tcp", "tls") or not place.hostname or not place.port:
        raise ValueError("it is not written as tcp://host:port")
    with socket.create_connection((place.hostname, place.port), ANSWERS_WITHIN / 2) as line:
        if place.scheme == "tls":
            return
        greeting = line.recv(8)
        if not 0 < int.from_bytes(greeting, "little") < LONGEST_GREETING:
            raise ValueError("what answers there is no Dask scheduler")


def workers_of(client: Any) -> set[str]:
    """Return the addresses of a cluster's workers."""
    return set(client.scheduler_info(n_workers=-1)["workers"])


def check_versions(client: Any, address: str) -> None:
    """Raise RequestError unless all workers have this version of the package."""
    here = version()
    found = set(client.run(version, on_error="return").values())
    if found != {here}:
        others = ", ".join(sorted(str(one) for one in found if one != here))
        raise RequestError(
            f"Workers at {address} have another version of this package ({others}), not {here}.",
            "Install the same version on every worker, or leave --cluster out to run here.",
        )


def version() -> str:
    """Return the version of this package."""
    from importlib import metadata

    return metadata.version("session-forecast")
