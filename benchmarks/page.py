"""Is the consultation page quick, light and steady? Measured in a real browser and under load.

    python benchmarks/page.py                          # a quick look: 3 starts, 40 changes, 10 s
    python benchmarks/page.py --starts 10 --changes 200 --seconds 60 --out benchmarks/page.md

The page is started as a clinic starts it, with a model fitted to the shipped invented clinic and
the shipped tariff. Usable means: the form is there and the page has answered what is missing. An
update is timed inside the browser, from the change to the new answer on the screen.
"""

import argparse
import http.client
import json
import os
import platform
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from forecast import fit_forecaster, read_log
from forecast.prices import tariff_template

SYNTHETIC = Path(__file__).parents[1] / "synthetic_data"
GOALS = {
    "from command to usable page, s": 2.0,
    "an update after a change, 95th percentile, ms": 100.0,
    "processor time of an answer, ms": 8.0,
    "weight of the page and its first answer, MB": 1.6,
    "requests to other hosts": 0,
    "resident memory after the load, MB": 150.0,
    "failed requests under load": 0,
    "median wait in a burst of fifty, ms": 200.0,
}
CHROMIUM = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
FILLED = {"inks": ["black", "red"], "ink_density": "medium", "layering": "single"}
FILLED |= {"body_site": "forearm", "skin_type": "V"}
SITES = ("forearm", "foot", "back", "face", "wrist", "thigh")
TIMED_CHANGE = """
site => new Promise(done => {
  const answer = document.getElementById("answer"), select = document.getElementById("body_site");
  const began = performance.now();
  const watch = new MutationObserver(() => {
    if (answer.getAttribute("aria-busy") !== "false") return;
    watch.disconnect();
    requestAnimationFrame(() => done(performance.now() - began));
  });
  watch.observe(answer, {attributes: true, attributeFilter: ["aria-busy"]});
  select.value = site;
  select.dispatchEvent(new Event("input", {bubbles: true}));
})
"""


