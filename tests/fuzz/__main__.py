"""Run many cases by hand: ``python -m tests.fuzz --cases 100000 --seed 1 --kind model``."""

import argparse
import tempfile
import time
from pathlib import Path

import forecast
from tests.fuzz.cases import KINDS, Maker, run

TELL = 5_000  # cases after which is told how many were wrong


def main() -> int:
    """Print each case that ended in neither an answer nor a ForecastError; return how many."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=0, help="number of the first case")
    parser.add_argument("--kind", choices=KINDS, help="of one kind alone")
    options = parser.parse_args()
    kinds = [options.kind] if options.kind else list(KINDS)
    start, wrong = time.monotonic(), 0
    with tempfile.TemporaryDirectory() as place:
        made = Maker.of(
            forecast.fit_forecaster(forecast.simulate_log(300, seed=11), seed=1), Path(place)
        )
        for number in range(options.cases):
            kind = kinds[number % len(kinds)]
            with tempfile.TemporaryDirectory() as folder:
                found = run(made, kind, options.seed + number // len(kinds), Path(folder))
            if found:
                wrong += 1
                print(found, flush=True)
            done = number + 1
            if done % TELL == 0 or done == options.cases:
                print(f"{done} cases, {wrong} wrong, {time.monotonic() - start:.0f} s", flush=True)
    return min(wrong, 1)


if __name__ == "__main__":
    raise SystemExit(main())
