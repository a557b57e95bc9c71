"""One invented log and one forecaster for all tests that only look at them."""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import settings

import forecast
from forecast import _notes
from forecast.forecaster import Forecaster
from forecast.log import OutcomeLog

# Tests stand side by side already; to start workers costs more than most of the fits here, and
# numpy's own threads would wait for each other.
os.environ.setdefault("FORECAST_WORKERS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
# no test is timed: a busy machine would fail it
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(scope="session")
def invented_log() -> OutcomeLog:
    """300 courses of a clinic that is not the shipped one."""
    return forecast.simulate_log(300, seed=11)


@pytest.fixture(scope="session")
def forecaster(invented_log: OutcomeLog) -> Forecaster:
    """A forecaster fitted to that log."""
    return forecast.fit_forecaster(invented_log, seed=1)


@pytest.fixture(scope="session")
def own_log() -> OutcomeLog:
    """300 courses with columns of the clinic's own: one slows by half, one is drawn by lot."""
    log = forecast.simulate_log(300, seed=3)
    courses, rng = log.courses.copy(), np.random.default_rng(3)
    often = rng.random(len(courses)) < 0.5
    slower = (1.5 * courses["sessions_given"]).round().astype(int)
    courses["sessions_given"] = courses["sessions_given"].mask(often, slower)
    courses["Sun exposure"] = np.where(often, "Often", "seldom")
    courses["lucky_number"] = rng.normal(50, 10, len(courses)).round()
    return OutcomeLog.from_frames(courses)


@pytest.fixture(scope="session")
def own_forecaster(own_log: OutcomeLog) -> Forecaster:
    """A forecaster fitted with the clinic's own columns of that log."""
    return forecast.fit_forecaster(own_log, seed=1, extra=["Sun exposure", "lucky_number"])


@pytest.fixture
def reword(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., None]]:
    """Say things otherwise: ``reword(code, {old: new})`` writes a language from the English one."""
    folder = tmp_path / "languages"
    shutil.copytree(_notes.LANGUAGES, folder, ignore=shutil.ignore_patterns("__pycache__"))
    kept = (_notes.languages, _notes.texts_of, _notes.filler)

    def write(language: str, texts: dict[str, str]) -> None:
        said = (folder / "en.toml").read_text(encoding="utf-8")
        for old, new in texts.items():
            assert old in said
            said = said.replace(old, new)
        (folder / f"{language}.toml").write_text(said, encoding="utf-8")
        for one in kept:
            one.cache_clear()

    monkeypatch.setattr(_notes, "LANGUAGES", folder)
    yield write
    monkeypatch.undo()
    for one in kept:
        one.cache_clear()
