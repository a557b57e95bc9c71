"""Independent work on a Dask cluster: the same answer to the last bit, whatever workers do."""

import os
import re
import socket
import subprocess
import sys
import threading
import time
from functools import partial

import pandas as pd
import pytest

from forecast import compare_regimes, simulate_log
from forecast._jobs import on_cluster, run_units
from forecast.cli import main
from forecast.errors import RequestError

ENVIRONMENT = {**os.environ, "OMP_NUM_THREADS": "1"}


def dask(*arguments, **streams):
    return subprocess.Popen(
        [sys.executable, "-m", f"distributed.cli.dask_{arguments[0]}", *arguments[1:]],
        env=ENVIRONMENT, text=True, **streams,
    )  # fmt: skip


@pytest.fixture
def cluster():
    """A scheduler on loopback and two workers, each a process of its own that can be killed."""
    listening = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter"]
    scheduler = dask("scheduler", *listening, stderr=subprocess.PIPE)
    processes = [scheduler]
    try:
        address = None
        while address is None:
            line = scheduler.stderr.readline()
            assert line, "the scheduler ended"
            found = re.search(r"tcp://127\.0\.0\.1:\d+", line)
            address = found and found.group()
        # the scheduler goes on talking; nobody reads it to the end but this thread
        threading.Thread(target=scheduler.stderr.read, daemon=True).start()
        for _ in range(2):
            options = ["--nthreads", "1", "--no-nanny", "--no-dashboard"]
            processes.append(dask("worker", address, *options, stderr=subprocess.DEVNULL))
        wait_for_workers(address, 2)
        yield address, processes[1:]
    finally:
        for process in reversed(processes):
            process.kill()
            process.wait()
        scheduler.stderr.close()


def wait_for_workers(address, n):
    from distributed import Client

    with Client(address, timeout=20) as client:
        client.wait_for_workers(n, timeout=60)


def kill_when_busy(address, worker):
    """Kill a worker while units are being worked on, some done and some not."""
    from distributed import Client

    def busy(dask_scheduler):
        return sum(task.state == "processing" for task in dask_scheduler.tasks.values())

    with Client(address, set_as_default=False) as client:
        while not client.run_on_scheduler(busy):
            time.sleep(0.02)
        time.sleep(1)
        assert client.run_on_scheduler(busy)
        worker.kill()


@pytest.mark.slow
def test_a_worker_killed_midway_changes_no_bit_of_the_answer_and_is_told(cluster):
    address, workers = cluster
    sizes = list(range(120, 150))  # the seed is simulate_log's own
    here, said = run_units(simulate_log, sizes, workers=1), []
    killer = threading.Thread(target=kill_when_busy, args=(address, workers[0]))
    killer.start()
    with on_cluster(address, say=said.append):
        there = run_units(simulate_log, sizes)
    killer.join()
    for one, other in zip(here, there, strict=True):
        pd.testing.assert_frame_equal(one.courses, other.courses, check_exact=True)
        pd.testing.assert_frame_equal(one.gradings, other.gradings, check_exact=True)
    assert said == ["Workers lost on the way: 1; their work was done again."]


@pytest.mark.slow
def test_bootstrap_of_a_comparison_is_the_same_on_a_cluster_and_here(cluster):
    address, _ = cluster
    log = simulate_log(250, seed=2)
    asked = partial(compare_regimes, log, horizon=12, replicates=48, seed=3)
    here = asked()
    with on_cluster(address):
        there = asked()
    assert there.to_dict() == here.to_dict()


@pytest.mark.slow
def test_a_cluster_without_workers_says_how_to_start_one(cluster):
    address, workers = cluster
    for worker in workers:
        worker.kill()
        worker.wait()
    time.sleep(1)
    says = f"no workers. Start one with: dask worker {address}"
    with pytest.raises(RequestError, match=says), on_cluster(address):
        pass


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
