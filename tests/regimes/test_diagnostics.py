"""Whose courses carry a comparison: made logs with known followers, changes and clients."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast import simulate_log
from forecast._notes import Note
from forecast.regimes.compare import compare_regimes
from forecast.regimes.diagnostics import _after_stopping
from forecast.regimes.trial import trial_rows
from forecast.regimes.verdict import Contrast, read_strategy, verdict_of
from forecast.regimes.weighted_curves import Engine, Followers, fit_strategies

from .made import SWITCH, Counting, filled, made_log, switching_clinic, with_tables


def compared(log, strategies=("ns", "ps"), horizon=8):
    return compare_regimes(log, strategies=strategies, horizon=horizon, replicates=100)


def two_regimes(n, clients=None):
    """Return n courses with ns and n with ps, which saves sessions; a fifth needs 9 or 10."""
    need = np.r_[np.resize([7, 8, 7, 8, 9], n), np.resize([2, 3, 4, 2, 10], n)]
    order = np.arange(2 * n).reshape(2, n).T.ravel()
    first = np.r_[["ns"] * n, ["ps"] * n]
    return made_log(need[order], first[order], clients=clients)


def test_the_slowest_few_changed_do_not_make_the_change_cost_sessions():
    found = compared(switching_clinic(12), ("ns", "ps", SWITCH))
    key = f"{SWITCH} - ns"
    assert (
        verdict_of(found.difference[key], 1.0) == "costs"
    )  # the interval alone; in truth there is none
    assert found.verdict[key] == found.supported[key].verdict == "cannot say"
    assert set(found.sensitivity.tipping.query("comparison == @key")["verdict"]) == {"cannot say"}
    assert "no verdict comes of it" in str(found.sensitivity.tipping_point[key])
    assert "ein Urteil ergibt sich daraus nicht" in found.sensitivity.tipping_point[key].say("de")
    assert np.isnan(found.sensitivity.e_value[key]).all()  # nor is there anything to explain away
    assert found.verdict["ps - ns"] != "cannot say"
    assert found.diagnostics.followers[SWITCH] == found.diagnostics.carried[SWITCH].clients == 12
    assert any("12 courses changed at session 5" in note for note in map(str, found.notes))


def test_a_change_too_few_had_is_not_said_to_be_followed_to_the_session_before_it():
    found = compared(switching_clinic(6), ("ns", SWITCH), horizon=8)
    assert found.diagnostics.supported_to[SWITCH] == 4
    said = next(note for note in found.notes if note.code == "regimes.change_out_of_reach")
    assert "after the change: 6 (10 needed)" in str(said)
    assert "nach dem Wechsel 6" in said.say("de")


def test_who_cleared_before_the_change_is_no_follower_of_it():
    found = compared(switching_clinic(8), ("ns", "ps", SWITCH))
    for key in (f"{SWITCH} - ns", f"{SWITCH} - ps"):
        assert found.difference[key].estimate is None
        assert found.verdict[key] == "cannot say"
        assert key not in found.supported  # up to session 4 it is ns, not this strategy
    assert found.diagnostics.supported_to[SWITCH] == 4
    assert not any("ask again with horizon=4" in note for note in map(str, found.notes))


def test_a_change_that_many_had_by_chance_is_answered():
    found = compared(switching_clinic(45, slowest=False), ("ns", "ps", SWITCH))
    assert found.verdict[f"{SWITCH} - ps"] == "equivalent"


def test_a_change_that_only_stalled_courses_had_is_no_verdict_however_many_they_are():
    # two fade slowly, then stall and are always changed; the others are never changed
    rng = np.random.default_rng(4)
    slow = np.arange(800) // 2 % 4 == 0
    need = np.where(slow, 10, 6) + rng.integers(0, 3, 800)
    first = np.where(np.arange(800) % 2 == 0, "ns", "ps")
    changed = slow & (first == "ns") & (rng.random(800) < 0.6)
    log = made_log(need, first, np.where(changed, 4, 0), pace=np.where(slow, 0.02, 0.35))
    found = compared(log, ("ns", "ps", SWITCH), horizon=9)
    followers = found.diagnostics.carried[SWITCH]
    assert followers.effective > 30
    assert followers.clients > 20
    assert followers.without_chance > 0.6
    assert followers.stalled == 1.0
    for key in (f"{SWITCH} - ns", f"{SWITCH} - ps"):
        assert found.verdict[key] == "cannot say"
        assert "hardly_a_chance" in found.reasons[key]
        assert "next to no chance of the change" in found.words[key]
    assert any(
        f"{followers.courses} courses changed at session 5, 100 % of those" in note
        for note in map(str, found.notes)
    )
    assert SWITCH not in fit_strategies(log, filled(log), Counting())


@pytest.mark.parametrize("decides", [["ink_density"], ["ink_density", "inks"]])
def test_where_the_tattoo_decides_the_regime_there_is_no_verdict_however_many_they_are(decides):
    plain = simulate_log(600, seed=515, mechanism="practised")
    of_course = plain.courses.set_index("course_id")[decides].astype(str).sum(axis=1)
    hard = of_course.str.contains("heavy|green|blue|yellow|purple")
    regime = plain.sessions["course_id"].map(hard).map({True: "ps", False: "ns"})
    blank = {"regime": regime, "laser_id": None, "wavelengths_nm": None}
    log = with_tables(plain, sessions=plain.sessions.assign(**blank), lasers=None)
    found = compared(log, ("ns", "ps"), horizon="auto")
    assert found.diagnostics.no_overlap
    assert "no_overlap" in found.reasons["ps - ns"]
    assert found.verdict["ps - ns"] == "cannot say"
    settle = next(note for note in found.notes if note.code == "regimes.to_settle")
    assert "more chosen as so far do not help" in str(settle)
    assert "--plan" not in str(settle)
    assert fit_strategies(log, filled(log), Counting()) == {}
    assert not compared(plain, ("ns", "ps")).diagnostics.no_overlap


def test_few_clients_give_no_verdict_however_many_courses():
    assert compared(two_regimes(60)).verdict["ps - ns"] == "saves"
    found = compared(two_regimes(60, clients=np.arange(120) // 2 % 19))
    assert verdict_of(found.difference["ps - ns"], 1.0) == "saves"
    assert found.verdict["ps - ns"] == "cannot say"
    assert any("ns: followed by courses of 19 clients" in note for note in map(str, found.notes))
    assert "No verdict is given" in found.words["ps - ns"]


@pytest.fixture(scope="module")
def of_one_client():
    return compared(two_regimes(60, clients=np.zeros(120, dtype=int)))


def test_one_client_leaves_an_interval_without_width_and_no_verdict(of_one_client):
    found = of_one_client
    assert found.difference["ps - ns"].error == pytest.approx(0, abs=1e-9)
    assert found.verdict["ps - ns"] == "cannot say"
    assert any("the interval has no width" in note for note in map(str, found.notes))


def test_one_client_is_one_client_and_a_calendar_without_answer_reads_as_one(of_one_client):
    assert "courses of 1 client:" in str(of_one_client.notes[0])
    assert "von 1 Person:" in of_one_client.notes[0].say("de")
    weeks = Note(
        "regimes.by_calendar",
        values={"key": "ps - ns", "said": Contrast.missing(0.95).spoken("weeks"), "week": 33},
    )
    assert str(weeks) == "ps - ns on the calendar, until cleared or week 33: cannot say."


@pytest.fixture(scope="module")
def of_few():
    return compared(two_regimes(25))


def test_few_courses_give_no_verdict_though_all_cleared(of_few):
    # 25 of each cannot be worth 30; with 60 of each the same difference is a verdict, see above
    found = of_few
    assert found.desk_line.code == "regimes.desk_unknown"  # no interval that looks like an answer
    assert min(found.diagnostics.cleared.values()) >= 10
    assert [found.diagnostics.carried[name].clients for name in ("ns", "ps")] == [25, 25]
    assert not found.diagnostics.operators_apart
    assert verdict_of(found.difference["ps - ns"], 1.0) == "saves"
    assert found.verdict["ps - ns"] == found.supported["ps - ns"].verdict == "cannot say"
    assert any("a verdict needs 30" in note for note in map(str, found.notes))
    # where those who stopped would have gone on as like courses did, the answer is as it was
    (alike,) = found.sensitivity.tipping.query("phi_left == 1 and phi_right == 1")["estimate"]
    assert alike == pytest.approx(found.difference["ps - ns"].estimate)


def test_who_stopped_and_would_never_have_cleared_stays_and_is_counted_once():
    # of each regime a third is slow, and half of these stop after session 3
    slow = np.arange(120) // 2 % 3 == 0
    stops = slow & (np.arange(120) // 6 % 2 == 0)
    need = np.where(stops, 3, np.where(slow, 9, 5))
    log = made_log(need, np.resize(["ns", "ps"], 120), pace=np.where(slow, 0.05, 0.4))
    outcome = np.where(stops, "stopped", "cleared")
    log = with_tables(log, courses=log.courses.assign(outcome=outcome))
    engine = Engine(trial_rows(log, horizon=9), [read_strategy("ns", 9)], horizon=9)
    left = _after_stopping(engine, 0, 0.0)
    assert_allclose(left[[3, 5, 9]], [1, 1 / 3, 1 / 6], atol=0.01)


FEW = Followers(30, 5, 40.0, 0.0, 0.0)
ENOUGH = Followers(30, 30, 40.0, 0.0, 0.0)
NO_CHANCE = Followers(30, 30, 40.0, 0.9, 0.0)


@pytest.mark.parametrize(
    ("cleared", "followers", "apart", "codes"),
    [
        ([5, 5], [ENOUGH, ENOUGH], False, ()),
        ([5, 4], [ENOUGH, ENOUGH], False, ("too_few_cleared",)),
        ([5, 5], [FEW, FEW], False, ("too_few_clients",)),
        ([5, 5], [ENOUGH, NO_CHANCE], True, ("hardly_a_chance", "operators_apart")),
    ],
)
def test_each_strategy_of_a_pair_needs_enough(of_few, cleared, followers, apart, codes):
    names = ["ns", "ps"]
    found = replace(
        of_few.diagnostics,
        cleared_at=pd.DataFrame([cleared, [9, 9]], columns=names),
        carried=dict(zip(names, followers, strict=True)),
        operators_apart=apart,
    )
    assert found.lacking(names, 2) == codes  # the second session is the horizon's own
