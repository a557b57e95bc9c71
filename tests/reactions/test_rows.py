"""A log that is silent rather than safe is noticed, and an honest one is left alone."""

import pandas as pd
import pytest

from forecast._notes import sentence
from forecast.log import OutcomeLog
from forecast.reactions import under_recording
from forecast.reactions.rows import OUTCOMES, rate_text


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)


def codes(log):
    return [note.code for note in under_recording(log)]


def test_an_honest_log_raises_no_alarm(log):
    assert under_recording(log) == ()


def test_no_blister_in_thousands_of_sessions_is_not_safety(log):
    silent = with_tables(log, reactions=log.reactions[log.reactions["reaction"] != "blister"])
    assert codes(silent) == ["reactions.few_blister"]


def test_an_empty_reactions_table_cannot_speak_of_safety(log):
    silent = with_tables(log, reactions=log.reactions.head(0))
    (warning,) = under_recording(silent)
    assert "says nothing about safety" in str(warning)


def test_lasting_reactions_alone_look_selective(log):
    lasting = log.reactions[log.reactions["lasting"] == "yes"]
    assert "reactions.lasting_only" in codes(with_tables(log, reactions=lasting))


def test_an_operator_who_never_reports_is_noticed(log):
    rows = log.reactions.merge(
        log.sessions, left_on=["course_id", "after_session"], right_on=["course_id", "session_no"]
    )
    kept = log.reactions[(rows["operator_id"] != "op1").to_numpy()]
    (warning,) = under_recording(with_tables(log, reactions=kept))
    assert str(warning).startswith("No reaction on record: 1 operator")


def test_recording_that_stopped_is_noticed(log):
    rows = log.reactions.merge(
        log.sessions, left_on=["course_id", "after_session"], right_on=["course_id", "session_no"]
    )
    last = log.sessions["treated_on"].max() - pd.DateOffset(months=14)
    kept = log.reactions[(rows["treated_on"] < last).to_numpy()]
    assert "reactions.gone_quiet" in codes(with_tables(log, reactions=kept))


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_every_outcome_and_its_rate_are_said_in_german(outcome: str):
    values = {"outcome": outcome, "session": rate_text(3, 1041), "course": rate_text(0, 140)}
    assert values["session"] == "3 of 1,041: 0.29 % (0.059 to 0.84 %)"
    word, _, rates = sentence("reactions.rates", values).say("de").partition(": ")
    assert word.lower() not in (outcome, outcome.replace("_", " "))
    session, _, course = rates.partition("; ")
    assert session == "je Sitzung 3 von 1.041: 0,29 % (0,059 bis 0,84 %)"
    assert course == "je Behandlung 0 von 140: höchstens 2,6 %"
