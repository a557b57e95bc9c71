"""A large daybook: open a course, write a session, read it as a log, each against the bare thing.

    OMP_NUM_THREADS=1 python -m benchmarks.daybook [--courses 12000] [--seed 1]

Ours and the other take turns, by the clock on the wall: a write waits for the disk, and a daybook
is read on two cores. On a busy machine these ratios are too high; processor time hardly is.
"""

import argparse
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from statistics import median
from typing import Any

import forecast
from forecast.daybook import Daybook, Visit, begin_daybook
from forecast.log import TABLES, write_log

OF_COURSE = ("courses", "sessions", "gradings", "reactions", "promises")


def main() -> None:
    """Print a line per goal: the ratio of the medians, the lowest and highest, and how many."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--courses", type=int, default=12_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        log = forecast.simulate_log(options.courses, seed=options.seed)
        book, parquet = Path(scratch, "book.sqlite"), Path(scratch, "parquet")
        write_log(log, Path(scratch, "log"))
        begin_daybook(book, Path(scratch, "log"))
        parquet.mkdir()
        for name in TABLES:
            getattr(log, name).to_parquet(parquet / f"{name}.parquet", index=False)
        running = log.courses["course_id"][log.courses["outcome"] == "ongoing"].tolist()
        print(f"{len(log.courses):,} courses, {len(log.sessions):,} sessions, seed {options.seed}")
        pairs = ((lambda: forecast.read_log(book), lambda: forecast.read_log(parquet)),) * 11
        say("read as a log, as Parquet", 1.2, pairs)
        with Daybook(book) as opened:
            say("open a course, the SELECTs of its rows", 3, of_course(opened, running[:300]))
            say("write a session, an INSERT with commit", 2, writing(opened, running[:300]))


def of_course(book: Daybook, courses: list[str]) -> Iterator[tuple[Callable[[], Any], ...]]:
    """Yield, course by course, how it is opened and how its rows are just selected."""
    bare = sqlite3.connect(book.path)
    for name in courses:
        yield (
            lambda name=name: book.course(name),
            lambda name=name: [
                bare.execute(f"SELECT * FROM {table} WHERE course_id = ?", (name,)).fetchall()
                for table in OF_COURSE
            ],
        )


def writing(book: Daybook, courses: list[str]) -> Iterator[tuple[Callable[[], Any], ...]]:
    """Yield how a session is written down, and how one row is put into the same file."""
    bare = sqlite3.connect(book.path, isolation_level=None)
    bare.execute("PRAGMA synchronous = FULL")
    bare.execute("CREATE TABLE plain (course_id TEXT, day TEXT, regime TEXT, percent REAL)")
    for name in courses:
        course = book.course(name)
        day = book.today() + timedelta(days=1)
        visit = Visit(treated_on=day, regime="ns", operator_id="op1", fading_pct=40.0)
        given = {"version": course.version, "by": "op1", "sure": True}
        cells = (name, day.isoformat(), "ns", 40.0)
        yield (
            lambda name=name, visit=visit, given=given: book.write_session(name, visit, **given),
            lambda cells=cells: bare.execute("INSERT INTO plain VALUES (?, ?, ?, ?)", cells),
        )


def say(what: str, goal: float, pairs: Any) -> None:
    """Measure ours and the other in turns and print their ratio."""
    ours, other = zip(*((clock(one), clock(two)) for one, two in pairs), strict=True)
    ratios = sorted(one[0] / two[0] for one, two in zip(ours, other, strict=True))
    tenth = len(ratios) // 10
    mine, theirs = ([median(each) for each in zip(*turns, strict=True)] for turns in (ours, other))
    print(
        f"{what}: {mine[0] / theirs[0]:.2f} x (goal {goal}; {ratios[tenth]:.2f} to "
        f"{ratios[-1 - tenth]:.2f} but for a tenth at each end, {len(ratios)} rounds); "
        f"{1000 * mine[0]:.2f} and {1000 * theirs[0]:.2f} ms; of a processor "
        f"{1000 * mine[1]:.2f} and {1000 * theirs[1]:.2f} ms, {mine[1] / theirs[1]:.2f} x"
    )


def clock(work: Callable[[], Any]) -> tuple[float, float]:
    """Return the seconds on the wall that one call takes, and those of all processors together."""
    start = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - start[0], time.process_time() - start[1]


if __name__ == "__main__":
    main()
