"""Reactions by regime and operator, on logs whose truth is known."""

import json

import numpy as np
import pandas as pd
import pytest

from forecast.errors import RequestError
from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from forecast.reactions.reactions import fit_reactions, under_recording


@pytest.fixture(scope="module")
def log():
    return simulate_log(400, seed=1)


@pytest.fixture(scope="module")
def report(log):
    return fit_reactions(log)


def with_tables(log, **tables):
    """Return the log with some of its tables replaced."""
    names = ("courses", "sessions", "gradings", "reactions", "lasers")
    frames = {name: getattr(log, name) for name in names} | tables
    return OutcomeLog.from_frames(**frames)


def test_rates_count_sessions_and_courses_apart(log, report):
    events = log.reactions.drop_duplicates(["course_id", "after_session"])
    rates = report.rates.set_index(["unit", "by", "group", "outcome"])
    assert rates.loc[("session", "all", "all", "any"), "events"] == len(events)
    assert rates.loc[("session", "all", "all", "any"), "n"] == len(log.sessions)
    assert rates.loc[("course", "all", "all", "any"), "events"] == events["course_id"].nunique()
    assert rates.loc[("course", "all", "all", "any"), "n"] == len(log.courses)


def test_lasting_and_transient_are_kept_apart(log, report):
    rates = report.rates.set_index(["unit", "by", "group", "outcome"])["events"]
    lasting = rates["session", "all", "all", "lasting"]
    transient = rates["session", "all", "all", "transient"]
    unrecorded = log.reactions["lasting"].isna().sum()
    assert lasting == (log.reactions["lasting"] == "yes").sum()
    assert lasting + transient + unrecorded == rates["session", "all", "all", "any"]
    assert any("count as neither" in note for note in report.notes)


def test_groups_add_up_to_the_whole(report):
    rates = report.rates[(report.rates["unit"] == "session") & (report.rates["outcome"] == "any")]
    totals = rates.groupby("by")[["events", "n"]].sum()
    assert set(totals["n"]) == {report.n_sessions}
    assert set(totals["events"]) == {report.n_events}


def test_no_reaction_is_an_answer_with_an_upper_limit(log):
    few = log.sessions.groupby("course_id").head(1).head(140)
    courses = log.courses[log.courses["course_id"].isin(few["course_id"])]
    quiet = OutcomeLog.from_frames(
        courses.assign(sessions_given=1, outcome="ongoing"), few, reactions=log.reactions.head(0)
    )
    found = fit_reactions(quiet)
    # 1 - 0.025 ** (1 / 140)
    assert found.rate("any") == "0 of 140: at most 2.6 %"
    assert found.regime.verdict == "cannot say"
    assert found.regime.estimate is None


def test_names_of_operators_never_leave(log, report):
    secret = log.sessions["operator_id"].map(lambda name: f"Dr {name}")
    told = fit_reactions(with_tables(log, sessions=log.sessions.assign(operator_id=secret)))
    shown = json.dumps(told.to_dict()) + told.to_text()
    assert "Dr " not in shown
    assert sorted(told.operators.names) == ["A", "B", "C", "D", "E"]
    assert told.regime.estimate == pytest.approx(report.regime.estimate, rel=1e-3)


def test_the_order_of_rows_does_not_matter(log, report):
    mixed = with_tables(
        log,
        sessions=log.sessions.sample(frac=1, random_state=1),
        reactions=log.reactions.sample(frac=1, random_state=2),
    )
    again = fit_reactions(mixed)
    assert again.regime.estimate == pytest.approx(report.regime.estimate, rel=1e-3)
    pd.testing.assert_frame_equal(again.rates, report.rates)


def test_the_log_is_not_changed(log):
    before = log.sessions.copy(), log.reactions.copy()
    fit_reactions(log)
    pd.testing.assert_frame_equal(log.sessions, before[0])
    pd.testing.assert_frame_equal(log.reactions, before[1])


def test_one_operator_for_one_regime_cannot_be_answered():
    owned = fit_reactions(simulate_log(400, seed=3, world=World(ps_owner=True)))
    assert owned.regime.verdict == "cannot say"
    assert owned.regime.estimate is None
    assert owned.regime.interval == (None, None)
    assert owned.regime.unadjusted is not None
    assert "cannot be told apart" in owned.regime.reason
    assert "How much of it is the regime cannot be said" in owned.to_text()


