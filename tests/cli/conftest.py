"""One small invented clinic, its saved model and three enquiries, shared by the command tests."""

from pathlib import Path

import pytest

import forecast

ENQUIRIES = """\
enquiry_id,skin_type,body_site,inks,ink_density,layering,smoker
easy,II,forearm,black,light,single,no
hard,V,ankle,black;yellow,heavy,layered,
"""


@pytest.fixture(scope="session")
def log() -> forecast.OutcomeLog:
    return forecast.simulate_log(120, seed=5)


@pytest.fixture(scope="session")
def model(log: forecast.OutcomeLog, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("model") / "model.json"
    forecast.fit_forecaster(log, seed=1).save(path)
    return path


@pytest.fixture
def enquiries(tmp_path: Path) -> Path:
    path = tmp_path / "enquiries.csv"
    path.write_text(ENQUIRIES, encoding="utf-8")
    return path
