"""Weighted curves against a life table made by hand, and the models that use their weights."""

import numpy as np
import pandas as pd
import pytest

from benchmarks.clinics import simulate_clinic, study_world
from forecast.counts import COVARIATES, Basis
from forecast.regimes.weighted_curves import fit_strategies

from .made import SWITCH, Counting, filled, made_log, switching_clinic


def test_another_statistician_gets_the_answer_from_the_folder(comparison, log, tmp_path):
    paths = comparison.write(tmp_path / "out")
    assert {path.name for path in paths} >= {"weighted_rows.csv", "curves.csv", "balance.csv"}
    rows = pd.read_csv(tmp_path / "out" / "weighted_rows.csv")
    left = {}
    for name in ("ns", "ps"):
        weight = rows[f"weight {name}"]
        risk = weight.groupby(rows["session"]).sum()
        hazard = (weight * rows["cleared"]).groupby(rows["session"]).sum() / risk
        left[name] = (1 - hazard).cumprod()
    found = comparison.difference["ps - ns"].estimate
    fewer = (left["ps"] - left["ns"]).iloc[:9].sum()
    assert fewer == pytest.approx(found, abs=1e-4)
    for n in (5, 10):
        share = left["ns"].loc[n] - left["ps"].loc[n]
        assert share == pytest.approx(comparison.cleared_by[n]["ps - ns"].estimate, abs=1e-4)
    written = "".join(path.read_text(encoding="utf-8") for path in paths)
    for names in (log.courses["course_id"], log.courses["client_id"]):
        assert not any(name in written for name in names)


def test_estimates_ask_for_followers_after_the_change_as_well():
    few, many = switching_clinic(12), switching_clinic(45, slowest=False)
    model = Counting()
    assert list(fit_strategies(few, filled(few), model)) == ["ns", "ps"]
    assert list(fit_strategies(many, filled(many), model)) == ["ns", "ps", SWITCH]


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
    basis = Basis.of(log)
    model = fit_strategies(basis.log, basis.filled, basis.specs[0])["ns"]
    found = model.predict(basis.filled[list(COVARIATES)], 15).mean_capped(15).mean()
    assert abs(found - need.mean()) < error


@pytest.mark.slow
def test_a_strategy_that_saves_two_sessions_is_seen_to_save_them():
    gaps = []
    for seed in (3, 4, 5):
        expected, true = [], []
        for scenario in ("none", "two saved"):
            clinic = simulate_clinic(600, seed=seed, world=study_world(scenario))
            basis = Basis.of(clinic.log)
            given = basis.filled
            model = fit_strategies(basis.log, given, basis.specs[0])["ps"]
            predicted = model.predict(given[list(COVARIATES)], 15)
            expected.append(predicted.mean_capped(15).mean())
            true.append(np.minimum(clinic.truth["needed_ps"].fillna(99), 15).mean())
        assert true[1] - true[0] == pytest.approx(-2, abs=0.1)
        gaps.append(expected[1] - expected[0] - (true[1] - true[0]))
    # twelve clinics: on average 0.03 off, with a standard deviation of 0.1
    assert np.abs(gaps).max() < 0.35
    assert abs(np.mean(gaps)) < 0.2
