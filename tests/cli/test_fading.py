"""`forecast fading` says what the fit says, in JSON and in words."""

import json
from pathlib import Path

import pytest

import forecast
from forecast.cli import main

SHIPPED = Path(__file__).parents[2] / "synthetic_data"


def test_the_json_equals_the_python_answer(capsys: pytest.CaptureFixture[str]):
    assert main(["fading", str(SHIPPED), "--level", "0.9", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    expected = forecast.fit_fading(forecast.read_log(SHIPPED), level=0.9)
    assert found["level"] == 0.9
    shares = {(row["regime"], row["ink_group"]): row for row in found["shares"]}
    share, (low, high) = expected.share("ps")
    row = shares["ps", "all"]
    assert (row["share"], row["low"], row["high"]) == pytest.approx((share, low, high))
    assert found["assumption"] == expected.assumption
    assert {"curves", "differences", "spacing", "graders", "stalls", "split"} <= set(found)


def test_the_words_give_shares_and_the_assumption(capsys: pytest.CaptureFixture[str]):
    assert main(["fading", str(SHIPPED)]) == 0
    shown = capsys.readouterr().out
    said = shown.partition("\n\n")[2]  # what was flagged in the log comes first
    assert said.startswith("A session removes this share of the remaining ink:")
    assert "nobody wrote down" in shown


def test_a_log_without_gradings_says_what_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    text = (SHIPPED / "courses.csv").read_text(encoding="utf-8")
    (tmp_path / "courses.csv").write_text(text, encoding="utf-8")
    assert main(["fading", str(tmp_path)]) == 1
    assert "no gradings" in capsys.readouterr().err
