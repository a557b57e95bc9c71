"""Reactions by regime and operator, on logs whose truth is known; a silent log is noticed."""

import json
import math

import pandas as pd
import pytest

from forecast._notes import sentence
from forecast.causal.rates import wilson_interval
from forecast.errors import RequestError
from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from forecast.reactions import fit_reactions, under_recording
from forecast.reactions.reactions import OUTCOMES, rate_text


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


def by_method_ten(one: int, n: int, other: int, m: int) -> tuple[float, float]:
    """Return Newcombe's interval of the first rate minus the second, of two Wilson intervals."""
    (low, high), (least, most) = wilson_interval(one, n), wilson_interval(other, m)
    gap = one / n - other / m
    down = math.hypot(one / n - low, most - other / m)
    up = math.hypot(high - one / n, other / m - least)
    return gap - down, gap + up


# Newcombe 1998, Stat Med 17:873, table II, method 10.
@pytest.mark.parametrize(
    ("counts", "printed"),
    [
        ((56, 70, 48, 80), (0.0524, 0.3339)),
        ((9, 10, 3, 10), (0.1705, 0.8090)),
        ((6, 7, 2, 7), (0.0582, 0.8062)),
        ((5, 56, 0, 29), (-0.0381, 0.1926)),
        ((0, 10, 0, 20), (-0.1611, 0.2775)),
        ((10, 10, 0, 20), (0.6791, 1.0)),
    ],
)
def test_intervals_of_a_difference_are_those_newcombe_printed(counts, printed):
    assert by_method_ten(*counts) == pytest.approx(printed, abs=5e-5)


def test_the_difference_of_rates_is_newcombe_s_of_two_wilson_intervals(report):
    counts = report.regime.counts
    assert report.difference == pytest.approx(by_method_ten(*counts["ps"], *counts["ns"]))


def test_lasting_and_transient_are_kept_apart(log, report):
    rates = report.rates.set_index(["unit", "by", "group", "outcome"])["events"]
    lasting = rates["session", "all", "all", "lasting"]
    transient = rates["session", "all", "all", "transient"]
    unrecorded = log.reactions["lasting"].isna().sum()
    assert lasting == (log.reactions["lasting"] == "yes").sum()
    assert lasting + transient + unrecorded == rates["session", "all", "all", "any"]
    assert "reactions.lasting_unknown" in {note.code for note in report.notes}


def test_groups_add_up_to_the_whole(report):
    rates = report.rates[(report.rates["unit"] == "session") & (report.rates["outcome"] == "any")]
    totals = rates.groupby("by")[["events", "n"]].sum()
    assert set(totals["n"]) == {report.n_sessions}
    assert set(totals["events"]) == {report.n_events}


def test_no_reaction_is_an_answer_with_an_upper_limit(log):
    few = log.sessions.groupby("course_id").head(1).head(140)
    courses = log.courses[log.courses["course_id"].isin(few["course_id"])]
    quiet = OutcomeLog.from_frames(
        courses.assign(sessions_given=1, outcome="ongoing"),
        few,
        reactions=log.reactions.head(1).assign(
            course_id=few["course_id"].iloc[0], after_session=1, reaction="blister"
        ),
    )
    found = fit_reactions(quiet, outcome="scar")
    # 1 - 0.025 ** (1 / 140)
    assert found.rate("scar") == "0 of 140: at most 2.6 %"
    assert found.regime.verdict == "cannot say"
    assert found.regime.estimate is None


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


def test_a_log_of_courses_alone_still_gives_rates(log):
    found = fit_reactions(OutcomeLog.from_frames(log.courses, reactions=log.reactions))
    assert found.n_sessions == log.courses["sessions_given"].sum()
    assert found.notes[0].code == "reactions.no_sessions_table"


def test_an_unknown_outcome_is_refused_with_the_nearest_name(log):
    with pytest.raises(RequestError, match="Did you mean 'blister'"):
        fit_reactions(log, outcome="blisters")


def test_report_is_plain_json(report):
    assert json.loads(json.dumps(report.to_dict()))["outcome"] == "any"


# Operators in a funnel: who is outside, by a code and never by name.
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


def test_operators_differ_beyond_chance_only_where_the_interval_of_how_far_says_so():
    report = fit_reactions(simulate_log(60, seed=6, world=World(operator_reaction_sd=0.0)))
    assert report.operators.dispersion > 2  # which widens the limits, to be careful
    assert report.operators.spread_interval[0] == 0
    assert not report.operators.vary
    assert "by more than chance" not in report.to_text()


def test_verdicts_are_the_same_whatever_level_is_shown(log, report):
    shown = fit_reactions(log, level=0.2)
    low, high = shown.regime.interval
    assert not low < 1 < high
    assert shown.regime.verdict == report.regime.verdict == "cannot say"
    assert str(shown.regime.reason) == str(report.regime.reason)
    assert shown.operators.outside == report.operators.outside


def test_a_reaction_after_every_session_still_has_its_rates(log):
    after = log.sessions.rename(columns={"session_no": "after_session"})
    seen = after[["course_id", "after_session"]].assign(reaction="blister", lasting="no")
    found = fit_reactions(with_tables(log, reactions=seen))
    assert found.n_events == found.n_sessions
    assert found.rate("any").startswith(f"{found.n_events:,} of {found.n_events:,}: 100 %")
    assert [reason.code for reason in found.regime.reasons] == ["reactions.few_without"]


# A log that is silent rather than safe is noticed, and an honest one is left alone.
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
    found = fit_reactions(silent)
    assert found.to_text().startswith(f"! {warning}\n\n- ")
    assert found.rate("any") == "cannot say, as no reaction is recorded"
    assert found.difference is None
    assert found.rates["exact_high"].isna().all()


def test_lasting_reactions_alone_look_selective(log):
    lasting = log.reactions[log.reactions["lasting"] == "yes"]
    assert "reactions.lasting_only" in codes(with_tables(log, reactions=lasting))


def test_an_operator_who_never_reports_is_noticed(log):
    rows = log.reactions.merge(
        log.sessions, left_on=["course_id", "after_session"], right_on=["course_id", "session_no"]
    )
    kept = log.reactions[(rows["operator_id"] != "op1").to_numpy()]
    told = with_tables(log, reactions=kept)
    (warning,) = under_recording(told)
    assert str(warning).startswith("No reaction on record: 1 operator")
    assert fit_reactions(told).lines("en")[0] == f"! {warning}"


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


def test_a_session_with_both_regimes_is_counted_and_left_out_of_what_compares(log):
    again = log.sessions[log.sessions["regime"] == "ns"].iloc[::10].assign(regime="ps", part=2)
    found = fit_reactions(with_tables(log, sessions=pd.concat([log.sessions, again])))
    assert found.n_sessions == len(log.sessions)
    assert found.operators.table["sessions"].sum() == len(log.sessions) - len(again)
    (note,) = [one for one in found.notes if one.code == "reactions.mixed"]
    assert note.values["sessions"] == len(again)
