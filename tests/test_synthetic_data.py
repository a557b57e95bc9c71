"""The shipped data are what their script makes, byte for byte; a clinic run through the page."""

import subprocess
import sys
from pathlib import Path

import pytest

import forecast
from forecast.forecaster import Forecaster
from forecast.log import OutcomeLog
from synthetic_data.front_desk import run_through_page

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


def test_a_log_run_through_the_page_is_in_its_daybook_as_it_was(
    invented_log: OutcomeLog, forecaster: Forecaster, tmp_path: Path
):
    model, place = tmp_path / "model.json", tmp_path / "book.sqlite"
    forecaster.save(model)
    forecast.make_daybook(place).close()
    some = invented_log.courses["course_id"].isin(invented_log.courses["course_id"].head(6))
    log = invented_log.where(some & (invented_log.courses["goal"] == "clear"))
    assert run_through_page(log, model, place) == len(log.courses)
    grown = forecast.read_log(place)
    same = ["started_on", "sessions_given", "outcome", "inks", "age_years", "smoker"]
    for rows, by in (("courses", same), ("sessions", ["treated_on", "regime", "laser_id"])):
        before, after = (
            getattr(one, rows)[by].astype(str).sort_values(by).to_numpy() for one in (log, grown)
        )
        assert (before == after).all(), rows
    promised = {one.course_id: one.issued_on for one in forecast.read_promises(place)}
    begun = dict(zip(grown.courses["course_id"], grown.courses["started_on"], strict=True))
    assert all(promised[name] <= day.date() for name, day in begun.items())
    with forecast.Daybook(place) as book:
        days = book.rows("SELECT substr(entered_at, 1, 10) AS day FROM entries")
        given = {one["treated_on"] for one in book.rows("SELECT treated_on FROM sessions")}
    assert given <= {one["day"] for one in days}