@contextmanager
def page(folder: Path) -> Iterator[tuple[str, int]]:
    """Start the page as the command does; yield its address and process id."""
    command = [sys.executable, "-m", "forecast", "page", str(folder / "model.json")]
    command += ["--tariff", str(folder / "tariff.toml"), "--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        yield json.loads(running.stdout.readline())["address"], running.pid
        running.send_signal(signal.SIGINT)


def prepare(folder: Path) -> None:
    """Write a model and a tariff."""
    fit_forecaster(read_log(SYNTHETIC)).save(folder / "model.json")
    (folder / "tariff.toml").write_text(tariff_template(), encoding="utf-8")


def resident_mb(pid: int) -> float:
    """Return the resident memory of a process in MB."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    line = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024


def processor_s(pid: int) -> float:
    """Return the processor time a process has used, in seconds."""
    used = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(used[11]) + int(used[12])) / os.sysconf("SC_CLK_TCK")


def time_start(browser: Any, folder: Path) -> float:
    """Return seconds from the command to a page that can be used."""
    opened = browser.new_page()
    began = time.perf_counter()
    with page(folder) as (address, _):
        opened.goto(address)
        opened.wait_for_selector("#answer[aria-busy=false]")
        took = time.perf_counter() - began
        opened.close()
    return took


def fill(opened: Any) -> None:
    """Fill in what is needed and wait for the first answer."""
    for ink in FILLED["inks"]:
        opened.check(f"input[name=inks][value={ink}]")
    for name in ("ink_density", "layering", "skin_type"):
        opened.check(f"input[name={name}][value={FILLED[name]}]")
    opened.select_option("#body_site", "forearm")
    opened.wait_for_selector("#shown:not([hidden])")
    opened.wait_for_selector("#answer[aria-busy=false]")


def watch(browser: Any, address: str, changes: int) -> dict[str, Any]:
    """Return the weight of the page, hosts asked beside its own, and times of updates in ms."""
    context = browser.new_context(viewport={"width": 768, "height": 1024})
    opened = context.new_page()
    sizes: dict[str, int] = {}
    others: list[str] = []
    context.on("request", lambda sent: sent.url.startswith(address) or others.append(sent.url))

    def note(response: Any) -> None:
        if response.url.startswith(address):
            sizes.setdefault(response.url, len(response.body()))

    context.on("response", note)
    opened.goto(address)
    fill(opened)
    context.remove_listener("response", note)
    answer = opened.evaluate("() => document.getElementById('shown').innerHTML.length")
    weight = (sum(sizes.values()) + answer) / 1e6
    times = [opened.evaluate(TIMED_CHANGE, SITES[k % len(SITES)]) for k in range(changes)]
    context.close()
    return {"weight": weight, "others": len(others), "times": times}


def load(address: str, clients: int, seconds: float) -> tuple[list[float], int]:
    """Return the times of all requests in ms and the number that failed."""
    host = address.removeprefix("http://").strip("/")
    times: list[float] = []
    failed: list[str] = []
    until = time.perf_counter() + seconds

    def one(number: int) -> None:
        connection = http.client.HTTPConnection(host, timeout=60)
        turn = number
        while time.perf_counter() < until:
            turn += 1
            asked = {
                "body_site": SITES[turn % len(SITES)],
                "area_cm2": str(20 + turn + number / 100),
            }
            body = json.dumps({**FILLED, **asked})  # nothing is asked twice
            began = time.perf_counter()
            try:
                connection.request("POST", "/answer", body, {"Content-Type": "application/json"})
                reply = connection.getresponse()
                good = json.loads(reply.read())["state"] == "answered" and reply.status == 200
            except (OSError, http.client.HTTPException, ValueError) as error:
                failed.append(repr(error))
                connection.close()
                continue
            times.append(1000 * (time.perf_counter() - began))
            if not good:
                failed.append(str(reply.status))
        connection.close()

    at_once(one, clients)
    return times, len(failed)


def at_once(one: Callable[[int], None], clients: int) -> None:
    """Let each of the ``clients`` do one thing in a thread of its own, and wait for all."""
    threads = [threading.Thread(target=one, args=(number,)) for number in range(clients)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def burst(address: str, clients: int) -> list[float]:
    """Return the waits in ms of clients who all ask once, at the same moment."""
    host, waits = address.removeprefix("http://").strip("/"), []
    gate = threading.Barrier(clients)

    def one(number: int) -> None:
        connection = http.client.HTTPConnection(host, timeout=60)
        connection.connect()
        area = str(round(20 + number + time.time() % 1, 6))  # nothing is asked twice
        body = json.dumps({**FILLED, "body_site": SITES[number % len(SITES)], "area_cm2": area})
        gate.wait()
        began = time.perf_counter()
        connection.request("POST", "/answer", body, {"Content-Type": "application/json"})
        assert json.loads(connection.getresponse().read())["state"] == "answered"
        waits.append(1000 * (time.perf_counter() - began))
        connection.close()

    at_once(one, clients)
    return waits


def measure(options: argparse.Namespace) -> list[tuple[str, float, str]]:
    """Return name, value compared with the goal, and the rest that was seen."""
    from playwright.sync_api import sync_playwright

    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))))
    with TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        prepare(folder)
        browser = playwright.chromium.launch(executable_path=program, args=CHROMIUM)
        starts = [time_start(browser, folder) for _ in range(options.starts)]
        with page(folder) as (address, pid):
            before, spent = resident_mb(pid), processor_s(pid)
            seen = watch(browser, address, options.changes)
            browser.close()
            times, failed = load(address, options.clients, options.seconds)
            after, spent = resident_mb(pid), processor_s(pid) - spent
            bursts = [float(np.median(burst(address, 50))) for _ in range(5)]
    names = iter(GOALS)
    half, late, last = np.quantile(seen["times"], [0.5, 0.95, 1.0])
    return [
        (next(names), float(np.median(starts)), f"{min(starts):.2f} to {max(starts):.2f}"),
        (next(names), float(late), f"median {half:.0f}, largest {last:.0f}"),
        (next(names), 1000 * spent / (len(times) + options.changes), "whatever else is running"),
        (next(names), seen["weight"], "nothing compressed"),
        (next(names), seen["others"], "none may be asked"),
        (next(names), after, f"{before:.0f} before the first request"),
        (next(names), failed, load_text(times, options)),
        (next(names), float(np.median(bursts)), f"{min(bursts):.0f} to {max(bursts):.0f}"),
    ]


def load_text(times: list[float], options: argparse.Namespace) -> str:
    """Return what the load was and how long its requests took."""
    half, late = np.quantile(times, [0.5, 0.95])
    return (
        f"{options.clients} clients at once for {options.seconds:g} s: {len(times)} answers, "
        f"median {half:.0f} ms, 95th percentile {late:.0f} ms"
    )


def table_of(rows: list[tuple[str, float, str]]) -> str:
    """Return the measurements against their goals."""
    lines = ["| what | goal | measured | | more |", "|---|---|---|---|---|"]
    for name, value, more in rows:
        kept = "kept" if value <= GOALS[name] else "missed"
        lines.append(f"| {name} | {GOALS[name]:g} | {value:.3g} | {kept} | {more} |")
    return "\n".join(lines)


def main() -> None:
    """Measure and print, and write a page when asked."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=3)
    parser.add_argument("--changes", type=int, default=40)
    parser.add_argument("--clients", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--out", type=Path, default=None)
    parser.add_argument("--remark", default="", help="a sentence below the table")
    options = parser.parse_args()
    load_before = Path("/proc/loadavg").read_text(encoding="utf-8").split()[0]
    table = table_of(measure(options))
    print(table)
    if options.out:
        where = f"Python {platform.python_version()}, {platform.machine()}"
        text = (
            f"# The consultation page\n\nMade on {date.today()} by `benchmarks/page.py "
            f"--starts {options.starts} --changes {options.changes} --seconds "
            f"{options.seconds:g}`; {where}; other work on "
            f"the machine at the start: load average {load_before}, these processes at niceness "
            f"{os.nice(0)}.\n\n{table}\n" + f"\n{options.remark}\n" * bool(options.remark)
        )
        options.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
