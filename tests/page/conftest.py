"""One desk and one running page for all tests that only look at them."""

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import forecast
from forecast.clinic.forecaster import Forecaster
from forecast.clinic.tariff_file import tariff_template
from forecast.page.asking import read_asked
from forecast.page.clinic_file import Clinic
from forecast.page.desk import Desk, open_desk

FILLED: dict[str, Any] = {
    "inks": ["black", "red"],
    "ink_density": "medium",
    "layering": "single",
    "body_site": "forearm",
    "skin_type": "V",
    "start": "2026-03-02",
    "spacing_weeks": "8",
}


@pytest.fixture(scope="session")
def files(forecaster: Forecaster, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a saved model, a tariff and an enquiry."""
    folder = tmp_path_factory.mktemp("page")
    forecaster.save(folder / "model.json")
    (folder / "tariff.toml").write_text(tariff_template(), encoding="utf-8")
    (folder / "enquiry.csv").write_text(
        "skin_type,body_site,inks,ink_density,layering\nV,forearm,black;red,medium,single\n",
        encoding="utf-8",
    )
    return folder


@pytest.fixture(scope="session")
def lightener() -> Forecaster:
    return forecast.fit_forecaster(forecast.simulate_log(80, seed=12), goal="lighten", seed=1)


@pytest.fixture(scope="session")
def desk(files: Path) -> Desk:
    return open_desk(files / "model.json", tariff=files / "tariff.toml")


@pytest.fixture(scope="session")
def full_desk(desk: Desk, lightener: Forecaster) -> Desk:
    """A desk with both goals and a clinic."""
    clinic = Clinic(name="Example Laser Clinic", closing="See you soon.")
    return Desk({**desk.forecasters, "lighten": lightener}, desk.tariff, clinic)


@pytest.fixture
def filled() -> dict[str, Any]:
    """Return what the page sends once all that is needed is filled in."""
    return dict(FILLED)


@pytest.fixture
def asked(filled: dict[str, Any]) -> Any:
    return read_asked(filled).asked


@pytest.fixture(scope="session")
def page_address(files: Path) -> Iterator[str]:
    """Start the page as the command does and yield its address."""
    command = [sys.executable, "-m", "forecast", "page", str(files / "model.json")]
    command += ["--tariff", str(files / "tariff.toml"), "--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        yield json.loads(running.stdout.readline())["address"]
        running.send_signal(signal.SIGINT)
        assert running.wait(timeout=10) == 0
        # nothing that was typed is printed: the address was the only line
        assert running.stdout.read() == ""


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Yield a headless Chromium, or skip where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api")
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if program is None:
        pytest.skip("no Chromium is installed")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(
            executable_path=program,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield running
        running.close()