def test_a_change_over_the_years_is_not_taken_for_the_regime(log):
    # Reactions that depend on the date alone, while the ps laser came late: fewer after ps,
    # until calendar time is held.
    rng = np.random.default_rng(1)
    late = (log.sessions["treated_on"] - log.sessions["treated_on"].min()).dt.days / 365.25
    chance = 0.12 * np.exp(-0.35 * late)
    chosen = log.sessions[rng.random(len(late)) < chance]
    dated = chosen[["course_id", "session_no"]].rename(columns={"session_no": "after_session"})
    found = fit_reactions(
        with_tables(log, reactions=dated.assign(reaction="blister", lasting="no"))
    ).regime
    assert found.verdict == "fewer"
    _, low, high = found.with_calendar
    assert low < 1 < high
    assert "over the years" in found.reason


def test_a_planted_bad_operator_is_outside_and_named_by_code():
    world = World(bad_operator=3.0, operator_reaction_sd=0.0)
    found = fit_reactions(simulate_log(500, seed=4, world=world)).operators
    assert list(found.outside.values()) == ["above"]
    (code,) = found.outside
    assert found.names[code] == "op5"


def test_unrecorded_operators_make_the_regime_unanswerable(log):
    blank = with_tables(log, sessions=log.sessions.assign(operator_id=None))
    found = fit_reactions(blank)
    assert found.operators is None
    assert found.regime.verdict == "cannot say"
    assert "not recorded" in found.regime.reason


def test_a_log_of_courses_alone_still_gives_rates(log):
    found = fit_reactions(OutcomeLog.from_frames(log.courses, reactions=log.reactions))
    assert found.n_sessions == log.courses["sessions_given"].sum()
    assert any("sessions table" in note for note in found.notes)


def test_an_unknown_outcome_is_refused_with_the_nearest_name(log):
    with pytest.raises(RequestError, match="Did you mean 'blister'"):
        fit_reactions(log, outcome="blisters")


def test_report_is_plain_json(report):
    assert json.loads(json.dumps(report.to_dict()))["outcome"] == "any"


def test_an_honest_log_raises_no_alarm(log):
    assert under_recording(log) == ()


def test_no_blister_in_thousands_of_sessions_is_not_safety(log):
    silent = with_tables(log, reactions=log.reactions[log.reactions["reaction"] != "blister"])
    assert any("blisters" in line and "under-recording" in line for line in under_recording(silent))


def test_an_empty_reactions_table_cannot_speak_of_safety(log):
    silent = with_tables(log, reactions=log.reactions.head(0))
    assert "cannot speak of safety" in under_recording(silent)[0]


def test_lasting_reactions_alone_look_selective(log):
    lasting = log.reactions[log.reactions["lasting"] == "yes"]
    found = under_recording(with_tables(log, reactions=lasting))
    assert any("transient ones" in line for line in found)


def test_an_operator_who_never_reports_is_noticed(log):
    rows = log.reactions.merge(
        log.sessions, left_on=["course_id", "after_session"], right_on=["course_id", "session_no"]
    )
    kept = log.reactions[(rows["operator_id"] != "op1").to_numpy()]
    found = under_recording(with_tables(log, reactions=kept))
    assert any("1 operator(s)" in line for line in found)


def test_recording_that_stopped_is_noticed(log):
    rows = log.reactions.merge(
        log.sessions, left_on=["course_id", "after_session"], right_on=["course_id", "session_no"]
    )
    last = log.sessions["treated_on"].max() - pd.DateOffset(months=14)
    kept = log.reactions[(rows["treated_on"] < last).to_numpy()]
    found = under_recording(with_tables(log, reactions=kept))
    assert any("recording seems to have stopped" in line for line in found)


@pytest.mark.slow
def test_regime_interval_covers_the_planted_odds_ratio():
    covered, n_sets = 0, 60
    for seed in range(n_sets):
        world = World(operators=6, operator_seed=seed, reaction_regime=-0.3)
        low, high = fit_reactions(simulate_log(250, seed=seed, world=world)).regime.interval
        covered += low < np.exp(-0.3) < high
    assert covered / n_sets >= 0.95 - 2.5 * (0.95 * 0.05 / n_sets) ** 0.5
