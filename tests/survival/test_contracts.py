"""What every count model must hold to; a new model joins by one line."""

import json
import pickle
from functools import partial

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from forecast.errors import DataError, FitError, RequestError
from forecast.survival import (
    AcceleratedTime,
    DiscreteHazard,
    Durations,
    LifeTable,
    model_from_dict,
)

NEVER = {"never": (-2.0, 2.0), "never[treated]": (0.0, 0.5)}
SPECS = {
    "life table": LifeTable,
    "discrete hazard": partial(DiscreteHazard, penalty=4.0),
    "weibull": partial(AcceleratedTime, "weibull", penalty=4.0),
    "lognormal": partial(AcceleratedTime, "lognormal", penalty=4.0),
    "loglogistic": partial(AcceleratedTime, "loglogistic", penalty=4.0),
    "some never": partial(
        AcceleratedTime, "weibull", penalty=25.0, prior=NEVER, never=("treated",)
    ),
    "unpenalised hazard": DiscreteHazard,
    "prior": partial(DiscreteHazard, prior={"dose": (0.02, 0.01)}),
}
COVARIATES = ["dose", "treated", "group"]
HORIZON = 12

every_model = pytest.mark.parametrize("spec", SPECS.values(), ids=SPECS.keys())
with_covariates = pytest.mark.parametrize(
    "spec",
    [spec for name, spec in SPECS.items() if name != "life table"],
    ids=[name for name in SPECS if name != "life table"],
)
FITTED = {}


@pytest.fixture
def fit(mixed_durations):
    """Fit a specification to the shared data once for the whole module."""

    def fitted(spec):
        key = repr(spec)
        if key not in FITTED:
            FITTED[key] = spec().fit(mixed_durations)
        return FITTED[key]

    return fitted


def durations_of(frame, covariates=COVARIATES, **columns):
    return Durations.from_frame(
        frame, step="k", observed="seen", entry="entry", covariates=covariates, **columns
    )


def pmf(fitted, frame):
    return fitted.predict(frame, HORIZON).pmf


@every_model
def test_row_order_does_not_matter(spec, fit, mixed):
    shuffled = mixed.sample(frac=1, random_state=4).reset_index(drop=True)
    again = spec().fit(durations_of(shuffled))
    assert_allclose(pmf(again, mixed[:20]), pmf(fit(spec), mixed[:20]), atol=1e-7)


@every_model
def test_column_order_and_subject_labels_do_not_matter(spec, fit, mixed):
    named = mixed.assign(label=[f"s{i}" for i in range(len(mixed))])
    again = spec().fit(durations_of(named, ["group", "treated", "dose"], subject="label"))
    assert_allclose(pmf(again, mixed[:20]), pmf(fit(spec), mixed[:20]), atol=1e-7)


@every_model
def test_the_input_is_left_alone(spec, mixed):
    frame, rows = mixed.copy(), mixed.copy()
    durations = durations_of(frame)
    fitted = spec().fit(durations)
    fitted.predict(rows, HORIZON)
    fitted.predict_draws(rows, HORIZON, n_draws=2, seed=0)
    pd.testing.assert_frame_equal(frame, mixed)
    pd.testing.assert_frame_equal(rows, mixed)
    pd.testing.assert_frame_equal(durations.covariates, mixed[COVARIATES])


@every_model
def test_one_row_predicts_as_in_a_batch_and_a_mapping_as_a_frame(spec, fit, mixed):
    fitted = fit(spec)
    batch = pmf(fitted, mixed[:5])
    for row in range(5):
        assert_allclose(pmf(fitted, mixed[row : row + 1])[0], batch[row], atol=1e-12)
        one = {name: mixed[name][row] for name in COVARIATES}
        assert_allclose(pmf(fitted, one)[0], batch[row], atol=1e-12)
    lists = {name: mixed[name][:5].tolist() for name in COVARIATES}
    assert_allclose(pmf(fitted, lists), batch, atol=1e-12)


