"""`forecast assess`: later logs, the register of promises, and the model's card."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

TABLES = ("courses", "sessions", "gradings", "reactions", "lasers")


@pytest.fixture(scope="module")
def later(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a log of other clients of the same kind of clinic."""
    path = tmp_path_factory.mktemp("later")
    for name in TABLES:
        getattr(forecast.simulate_log(80, seed=77), name).to_csv(path / f"{name}.csv", index=False)
    return path


def test_a_later_log_says_whether_the_promise_was_kept(
    model: Path, later: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["assess", str(model), str(later), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert main(["assess", str(model), str(later), "--json", "--level", "0.5"]) == 0
    narrower = json.loads(capsys.readouterr().out)
    assert (found["coverage"]["level"], narrower["coverage"]["level"]) == (0.8, 0.5)
    assert narrower["coverage"]["tie_split"] < found["coverage"]["tie_split"] <= 1
    assert found["n_courses"] > found["n_reached"] > 0


def test_the_card_is_written_as_markdown_and_as_json(
    model: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    card = tmp_path / "card.md"
    assert main(["assess", str(model), str(later), "--card", str(card)]) == 0
    capsys.readouterr()
    assert card.read_text(encoding="utf-8").startswith("#")
    assert json.loads(card.with_suffix(".json").read_text(encoding="utf-8"))


def test_a_card_that_its_own_json_would_overwrite_is_refused(
    model: Path, later: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    card = tmp_path / "card.json"
    assert main(["assess", str(model), str(later), "--card", str(card)]) == 1
    assert "CARD.md" in capsys.readouterr().err
    assert not card.exists()


def test_a_register_of_other_clients_is_refused(
    model: Path, later: Path, enquiries: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    register = tmp_path / "promises.jsonl"
    assert main(["estimate", str(model), str(enquiries), "--register", str(register)]) == 0
    assert main(["assess", str(model), str(later), "--register", str(register)]) == 1
    assert capsys.readouterr().err.startswith("forecast: ")
