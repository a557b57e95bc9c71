"""Operators in a funnel: who is outside, by a code and never by name."""

import json

import pytest

from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from forecast.reactions import fit_reactions


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)


def test_names_of_operators_never_leave(log, report):
    secret = log.sessions["operator_id"].map(lambda name: f"Dr {name}")
    told = fit_reactions(with_tables(log, sessions=log.sessions.assign(operator_id=secret)))
    shown = json.dumps(told.to_dict()) + told.to_text()
    assert "Dr " not in shown
    assert sorted(told.operators.names) == ["A", "B", "C", "D", "E"]
    assert told.regime.estimate == pytest.approx(report.regime.estimate, rel=1e-3)


@pytest.mark.slow
def test_a_planted_bad_operator_is_outside_and_named_by_code():
    world = World(bad_operator=3.0, operator_reaction_sd=0.0)
    found = fit_reactions(simulate_log(500, seed=4, world=world)).operators
    assert list(found.outside.values()) == ["above"]
    (code,) = found.outside
    assert found.names[code] == "op5"
