"""Whose courses carry a comparison: made logs with known followers, changes and clients."""

from types import SimpleNamespace

import numpy as np
import pytest

from forecast.counts import COVARIATES, LogSummary, course_rows, evidence_model, fill_missing
from forecast.regimes.compare import compare_regimes
from forecast.regimes.verdict import verdict_of
from forecast.regimes.weighted_curves import fit_strategies

from .made import made_log

SWITCH = "ns:4>ps"


def switching_clinic(n_changed, *, slowest=True):
    """Return 160 courses in each regime and some changed after 4; no regime does anything."""
    rng = np.random.default_rng(5)
    need = np.minimum(rng.geometric(0.22, 320) + 1, 9)
    first = np.where(np.arange(320) % 2 == 0, "ns", "ps")
    kept = np.flatnonzero((first == "ns") & (need > 4))
    order = np.argsort(-need[kept], kind="stable") if slowest else rng.permutation(len(kept))
    change = np.zeros(320, dtype=int)
    change[kept[order[:n_changed]]] = 4
    return made_log(need, first, change)


def compared(log, strategies=("ns", "ps"), horizon=8):
    return compare_regimes(log, strategies=strategies, horizon=horizon, replicates=100)


def two_regimes(n, clients=None):
    """Return n courses with ns and n with ps, which saves sessions; a fifth needs 9 or 10."""
    need = np.r_[np.resize([7, 8, 7, 8, 9], n), np.resize([2, 3, 4, 2, 10], n)]
    order = np.arange(2 * n).reshape(2, n).T.ravel()
    first = np.r_[["ns"] * n, ["ps"] * n]
    return made_log(need[order], first[order], clients=clients)


def filled(log):
    rows = course_rows(log)
    return fill_missing(rows, LogSummary.of(log, rows).means)


def test_the_slowest_few_changed_do_not_make_the_change_cost_sessions():
    found = compared(switching_clinic(12), ("ns", "ps", SWITCH))
    key = f"{SWITCH} - ns"
    assert (
        verdict_of(found.difference[key], 1.0) == "costs"
    )  # the interval alone; in truth there is none
    assert found.verdict[key] == found.supported[key].verdict == "cannot say"
    assert found.verdict["ps - ns"] != "cannot say"
    assert found.diagnostics.followers[SWITCH] == found.diagnostics.clients[SWITCH] == 12
    assert any("12 courses changed at session 5" in note for note in map(str, found.notes))


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


def test_estimates_ask_for_followers_after_the_change_as_well():
    few, many = switching_clinic(12), switching_clinic(45, slowest=False)
    model = Counting()
    assert list(fit_strategies(few, filled(few), model)) == ["ns", "ps"]
    assert list(fit_strategies(many, filled(many), model)) == ["ns", "ps", SWITCH]


class Counting:
    """A model that keeps the durations it is fitted to."""

    def fit(self, durations):
        return SimpleNamespace(durations=durations)


def test_a_change_that_only_stalled_courses_had_is_no_verdict_however_many_they_are():
    # two fade slowly, then stall and are always changed; the others are never changed
    rng = np.random.default_rng(4)
    slow = np.arange(1200) // 2 % 4 == 0
    need = np.where(slow, 10, 6) + rng.integers(0, 3, 1200)
    first = np.where(np.arange(1200) % 2 == 0, "ns", "ps")
    changed = slow & (first == "ns") & (rng.random(1200) < 0.6)
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


def test_few_clients_give_no_verdict_however_many_courses():
    assert compared(two_regimes(60)).verdict["ps - ns"] == "saves"
    found = compared(two_regimes(60, clients=np.arange(120) // 2 % 19))
    assert verdict_of(found.difference["ps - ns"], 1.0) == "saves"
    assert found.verdict["ps - ns"] == "cannot say"
    assert any("ns: followed by courses of 19 clients" in note for note in map(str, found.notes))
    assert "No verdict is given" in found.words["ps - ns"]


def test_one_client_leaves_an_interval_without_width_and_no_verdict():
    found = compared(two_regimes(60, clients=np.zeros(120, dtype=int)))
    assert found.difference["ps - ns"].error == pytest.approx(0, abs=1e-9)
    assert found.verdict["ps - ns"] == "cannot say"
    assert any("the interval has no width" in note for note in map(str, found.notes))


def test_few_courses_give_no_verdict_though_all_cleared():
    # 25 of each cannot be worth 30; with 60 of each the same difference is a verdict, see above
    found = compared(two_regimes(25))
    assert min(found.diagnostics.cleared.values()) >= 10
    assert found.diagnostics.clients == {"ns": 25, "ps": 25}
    assert not found.diagnostics.operators_apart
    assert verdict_of(found.difference["ps - ns"], 1.0) == "saves"
    assert found.verdict["ps - ns"] == found.supported["ps - ns"].verdict == "cannot say"
    assert any("a verdict needs 30" in note for note in map(str, found.notes))


def test_estimates_under_a_strategy_stand_for_the_courses_that_left_it():
    # half of the courses fade slowly and need 9 to 11, the others 3 to 5; 3 of 4 slow ones are
    # changed from ns to ps after session 2 and 1 of 8 others, so those who keep to ns are quick
    rng = np.random.default_rng(2)
    slow = np.arange(480) // 2 % 2 == 0
    need = np.where(slow, 9, 3) + rng.integers(0, 3, 480)
    first = np.where(np.arange(480) % 2 == 0, "ns", "ps")
    leaves = (first == "ns") & (rng.random(480) < np.where(slow, 0.75, 0.125))
    log = made_log(need, first, np.where(leaves, 2, 0), pace=np.where(slow, 0.08, 0.3))
    kept = (first == "ns") & ~leaves
    at_risk = np.array([np.where(kept, need, 2)[first == "ns"] >= k for k in range(1, 12)])
    ends = [(kept & (need == k)).sum() for k in range(1, 12)]
    left = np.cumprod(1 - np.array(ends) / at_risk.sum(axis=1))
    unweighted, error = 1 + left[:-1].sum(), need[kept].std() / kept.sum() ** 0.5
    assert need.mean() - unweighted > 3 * error
    courses = filled(log)
    model = fit_strategies(log, courses, evidence_model())["ns"]
    found = model.predict(courses[list(COVARIATES)], 15).mean_capped(15).mean()
    assert abs(found - need.mean()) < error
