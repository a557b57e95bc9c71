"""A large log: read, check, fit and assess it, in units of the time pyarrow takes to read it.

    OMP_NUM_THREADS=1 python -m benchmarks.scale [--courses 100000] [--folder FOLDER]

Courses are drawn with nine sessions on average, written as Parquet, and then each part is done
in a process of its own, whose peak memory is taken from the operating system; the parts take
turns, ``--repeats`` times. Times are of the processor, so that a busy machine does not blur them.
No other process helps: what workers spend would not be counted.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from importlib.util import find_spec
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pyarrow.parquet import read_metadata

from benchmarks.goals import Notebook

MIB = 1024


def main() -> None:
    """Print one line per part."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--courses", type=int, default=100_000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--kept", type=Path)
    parser.add_argument("--part", choices=list(PARTS), help="do one part in this process")
    options = parser.parse_args()
    if options.part:
        print(json.dumps(measured(options.part, options.folder)))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.folder or Path(scratch)
        if not (folder / "courses.parquet").exists():
            # a process of its own: those started by this one would inherit its peak of memory
            in_own_process(write_log, folder, options.courses)
        rounds = [report(folder) for _ in range(options.repeats)]
        n = read_metadata(folder / "courses.parquet").num_rows
    book, (first, *_, last) = Notebook(options.kept), PARTS
    pairs = [(found[first]["seconds"], found[last]["seconds"]) for found in rounds]
    book.ratios("M1", "pyarrow reads the files", n, pairs)
    book.keep("M1", "peak memory of the whole", n, [found[last]["mib"] for found in rounds])
    if QUERIED in PARTS:
        pairs = [(found[QUERIED]["seconds"], found[CHECKED]["seconds"]) for found in rounds]
        book.ratios("R1", QUERIED, n, pairs)


def in_own_process(work: Callable[..., Any], *given: Any) -> None:
    """Do some work in a new process, and wait for it."""
    process = get_context("spawn").Process(target=work, args=given)
    process.start()
    process.join()
    if process.exitcode:
        sys.exit(f"{work.__name__} failed")


def report(folder: Path) -> dict[str, dict[str, Any]]:
    """Measure every part in a process of its own, and print it beside pyarrow."""
    measured: dict[str, dict[str, Any]] = {}
    environment = {**os.environ, "FORECAST_WORKERS": "1"}
    for part in PARTS:
        command = [sys.executable, "-m", "benchmarks.scale", "--folder", str(folder)]
        done = subprocess.run(
            [*command, "--part", part], capture_output=True, text=True, env=environment
        )
        if done.returncode:
            sys.exit(f"{part} failed: {done.stderr.strip().splitlines()[-1]}")
        found = measured[part] = json.loads(done.stdout)
        times = found["seconds"] / next(iter(measured.values()))["seconds"]
        print(
            f"  {part:<38} {found['seconds']:7.2f} s  {times:6.1f}x pyarrow"
            f"  peak {found['mib']:,.0f} MiB  {found['said']}",
            flush=True,
        )
    return measured


def measured(part: str, folder: Path) -> dict[str, object]:
    """Do one part and return its processor seconds, the process's peak memory, and a remark."""
    start = time.process_time()
    said = PARTS[part](folder)
    seconds = time.process_time() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MIB
    return {"seconds": seconds, "mib": peak, "said": said}


def read_plainly(folder: Path) -> str:
    """Read both files with pyarrow into frames."""
    import pyarrow.parquet as pq

    rows = [len(pq.read_table(folder / f"{name}.parquet").to_pandas()) for name in TABLES]
    return f"{rows[0]:,} courses, {rows[1]:,} sessions"


def read_and_check(folder: Path) -> str:
    """Read and check the log."""
    from forecast import read_log

    log = read_log(folder)
    return f"{len(log.courses):,} used, {len(log.report.set_aside):,} set aside"


def read_and_fit(folder: Path) -> str:
    """Read, check and fit the grouped hazard with evidence as its prior."""
    from forecast import read_log
    from forecast.counts import COVARIATES, LogSummary, durations_of, hazard_prior, judged_rows
    from forecast.survival import DiscreteHazard

    log = read_log(folder)
    rows = judged_rows(log)
    durations = durations_of(rows, LogSummary.of(log, rows).means)
    fitted = DiscreteHazard(prior=hazard_prior()).fit(durations)
    return f"{len(fitted.encoding.names)} of {len(COVARIATES)} effects"


def read_fit_and_assess(folder: Path) -> str:
    """Do the whole: candidates out of fold, recalibration, assessment, final fit."""
    from forecast import fit_forecaster, read_log

    forecaster = fit_forecaster(read_log(folder), seed=1)
    return f"chose {forecaster.assessment['model']}"


