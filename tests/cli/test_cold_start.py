"""How long a client at the desk waits for the command, against numpy's own start."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

resource = pytest.importorskip("resource", reason="Windows does not count what children use")

TIMES_NUMPY = 3.0
REPEATS = 7


def seconds(arguments: list[str], environment: dict[str, str]) -> float:
    """Return the processor seconds of one run."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([sys.executable, *arguments], env=environment, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


@pytest.mark.slow
def test_an_estimate_from_a_saved_model_starts_within_three_times_numpy(
    model: Path, enquiries: Path, tmp_path: Path
):
    # compiled modules are kept, as on any machine that runs the command a second time
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(tmp_path), "OMP_NUM_THREADS": "1"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    estimate = ["-m", "forecast", "estimate", str(model), str(enquiries)]
    runs = [
        (seconds(estimate, environment), seconds(["-c", "import numpy"], environment))
        for _ in range(1 + REPEATS)
    ]
    ours, numpys = (min(column) for column in zip(*runs, strict=True))
    assert ours <= TIMES_NUMPY * numpys, f"{ours:.2f} s against {numpys:.2f} s"
