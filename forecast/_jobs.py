"""The one door through which independent pieces of work go: folds, replicates, simulated logs."""

import hashlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeVar

from forecast._notes import Sentence, problem_and_remedy, sentence
from forecast.errors import RequestError

Unit = TypeVar("Unit")
Found = TypeVar("Found")
PATIENCE = 2.0  # seconds of work; to start workers takes as long
ANSWERS_WITHIN = 4  # seconds in which a scheduler must answer
SILENCE = 15.0  # seconds without a sign of a worker that has work
LOOKS = 3.0  # seconds between two looks at a cluster that gives nothing back
LONGEST_GREETING = 1 << 20  # bytes
WORKING = ("executing", "ready", "long-running")  # states of tasks at a worker
THRESHOLD = "distributed.admin.large-graph-warning-threshold"
CERTIFICATES = ("ca.pem", "cert.pem", "key.pem")
_CLUSTER: ContextVar[Any] = ContextVar("cluster", default=None)
_INSIDE: ContextVar[bool] = ContextVar("inside", default=False)


def run_units(
    function: Callable[[Unit], Found],
    units: Iterable[Unit],
    *,
    workers: int | None = None,
    label: str = "",
) -> list[Found]:
    """Return ``[function(unit) for unit in units]``, worked on side by side, in order.

    ``workers=None`` takes the machine's cores, or ``FORECAST_WORKERS`` from the environment, once
    ``PATIENCE`` seconds in this process were not enough; 1 stays in this process. Whatever the
    number, each unit runs with one numerical thread, so that results do not depend on it. With a
    ``label`` and a terminal, progress goes to stderr. Inside ``on_cluster`` its workers do it.
    """
    units = list(units)
    results: list[Found] = []
    shown = label if label and sys.stderr.isatty() else ""
    for result in _worked(function, units, workers):
        results.append(result)
        if shown:
            end = "\n" if len(results) == len(units) else ""
            sys.stderr.write(f"\r{shown} {len(results)} of {len(units)}{end}")
            sys.stderr.flush()
    return results


def _worked(
    function: Callable[[Unit], Found], units: list[Unit], asked: int | None
) -> Iterator[Found]:
    """Yield the results in order: of this process first, and of workers if it takes long."""
    cluster = _CLUSTER.get()
    if cluster is not None and not asked:
        yield from cluster.worked(function, units)
        return
    workers = asked or int(os.environ.get("FORECAST_WORKERS", 0)) or os.cpu_count() or 1
    workers = 1 if _INSIDE.get() else workers
    done, begun = 0, time.process_time()
    if not asked:
        while done < len(units) and (workers == 1 or time.process_time() - begun < PATIENCE):
            yield _single_threaded(function, units[done])
            done += 1
    if done < len(units):
        from joblib import Parallel, delayed

        jobs = Parallel(n_jobs=min(workers, len(units) - done), return_as="generator")
        here = os.getpid()
        yield from jobs(delayed(_beside)(here, function, unit) for unit in units[done:])


def _beside(parent: int, function: Callable[[Any], Any], unit: Any) -> Any:
    """Return ``function(unit)`` in a child process, which ends when its parent does."""
    if os.getpid() != parent and os.name == "posix":
        _end_with(parent)
    return _single_threaded(function, unit)


@lru_cache(maxsize=1)
def _end_with(parent: int) -> None:
    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


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
def on_cluster(
    address: str,
    *,
    certificates: str | os.PathLike[str] | None = None,
    say: Callable[[str], None] | None = None,
) -> Iterator[None]:
    """Send the units of ``run_units`` to the workers of a Dask cluster, as long as this is open.

    Each unit carries its own seed, so that the answer is the same to the last bit as here, and
    whatever becomes of a worker: what it had not given back is done again by another. Where no
    worker is left, all are silent or the scheduler is gone, the rest is done in this process,
    which is noticed within half a minute. ``say`` is told of it, and that rows travel.

    The ``address`` is that of the scheduler, for example ``tcp://10.0.0.5:8786``, or ``tls://``
    with a folder of ``certificates``. Raises RequestError if it does not answer within five
    seconds, or its workers are none, silent, or differ from here in what numbers rest on.
    """
    tell = say or (lambda _: None)
    client = connect(address, certificates)
    try:
        cluster = _Cluster(client, address, tell)
        before = cluster.workers()
        if not before:
            raise RequestError(*problem_and_remedy("cluster.no_workers", {"address": address}))
        check_versions(client, address, before)
        code = "cluster.encrypted" if address.startswith("tls") else "cluster.not_encrypted"
        tell(sentence(code, {"address": address}))
        token = _CLUSTER.set(cluster)
        try:
            yield
        finally:
            _CLUSTER.reset(token)
        lost = set() if cluster.gone else set(before) - set(cluster.workers())
        if lost:
            tell(sentence("cluster.lost", {"n": len(lost)}))
    finally:
        client.close(timeout=ANSWERS_WITHIN)


