"""The covariate matrix in parts gives the sums of the whole matrix, however it is held."""

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from forecast.survival import DiscreteHazard, Durations, Encoding
from forecast.survival import design as held_as
from forecast.survival.design import build_design

HELD = {
    "as patterns": {"ROWS_PER_PATTERN": 0},
    "in full": {"ROWS_PER_PATTERN": 10**9},
    "in small blocks": {"ROWS_PER_PATTERN": 0, "BLOCK": 16, "BLOCK_CELLS": 32},
    "with keys counted often": {"ROWS_PER_PATTERN": 0, "MANY_KEYS": 4},
}
each_way = pytest.mark.parametrize("constants", HELD.values(), ids=HELD.keys())


@pytest.fixture
def frame():
    rng = np.random.default_rng(4)
    n = 150
    return pd.DataFrame(
        {
            "dose": rng.normal(50, 9, n),
            "site": rng.choice(list("abcd"), n),
            "flag": rng.integers(0, 2, n),
            "dial": rng.uniform(0, 1, n),
            "kind": pd.Categorical(rng.choice(["x", "y", "z"], n)),
        }
    )


@each_way
def test_every_sum_is_that_of_the_matrix(frame, monkeypatch, constants):
    for name, value in constants.items():
        monkeypatch.setattr(held_as, name, value)
    rng = np.random.default_rng(1)
    encoding = Encoding.learn(frame)
    order = rng.permutation(len(frame))
    design = build_design(encoding, frame, order, np.ones(len(frame)))
    assert (design.pattern is None) == (constants["ROWS_PER_PATTERN"] > 0)
    # the whole matrix, in the order held: columns centred and scaled
    matrix = np.empty((len(frame), design.width))
    matrix[:, design.order] = encoding.encode(frame)[order]
    matrix = (matrix - design.center) / design.scale
    slopes, values = rng.normal(size=design.width), rng.uniform(size=len(frame))
    assert_allclose(design.block(0, len(frame)), matrix, atol=1e-12)
    assert_allclose(design.dot(slopes), matrix @ slopes, atol=1e-12)
    assert_allclose(design.dot_rows(values), values @ matrix, atol=1e-11)
    assert_allclose(design.dot_squares(values), values @ matrix**2, atol=1e-11)
    run = slice(20, 90)
    assert_allclose(design.dot_runs([(run, values[run])]), values[run] @ matrix[run], atol=1e-11)
    assert_allclose(design.gram(values), matrix.T @ (matrix * values[:, None]), atol=1e-10)
    whole = np.column_stack([np.ones(len(frame)), matrix])
    start, stop = np.array([0, 10, 10, 80]), np.array([10, 10, 80, 150])
    expected = [values[a:b] @ whole[a:b] for a, b in zip(start, stop, strict=True)]
    assert_allclose(design.sums(design.slices(start, stop), values), expected, atol=1e-11)
    rows, group = rng.permutation(150)[:60], rng.integers(0, 5, 60)
    groups = design.grouping(rows, group, 5)
    expected = [values[rows[group == g]] @ whole[rows[group == g]] for g in range(5)]
    assert_allclose(design.sums(groups, values[groups.rows]), expected, atol=1e-11)


@each_way
@pytest.mark.parametrize("link", ["cloglog", "logit"])
def test_the_fit_is_the_same_however_rows_are_held_and_ordered(mixed, monkeypatch, constants, link):
    columns = {"step": "k", "observed": "seen", "entry": "entry"}
    covariates = ["dose", "treated", "group"]
    plain = DiscreteHazard(link=link).fit(
        Durations.from_frame(mixed, covariates=covariates, **columns)
    )
    for name, value in constants.items():
        monkeypatch.setattr(held_as, name, value)
    shuffled = mixed.sample(frac=1, random_state=3).reset_index(drop=True)
    other = DiscreteHazard(link=link).fit(
        Durations.from_frame(shuffled, covariates=covariates, **columns)
    )
    assert_allclose(other.parameters, plain.parameters, atol=1e-9)
    assert_allclose(other.covariance, plain.covariance, atol=1e-9)
