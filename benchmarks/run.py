"""The table of goals with this machine's numbers: ``python -m benchmarks.run [--quick]``.

Each part runs in a process of its own with one numerical thread, prints its measurements as they
come, and takes turns with the libraries it is compared to. ``--quick`` leaves out what takes more
than a few minutes or gigabytes; those rows of the table then say "not run". Peers: lifelines,
statsmodels, pyarrow.
"""

import argparse
import os
import subprocess
import sys
from pathlib import Path

from benchmarks.goals import table

QUICK = {
    "waits": [],
    "fit": ["--sizes", "2000", "20000"],
    "answers": [],
    "scale": ["--courses", "50000"],
}
FULL = {
    "waits": ["--largest", "1000000"],
    "fit": ["--sizes", "2000", "20000", "200000", "--statsmodels", "200000"],
    "answers": [],
    "scale": ["--courses", "1000000", "--repeats", "3"],
}
KEPT = Path(__file__).parent / "results" / "goals.jsonl"


def main() -> None:
    """Run each benchmark, then print the goals with what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small sizes, a few minutes")
    parser.add_argument("--only", nargs="+", choices=list(FULL), default=list(FULL))
    parser.add_argument("--table", action="store_true", help="only print what was last measured")
    options = parser.parse_args()
    failed = [] if options.table else run(options.only, quick=options.quick)
    print("\n" + "\n".join(table(KEPT)))
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


def run(names: list[str], *, quick: bool) -> list[str]:
    """Run some benchmarks, one after another, and return those that failed."""
    KEPT.parent.mkdir(exist_ok=True)
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    failed = []
    for name in names:
        arguments = (QUICK if quick else FULL)[name]
        print(f"\n== {name} {' '.join(arguments)}", flush=True)
        command = [sys.executable, "-m", f"benchmarks.{name}", *arguments, "--kept", str(KEPT)]
        if subprocess.run(command, env=environment).returncode:
            failed.append(name)
    return failed


if __name__ == "__main__":
    main()