class _Cluster:
    """The workers of a Dask cluster, given up once nothing more is to be had of them."""

    def __init__(self, client: Any, address: str, say: Callable[[str], None]) -> None:
        self.client, self.address, self.say = client, address, say
        self.gone = False
        self.seen: dict[str, tuple[float, float]] = {}  # when last, by its clock and by ours

    def worked(self, function: Callable[[Unit], Found], units: list[Unit]) -> Iterator[Found]:
        """Yield the results in order, made by workers or here from when the cluster is gone."""
        futures: list[Any] = []
        if not self.gone:
            from dask import config

            # what all units are of travels once, large or not
            with config.set({THRESHOLD: "1 TB"}), self.giving_up():
                held = self.client.submit(_given, function, pure=False)
                futures = [self.client.submit(_applied, held, one, pure=False) for one in units]
        for place, unit in enumerate(units):
            if self.gone or not self.comes(futures[place]):
                yield _single_threaded(function, unit)
            else:
                yield futures[place].result()

    def comes(self, future: Any) -> bool:
        """Wait for a result or an error of the unit's own; say whether there is one."""
        from distributed.scheduler import KilledWorker

        looked = heard = time.monotonic()
        # a result that was lost with the worker that held it is on its way again
        while future.status in ("pending", "lost") and not self.gone:
            time.sleep(0.01)
            now = time.monotonic()
            if now - looked > LOOKS:
                looked = now
                with self.giving_up():
                    heard = now if self.at_work() else heard
                    if now - heard > SILENCE:
                        raise TimeoutError
        if future.status not in ("finished", "error"):
            with self.giving_up():
                raise ConnectionError
        if self.gone:
            return False
        with self.giving_up():
            if future.status == "finished":
                future.result(timeout=SILENCE)  # it may still lie with a worker
                return True
            return not isinstance(future.exception(timeout=SILENCE), KilledWorker)
        return False

    def at_work(self) -> bool:
        """Say whether a worker that shows signs of life has work, and what that work needs."""
        now, workers, client = time.monotonic(), self.workers(), self.client
        for name, one in workers.items():
            if one["last_seen"] != self.seen.get(name, (None, 0.0))[0]:
                self.seen[name] = (one["last_seen"], now)
        alive = [name for name in workers if now - self.seen[name][1] < SILENCE]
        tasks = client.sync(client.scheduler.processing, callback_timeout=ANSWERS_WITHIN)
        # where one is silent, another may wait for what lies with it: Dask would for minutes
        counts = {name: workers[name]["metrics"].get("task_counts", {}) for name in alive}
        all_alive = len(alive) == len(workers)
        return any(
            tasks.get(name) and (all_alive or any(counts[name].get(state) for state in WORKING))
            for name in alive
        )

    def workers(self) -> dict[str, Any]:
        """Return what the scheduler knows of its workers, by address."""
        asked = {"n_workers": -1, "callback_timeout": ANSWERS_WITHIN}
        return dict(self.client.sync(self.client.scheduler.identity, **asked)["workers"])

    @contextmanager
    def giving_up(self) -> Iterator[None]:
        """Take what goes wrong between here and there as the end of the cluster, and say so."""
        from asyncio import CancelledError

        from distributed.client import FutureCancelledError

        lost = (OSError, TimeoutError, CancelledError, FutureCancelledError, RuntimeError)
        try:
            yield
        except lost:
            if not self.gone:
                self.gone = True
                self.say(sentence("cluster.gone", {"address": self.address}))