@every_model
def test_the_same_seed_gives_the_same_draws_for_any_rows(spec, fit, mixed):
    fitted = fit(spec)
    draws = fitted.predict_draws(mixed[:6], HORIZON, n_draws=4, seed=9)
    assert draws.shape == (4, 6, HORIZON)
    assert_array_equal(draws, fitted.predict_draws(mixed[:6], HORIZON, n_draws=4, seed=9))
    alone = fitted.predict_draws(mixed[3:4], HORIZON, n_draws=4, seed=9)
    assert_allclose(alone[:, 0], draws[:, 3], atol=1e-12)
    assert (draws >= 0).all()
    assert (draws.sum(axis=2) <= 1 + 1e-9).all()


@every_model
def test_draws_differ_and_centre_near_the_prediction(spec, fit, mixed):
    fitted = fit(spec)
    draws = fitted.predict_draws(mixed[:4], HORIZON, n_draws=200, seed=2)
    by_six = draws[:, :, :6].sum(axis=2)
    spread = by_six.std(axis=0)
    assert (spread > 1e-3).all()
    point = fitted.predict(mixed[:4], HORIZON).cdf()[:, 5]
    assert (np.abs(by_six.mean(axis=0) - point) < 1.5 * spread).all()


@every_model
def test_a_saved_model_answers_alike(spec, fit, mixed):
    fitted = fit(spec)
    stored = json.loads(json.dumps(fitted.to_dict(), allow_nan=False))
    again = model_from_dict(stored)
    assert_allclose(pmf(again, mixed[:9]), pmf(fitted, mixed[:9]), atol=1e-12)
    assert_allclose(
        again.predict_draws(mixed[:2], HORIZON, n_draws=3, seed=1),
        fitted.predict_draws(mixed[:2], HORIZON, n_draws=3, seed=1),
        atol=1e-9,
    )
    assert again.notes == fitted.notes


@every_model
def test_a_model_survives_a_pickle(spec, fit, mixed):
    again = pickle.loads(pickle.dumps(fit(spec)))
    assert_array_equal(pmf(again, mixed[:3]), pmf(fit(spec), mixed[:3]))


@every_model
def test_a_longer_horizon_only_adds_steps(spec, fit, mixed):
    fitted = fit(spec)
    short, long = fitted.predict(mixed[:5], 8).pmf, fitted.predict(mixed[:5], 30).pmf
    assert_allclose(long[:, :8], short, atol=1e-12)
    assert (np.diff(1 - long.cumsum(axis=1), axis=1) <= 1e-12).all()


@every_model
def test_a_constant_column_changes_nothing_and_is_named(spec, fit, mixed):
    again = spec().fit(durations_of(mixed.assign(same=3.0), [*COVARIATES, "same"]))
    assert_allclose(pmf(again, mixed[:20]), pmf(fit(spec), mixed[:20]), atol=1e-7)
    if spec is not LifeTable:
        assert any("same" in str(message) for message in again.notes.messages)


@with_covariates
def test_units_do_not_matter(spec, fit, mixed):
    if isinstance(spec(), DiscreteHazard) and spec().prior:
        pytest.skip("its prior is about the units that it names")
    other = mixed.assign(dose=900 - 10 * mixed.dose)
    again = spec().fit(durations_of(other))
    assert_allclose(pmf(again, other[:20]), pmf(fit(spec), mixed[:20]), atol=2e-5)


@every_model
def test_weights_of_two_equal_repeated_rows(spec, mixed):
    twice = pd.concat([mixed, mixed], ignore_index=True)
    weighted = spec().fit(durations_of(mixed.assign(w=2.0), weight="w"))
    repeated = spec().fit(durations_of(twice))
    assert_allclose(pmf(weighted, mixed[:9]), pmf(repeated, mixed[:9]), atol=1e-6)


@every_model
def test_rows_of_weight_zero_are_as_good_as_absent(spec, mixed):
    weight = (np.arange(len(mixed)) % 4 > 0).astype(float)
    weighted = spec().fit(durations_of(mixed.assign(w=weight), weight="w"))
    absent = spec().fit(durations_of(mixed[weight > 0].reset_index(drop=True)))
    assert_allclose(pmf(weighted, mixed[:9]), pmf(absent, mixed[:9]), atol=1e-6)


