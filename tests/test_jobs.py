"""Independent work on a Dask cluster: the same answer to the last bit, whatever workers do."""

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

from forecast import compare_regimes, simulate_log
from forecast._jobs import _Cluster, connect, on_cluster, run_units
from forecast.cli import main
from forecast.errors import RequestError

ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1"}


def dask(*arguments, env=ENVIRONMENT, **streams):
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{arguments[0]}", *arguments[1:]],
        env=env, text=True, **streams,
    )  # fmt: skip


@contextmanager
def started(*, scheme="tcp", options=(), certificates=None, env=ENVIRONMENT):
    """A scheduler on loopback and two workers, each a process of its own that can be killed."""
    listening = ["--host", f"{scheme}://127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter"]
    scheduler = dask("scheduler", *listening, *options, stderr=subprocess.PIPE)
    processes = [scheduler]
    try:
        address = None
        while address is None:
            line = scheduler.stderr.readline()
            assert line, "the scheduler ended"
            found = re.search(rf"{scheme}://127\.0\.0\.1:\d+", line)
            address = found and found.group()
        # the scheduler goes on talking; nobody reads it to the end but this thread
        threading.Thread(target=scheduler.stderr.read, daemon=True).start()
        for _ in range(2):
            alone = ["--nthreads", "1", "--no-nanny", "--no-dashboard", *options]
            processes.append(dask("worker", address, *alone, env=env, stderr=subprocess.DEVNULL))
        wait_for_workers(address, 2, certificates)
        yield SimpleNamespace(address=address, scheduler=scheduler, workers=processes[1:])
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()
        scheduler.stderr.close()


@pytest.fixture
def cluster():
    with started() as found:
        yield found


def wait_for_workers(address, n, certificates=None):
    until = time.monotonic() + 60
    with closing(connect(address, certificates)) as client:
        while len(client.scheduler_info(n_workers=-1)["workers"]) < n:
            assert time.monotonic() < until
            time.sleep(0.1)


def when_busy(address, do):
    """Do something to the cluster while units are being worked on, some done and some not."""

    def watch():
        from distributed import Client

        def busy(dask_scheduler):
            at_work = sum(task.state == "processing" for task in dask_scheduler.tasks.values())
            return at_work and len(dask_scheduler.tasks) > 5  # versions are asked for before

        with Client(address, set_as_default=False) as client:
            while not client.run_on_scheduler(busy):
                time.sleep(0.02)
            time.sleep(1)
            assert client.run_on_scheduler(busy)
        do()

    thread = threading.Thread(target=watch)
    thread.start()
    return thread


@pytest.mark.slow
def test_a_worker_killed_midway_changes_no_bit_of_the_answer_and_is_told(cluster):
    address = cluster.address
    sizes = list(range(120, 150))  # the seed is simulate_log's own
    here, said = run_units(simulate_log, sizes, workers=1), []
    killer = when_busy(address, cluster.workers[0].kill)
    with on_cluster(address, say=said.append):
        there = run_units(simulate_log, sizes)
    killer.join()
    for one, other in zip(here, there, strict=True):
        pd.testing.assert_frame_equal(one.courses, other.courses, check_exact=True)
        pd.testing.assert_frame_equal(one.gradings, other.gradings, check_exact=True)
    assert said[1:] == ["Workers lost on the way: 1; their work was done again."]


class LostWithItsWorker:
    """A result that lay with a worker which ended, and that another makes again."""

    def __init__(self):
        self.looks = iter(["pending", "lost", "lost", "finished"])

    @property
    def status(self):
        return next(self.looks, "finished")

    def result(self, timeout=None):
        return 7


def test_a_result_lost_with_its_worker_is_waited_for():
    pytest.importorskip("distributed")
    said = []
    cluster = _Cluster(None, "tcp://127.0.0.1:1", said.append)
    assert cluster.comes(LostWithItsWorker())
    assert said == []


@pytest.mark.slow
def test_bootstrap_of_a_comparison_is_the_same_on_a_cluster_and_here(cluster):
    address = cluster.address
    log = simulate_log(250, seed=2)
    asked = partial(compare_regimes, log, horizon=12, replicates=48, seed=3)
    here = asked()
    with on_cluster(address):
        there = asked()
    assert there.to_dict() == here.to_dict()