def _given(function: Any) -> Any:
    return function


def _applied(function: Callable[[Any], Any], unit: Any) -> Any:
    token = _INSIDE.set(True)
    try:
        return _single_threaded(function, unit)
    finally:
        _INSIDE.reset(token)


def connect(address: str, certificates: str | os.PathLike[str] | None = None) -> Any:
    """Return a client of the scheduler at ``address``, or raise RequestError."""
    try:
        from distributed import Client
        from distributed.security import Security
    except ImportError:
        raise RequestError(*problem_and_remedy("cluster.not_installed")) from None
    known = {}
    if certificates is not None:
        files = [Path(certificates) / name for name in CERTIFICATES]
        missing = [path.name for path in files if not path.is_file()]
        if missing:
            lack = {"missing": missing, "all": CERTIFICATES}
            raise RequestError(*problem_and_remedy("cluster.certificates", lack))
        names = ("tls_ca_file", "tls_client_cert", "tls_client_key")
        known = dict(zip(names, map(str, files), strict=True))
    made: tuple[Any, Any] = Security, Client
    try:
        security = made[0](require_encryption=address.startswith("tls"), **known)
        knock(address, security)
        return made[1](address, timeout=ANSWERS_WITHIN, security=security, set_as_default=False)
    except (OSError, ValueError, RuntimeError) as error:
        ours = (one for one in error.args if isinstance(one, Sentence))
        told = {"address": address, "why": next(ours, str(error) or type(error).__name__)}
        raise RequestError(*problem_and_remedy("cluster.not_reached", told)) from None


def knock(address: str, security: Any) -> None:
    """Raise OSError or ValueError unless a scheduler answers: the client would wait for ever.

    A scheduler speaks first: eight bytes that say how long its greeting is.
    """
    import socket
    from urllib.parse import urlsplit

    place = urlsplit(address)
    if place.scheme not in ("tcp", "tls") or not place.hostname or not place.port:
        raise ValueError(sentence("cluster.no_address"))
    with ExitStack() as held:
        line = socket.create_connection((place.hostname, place.port), ANSWERS_WITHIN / 2)
        held.enter_context(line)
        if place.scheme == "tls":
            context = security.get_connection_args("client").get("ssl_context")
            if context is None:
                raise ValueError(sentence("cluster.needs_certificates"))
            line = context.wrap_socket(line, server_hostname=place.hostname)
            held.enter_context(line)
        greeting = line.recv(8)
        if not 0 < int.from_bytes(greeting, "little") < LONGEST_GREETING:
            raise ValueError(sentence("cluster.no_scheduler"))


def check_versions(client: Any, address: str, workers: Iterable[str]) -> None:
    """Raise RequestError unless all workers answer and rest on what we do here."""
    here, until = versions(), time.monotonic() + 2 * ANSWERS_WITHIN
    asked = {
        name: client.submit(versions, workers=[name], allow_other_workers=False, pure=False)
        for name in workers
    }
    for name, future in asked.items():
        while future.status == "pending" and time.monotonic() < until:
            time.sleep(0.01)
        if future.status == "pending":
            values = {"worker": name, "address": address}
            raise RequestError(*problem_and_remedy("cluster.silent", values))
        found = {}
        if future.status == "finished":
            with suppress(OSError, TimeoutError):
                found = future.result(timeout=ANSWERS_WITHIN)
        apart = [what for what in here if found.get(what) != here[what]]
        if apart:
            theirs, ours = (
                [f"{what} {of.get(what, '?')}" for what in apart] for of in (found, here)
            )
            differ = {"worker": name, "address": address, "theirs": theirs, "ours": ours}
            raise RequestError(*problem_and_remedy("cluster.apart", differ))


def versions() -> dict[str, str]:
    """Return the versions of what numbers rest on, and a sum of this package's own files."""
    from importlib import metadata

    own = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.rglob("*.py")))
    names = ("session-forecast", "numpy", "scipy", "pandas")
    return {
        **{name: metadata.version(name) for name in names},
        "Python": ".".join(map(str, sys.version_info[:3])),
        "code": hashlib.sha256(own).hexdigest()[:8],
    }