@every_model
def test_censored_subjects_do_not_speed_the_event_up(spec, fit, mixed):
    held = mixed.iloc[:25].assign(k=int(mixed.k.max()), seen=False, entry=0)
    again = spec().fit(durations_of(pd.concat([mixed, held], ignore_index=True)))
    before, after = (m.predict(mixed, HORIZON).cdf()[:, -1].mean() for m in (fit(spec), again))
    assert after < before


@with_covariates
def test_what_was_never_seen_is_refused_by_name(spec, fit, mixed):
    fitted = fit(spec)
    row = {"dose": 50.0, "treated": 1, "group": "low"}
    with pytest.raises(RequestError, match=r"no column 'dose'.*Did you mean 'dosis'"):
        fitted.predict({"dosis": 50.0, "treated": 1, "group": "low"}, HORIZON)
    with pytest.raises(DataError, match=r"'dose' has 1 missing value, first in row 0"):
        fitted.predict({**row, "dose": np.nan}, HORIZON)
    with pytest.raises(DataError, match=r"'group' has 1 missing value, first in row 2"):
        fitted.predict(mixed[:5].assign(group=["low", "mid", None, "top", "low"]), HORIZON)


@with_covariates
def test_a_level_never_seen_is_answered_between_the_others_and_said(spec, fit, mixed):
    fitted = fit(spec)
    asked = mixed[:6].assign(group=["low", "mid", "top", "new", "new", "odd"], dose=50, treated=1)
    found = fitted.predict(asked, HORIZON)
    assert [(note.values["level"], note.values["rows"]) for note in found.notes] == [
        ("new", 2),
        ("odd", 1),
    ]
    by_six = found.cdf()[:, 5]
    assert by_six[:3].min() < by_six[3] < by_six[:3].max()
    assert_allclose(found.pmf[3], found.pmf[4], atol=1e-12)
    alone = {name: asked[name][3] for name in COVARIATES}
    assert_allclose(pmf(fitted, alone)[0], found.pmf[3], atol=1e-12)
    listed = {"dose": 50.0, "treated": 1, "group": ["new", "odd"]}
    assert_allclose(pmf(fitted, listed), found.pmf[[3, 5]], atol=1e-12)
    again = model_from_dict(json.loads(json.dumps(fitted.to_dict())))
    assert_allclose(again.predict(asked, HORIZON).pmf, found.pmf, atol=1e-12)
    draws = fitted.predict_draws(asked, HORIZON, n_draws=2, seed=1)
    assert_allclose(draws[:, 3], draws[:, 4], atol=1e-12)


@with_covariates
def test_missing_covariates_are_refused_in_the_fit(spec, mixed):
    holes = mixed.assign(dose=mixed.dose.where(mixed.index != 7))
    with pytest.raises(DataError, match=r"'dose' has 1 missing value, first in row 7"):
        spec().fit(durations_of(holes))


@every_model
def test_no_events_is_refused(spec, mixed):
    with pytest.raises(FitError, match=r"[Nn]o(ne of| event)"):
        spec().fit(durations_of(mixed.assign(seen=False)))


@every_model
def test_a_horizon_of_no_steps_is_refused(spec, fit, mixed):
    with pytest.raises(RequestError, match="horizon is 0"):
        fit(spec).predict(mixed[:1], 0)


@with_covariates
def test_noise_leaves_the_life_table_within_noise(spec):
    rng = np.random.default_rng(6)
    n = 1500
    happens, watched = rng.geometric(0.2, n), rng.integers(3, 12, n)
    frame = pd.DataFrame({"k": np.minimum(happens, watched), "seen": happens <= watched})
    frame["dose"], frame["treated"] = rng.normal(0, 1, n), rng.integers(0, 2, n)
    frame["group"], frame["entry"] = rng.choice(["low", "mid"], n), 0
    prior = spec().fit(durations_of(frame))
    table = LifeTable().fit(durations_of(frame))
    survival = prior.predict(frame, 8).survival().mean(axis=0)
    assert (np.abs(survival - table.survival[:8]) < 4 * table.standard_error[:8]).all()
