"""The commands on reactions and reach say in words and in JSON what the functions return."""

import json

import pytest

import forecast
from forecast.cli import main
from forecast.reach import what_would_change
from forecast.reactions import fit_reactions


def test_reactions_in_json_are_those_of_the_function(folder, capsys):
    assert main(["reactions", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    report = fit_reactions(forecast.read_log(folder))
    assert told["n_sessions"] == report.n_sessions
    assert told["regime"]["verdict"] == report.regime.verdict


def test_reach_tells_of_a_laser_only_when_asked(folder, capsys):
    assert main(["reach", str(folder)]) == 0
    assert "would bring" not in capsys.readouterr().out


def test_a_considered_laser_is_answered_as_by_the_function(folder, capsys):
    asked = ["reach", str(folder), "--wavelengths", "755", "--regime", "ns", "--on", "2019-06-30"]
    assert main([*asked, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["change"]
    change = what_would_change(forecast.read_log(folder), (755,), regime="ns", on="2019-06-30")
    assert told["per_year"] == change.per_year
    assert told["cleared_change"] == pytest.approx(change.cleared_change)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--wavelengths", "694", "--on", "yesterday"], "YYYY-MM-DD"),
        (["--on", "2019-06-30"], "--wavelengths"),
        (["--price", "90000"], "--wavelengths"),
        (["--wavelengths", "694", "--seed", "-1"], "seed is -1"),
    ],
    ids=str,
)
def test_what_cannot_be_asked_of_a_laser_is_refused(folder, options, says, capsys):
    assert main(["reach", str(folder), *options]) == 1
    shown = capsys.readouterr()
    assert says in shown.err
    assert not shown.out


@pytest.mark.parametrize("wavelengths", ["blue", "10600"])
def test_a_wavelength_that_is_none_is_refused(folder, wavelengths, capsys):
    assert main(["reach", str(folder), "--wavelengths", wavelengths]) == 1
    assert "nm" in capsys.readouterr().err
