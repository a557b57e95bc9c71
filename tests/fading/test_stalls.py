"""Stalls and spacing: planted effects are found, and false alarms are as rare as promised."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecast.fading.curves import Slopes
from forecast.fading.fading import fit_fading
from forecast.fading.stalls import stall_rule
from forecast.invented import CaseMix, World, simulate_clinic, simulate_log
from forecast.log import OutcomeLog

BLACK = replace(World(), mix=CaseMix(colour=0.0), resistant_rate=0.0)


@pytest.fixture(scope="module")
def fading():
    return fit_fading(simulate_log(500, seed=1))


def test_false_alarms_are_counted_on_courses_that_cleared(fading):
    stalls = fading.stalls
    outcome = fading.rows.courses.set_index("course_id")["outcome"]
    cleared = stalls.looks[stalls.looks["course_id"].map(outcome) == "cleared"]
    flagged = cleared[cleared["stalled"]]["course_id"].nunique()
    assert stalls.learnt
    assert stalls.n_cleared == cleared["course_id"].nunique()
    assert stalls.false_alarms == pytest.approx(flagged / stalls.n_cleared)
    assert stalls.false_alarms <= 0.05
    low, high = stalls.false_alarm_interval
    assert low < 0.05 < high


def test_the_rule_of_one_log_rarely_flags_fading_courses_of_another(fading):
    # new clients of the same clinic, all of whose ink is reached: nothing has stopped
    other = fit_fading(simulate_clinic(500, seed=9, world=BLACK).log)
    outcome = other.rows.courses.set_index("course_id")["outcome"]
    looks = other.stalls.looks
    worst = looks[looks["course_id"].map(outcome) == "cleared"].groupby("course_id")["below"].max()
    assert (worst > fading.stalls.threshold).mean() < 0.1


def test_a_course_that_stops_fading_is_flagged_and_named():
    log = simulate_log(300, seed=1)
    running = log.courses[(log.courses["outcome"] == "ongoing") & (log.courses["goal"] == "clear")]
    running = running[(running["sessions_given"] >= 7) & (running["sessions_elsewhere"] == 0)]
    running = running[running["started_on"] > "2021-02-01"]
    name = running["course_id"].iloc[0]
    given = running["sessions_given"].iloc[0]
    gradings = log.gradings.copy()
    mine = gradings["course_id"] == name
    stopped = np.minimum(gradings.loc[mine, "after_session"] * 31.0, 62.0)
    gradings.loc[mine, "fading_pct"] = stopped
    tables = {table: getattr(log, table) for table in ("courses", "sessions")}
    fading = fit_fading(OutcomeLog.from_frames(**tables, gradings=gradings))
    assert name in set(fading.stalls.flagged["course_id"])
    assert f"{name} after session" in fading.to_text()
    looks = fading.stalls.looks.query("course_id == @name")
    assert looks["session"].max() <= given
    assert looks["expected"].iloc[-1] > 70


def test_later_gradings_do_not_move_an_earlier_look():
    log = simulate_log(200, seed=7)
    fading = fit_fading(log)
    rows = fading.rows
    late = rows.table["session"] >= 8
    table = rows.table.assign(fading_pct=np.where(late, 20.0, rows.table["fading_pct"]))
    edited = replace(rows, table=table)
    same_model = Slopes(edited, fading.model, fading.level)
    columns = ["course_id", "session", "faded", "expected", "below"]
    before = fading.stalls.looks.query("session < 8")[columns].reset_index(drop=True)
    after = stall_rule(same_model).looks.query("session < 8")[columns].reset_index(drop=True)
    pd.testing.assert_frame_equal(before, after)
    assert len(before) > 50


def test_longer_intervals_that_help_are_found_with_their_price_in_weeks():
    world = replace(BLACK, spacing_effect=0.5)
    spacing = fit_fading(simulate_clinic(900, seed=4, world=world).log, level=0.999).spacing
    assert spacing is not None
    short, long = spacing.weeks
    # fewer sessions by about the planted power of the ratio of intervals
    expected = spacing.sessions[0] * ((short / long) ** 0.5 - 1)
    low, high = spacing.interval
    assert low < expected < high
    assert high < 0
    assert "fewer sessions" in spacing.answer
    assert "no randomised trial" in spacing.caution


def test_intervals_that_do_nothing_cost_weeks():
    world = replace(BLACK, spacing_effect=0.0)
    spacing = fit_fading(simulate_clinic(600, seed=5, world=world).log).spacing
    assert spacing is not None
    low, high = spacing.interval
    assert low < 0 < high
    assert spacing.weeks_interval[0] > 0
    assert "more weeks" in spacing.answer
