"""The boosted hazard against scikit-learn itself and a truth no straight line follows."""

import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.errors import RequestError
from forecast.survival import BoostedHazard, DiscreteHazard, Durations, model_from_dict

from .conftest import long_rows


def read(frame, covariates=("x", "z"), **columns):
    return Durations.from_frame(
        frame, step="k", observed="seen", covariates=list(covariates), **columns
    )


@pytest.fixture(scope="module")
def wavy():
    """A hazard that is high only where x is near 0 and z is 1."""
    rng = np.random.default_rng(8)
    n = 1500
    x, z = rng.uniform(-2, 2, n), rng.integers(0, 2, n)
    hazard = np.where((np.abs(x) < 0.7) & (z == 1), 0.5, 0.08)
    happens, watched = rng.geometric(hazard), rng.integers(4, 15, n)
    frame = pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched})
    return frame.assign(x=x, z=z, hazard=hazard)


def test_trees_kept_as_arrays_answer_as_scikit_learn_does(wavy):
    from sklearn.ensemble import HistGradientBoostingClassifier

    spec = BoostedHazard(trees=25, refits=0)
    fitted = model_from_dict(json.loads(json.dumps(spec.fit(read(wavy)).to_dict())))
    ones = np.ones(len(wavy))
    rows, steps, events = long_rows(wavy.k, wavy.seen, 0 * ones, ones)
    peer = HistGradientBoostingClassifier(
        learning_rate=spec.rate,
        max_iter=25,
        max_leaf_nodes=spec.leaves,
        min_samples_leaf=spec.leaf_rows,
        l2_regularization=spec.penalty,
        early_stopping=False,
    )
    peer.fit(np.column_stack([steps, wavy[["x", "z"]].to_numpy()[rows]]), events)
    for k in (1, 4, 9):
        features = np.column_stack([np.full(50, k), wavy[["x", "z"]].to_numpy()[:50]])
        theirs = peer.predict_proba(features)[:, 1]
        assert_allclose(fitted.predict(wavy[:50], 12).hazard()[:, k - 1], theirs, atol=1e-6)


def test_finds_what_a_straight_line_cannot(wavy):
    boosted = BoostedHazard(refits=0).fit(read(wavy)).predict(wavy, 8).hazard()
    straight = DiscreteHazard(baseline="smooth").fit(read(wavy)).predict(wavy, 8).hazard()
    errors = [np.abs(h - wavy.hazard.to_numpy()[:, None]).mean() for h in (boosted, straight)]
    assert errors[0] < 0.5 * errors[1]


def test_draws_are_the_refits_in_turn(wavy):
    fitted = BoostedHazard(trees=10, refits=3).fit(read(wavy[:300]))
    draws = fitted.predict_draws(wavy[:2], 8, n_draws=9, seed=4)
    assert len(np.unique(draws[:, 0, 0].round(12))) == 3
    assert_allclose(draws[:3], draws[3:6])
    alone = BoostedHazard(trees=10, refits=0).fit(read(wavy[:300]))
    again = alone.predict_draws(wavy[:2], 8, n_draws=2, seed=4)
    assert_allclose(again[0], alone.predict(wavy[:2], 8).pmf)


def test_events_only_at_once_and_nothing_beyond_the_last_step():
    frame = pd.DataFrame({"k": [1, 1], "seen": [True, True], "x": [0, 1], "z": [1, 0]})
    fitted = BoostedHazard().fit(read(frame))
    again = model_from_dict(json.loads(json.dumps(fitted.to_dict(), allow_nan=False)))
    assert_allclose(again.predict(frame, 3).pmf, [[1, 0, 0], [1, 0, 0]])
    assert any("beyond step 1" in str(message) for message in fitted.notes.messages)


@pytest.mark.parametrize("option", [{"trees": 0}, {"rate": 0}, {"leaves": 1}, {"penalty": -1}])
def test_options_are_checked(option):
    with pytest.raises(RequestError, match=next(iter(option))):
        BoostedHazard(**option)


def test_of_very_many_steps_at_risk_those_of_some_subjects_are_used(wavy, monkeypatch):
    monkeypatch.setattr("forecast.survival.boosted.MOST_STEPS_AT_RISK", 3000)
    assert wavy.k.sum() > 3000
    spec = BoostedHazard(trees=5, refits=0)
    fitted = spec.fit(read(wavy))
    assert any("drawn by subject" in str(message) for message in fitted.notes.messages)
    assert 0.8 * 3000 < fitted.notes.n_rows * wavy.k.mean() < 1.2 * 3000
    backwards = spec.fit(read(wavy.assign(who=range(len(wavy))).iloc[::-1], subject="who"))
    again = spec.fit(read(wavy.assign(who=range(len(wavy))), subject="who"))
    rows = wavy[["x", "z"]][:20]
    assert_allclose(backwards.predict(rows, 8).pmf, again.predict(rows, 8).pmf)
