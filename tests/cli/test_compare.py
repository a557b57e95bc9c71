"""`forecast compare` says what the comparison says, in JSON and in words."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

SHIPPED = Path(__file__).parents[2] / "synthetic_data"
QUICK = ["--horizon", "8", "--replicates", "20", "--seed", "1"]


def test_the_json_holds_what_scripts_rely_on_and_equals_the_python_answer(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
):
    out = ["--out", str(tmp_path / "tables")]
    assert main(["compare", str(SHIPPED), *QUICK, *out, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = forecast.compare_regimes(
        forecast.read_log(SHIPPED), horizon=8, replicates=20, seed=1
    )
    contrast = expected.difference["ps - ns"]
    assert found["difference"]["ps - ns"]["estimate"] == pytest.approx(contrast.estimate)
    assert found["difference"]["ps - ns"]["interval"] == pytest.approx(list(contrast.interval))
    assert found["difference"]["ps - ns"]["level"] == 0.95
    assert found["verdict"] == dict(expected.verdict)
    assert found["horizon"] == 8
    assert {"unadjusted", "notes"} <= set(found)
    assert {Path(name).parent.name for name in found["written"]} == {"tables"}
    assert all(Path(name).is_file() for name in found["written"])


def test_the_words_give_the_answer_and_what_plain_readings_say(
    capsys: pytest.CaptureFixture[str],
):
    assert main(["compare", str(SHIPPED), *QUICK]) == 0
    shown = capsys.readouterr().out
    of_log, _, said = shown.partition("\n\n")
    assert of_log.endswith("lists them.")
    assert "ps against ns" in said.splitlines()[0]
    assert "plain readings" in shown


def test_a_hint_is_given_as_it_is_typed(capsys: pytest.CaptureFixture[str]):
    far = ["--horizon", "25", "--replicates", "10"]
    assert main(["compare", str(SHIPPED), *far]) == 0
    shown = capsys.readouterr().out
    assert "ask again with --horizon " in shown
    assert "horizon=" not in shown


def test_a_plan_says_how_many_more_courses_settle_it(capsys: pytest.CaptureFixture[str]):
    assert main(["compare", str(SHIPPED), *QUICK, "--plan", "0.8", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)["plan"]
    assert plan["difference"] == 0.8
    # a larger chance of settling it takes more courses
    assert plan["courses"]["0.8"] < plan["courses"]["0.9"]


@pytest.mark.parametrize(
    "option",
    [["--strategies", "ns,quick"], ["--horizon", "0"], ["--margin=-1"], ["--replicates", "1"]],
    ids=" ".join,
)
def test_a_comparison_that_makes_no_sense_is_refused(
    option: list[str], capsys: pytest.CaptureFixture[str]
):
    assert main(["compare", str(SHIPPED), *option]) == 1
    assert capsys.readouterr().err.startswith("forecast: ")
