"""`forecast estimate` says what the forecaster says, in JSON and in words."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

HEAVY = {"pandas", "scipy", "statsmodels", "sklearn", "lifelines", "plotly", "pandera", "joblib"}
PROMISED = {"enquiry_id", "median", "interval", "level", "chance_by", "not_within_horizon"}
PROMISED |= {"support", "notes"}


def answers(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, object]:
    assert main([*arguments, "--json"]) == 0
    answered: dict[str, object] = json.loads(capsys.readouterr().out)
    return answered


def test_the_json_holds_what_scripts_rely_on_and_equals_the_python_answer(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    asked = forecast.Enquiry("II", "forearm", "black", "light", "single", smoker="no")
    expected = forecast.load_forecaster(model).estimate(asked)
    found = answers(["estimate", str(model), str(enquiries)], capsys)["estimates"]
    assert [one["enquiry_id"] for one in found] == ["easy", "hard"]
    assert set(found[0]) >= PROMISED
    assert found[0]["median"] == expected.median
    assert found[0]["interval"] == list(expected.interval)
    assert found[0]["chance_by"]["10"] == pytest.approx(expected.chance_by(10), abs=1e-4)


def test_an_end_beyond_the_horizon_is_null_and_reads_more_than_25(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    arguments = ["estimate", str(model), str(enquiries), "--level", "0.99"]
    found = answers(arguments, capsys)["estimates"]
    assert found[1]["interval"][1] is None
    assert main(arguments) == 0
    assert "more than 25" in capsys.readouterr().out


def test_the_words_are_natural_frequencies_with_cautions_and_no_promise(
    model: Path, enquiries: Path, capsys: pytest.CaptureFixture[str]
):
    assert main(["estimate", str(model), str(enquiries)]) == 0
    shown = capsys.readouterr().out
    assert "8 of 10 clients like this need" in shown
    assert "of 100 are not clear after 25" in shown
    assert "not a promise, and never a treatment setting" in shown
    easy, hard = shown.split("Enquiry ")[1:]
    # Fitzpatrick type V and yellow ink each have a caution; type II with black has none
    assert "!" not in easy
    assert hard.count("\n! ") >= 2
    assert "IEC 60825-1 and ANSI Z136.3" in shown


@pytest.mark.parametrize("level", ["0", "1", "80", "-0.5"])
def test_a_level_that_is_no_probability_is_refused(
    model: Path, enquiries: Path, level: str, capsys: pytest.CaptureFixture[str]
):
    assert main(["estimate", str(model), str(enquiries), f"--level={level}"]) == 1
    assert "level" in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "{}", "[1, 2]", '{"kind": "something else"}', "\x00\x01"])
def test_a_model_file_that_is_none_is_refused(
    tmp_path: Path, enquiries: Path, text: str, capsys: pytest.CaptureFixture[str]
):
    broken = tmp_path / "model.json"
    broken.write_text(text, encoding="utf-8")
    assert main(["estimate", str(broken), str(enquiries)]) == 1
    assert "model.json" in capsys.readouterr().err


def test_an_estimate_at_the_desk_waits_for_numpy_alone(model: Path, enquiries: Path):
    code = (
        "import sys; from forecast.cli import main; "
        f"main(['estimate', {str(model)!r}, {str(enquiries)!r}]); "
        "print(*{name.partition('.')[0] for name in sys.modules}, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert "numpy" in loaded
    assert not loaded & HEAVY
