"""All benchmarks, one after another: ``python -m benchmarks.run [--quick]``.

Each prints its measurements beside the goal it is held to, as ratios to a peer in the same run.
"""

import argparse
import os
import subprocess
import sys

QUICK = {
    "fit": ["--sizes", "2000", "20000"],
    "scale": ["--courses", "50000"],
}
FULL = {
    "fit": ["--sizes", "2000", "20000", "200000", "1000000"],
    "scale": ["--courses", "1000000"],
}


def main() -> None:
    """Run each benchmark in a process of its own, with one numerical thread."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small sizes, a few minutes")
    options = parser.parse_args()
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    failed = []
    for name, arguments in (QUICK if options.quick else FULL).items():
        print(f"\n== {name} {' '.join(arguments)}", flush=True)
        command = [sys.executable, "-m", f"benchmarks.{name}", *arguments]
        if subprocess.run(command, env=environment).returncode:
            failed.append(name)
    if failed:
        sys.exit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