@pytest.mark.slow
def test_a_cluster_without_workers_says_how_to_start_one(cluster):
    address = cluster.address
    for worker in cluster.workers:
        worker.kill()
        worker.wait()
    time.sleep(1)
    says = f"no workers. Start one with: dask worker {address}"
    with pytest.raises(RequestError, match=says), on_cluster(address):
        pass


def slowly(number):
    time.sleep(0.4)
    return number + 1


ALL_AT_ONCE = {
    "the workers are killed": lambda one: [worker.kill() for worker in one.workers],
    "the workers are frozen": lambda one: [freeze(worker) for worker in one.workers],
    "one worker is frozen": lambda one: freeze(one.workers[0]),
    "the scheduler is killed": lambda one: one.scheduler.kill(),
    "the scheduler is frozen": lambda one: freeze(one.scheduler),
}


# Whoever freezes a process sends it a signal that only Windows lacks.
freezable = pytest.mark.skipif(os.name != "posix", reason="Windows freezes no process by signal")


def freeze(process):
    process.send_signal(signal.SIGSTOP)


@pytest.mark.slow
@freezable
@pytest.mark.parametrize("what", ALL_AT_ONCE)
def test_what_a_cluster_does_not_give_back_is_done_here(cluster, what):
    said, done = [], []
    end = when_busy(cluster.address, lambda: (ALL_AT_ONCE[what](cluster), done.append(time.time())))
    with on_cluster(cluster.address, say=said.append):
        assert run_units(slowly, range(40)) == list(range(1, 41))
        # units take 16 seconds here, whatever was given back before
        assert time.time() - done[0] < 60
        assert run_units(slowly, range(2)) == [1, 2]
    assert time.time() - done[0] < 70
    end.join()
    assert "rest is done on this machine" in said[1]
    assert len(said) == 2


@pytest.mark.slow
def test_an_error_of_the_work_itself_comes_through(cluster):
    with on_cluster(cluster.address), pytest.raises(RequestError, match="No seed 0"):
        run_units(fails, range(3))


def fails(number):
    raise RequestError(f"No seed {number}.", "Give another.")


@pytest.mark.slow
def test_a_worker_with_another_scipy_is_refused_by_name(tmp_path):
    (tmp_path / "sitecustomize.py").write_text(
        "from importlib import metadata\n"
        "known = metadata.version\n"
        "metadata.version = lambda name: '0.0.1' if name == 'scipy' else known(name)\n"
    )
    with (
        started(env={**ENVIRONMENT, "PYTHONPATH": str(tmp_path)}) as other,
        pytest.raises(RequestError, match=r"has scipy 0\.0\.1; here it is scipy"),
        on_cluster(other.address),
    ):
        pass


@pytest.mark.slow
@freezable
def test_a_worker_that_is_frozen_from_the_start_is_named(cluster):
    freeze(cluster.workers[0])
    begin = time.monotonic()
    with pytest.raises(RequestError, match="does not answer"), on_cluster(cluster.address):
        pass
    assert time.monotonic() - begin < 30


@pytest.fixture
def certificates(tmp_path):
    """A folder with a certificate that is its own authority, made here for an hour."""
    made = shutil.which("openssl")
    if made is None:
        pytest.skip("openssl is not installed, which makes the certificates")
    subprocess.run(
        [made, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1", "-subj", "/CN=here",
         "-keyout", tmp_path / "key.pem", "-out", tmp_path / "cert.pem"],
        check=True, capture_output=True,
    )  # fmt: skip
    shutil.copy(tmp_path / "cert.pem", tmp_path / "ca.pem")
    return tmp_path


@pytest.mark.slow
def test_a_cluster_behind_certificates_is_reached_with_them_and_not_without(certificates):
    names = (("ca-file", "ca.pem"), ("cert", "cert.pem"), ("key", "key.pem"))
    options = [part for name, file in names for part in (f"--tls-{name}", certificates / file)]
    said = []
    with started(scheme="tls", options=options, certificates=certificates) as other:
        with on_cluster(other.address, certificates=certificates, say=said.append):
            assert run_units(slowly, range(3)) == [1, 2, 3]
        assert "encrypted, " not in said[0].replace(", encrypted;", "")
        with pytest.raises(RequestError, match="needs certificates"), on_cluster(other.address):
            pass


