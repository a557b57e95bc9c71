"""In a fresh environment, without extras and with pandas 3, the core answers as it does here."""

import json
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import forecast
from forecast.log import write_log

ROOT = Path(__file__).parents[1]
COMMANDS = (
    "check log --json",
    "fit log -o model.json --seed 1 --json",
    "estimate model.json enquiries.csv --drivers --json",
    "update model.json enquiries.csv --sessions-done 3 --json",
    "compare log --horizon 8 --replicates 20 --seed 1 --json",
    "fading log --json",
    "reactions log --json",
)
ENQUIRIES = (
    "skin_type,body_site,inks,ink_density,layering,smoker\nII,forearm,black;red,light,single,no\n"
)


@pytest.fixture
def other_python(tmp_path: Path) -> str:
    """Return the Python of a fresh environment, or skip where no registry answers."""
    environment = tmp_path / "environment"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", environment], check=True)
    python = str(environment / ("Scripts/python.exe" if os.name == "nt" else "bin/python"))
    found = install(python, "pandas>=3")
    if found.returncode:
        pytest.skip(f"pandas 3 could not be fetched: {found.stderr.strip().splitlines()[-1]}")
    ours = install(python, "pandas>=3", str(ROOT))
    assert not ours.returncode, ours.stderr
    return python


def install(python: str, *wanted: str) -> subprocess.CompletedProcess[str]:
    pip = [sys.executable, "-m", "pip", "--python", python, "install", "--quiet", *wanted]
    return subprocess.run(pip, capture_output=True, text=True)


def answers(python: str, folder: Path) -> list[Any]:
    """Return what every command prints, as one list of the values in it."""
    printed = []
    for line in COMMANDS:
        ran = subprocess.run(
            [python, "-m", "forecast", *line.split()], cwd=folder, capture_output=True, text=True
        )
        assert ran.returncode == 0, f"{line}\n{ran.stderr}"
        printed += leaves(json.loads(ran.stdout))
    return printed


def leaves(value: Any) -> Iterator[Any]:
    if isinstance(value, dict):
        value = [part for pair in value.items() for part in pair]
    if not isinstance(value, list):
        yield value
        return
    for part in value:
        yield from leaves(part)


def alike(one: Any, other: Any) -> bool:
    """Say whether two values agree, numbers to six digits."""
    if isinstance(one, (int, float)) and isinstance(other, (int, float)):
        return math.isclose(one, other, rel_tol=1e-6, abs_tol=1e-12)
    return bool(one == other)


@pytest.mark.slow
def test_without_extras_and_with_pandas_3_every_number_is_the_same(
    tmp_path: Path, other_python: str
):
    version = subprocess.check_output(
        [other_python, "-c", "import pandas; print(pandas.__version__)"], text=True
    )
    assert int(version.partition(".")[0]) >= 3
    folder = tmp_path / "desk"
    (folder / "log").mkdir(parents=True)
    write_log(forecast.simulate_log(120, seed=5), folder / "log")
    (folder / "enquiries.csv").write_text(ENQUIRIES, encoding="utf-8")
    here = answers(sys.executable, folder)
    there = answers(other_python, folder)
    assert [pair for pair in zip(here, there, strict=True) if not alike(*pair)] == []
