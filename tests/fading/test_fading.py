"""The answer as a whole: what travels, what is refused, split tattoos, stalls and graders."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from sklearn.metrics import cohen_kappa_score

from benchmarks.clinics import simulate_clinic, simulate_split_trial
from forecast.causal.rates import intraclass, one_way_intraclass
from forecast.errors import RequestError
from forecast.fading.curves import Slopes
from forecast.fading.fading import (
    _notes_on,
    fit_fading,
    grader_report,
    split_fading,
    stall_rule,
)
from forecast.fading.rows import fading_rows
from forecast.invented import World, simulate_log
from forecast.log import OutcomeLog
from tests.regimes.made import made_log

from .logs import BLACK, codes, with_tables


def test_everything_travels_as_plain_json(fading):
    found = json.loads(json.dumps(fading.to_dict(), allow_nan=False))
    assert found["courses"] == len(fading.rows.courses)
    assert found["shares"][0]["share"] == pytest.approx(fading.shares["share"].iloc[0])
    assert "share of the remaining ink" in fading.to_text()
    assert str(fading.assumption) in fading.to_text()


def test_editing_the_order_of_rows_or_names_changes_nothing(small_log, small_fading):
    shuffled = with_tables(
        small_log,
        courses=small_log.courses.sample(frac=1, random_state=1),
        gradings=small_log.gradings.sample(frac=1, random_state=2),
        sessions=small_log.sessions.sample(frac=1, random_state=3),
    )
    again = fit_fading(shuffled)
    assert_allclose(again.shares["share"], small_fading.shares["share"], atol=1e-5)
    assert_allclose(again.shares["low"], small_fading.shares["low"], atol=1e-5)


def test_the_log_is_left_as_it_was(small_log):
    before = {name: getattr(small_log, name).copy() for name in ("courses", "sessions", "gradings")}
    fit_fading(small_log)
    for name, frame in before.items():
        pd.testing.assert_frame_equal(frame, getattr(small_log, name))


def test_one_regime_gives_its_curve_and_says_so(small_log):
    log = small_log
    only = log.sessions.groupby("course_id")["regime"].transform("nunique") == 1
    ns = log.sessions[only & (log.sessions["regime"] == "ns")]
    courses = log.courses[log.courses["course_id"].isin(ns["course_id"])]
    fading = fit_fading(
        OutcomeLog.from_frames(
            courses, ns, log.gradings[log.gradings["course_id"].isin(courses["course_id"])]
        )
    )
    assert set(fading.shares["regime"]) == {"ns"}
    assert fading.differences.empty
    assert "fading.one_regime" in codes(fading)


def test_nothing_is_said_where_an_interval_holds_all_that_a_session_could_remove():
    few = fit_fading(simulate_log(60, seed=6, world=World(grade_sd=0.6)))
    wide = few.differences["high"] - few.differences["low"] > 0.4
    assert wide.any()
    assert list(few.differences["reason"]) == ["interval_too_wide" if one else "" for one in wide]
    low, high = few.differences[["low", "high"]].iloc[0]
    assert f"all inks: cannot say ({100 * low:+.1f} to {100 * high:+.1f})" in few.to_text()
    assert few.to_dict()["differences"][0]["reason"] == "interval_too_wide"
    assert "fading.interval_too_wide" in codes(few)


def test_a_log_that_can_say_gives_no_reason(fading):
    assert set(fading.differences["reason"]) == set(fading.shares["reason"]) == {""}
    assert "cannot say" not in fading.to_text()


def test_an_unknown_regime_is_refused_by_name(fading):
    with pytest.raises(RequestError, match="Known are"):
        fading.share("ms")


def test_halves_of_split_tattoos_give_paired_curves():
    fading = fit_fading(simulate_split_trial(40, seed=2))
    assert fading.split is not None
    assert fading.split.n_pairs >= 38
    assert set(fading.split.curves.columns) >= {"session", "ns", "ps", "difference", "low", "high"}
    # the paired share and the model's agree: both are of the same halves
    gap = fading.differences.set_index("ink_group").loc["all", "difference"]
    low, high = fading.split.share.interval
    assert low - 0.01 < gap < high + 0.01


def test_a_pair_is_compared_after_the_last_session_that_both_were_graded_after():
    log = simulate_split_trial(12, seed=2)
    first = log.gradings["after_session"] == 1
    once = with_tables(log, gradings=log.gradings.assign(
        fading_pct=log.gradings["fading_pct"].mask(first, 0.0)
    ))  # fmt: skip
    found, other = (split_fading(one, level=0.95) for one in (log, once))
    assert found.share.estimate == other.share.estimate
    assert found.curves["ns"].iloc[0] > other.curves["ns"].iloc[0] == 0


def test_a_regime_that_few_courses_had_is_said_to_be():
    first = np.where(np.arange(80) % 10, "ns", "ps")
    rows = fading_rows(made_log(np.full(80, 4), first, pace=np.full(80, 0.3)))
    few = [note.values["regime"] for note in _notes_on(rows) if note.code == "fading.few_courses"]
    assert few == ["ps"]


GENEROUS = 0.15  # a second grader sees this much less log ink


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


@pytest.mark.slow
def test_the_rule_of_one_log_rarely_flags_fading_courses_of_another(fading):
    # new clients of the same clinic, all of whose ink is reached: nothing has stopped
    other = fit_fading(simulate_clinic(500, seed=9, world=BLACK).log)
    outcome = other.rows.courses.set_index("course_id")["outcome"]
    looks = other.stalls.looks
    worst = looks[looks["course_id"].map(outcome) == "cleared"].groupby("course_id")["below"].max()
    assert (worst > fading.stalls.threshold).mean() < 0.1


def test_a_course_that_stops_fading_is_flagged_and_named(small_log):
    log = small_log
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
    (line,) = (line for line in fading.to_text().splitlines() if f"{name} after session" in line)
    assert "from its own earlier gradings one would expect" in line
    looks = fading.stalls.looks.query("course_id == @name")
    assert looks["session"].max() <= given
    assert looks["expected"].iloc[-1] > 70


def test_later_gradings_do_not_move_an_earlier_look(small_fading):
    rows = small_fading.rows
    edited = rows.table["course_id"].eq(rows.table["course_id"].iloc[0])
    late = edited & (rows.table["session"] >= 8)
    table = rows.table.assign(left=np.where(late, 0.8, rows.table["left"]))
    before, after = (
        one.query("session < 8").reset_index(drop=True)
        for one in (small_fading.stalls.looks, stall_rule(replace(rows, table=table)).looks)
    )
    columns = ["course_id", "session", "faded"]
    pd.testing.assert_frame_equal(before[columns], after[columns])
    # what is usual for a look back moves with one course by next to nothing
    assert_allclose(before["expected"], after["expected"], atol=0.2)
    assert_allclose(before["below"], after["below"], atol=0.1)
    assert len(before) > 50


@pytest.fixture(scope="module")
def twice_graded():
    """Return a log whose early gradings a second person made again, more generously."""
    log = simulate_log(150, seed=2)
    rng = np.random.default_rng(1)
    again = log.gradings.query("1 <= after_session <= 4").copy()
    left = 1 - again["fading_pct"].clip(upper=94) / 100
    left *= np.exp(-GENEROUS + rng.normal(0, 0.05, len(left)))
    again["fading_pct"] = (100 * (1 - left)).round().clip(0, 100)
    again["grader_id"] = "second"
    gradings = log.gradings.assign(grader_id="first")
    tables = {name: getattr(log, name) for name in ("courses", "sessions")}
    return OutcomeLog.from_frames(**tables, gradings=pd.concat([gradings, again]))


@pytest.fixture(scope="module")
def twice_fading(twice_graded):
    return fit_fading(twice_graded)


@pytest.fixture(scope="module")
def report(twice_fading):
    return twice_fading.graders


def test_two_gradings_of_one_day_are_kept_as_such(twice_graded, report):
    key = ["course_id", "after_session", "graded_on"]
    assert twice_graded.gradings.duplicated(key).sum() > 100
    assert report.n_twice == (twice_graded.gradings.groupby(key).size() > 1).sum()


def test_graders_agree_on_a_slip_above_100_as_they_would_on_100(twice_graded, twice_fading):
    fitted = Slopes(twice_fading.rows, twice_fading.model, twice_fading.level)
    tables = {name: getattr(twice_graded, name) for name in ("courses", "sessions")}
    slips, hundreds = twice_graded.gradings.copy(), twice_graded.gradings.copy()
    slips.loc[slips.index[-1], "fading_pct"] = 105
    hundreds.loc[hundreds.index[-1], "fading_pct"] = 100
    one, other = (
        grader_report(fitted, OutcomeLog.from_frames(**tables, gradings=each).graded, level=0.95)
        for each in (slips, hundreds)
    )
    assert one.to_dict() == other.to_dict()


def test_a_generous_grader_is_found_with_the_right_size(report):
    levels = report.levels.set_index("grader_id")
    # half of the ink is left: each is half of the difference away from the mean grader
    expected = 50 * (1 - np.exp(-GENEROUS / 2))
    assert levels.loc["second", "points"] == pytest.approx(expected, abs=0.4)
    assert levels.loc["second", "low"] > 0
    assert levels.loc["first", "points"] < 0
    assert "fading.graders_differ" in codes(report)


def test_graders_who_are_alike_are_not_said_to_differ():
    alike = fit_fading(simulate_log(200, seed=4, world=World(grader_sd=0.0))).graders
    assert len(alike.levels) > 2
    assert "fading.graders_differ" not in codes(alike)
    assert "fading.graders_alike" in codes(alike)


def test_agreement_is_that_of_the_pairs_of_gradings(twice_graded, report):
    wide = twice_graded.gradings.pivot_table(
        index=["course_id", "after_session", "graded_on"],
        columns="grader_id",
        values="fading_pct",
    ).dropna()
    (pair,) = report.pairs.to_dict("records")
    both = wide[["first", "second"]].to_numpy()
    assert pair["icc"] == pytest.approx(intraclass(both)[0])
    assert pair["occasions"] == len(wide)
    target = np.repeat(np.arange(len(both)), 2)
    assert report.icc == pytest.approx(one_way_intraclass(both.ravel(), target))
    quarters = pd.cut(both.ravel(), [-1, 25, 50, 75, 100], labels=False).reshape(both.shape)
    assert pair["kappa"] == pytest.approx(cohen_kappa_score(*quarters.T, weights="quadratic"))


def test_graders_who_write_one_grade_alone_have_no_kappa(small_log, small_fading):
    slopes = Slopes(small_fading.rows, small_fading.model, 0.95)
    rows = [
        {"course_id": "C1", "after_session": n, "grader_id": name,
         "graded_on": pd.Timestamp(2020, n, 1), "fading_pct": 80.0 + n % 2 + two}
        for n in range(1, 13) for two, name in enumerate(("first", "second"))
    ]  # fmt: skip
    both = pd.concat([small_log.graded, pd.DataFrame(rows)])
    pairs = grader_report(slopes, both, level=0.95).pairs
    assert pairs["kappa"].isna().tolist() == [True]


def test_without_double_gradings_agreement_cannot_be_told(small_fading):
    report = small_fading.graders
    assert report.icc is None
    assert report.pairs.empty
    assert "fading.agreement_unknown" in codes(report)
