"""The shipped data are what their script makes, byte for byte."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SHIPPED = ROOT / "synthetic_data"
BY_HAND = {".py", ".md"}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder into which the script has written everything again."""
    folder = tmp_path_factory.mktemp("made")
    command = [sys.executable, "-m", "synthetic_data.make", folder]
    subprocess.run(command, cwd=ROOT, check=True, timeout=300)
    return folder


def names_in(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and path.suffix not in BY_HAND and "__pycache__" not in path.parts
    }


def test_the_script_makes_every_shipped_file_and_no_other(made: Path):
    assert names_in(made) == names_in(SHIPPED)


@pytest.mark.parametrize("name", sorted(names_in(SHIPPED)))
def test_the_script_makes_the_same_bytes(made: Path, name: str):
    assert (made / name).read_bytes() == (SHIPPED / name).read_bytes()
