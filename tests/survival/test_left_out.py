"""What the fit to everybody else says, against fits to everybody else."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival import (
    AcceleratedTime,
    Durations,
    LifeTable,
)

PRIOR = {"location": (1.8, 0.5), "log_scale": (-0.5, 0.5), "never": (-2.0, 1.0)}
LIGHT = PRIOR | {"never[light]": (1.0, 1.0)}
MODELS = [
    AcceleratedTime("lognormal", penalty=1.0, prior=PRIOR, never=()),
    AcceleratedTime("loglogistic", penalty=1.0),
    AcceleratedTime("weibull", penalty=1.0, prior=LIGHT, never=("light",)),
]  # fmt: skip


@pytest.fixture(scope="module")
def durations():
    """Forty subjects of whom some have two rows, some enter late and some count for half."""
    rng = np.random.default_rng(5)
    who = np.sort(rng.integers(0, 40, 60))
    frame = pd.DataFrame({"who": who, "size": rng.normal(size=60)})
    frame["light"] = (rng.random(60) < 0.3).astype(float)
    needed = np.ceil(np.exp(1.7 + 0.3 * frame["size"] + 0.4 * rng.normal(size=60)))
    last = rng.integers(3, 16, 60)
    frame["entry"] = np.where(rng.random(60) < 0.2, 1, 0)
    frame["step"] = np.minimum(needed, last).clip(lower=2)
    frame["seen"] = (needed <= last) & (frame["light"] * rng.random(60) < 0.7)
    frame["weight"] = rng.choice([0.5, 1.0], 60)
    return Durations.from_frame(
        frame, step="step", observed="seen", covariates=["size", "light"], entry="entry",
        subject="who", weight="weight",
    )  # fmt: skip


def refitted(model, durations, horizon, n_draws):
    found, whole = np.empty((len(durations), horizon)), model.fit(durations)
    for who in np.unique(durations.subject):
        own = durations.subject == who
        fitted = model.fit(durations.take(~own), whole)
        asked = durations.covariates[own]
        if n_draws:
            draws = fitted.predict_draws(asked, horizon, n_draws=n_draws, seed=0)
            found[own] = draws.mean(axis=0)
        else:
            found[own] = fitted.predict(asked, horizon).pmf
    return found


@pytest.mark.parametrize("n_draws", [0, 400])
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.name)
def test_a_step_from_the_fit_to_all_comes_near_a_fit_to_the_rest(durations, model, n_draws):
    exact = refitted(model, durations, 20, n_draws)
    found = model.predict_left_out(durations, 20, n_draws=n_draws)
    whole = model.fit(durations).predict(durations.covariates, 20).pmf

    def off(pmf):
        return np.abs(pmf.cumsum(axis=1) - exact.cumsum(axis=1)).max(axis=1)

    assert off(found).mean() < 0.3 * off(whole).mean()
    assert off(found).max() < off(whole).max()


def test_the_table_of_all_others_is_exact(durations):
    found = LifeTable().predict_left_out(durations, 20, n_draws=0)
    assert_allclose(found, refitted(LifeTable(), durations, 20, 0), atol=1e-12)


def test_draws_of_the_table_of_all_others_are_averaged_exactly(durations):
    found = LifeTable().predict_left_out(durations, 20, n_draws=1)
    assert_allclose(found, refitted(LifeTable(), durations, 20, 4000), atol=0.01)
