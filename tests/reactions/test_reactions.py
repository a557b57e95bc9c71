"""Reactions by regime and operator, on logs whose truth is known."""

import json
import math

import pandas as pd
import pytest

from forecast.causal.rates import wilson_interval
from forecast.errors import RequestError
from forecast.log import OutcomeLog
from forecast.reactions import fit_reactions


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
        courses.assign(sessions_given=1, outcome="ongoing"), few, reactions=log.reactions.head(0)
    )
    found = fit_reactions(quiet)
    # 1 - 0.025 ** (1 / 140)
    assert found.rate("any") == "0 of 140: at most 2.6 %"
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
