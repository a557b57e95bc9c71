"""One small invented clinic, its saved model, enquiries and one tour, shared by these tests."""

import contextlib
import io
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

ENQUIRIES = """\
enquiry_id,skin_type,body_site,inks,ink_density,layering,smoker
easy,II,forearm,black,light,single,no
hard,V,ankle,black;yellow,heavy,layered,
"""
SHIPPED = Path(__file__).parents[2] / "synthetic_data"
Shown = pytest.CaptureFixture[str]
TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


@pytest.fixture(scope="session")
def log() -> forecast.OutcomeLog:
    return forecast.simulate_log(120, seed=5)


@pytest.fixture(scope="session")
def folder(log: forecast.OutcomeLog, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder of CSV files as a clinic keeps it, one of whose rows cannot be used."""
    path = tmp_path_factory.mktemp("log")
    for name in TABLES:
        getattr(log, name).to_csv(path / f"{name}.csv", index=False)
    text = (path / "courses.csv").read_text(encoding="utf-8")
    first = text.splitlines()[1]
    skin = first.split(",")[4]
    (path / "courses.csv").write_text(
        text.replace(first, first.replace(f",{skin},", ",VII,", 1)), encoding="utf-8"
    )
    return path


@pytest.fixture(scope="session")
def fitted(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return the model that the command fitted to the folder, and what it printed."""
    path, words = tmp_path_factory.mktemp("model") / "model.json", io.StringIO()
    with contextlib.redirect_stdout(words):
        assert main(["fit", str(folder), "-o", str(path), "--seed", "1"]) == 0
    return path, words.getvalue()


@pytest.fixture(scope="session")
def model(fitted: tuple[Path, str]) -> Path:
    return fitted[0]


@pytest.fixture(scope="session")
def later(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log of other clients of the same kind of clinic."""
    path = tmp_path_factory.mktemp("later")
    for name in TABLES:
        getattr(forecast.simulate_log(80, seed=77), name).to_csv(path / f"{name}.csv", index=False)
    return path


@dataclass(frozen=True)
class Toured:
    place: Path  # where the command was typed, beside the shipped log
    folder: Path
    printed: str


@pytest.fixture(scope="session")
def toured(tmp_path_factory: pytest.TempPathFactory) -> Toured:
    """Take the tour, as the README does, into a folder with a file of somebody else's."""
    place, words = tmp_path_factory.mktemp("tour"), io.StringIO()
    shutil.copytree(SHIPPED, place / SHIPPED.name)
    folder = place / "tour-output"
    folder.mkdir()
    (folder / "mine.txt").write_text("kept", encoding="utf-8")
    with contextlib.chdir(place), contextlib.redirect_stdout(words):
        assert main(["tour"]) == 0
    return Toured(place, folder, words.getvalue())


@pytest.fixture
def enquiries(tmp_path: Path) -> Path:
    path = tmp_path / "enquiries.csv"
    path.write_text(ENQUIRIES, encoding="utf-8")
    return path


@pytest.fixture
def tariff(tmp_path: Path) -> Path:
    path = tmp_path / "tariff.toml"
    assert main(["price", "--template", str(path)]) == 0
    return path


@pytest.fixture
def own(folder: Path, tmp_path: Path) -> Path:
    """Return a clinic's folder that a test may lose."""
    shutil.copytree(folder, tmp_path / "ow")
    return tmp_path / "ow"


def one_enquiry(folder: Path, age: str = "30") -> Path:
    path = folder / "one.csv"
    path.write_text(
        "enquiry_id,skin_type,body_site,inks,ink_density,layering,age_years\n"
        f"c1,II,forearm,black,light,single,{age}\n",
        encoding="utf-8",
    )
    return path


def answers(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    assert main([*arguments, "--json"]) == 0
    answered: dict[str, object] = json.loads(capsys.readouterr().out)
    return answered


def spoken(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    capsys.readouterr()
    assert main([*map(str, arguments)]) == 0
    return capsys.readouterr().out


def assert_refused(command: list[str], target: Path, capsys: Shown) -> None:
    before = target.read_bytes()
    assert main(command) == 1
    shown = capsys.readouterr()
    assert f"{target.name} " in shown.err
    assert "Name another f" in shown.err
    assert shown.err.count("\n") == 1
    assert not shown.out
    assert target.read_bytes() == before
