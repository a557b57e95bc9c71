"""Several rows of one subject: what they say together is less than as many subjects would."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival.aft import AcceleratedTime
from forecast.survival.aft_likelihood import widened
from forecast.survival.durations import Durations


def alike_rows(seed: int, *, subjects: int, each: int, sd: float, entries: bool = False):
    """Log-normal durations with a part shared by a subject's rows; x belongs to the subject."""
    rng = np.random.default_rng(seed)
    owner, x = np.repeat(np.arange(subjects), each), rng.integers(0, 2, subjects)
    spread = sd * rng.normal(size=subjects)[owner] + 0.35 * rng.normal(size=len(owner))
    happens = np.ceil(8 * np.exp(spread)).astype(int)
    watched = rng.geometric(0.06, len(owner))
    entry = rng.integers(0, 2, len(owner)) * entries
    frame = pd.DataFrame(
        {
            "step": np.minimum(happens, watched),
            "event": happens <= watched,
            "x": x[owner],
            "entry": entry,
            "subject": owner,
        }
    )
    return frame[frame["step"] > frame["entry"]].reset_index(drop=True)


def durations(frame: pd.DataFrame, subject: str | None = "subject") -> Durations:
    names = {"step": "step", "observed": "event", "entry": "entry", "covariates": ["x"]}
    return Durations.from_frame(frame, subject=subject, **names)


def test_one_row_per_subject_leaves_the_inverse_information():
    frame = alike_rows(1, subjects=300, each=1, sd=0.3)
    named, unnamed = (AcceleratedTime().fit(durations(frame, who)) for who in ("subject", None))
    assert (named.covariance == unnamed.covariance).all()


@pytest.mark.parametrize("never", [None, ("x",)])
def test_every_row_twice_doubles_the_covariance_where_no_prior_holds_it(never):
    # algebra: twice the rows halve the inverse information; the pairs give back what is lost
    prior = {"never": (-3.0, 100.0), "never[x]": (0.0, 100.0)} if never else None
    once = alike_rows(2, subjects=2000, each=1, sd=0.3, entries=True)
    if never:
        once.loc[::5, "event"] = False
        once.loc[::5, "step"] = 60
    twice = pd.concat([once, once], ignore_index=True)
    model = AcceleratedTime(prior=prior, never=never)
    alone, doubled = model.fit(durations(once)), model.fit(durations(twice))
    assert_allclose(doubled.theta, alone.theta, atol=1e-4)
    # by Monte Carlo error of information against its estimate by scores
    assert_allclose(doubled.errors, alone.errors, rtol=0.06)
    plain = model.fit(durations(twice, None))
    assert_allclose(plain.errors, alone.errors / np.sqrt(2), rtol=1e-3)


def test_never_less_than_the_inverse_information_in_any_direction():
    for seed in range(20):
        frame = alike_rows(100 + seed, subjects=30, each=2, sd=0.0)
        frame["x"] += 0.1 * np.random.default_rng(seed).normal(size=len(frame))
        named, unnamed = (AcceleratedTime().fit(durations(frame, who)) for who in ("subject", None))
        added = np.linalg.eigvalsh(named.covariance - unnamed.covariance)
        assert added.min() > -1e-12


def test_the_widened_matrix_does_not_depend_on_units():
    rng = np.random.default_rng(0)
    half, between = rng.normal(size=(4, 4)), rng.normal(size=(4, 4))
    inverse, between = half @ half.T, between + between.T
    units = np.diag([1.0, 100.0, 0.01, 3.0])
    other = widened(units @ inverse @ units, np.linalg.inv(units) @ between @ np.linalg.inv(units))
    assert_allclose(other, units @ widened(inverse, between) @ units, rtol=1e-8)


def test_an_effect_of_nothing_is_called_real_one_time_in_twenty_though_rows_are_alike():
    found = []
    for seed in range(400):
        fitted = AcceleratedTime().fit(durations(alike_rows(seed, subjects=100, each=3, sd=0.3)))
        found.append(fitted.coefficients["x"] / fitted.standard_errors["x"])
    size = float(np.mean(np.abs(found) > 1.96))
    # 5 % and three binomial errors; the inverse information alone gives 15 %
    assert 0.02 < size < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)
