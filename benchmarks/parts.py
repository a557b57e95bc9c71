"""A fit to courses that lie in parts on disk: memory and passes, beside coxstream's.

    OMP_NUM_THREADS=1 python -m benchmarks.parts [--courses 1000000] [--coxstream PYTHON]

Courses of 12 numeric covariates are written as Parquet files of 50,000 each, and once more as one
file in falling order of the step, which coxstream asks for. Ours is the exact joint fit with every
file as a site, read anew whenever it is asked. Each fit has a process of its own. ``--coxstream``
is an interpreter that has it, with pyarrow.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.scale import MIB, in_own_process

PART = 50_000
COLUMNS = [f"x{k}" for k in range(12)]
THEIRS = """
import json, resource, sys, time
from coxstream import CoxStream
start = time.process_time()
fitted = CoxStream().fit_parquet(
    sys.argv[1], duration_col="step", event_col="event",
    covariate_cols=[f"x{k}" for k in range(12)])
print(json.dumps({"seconds": time.process_time() - start, "passes": fitted.n_passes_,
    "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    "slopes": [float(one) for one in fitted.coef_]}))
"""


def main() -> None:
    """Print one line per fit, and how far the slopes of the two lie from each other."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--courses", type=int, default=1_000_000)
    parser.add_argument("--coxstream")
    parser.add_argument("--folder", type=Path, help="fit the parts there, in this process")
    options = parser.parse_args()
    if options.folder:
        print(json.dumps(fit_parts(options.folder)))
        return
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        in_own_process(write_parts, folder, options.courses)
        ours = [sys.executable, "-m", "benchmarks.parts", "--folder", str(folder)]
        found = [shown("the joint fit of parts", ours)]
        if options.coxstream:
            in_own_process(write_sorted, folder)
            theirs = [options.coxstream, "-c", THEIRS, str(folder / "sorted.parquet")]
            found.append(shown("coxstream", theirs))
            apart = np.abs(np.subtract(*(one["slopes"] for one in found))).max()
            print(f"  slopes apart by at most {apart:.1e}")


def write_parts(folder: Path, n: int) -> None:
    """Write ``n`` courses as Parquet files, each drawn from a seed of its own."""
    effects = np.random.default_rng(0).normal(0, 0.1, len(COLUMNS))
    for number in range(-(-n // PART)):
        rng, rows = np.random.default_rng([1, number]), min(PART, n - number * PART)
        frame = pd.DataFrame(rng.normal(size=(rows, len(COLUMNS))), columns=COLUMNS)
        latent = np.exp(2 + frame.to_numpy() @ effects + 0.5 * rng.normal(size=rows))
        watched = np.minimum(rng.geometric(0.04, rows), 30)
        frame["step"] = np.minimum(np.ceil(latent), watched).astype(np.int64)
        frame["event"] = latent <= watched
        frame.to_parquet(folder / f"part-{number:05}.parquet", index=False)


def write_sorted(folder: Path) -> None:
    """Write the same courses as one file, the last step first."""
    parts = [pd.read_parquet(path) for path in sorted(folder.glob("part-*.parquet"))]
    whole = pd.concat(parts, ignore_index=True).astype({"event": np.int64})
    whole.sort_values("step", ascending=False, kind="stable").to_parquet(
        folder / "sorted.parquet", index=False, row_group_size=PART
    )


def shown(name: str, command: list[str]) -> dict[str, Any]:
    """Run one fit in a process of its own, print what it took, and return it."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1"}
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    if done.returncode:
        sys.exit(f"{name} failed: {done.stderr.strip().splitlines()[-1]}")
    found: dict[str, Any] = json.loads(done.stdout)
    each = found["seconds"] / found["passes"]
    print(
        f"  {name:<24} {found['seconds']:7.2f} s, {found['passes']} passes of {each:.2f} s,"
        f" peak {found['mib']:,.0f} MiB",
        flush=True,
    )
    return found


def fit_parts(folder: Path) -> dict[str, Any]:
    """Fit the parts jointly, and return what it took and the slopes."""
    import pyarrow as pa
    from pyarrow.parquet import ParquetFile

    from forecast.survival import DiscreteHazard, Durations, Encoding, RowsHere, joint_fit

    pa.set_cpu_count(1)
    encoding, passes = Encoding(tuple((name, None) for name in COLUMNS)), []

    def ask(method: str, *arguments: Any) -> list[Any]:
        passes.append(method)
        answers = []
        for path in sorted(folder.glob("part-*.parquet")):
            frame = ParquetFile(path).read(use_threads=False).to_pandas()
            names = {"step": "step", "observed": "event", "covariates": COLUMNS}
            site = RowsHere.of(Durations.from_frame(frame, **names), encoding)
            answers.append(getattr(site, method)(*arguments))
        return answers

    start = time.process_time()
    fitted = joint_fit(DiscreteHazard(), encoding, ask)
    return {
        "seconds": time.process_time() - start,
        "passes": len(passes),
        "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MIB,
        "slopes": fitted.parameters[-len(COLUMNS) :].tolist(),
    }


if __name__ == "__main__":
    main()