# six rules and three keys, by the yardstick's own words: how many rows break each
QUERY = """WITH c AS (SELECT * FROM read_parquet('{folder}/courses.parquet')),
s AS (SELECT * FROM read_parquet('{folder}/sessions.parquet')) SELECT
(SELECT count(*) - count(DISTINCT course_id) FROM c),
(SELECT count(*) FROM (SELECT 1 FROM s GROUP BY course_id, session_no HAVING count(*) > 1)),
(SELECT count(*) FROM s WHERE course_id NOT IN (SELECT course_id FROM c)),
(SELECT count(*) FROM c WHERE age_years < 10 OR age_years > 110),
(SELECT count(*) FROM c WHERE skin_type NOT IN ('I', 'II', 'III', 'IV', 'V', 'VI')),
(SELECT count(*) FROM c WHERE ink_density NOT IN ('light', 'medium', 'heavy')),
(SELECT count(*) FROM c WHERE outcome NOT IN ('cleared', 'lightened', 'stopped', 'ongoing')),
(SELECT count(*) FROM s JOIN c USING (course_id) WHERE treated_on < started_on),
(SELECT count(*) FROM s JOIN c USING (course_id) WHERE session_no > sessions_given)"""


def one_query(folder: Path) -> str:
    """Check the files by one query of DuckDB, on one core."""
    import duckdb

    with duckdb.connect() as base:
        base.execute("SET threads = 1")
        found = base.execute(QUERY.format(folder=folder)).fetchone()
    return f"{sum(found)} rows break a rule"


TABLES = ("courses", "sessions")
QUERIED, CHECKED = "one DuckDB query", "read and check"
PARTS = {
    "pyarrow reads the files": read_plainly,
    **({QUERIED: one_query} if find_spec("duckdb") else {}),
    CHECKED: read_and_check,
    "read, check and fit": read_and_fit,
    "read, check, choose, fit and assess": read_fit_and_assess,
}


def write_log(folder: Path, n: int) -> None:
    """Write an invented log of ``n`` courses and about nine times as many sessions."""
    rng = np.random.default_rng(1)
    folder.mkdir(parents=True, exist_ok=True)
    courses = invented_courses(rng, n)
    courses.to_parquet(folder / "courses.parquet", index=False)
    sessions = invented_sessions(rng, courses)
    sessions.to_parquet(folder / "sessions.parquet", index=False)
    print(f"{len(courses):,} courses, {len(sessions):,} sessions", flush=True)


def invented_courses(rng: np.random.Generator, n: int) -> pd.DataFrame:
    """Return courses whose number of sessions depends on a few attributes."""
    density = rng.choice(["light", "medium", "heavy"], n, p=[0.25, 0.45, 0.3])
    smoker = rng.choice(["no", "yes"], n, p=[0.7, 0.3])
    inks = rng.choice(["black", "black;red", "black;green", "black;red;yellow"], n,
                      p=[0.6, 0.2, 0.12, 0.08])  # fmt: skip
    slow = 0.3 * (density == "heavy") + 0.4 * (smoker == "yes") + 0.3 * (inks != "black")
    needed = np.maximum(np.ceil(np.exp(rng.normal(2.1 + slow - 0.15, 0.3, n))), 1)
    stops = rng.geometric(0.035, n)
    given = np.minimum(np.minimum(needed, stops), 30).astype(int)
    outcome = np.where(needed <= given, "cleared", np.where(stops <= given, "stopped", "ongoing"))
    started = np.datetime64("2010-01-04") + rng.integers(0, 2900, n).astype("timedelta64[D]")
    number = pd.Series(np.arange(n)).astype(str)
    client = pd.Series(rng.permutation(n) * 4 // 5).astype(str)
    return pd.DataFrame(
        {
            "course_id": "C" + number,
            "client_id": "P" + client,
            "started_on": started.astype("datetime64[ns]"),
            "age_years": rng.integers(18, 70, n).astype(float),
            "skin_type": rng.choice(["I", "II", "III", "IV", "V", "VI"], n),
            "body_site": rng.choice(["forearm", "back", "ankle", "neck", "thigh", "chest"], n),
            "inks": inks,
            "ink_density": density,
            "layering": rng.choice(["single", "layered"], n, p=[0.9, 0.1]),
            "area_cm2": np.round(np.exp(rng.normal(3.5, 0.8, n)), 1),
            "smoker": smoker,
            "sessions_given": given,
            "outcome": outcome,
        }
    )


def invented_sessions(rng: np.random.Generator, courses: pd.DataFrame) -> pd.DataFrame:
    """Return the sessions of the courses, some weeks apart."""
    given = courses["sessions_given"].to_numpy()
    owner = np.repeat(np.arange(len(courses)), given)
    number = np.arange(len(owner)) - np.repeat(np.cumsum(given) - given, given) + 1
    days = (number - 1) * rng.integers(42, 70, len(courses))[owner]
    started = courses["started_on"].to_numpy()[owner]
    return pd.DataFrame(
        {
            "course_id": courses["course_id"].to_numpy()[owner],
            "session_no": number,
            "treated_on": started + days.astype("timedelta64[D]"),
            "regime": rng.choice(["ns", "ps"], len(courses))[owner],
            "fluence_j_cm2": np.round(rng.uniform(2, 6, len(owner)), 1),
        }
    )


if __name__ == "__main__":
    main()
