"""Who takes part in the trial that a log stands in for, and what was known when."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.invented import simulate_log
from forecast.log import OutcomeLog
from forecast.regimes.trial import trial_rows, usual_operator


@pytest.fixture(scope="module")
def log():
    return simulate_log(300, seed=11)


@pytest.fixture(scope="module")
def trial(log):
    return trial_rows(log, horizon=15)


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)


def test_every_course_takes_part_or_is_counted_with_its_reason(log, trial):
    assert trial.panel.n_subjects + sum(trial.left_out.values()) == len(log.courses)


def test_nobody_takes_part_who_could_not_have_had_both(log, trial):
    first_ps = log.sessions.loc[log.sessions["regime"] == "ps", "treated_on"].min()
    assert (trial.courses["started_on"] >= first_ps).all()
    assert (trial.courses["goal"] == "clear").all()
    assert (trial.courses["sessions_elsewhere"] == 0).all()


def test_a_stray_session_years_before_opens_no_window(log, trial):
    first = log.sessions["treated_on"].idxmin()
    sessions = log.sessions.copy()
    sessions.loc[first, "regime"] = "ps"
    assert trial_rows(with_tables(log, sessions=sessions), horizon=15).window == trial.window


def test_a_session_is_in_the_group_of_the_pulse_that_was_fired(log, trial):
    fired = log.sessions.set_index(["course_id", "session_no"])["regime"]
    course = trial.courses["course_id"].to_numpy()[trial.panel.subject]
    pulses = [fired[key] for key in zip(course, trial.panel.step, strict=True)]
    assert [{0: "ns", 1: "ps"}[one] for one in trial.panel.group] == pulses


def test_events_are_the_recorded_outcomes_and_nothing_else(trial):
    panel = trial.panel
    cleared = trial.courses["outcome"].to_numpy()[panel.subject[panel.event]]
    assert set(cleared) == {"cleared"}
    assert (
        panel.event.sum()
        == ((trial.courses["outcome"] == "cleared") & (trial.courses["sessions_given"] <= 15)).sum()
    )


def test_what_was_known_before_a_session_does_not_hang_on_what_came_later(log, trial):
    later = log.gradings["after_session"] >= 4
    changed = log.gradings.assign(
        fading_pct=log.gradings["fading_pct"].where(~later, 50.0),
    )
    other = trial_rows(with_tables(log, gradings=changed), horizon=15)
    early = trial.panel.step <= 4
    assert_allclose(trial.panel.before[early], other.panel.before[early])
    assert_allclose(
        trial.panel.after[trial.panel.step <= 3], other.panel.after[trial.panel.step <= 3]
    )
    assert not np.allclose(trial.panel.before, other.panel.before)


def test_a_grading_made_after_the_next_session_was_not_known_before_it(log, trial):
    late = log.gradings.assign(
        graded_on=log.gradings["graded_on"]
        + pd.to_timedelta(np.where(log.gradings["after_session"] == 2, 400, 0), unit="D")
    )
    other = trial_rows(with_tables(log, gradings=late), horizon=15)
    column = trial.panel.names.index("fading")
    third = np.flatnonzero(trial.panel.step == 3)
    assert_allclose(other.panel.before[third, column], trial.panel.before[third - 1, column])


def test_the_last_session_of_an_ongoing_course_waits_for_its_grading(log, trial):
    ongoing = trial.courses[trial.courses["outcome"] == "ongoing"]
    seen = pd.Series(trial.panel.step).groupby(trial.panel.subject).max()
    last = seen.loc[ongoing.index]
    assert (last <= ongoing["sessions_given"]).all()
    graded = set(zip(log.gradings["course_id"], log.gradings["after_session"], strict=True))
    for course, given, reached in zip(
        ongoing["course_id"], ongoing["sessions_given"], last, strict=True
    ):
        if given <= 15:
            assert (reached == given) == ((course, given) in graded)


def test_without_gradings_the_last_session_of_a_running_course_is_not_counted(log):
    bare = trial_rows(with_tables(log, gradings=None), horizon=40)
    held = pd.Series(bare.panel.step).groupby(bare.panel.subject).max().to_numpy()
    running = (bare.courses["outcome"] == "ongoing").to_numpy()
    assert (held == (bare.courses["sessions_given"] - running).clip(upper=40)).all()


def test_a_course_belongs_to_whoever_treats_most_of_it():
    rows = pd.DataFrame(
        {
            "subject": [0, 0, 0, 1, 1, 2, 3, 3],
            "session_no": [1, 2, 3, 1, 2, 1, 1, 2],
            "operator_id": ["B", "A", "A", "B", "A", None, None, "C"],
        }
    )
    found = usual_operator(rows).tolist()
    assert found[:5] == ["A", "A", "A", "B", "B"]  # one session each: who began
    assert pd.isna(found[5])
    assert found[6:] == ["C", "C"]