def test_certificates_that_are_missing_are_named(tmp_path):
    says = r"lacks ca\.pem, cert\.pem, key\.pem"
    with (
        pytest.raises(RequestError, match=says),
        on_cluster("tls://127.0.0.1:1", certificates=tmp_path),
    ):
        pass


PARENT = """
import os, sys
from forecast._jobs import run_units
from tests.test_jobs import told_and_waiting
run_units(told_and_waiting, [sys.argv[1]] * 2, workers=2)
"""


def told_and_waiting(folder):
    (Path(folder) / str(os.getpid())).write_text("")
    time.sleep(600)


def is_running(number):
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{number}/stat")
    return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"


@pytest.mark.skipif(os.name != "posix", reason="Windows never gives a child another parent")
@pytest.mark.parametrize("how", ["SIGKILL", pytest.param("SIGTERM", marks=pytest.mark.slow)])
def test_child_processes_end_with_their_parent(tmp_path, how):
    parent = subprocess.Popen([sys.executable, "-c", PARENT, str(tmp_path)], env=ENVIRONMENT)
    try:
        until = time.monotonic() + 60
        while len(list(tmp_path.iterdir())) < 2:
            assert time.monotonic() < until
            time.sleep(0.05)
        parent.send_signal(getattr(signal, how))
        parent.wait()
        children = [int(path.name) for path in tmp_path.iterdir()]
        until = time.monotonic() + 10
        while any(map(is_running, children)):
            assert time.monotonic() < until
            time.sleep(0.1)
    finally:
        parent.kill()
        parent.wait()


def closed_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


def test_a_cluster_that_is_not_there_is_told_within_five_seconds(tmp_path, capsys):
    simulate_log(30, seed=1).courses.to_csv(tmp_path / "courses.csv", index=False)
    address = f"tcp://127.0.0.1:{closed_port()}"
    begin = time.monotonic()
    code = main(["fit", str(tmp_path), "-o", str(tmp_path / "m.json"), "--cluster", address])
    assert time.monotonic() - begin < 5
    assert code == 1
    error = capsys.readouterr().err
    assert f"The cluster at {address} cannot be reached" in error
    assert "leave --cluster out to run on this machine" in error
    assert not (tmp_path / "m.json").exists()
    asked = ["fit", str(tmp_path), "-o", str(tmp_path / "m.json"), "--cluster", "tcp://here"]
    assert main([*asked, "--language", "de"]) == 1
    assert "nicht erreichbar (die Adresse muss die Form" in capsys.readouterr().err


@pytest.mark.slow
def test_something_that_listens_but_never_answers_is_no_cluster():
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen()
        begin = time.monotonic()
        address = f"tcp://127.0.0.1:{silent.getsockname()[1]}"
        with pytest.raises(RequestError, match="cannot be reached"), on_cluster(address):
            pass
        assert time.monotonic() - begin < 5


@pytest.mark.parametrize("address", ["nonsense", "http://127.0.0.1:80", "tcp://127.0.0.1"])
def test_an_address_that_is_none_is_refused_in_words(address):
    says = "not written as tcp://host:port"
    with pytest.raises(RequestError, match=says), on_cluster(address):
        pass


def test_who_waits_for_what_lies_with_a_silent_worker_is_not_at_work(monkeypatch):
    now, states, tasks = [0.0], {"a": {}, "b": {}}, {"a": ["one"], "b": ["another"]}
    monkeypatch.setattr("forecast._jobs.time.monotonic", lambda: now[0])
    client = SimpleNamespace(
        scheduler=SimpleNamespace(processing=None), sync=lambda *_, **__: tasks
    )
    cluster = _Cluster(client, "tcp://there", print)
    signs = {"a": 0.0, "b": 0.0}
    cluster.workers = lambda: {
        name: {"last_seen": signs[name], "metrics": {"task_counts": states[name]}} for name in signs
    }
    assert cluster.at_work()  # both waiting, as while the rows travel
    now[0] = signs["a"] = 20.0  # the other has been silent since
    states["a"] = {"flight": 1}
    assert not cluster.at_work()
    states["a"] = {"executing": 1}
    assert cluster.at_work()
    now[0] = 40.0
    assert not cluster.at_work()
